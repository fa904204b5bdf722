//! A smooth distribution from interval-censored data.
//!
//! EMS (Silverman, Jones, Wilson and Nychka, J. R. Statist. Soc. B 52, 1990): each round of Turnbull's
//! self-consistency EM is followed by a smoothing, here with a triangle. The unsmooth optimum heaps its mass
//! on a few cells, whose places scatter with few data and whose bootstrap hides that scatter; a smooth one
//! scatters less and says how much. Values in bins of equal width; each observation is a union of ranges.

use crate::stats::censored::distinct_sets::{DistinctSets, union};

/// Equal bins over a span, and the distinct sets of them that observations allow.
#[derive(Clone, Debug, Default)]
pub struct SmoothDistribution {
    from: f64,
    step: f64,
    bins: usize,
    /// Half width of the triangle, bins.
    reach: usize,
    sets: DistinctSets,
}

impl SmoothDistribution {
    /// Bins of `step` from `span.0` to `span.1`, with a triangle of half width `reach` (in the values' unit).
    #[must_use]
    pub fn new(span: (f64, f64), step: f64, reach: f64) -> Self {
        let bins = ((span.1 - span.0) / step).ceil().max(1.0) as usize;
        let reach = (reach / step).round() as usize;
        Self { from: span.0, step, bins, reach, sets: DistinctSets::default() }
    }

    /// The set of an observation, a union of ranges; `None` where it says nothing about the span's inside.
    pub fn set_of(&mut self, observation: impl Iterator<Item = (f64, f64)> + Clone) -> Option<u32> {
        let place = |value: f64| ((value - self.from) / self.step).clamp(0.0, self.bins as f64);
        let ranges = observation.map(|range| (place(range.0).floor() as u32, place(range.1).ceil() as u32));
        let everything = (0, self.bins as u32);
        // Most say nothing: that is found without a set.
        if ranges.clone().any(|range| range == everything) {
            return None;
        }
        let set = union(ranges);
        (!set.is_empty() && set != [everything]).then(|| self.sets.number(set))
    }

    /// Distinct sets.
    #[must_use]
    pub const fn sets(&self) -> usize {
        self.sets.len()
    }

    /// The bins with their shares: low, high, share.
    #[must_use]
    pub fn cells(&self, mass: &[f64]) -> Vec<(f64, f64, f64)> {
        let low = |index: usize| self.from + self.step * index as f64;
        mass.iter().enumerate().map(|(index, &mass)| (low(index), low(index + 1), mass)).collect()
    }

    /// Shares of the bins under weights of the sets, after so many rounds from a start or from equal shares.
    #[must_use]
    pub fn solve(&self, weights: &[f64], start: Option<&[f64]>, rounds: usize) -> Vec<f64> {
        let even = 1.0 / self.bins as f64;
        let mut mass = start.map_or_else(|| vec![even; self.bins], <[f64]>::to_vec);
        let mut cumulative = vec![0.0; self.bins + 1];
        let mut slopes = vec![0.0; self.bins + 1];
        let mut scratch = Vec::new();
        for _ in 0..rounds {
            let mut sum = 0.0;
            for (slot, share) in cumulative[1..].iter_mut().zip(&mass) {
                sum += share;
                *slot = sum;
            }
            slopes.fill(0.0);
            for (set, &weight) in weights.iter().enumerate().filter(|(_, weight)| **weight > 0.0) {
                let own = self.sets.set(set);
                let chance: f64 = own
                    .iter()
                    .map(|&(first, end)| cumulative[end as usize] - cumulative[first as usize])
                    .sum();
                if chance > 1e-12 {
                    for &(first, end) in own {
                        slopes[first as usize] += weight / chance;
                        slopes[end as usize] -= weight / chance;
                    }
                }
            }
            let mut slope = 0.0;
            for (share, step) in mass.iter_mut().zip(&slopes) {
                slope += step;
                *share *= slope.max(0.0);
            }
            self.smooth(&mut mass, &mut scratch);
            let total: f64 = mass.iter().sum();
            if total <= 0.0 {
                return vec![even; self.bins];
            }
            for share in &mut mass {
                *share /= total;
            }
        }
        mass
    }

    /// Two running means, each over half the triangle's width.
    fn smooth(&self, mass: &mut [f64], scratch: &mut Vec<f64>) {
        let half = self.reach / 2;
        for _ in 0..2 {
            scratch.clear();
            scratch.push(0.0);
            let mut sum = 0.0;
            for share in mass.iter() {
                sum += share;
                scratch.push(sum);
            }
            for (index, share) in mass.iter_mut().enumerate() {
                let (first, end) = (index.saturating_sub(half), (index + half + 1).min(self.bins));
                *share = (scratch[end] - scratch[first]) / (2 * half + 1) as f64;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::stats::censored::ems::*;
    use crate::stats::censored::turnbull::{Problem, Ranges};

    fn weights(smooth: &mut SmoothDistribution, observations: &[Ranges]) -> Vec<f64> {
        let sets: Vec<u32> =
            observations.iter().filter_map(|ranges| smooth.set_of(ranges.iter().copied())).collect();
        let mut weights = vec![0.0; smooth.sets()];
        for set in sets {
            weights[set as usize] += 1.0;
        }
        weights
    }

    /// Without a smoothing it is Turnbull's own algorithm: the oracle is his optimum's share in each cell.
    #[test]
    fn without_smoothing_it_is_turnbull_s_estimate() {
        let low = |index: i32| f64::from((index * 17) % 31);
        let observations: Vec<Ranges> =
            (0..80).map(|index| vec![(low(index), low(index) + 8.0 + f64::from(index % 5))]).collect();
        let problem = Problem::new(&observations);
        let best = problem.solve(&problem.weights(), None, 1e-7, 5000);
        let mut plain = SmoothDistribution::new((0.0, 50.0), 1.0, 0.0);
        let weights = weights(&mut plain, &observations);
        let mass = plain.solve(&weights, None, 20_000);
        for (cell, share) in problem.cells().iter().zip(&best) {
            let bins = plain.cells(&mass);
            let inside = bins.iter().filter(|bin| bin.0 >= cell.0 - 1e-9 && bin.1 <= cell.1 + 1e-9);
            let own: f64 = inside.map(|bin| bin.2).sum();
            assert!((own - share).abs() < 2e-3, "{cell:?}: {own} for {share}");
        }
    }

    /// Values 30 to 40 evenly, each seen through a window 20 wide: the mean is 35 by construction.
    #[test]
    fn an_even_spread_is_found_between_windows_that_are_wider() {
        let observations: Vec<Ranges> = (0..400)
            .map(|index| {
                let value = 30.0 + f64::from((index * 37) % 100) / 10.0;
                let low = value - f64::from((index * 71) % 200) / 10.0;
                vec![(low, low + 20.0)]
            })
            .collect();
        let mut smooth = SmoothDistribution::new((0.0, 70.0), 0.5, 2.0);
        let weights = weights(&mut smooth, &observations);
        let mass = smooth.solve(&weights, None, 40);
        let mean: f64 = smooth.cells(&mass).iter().map(|bin| 0.5 * (bin.0 + bin.1) * bin.2).sum();
        assert!((mean - 35.0).abs() < 0.7, "{mean}");
        assert!((mass.iter().sum::<f64>() - 1.0).abs() < 1e-9);
    }

    #[test]
    fn an_observation_of_everything_says_nothing() {
        let mut smooth = SmoothDistribution::new((0.0, 20.0), 1.0, 2.0);
        assert_eq!(smooth.set_of([(-5.0, 90.0)].into_iter()), None);
        assert_eq!(smooth.set_of([(3.0, 9.0)].into_iter()), Some(0));
        assert_eq!(smooth.set_of([(3.0, 9.0), (12.0, 13.0)].into_iter()), Some(1));
        assert_eq!((smooth.set_of([(3.2, 8.9)].into_iter()), smooth.sets()), (Some(0), 2));
    }
}
