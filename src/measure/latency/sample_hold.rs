//! The handset's own hold: how old a stick position is before the next one replaces it.
//!
//! Sticks come as values at known times, and what is sent on is one of those values. The age of the value that an
//! output shows therefore has two parts: a path's delay, which `age_intervals` bounds, and the time for which that
//! value had stood. The second is known from the sticks' own stamps: at a random instant of spacings s the share
//! that stood for at most v is `sum(min(s, v)) / sum(s)`. Adding a known part by its own distribution, in place of
//! estimating the sum, takes its scatter out of the estimate (conditional Monte Carlo; Asmussen and Glynn,
//! Stochastic Simulation, 2007, V.4). Unit: ms.

use super::age_intervals::GRID_MS;

/// Spacings longer than this are gaps, ms.
const LONGEST_MS: f64 = 200.0;

/// How long a stick position has stood at a random instant.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct SampleHold {
    /// Integral of the distribution function at each step of the grid, ms.
    integral: Vec<f64>,
    usual_ms: f64,
}

impl SampleHold {
    /// From the spacings of stick samples while sticks moved, ms; `None` without any.
    pub(super) fn new(spacings: impl Iterator<Item = f64>) -> Option<Self> {
        let mut sorted: Vec<f64> = spacings.filter(|&ms| ms > 0.0 && ms <= LONGEST_MS).collect();
        sorted.sort_by(f64::total_cmp);
        let (total, longest) = (sorted.iter().sum::<f64>(), *sorted.last()?);
        let steps = (longest / GRID_MS).ceil() as usize;
        let (mut shorter, mut below) = (0, 0.0);
        let mut integral = Vec::with_capacity(steps + 1);
        let (mut sum, mut before) = (0.0, 0.0);
        integral.push(0.0);
        for step in 1..=steps {
            let ms = step as f64 * GRID_MS;
            while let Some(&spacing) = sorted.get(shorter).filter(|spacing| **spacing <= ms) {
                below += spacing;
                shorter += 1;
            }
            let share = (below + ms * (sorted.len() - shorter) as f64) / total;
            sum += 0.5 * (before + share) * GRID_MS;
            before = share;
            integral.push(sum);
        }
        Some(Self { integral, usual_ms: sorted[sorted.len() / 2] })
    }

    /// Longest time that a position stands, ms.
    pub(super) fn longest_ms(&self) -> f64 {
        (self.integral.len() - 1) as f64 * GRID_MS
    }

    /// The median spacing, ms.
    pub(super) const fn usual_ms(&self) -> f64 {
        self.usual_ms
    }

    fn integral(&self, ms: f64) -> f64 {
        if ms <= 0.0 {
            return 0.0;
        }
        let last = self.integral.len() - 1;
        let place = ms / GRID_MS;
        let step = place as usize;
        if step >= last {
            return self.integral[last] + ms - last as f64 * GRID_MS;
        }
        let (low, high) = (self.integral[step], self.integral[step + 1]);
        low + (high - low) * (place - step as f64)
    }
}

/// The share of ages up to `ms`: of delays spread evenly within their cells (low, high, share), with the
/// time for which the position had stood before.
pub(super) fn share_up_to(ms: f64, cells: &[(f64, f64, f64)], hold: &SampleHold) -> f64 {
    let mut share = 0.0;
    let reach = hold.longest_ms();
    for &(low, high, mass) in cells {
        if ms >= high + reach {
            share += mass;
        } else if ms > low && high.is_finite() {
            share += mass * (hold.integral(ms - low) - hold.integral(ms - high)) / (high - low);
        }
    }
    share
}

/// The age below which a share of `total` lies; `None` where it lies beyond all finite ones.
pub(super) fn quantile(share: f64, cells: &[(f64, f64, f64)], hold: &SampleHold) -> Option<f64> {
    let total: f64 = cells.iter().map(|cell| cell.2).sum();
    let target = share * total;
    let finite = || cells.iter().filter(|cell| cell.1.is_finite());
    if finite().map(|cell| cell.2).sum::<f64>() < target {
        return None;
    }
    let reach = hold.longest_ms();
    let ends = (finite().next()?.0, finite().next_back()?.1 + reach);
    Some(first_age(ends, |age| share_up_to(age, cells, hold) >= target))
}

/// Where, between two ages, something that stays true from some age on becomes true; to a microsecond.
pub(super) fn first_age((mut low, mut high): (f64, f64), is_reached: impl Fn(f64) -> bool) -> f64 {
    while high - low > 1e-3 {
        let middle = 0.5 * (low + high);
        if is_reached(middle) { high = middle } else { low = middle }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use crate::measure::latency::sample_hold::*;

    /// The sum of two even spreads of equal width is a triangle: its quantiles are known in closed form.
    #[test]
    fn an_even_delay_and_an_even_hold_make_a_triangle() {
        let hold = SampleHold::new(std::iter::repeat_n(20.0, 50)).unwrap();
        let cells = [(100.0, 120.0, 1.0)];
        let at = |share| quantile(share, &cells, &hold).unwrap();
        assert!((at(0.5) - 120.0).abs() < 0.02);
        // Of a triangle from 100 to 140: 140 - sqrt(0.1 x 2 x 20 x 20).
        assert!((at(0.9) - (140.0 - 80.0_f64.sqrt())).abs() < 0.02, "{}", at(0.9));
    }

    /// Two spacings: the share of time at most v old is (min(10, v) + min(30, v)) / 40.
    #[test]
    fn uneven_spacings_weigh_by_their_time() {
        let hold = SampleHold::new([10.0, 30.0].into_iter()).unwrap();
        let cells = [(0.0, GRID_MS, 1.0)];
        let at = |share| quantile(share, &cells, &hold).unwrap() - 0.5 * GRID_MS;
        assert!((at(0.5) - 10.0).abs() < 0.1, "{}", at(0.5));
        assert!((at(0.75) - 20.0).abs() < 0.1);
    }

    #[test]
    fn an_open_cell_is_never_crossed_and_nothing_makes_no_hold() {
        let hold = SampleHold::new(std::iter::repeat_n(20.0, 50)).unwrap();
        let cells = [(0.0, 10.0, 0.6), (20.0, f64::INFINITY, 0.4)];
        assert!(quantile(0.3, &cells, &hold).is_some());
        assert_eq!(quantile(0.9, &cells, &hold), None);
        assert_eq!(SampleHold::new(std::iter::empty()), None);
    }
    /// A position that stands for 0.2 s is one that was slow to be replaced; a longer one, that no stick was sent.
    #[test]
    fn a_spacing_of_over_a_fifth_of_a_second_is_a_gap() {
        let of = |spacings: &[f64]| SampleHold::new(spacings.iter().copied());
        assert_eq!(of(&[150.0; 3]).unwrap().usual_ms(), 150.0);
        assert_eq!(of(&[200.0]).unwrap().longest_ms(), 200.0);
        assert_eq!(of(&[201.0]), None);
        assert_eq!(of(&[150.0, 900.0, 150.0, 201.0, 150.0]), of(&[150.0; 3]));
    }
}
