//! Non-parametric maximum likelihood from interval-censored data.
//!
//! Turnbull (J. R. Statist. Soc. B 38, 1976): each observation says only that a value lies in a
//! set; here a union of half-open ranges (low, high], `high` may be infinite. Mass can lie on
//! the innermost ranges alone (where a low end is followed at once by a high end), and where it
//! lies inside one is not known. Algorithm: EM-ICM (Wellner and Zhan, JASA 92, 1997), an
//! iterative convex minorant step with a line search after each EM step, which converges where
//! plain EM crawls. Stops by the optimality condition: no cell's gradient exceeds 1 by more than a
//! tolerance. Sets that are equal are merged, so that cost grows with the distinct ones.

use crate::stats::censored::distinct_sets::{CellRanges, DistinctSets, union};

/// A union of ranges (low, high], in order and apart.
pub type Ranges = Vec<(f64, f64)>;

/// Cells and sets of one estimation; solved again and again under other weights by a bootstrap.
#[derive(Clone, Debug, Default)]
pub struct Problem {
    cells: Vec<(f64, f64)>,
    sets: DistinctSets,
    set_of_observation: Vec<u32>,
}

impl Problem {
    /// From one set of values an observation; empty sets are not allowed among them.
    #[must_use]
    pub fn new(observations: &[Ranges]) -> Self {
        let cells = innermost(observations);
        let mut sets = DistinctSets::default();
        let set_of_observation =
            observations.iter().map(|observation| sets.number(cell_ranges(&cells, observation))).collect();
        Self { cells, sets, set_of_observation }
    }

    /// The innermost ranges, from low to high.
    #[must_use]
    pub fn cells(&self) -> &[(f64, f64)] {
        &self.cells
    }

    /// Distinct sets.
    #[must_use]
    pub const fn sets(&self) -> usize {
        self.sets.len()
    }

    /// The set of each observation, in their order.
    #[must_use]
    pub fn set_of_observation(&self) -> &[u32] {
        &self.set_of_observation
    }

    /// Each set's weight where every observation counts once.
    #[must_use]
    pub fn weights(&self) -> Vec<f64> {
        let mut weights = vec![0.0; self.sets()];
        for &set in &self.set_of_observation {
            weights[set as usize] += 1.0;
        }
        weights
    }

    /// The same with mass on the kept cells alone: far fewer sets differ there. Gives the set that
    /// each of this problem's sets becomes; `None` for one that holds all kept cells and so says nothing.
    #[must_use]
    pub fn restricted(&self, keep: &[bool]) -> (Self, Vec<Option<u32>>) {
        let mut kept_before = vec![0_u32; self.cells.len() + 1];
        for (index, &kept) in keep.iter().enumerate() {
            kept_before[index + 1] = kept_before[index] + u32::from(kept);
        }
        let everything = [(0, kept_before[self.cells.len()])];
        let cells = self.cells.iter().zip(keep).filter(|(_, kept)| **kept).map(|(cell, _)| *cell).collect();
        let mut sets = DistinctSets::default();
        let becomes = (0..self.sets()).map(|index| {
            let ranges = self.sets.set(index).iter();
            let set =
                union(ranges.map(|&(first, end)| (kept_before[first as usize], kept_before[end as usize])));
            (!set.is_empty() && set != everything).then(|| sets.number(set))
        });
        let becomes = becomes.collect();
        (Self { cells, sets, set_of_observation: Vec::new() }, becomes)
    }

    /// Each cell's gradient under masses: 1 where there is mass at the optimum, less elsewhere.
    #[must_use]
    pub fn gradient(&self, weights: &[f64], mass: &[f64]) -> Vec<f64> {
        let mut work = Work::new(self.cells.len(), self.sets());
        work.cumulate(mass);
        work.likelihood(self, weights);
        work.gradient(self, weights, weights.iter().sum());
        work.gradient
    }

    /// Each cell's share at the greatest likelihood under weights of the sets, from a start or from equal shares; none
    /// without weights.
    #[must_use]
    pub fn solve(
        &self,
        weights: &[f64],
        start: Option<&[f64]>,
        tolerance: f64,
        most_rounds: usize,
    ) -> Vec<f64> {
        let cells = self.cells.len();
        let total: f64 = weights.iter().sum();
        if cells == 0 || total <= 0.0 {
            return Vec::new();
        }
        let even = 1.0 / cells as f64;
        let mut mass: Vec<f64> = match start {
            Some(start) => start.iter().map(|share| 0.98 * share + 0.02 * even).collect(),
            None => vec![even; cells],
        };
        let mut work = Work::new(cells, self.sets());
        for _ in 0..most_rounds {
            work.cumulate(&mass);
            work.likelihood(self, weights);
            work.gradient(self, weights, total);
            if work.max_gradient() <= 1.0 + tolerance {
                break;
            }
            for (share, gradient) in mass.iter_mut().zip(&work.gradient) {
                *share *= gradient;
            }
            work.cumulate(&mass);
            work.convex_minorant_step(self, weights);
            for (share, pair) in mass.iter_mut().zip(work.cumulative.windows(2)) {
                *share = (pair[1] - pair[0]).max(0.0);
            }
        }
        mass
    }

    /// The ends of the cell in which [`Self::quantile`] lies: where it is inside is not known.
    #[must_use]
    pub fn quantile_cell(&self, mass: &[f64], share: f64) -> Option<(f64, f64)> {
        let total: f64 = mass.iter().sum();
        let target = share.clamp(0.0, 1.0) * total;
        let mut below = 0.0;
        let at = mass.iter().position(|&cell| {
            below += cell;
            cell > 0.0 && below >= target - 1e-12
        });
        at.map(|index| self.cells[index])
    }

    /// The value below which a share of the mass lies, by a straight line within a cell;
    /// `None` where it lies in a cell without a high end.
    #[must_use]
    pub fn quantile(&self, mass: &[f64], share: f64) -> Option<f64> {
        let total: f64 = mass.iter().sum();
        let target = share.clamp(0.0, 1.0) * total;
        let mut below = 0.0;
        for (&(low, high), &cell) in self.cells.iter().zip(mass) {
            if cell > 0.0 && below + cell >= target - 1e-12 {
                let part = ((target - below) / cell).clamp(0.0, 1.0);
                return high.is_finite().then_some(low + part * (high - low));
            }
            below += cell;
        }
        None
    }
}

/// The cells that lie within an observation.
fn cell_ranges(cells: &[(f64, f64)], observation: &Ranges) -> CellRanges {
    union(observation.iter().map(|&(low, high)| {
        let first = cells.partition_point(|cell| cell.0 < low);
        let end = cells.partition_point(|cell| cell.1 <= high);
        (first as u32, end as u32)
    }))
}

/// A low end followed at once by a high end; at equal values the high end comes first.
fn innermost(observations: &[Ranges]) -> Vec<(f64, f64)> {
    let mut ends: Vec<(f64, bool)> = Vec::new();
    for &(low, high) in observations.iter().flatten() {
        ends.push((low, true));
        ends.push((high, false));
    }
    ends.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    ends.windows(2).filter(|pair| pair[0].1 && !pair[1].1).map(|pair| (pair[0].0, pair[1].0)).collect()
}

/// Scratch space of one solution.
struct Work {
    cumulative: Vec<f64>,
    candidate: Vec<f64>,
    chance: Vec<f64>,
    gradient: Vec<f64>,
    first: Vec<f64>,
    second: Vec<f64>,
    blocks: Vec<(f64, f64, usize)>,
}

impl Work {
    fn new(cells: usize, sets: usize) -> Self {
        Self {
            cumulative: vec![0.0; cells + 1],
            candidate: vec![0.0; cells + 1],
            chance: vec![0.0; sets],
            gradient: vec![0.0; cells],
            first: vec![0.0; cells + 1],
            second: vec![0.0; cells + 1],
            blocks: Vec::with_capacity(cells),
        }
    }

    fn cumulate(&mut self, mass: &[f64]) {
        let total: f64 = mass.iter().sum();
        let mut sum = 0.0;
        for (slot, share) in self.cumulative[1..].iter_mut().zip(mass) {
            sum += share / total;
            *slot = sum;
        }
        if let Some(last) = self.cumulative.last_mut() {
            *last = 1.0;
        }
    }

    /// Each set's chance under `cumulative`, and the log-likelihood.
    fn likelihood(&mut self, problem: &Problem, weights: &[f64]) -> f64 {
        let mut log_likelihood = 0.0;
        for (index, &weight) in weights.iter().enumerate() {
            let chance = chance(problem.sets.set(index), &self.cumulative);
            self.chance[index] = chance;
            if weight > 0.0 {
                log_likelihood += weight * chance.ln();
            }
        }
        log_likelihood
    }

    fn gradient(&mut self, problem: &Problem, weights: &[f64], total: f64) {
        self.first.fill(0.0);
        for (index, &weight) in weights.iter().enumerate() {
            if weight > 0.0 {
                let slope = weight / (total * self.chance[index]);
                for &(start, end) in problem.sets.set(index) {
                    self.first[start as usize] += slope;
                    self.first[end as usize] -= slope;
                }
            }
        }
        let mut sum = 0.0;
        for (gradient, step) in self.gradient.iter_mut().zip(&self.first) {
            sum += step;
            *gradient = sum;
        }
    }

    fn max_gradient(&self) -> f64 {
        self.gradient.iter().copied().fold(0.0, f64::max)
    }

    /// One Newton step with a diagonal second derivative, made monotone, shortened until it helps.
    fn convex_minorant_step(&mut self, problem: &Problem, weights: &[f64]) {
        let before = self.likelihood(problem, weights);
        self.first.fill(0.0);
        self.second.fill(0.0);
        for (index, &weight) in weights.iter().enumerate() {
            if weight > 0.0 {
                let slope = weight / self.chance[index];
                let bend = slope / self.chance[index];
                for &(start, end) in problem.sets.set(index) {
                    self.first[start as usize] -= slope;
                    self.second[start as usize] += bend;
                    self.first[end as usize] += slope;
                    self.second[end as usize] += bend;
                }
            }
        }
        self.monotone_target();
        let mut length = 1.0;
        let old = self.cumulative.clone();
        for _ in 0..10 {
            for ((slot, &from), &to) in self.cumulative.iter_mut().zip(&old).zip(&self.candidate) {
                *slot = from + length * (to - from);
            }
            if self.likelihood(problem, weights) > before {
                return;
            }
            length *= 0.5;
        }
        self.cumulative = old;
    }

    /// Weighted isotonic regression of the Newton targets into `candidate`.
    fn monotone_target(&mut self) {
        let last = self.cumulative.len() - 1;
        self.blocks.clear();
        for index in 1..last {
            let weight = self.second[index].max(1e-9);
            let target = self.cumulative[index] + self.first[index] / weight;
            let mut block = (target, weight, 1);
            while let Some(&(level, other, size)) = self.blocks.last()
                && level >= block.0
            {
                let joined = other + block.1;
                block = ((level * other + block.0 * block.1) / joined, joined, size + block.2);
                self.blocks.pop();
            }
            self.blocks.push(block);
        }
        let mut index = 1;
        for &(level, _, size) in &self.blocks {
            self.candidate[index..index + size].fill(level.clamp(0.0, 1.0));
            index += size;
        }
        self.candidate[0] = 0.0;
        self.candidate[last] = 1.0;
    }
}

fn chance(set: &[(u32, u32)], cumulative: &[f64]) -> f64 {
    set.iter().map(|&(start, end)| cumulative[end as usize] - cumulative[start as usize]).sum()
}

#[cfg(test)]
mod tests {
    use crate::stats::censored::turnbull::*;

    fn vectors() -> serde_json::Value {
        serde_json::from_str(include_str!("../../../tests/vectors/turnbull.json")).unwrap()
    }

    fn range(left: &serde_json::Value, right: &serde_json::Value) -> Ranges {
        vec![(left.as_f64().unwrap(), right.as_f64().unwrap_or(f64::INFINITY))]
    }

    const TOLERANCE: f64 = 1e-7;

    /// From the observations themselves.
    fn log_likelihood(problem: &Problem, mass: &[f64], observations: &[Ranges]) -> f64 {
        let inside =
            |cell: &(f64, f64), set: &Ranges| set.iter().any(|range| cell.0 >= range.0 && cell.1 <= range.1);
        let chance = |set: &Ranges| -> f64 {
            let cells = problem.cells().iter().zip(mass);
            cells.filter(|(cell, _)| inside(cell, set)).map(|(_, mass)| mass).sum()
        };
        observations.iter().map(|set| chance(set).ln()).sum()
    }

    fn max_gradient(problem: &Problem, mass: &[f64]) -> f64 {
        problem.gradient(&problem.weights(), mass).into_iter().fold(0.0, f64::max)
    }

    fn check(observations: &[Ranges], expected: &serde_json::Value) -> (Problem, Vec<f64>) {
        let problem = Problem::new(observations);
        let solution = problem.solve(&problem.weights(), None, TOLERANCE, 5000);
        let number = |value: &serde_json::Value| value.as_f64().unwrap_or(f64::INFINITY);
        let cells: Vec<(f64, f64)> = expected["intervals"]
            .as_array()
            .unwrap()
            .iter()
            .map(|pair| (number(&pair[0]), number(&pair[1])))
            .collect();
        assert_eq!(problem.cells(), cells);
        assert!(max_gradient(&problem, &solution) <= 1.0 + 1e-6);
        let found = log_likelihood(&problem, &solution, observations);
        assert!((found - number(&expected["loglik"])).abs() < 1e-6);
        for (mass, want) in solution.iter().zip(expected["mass"].as_array().unwrap()) {
            assert!((mass - number(want)).abs() < 1e-4, "{mass} for {want}");
        }
        (problem, solution)
    }

    /// Breast cosmesis data, Finkelstein and Wolfe (Biometrics 41, 1985); estimates cross-checked with R's
    /// survival package, see the vector's source.
    #[test]
    fn cosmesis_data_give_the_published_estimate() {
        let vectors = vectors();
        for group in ["Rad", "RadChem"] {
            let observations: Vec<Ranges> = vectors["data"]
                .as_array()
                .unwrap()
                .iter()
                .filter(|row| row["group"] == group)
                .map(|row| range(&row["left"], &row["right"]))
                .collect();
            let expected = &vectors["npmle"][group];
            let (problem, solution) = check(&observations, expected);
            let median = problem.quantile(&solution, 0.5).unwrap();
            let cell = &expected["median_interval"];
            assert!(median >= cell[0].as_f64().unwrap() && median <= cell[1].as_f64().unwrap());
        }
    }

    #[test]
    fn toy_data_give_the_vector_s_estimate() {
        let vectors = vectors();
        for name in ["latency_toy", "tiny_toy"] {
            let case = &vectors[name];
            let observations: Vec<Ranges> =
                case["data"].as_array().unwrap().iter().map(|pair| range(&pair[0], &pair[1])).collect();
            check(&observations, case);
        }
    }

    /// Plain self-consistency EM (Turnbull's own algorithm) is the oracle for unions of ranges.
    #[test]
    fn unions_agree_with_plain_em() {
        let observations: Vec<Ranges> = vec![
            vec![(0.0, 4.0), (9.0, 12.0)],
            vec![(3.0, 5.0)],
            vec![(2.0, 3.5), (10.0, 14.0)],
            vec![(3.2, 6.0), (20.0, f64::INFINITY)],
            vec![(8.0, 11.0)],
            vec![(0.0, 9.5)],
        ];
        let problem = Problem::new(&observations);
        let fast = problem.solve(&problem.weights(), None, 1e-9, 5000);
        let inside =
            |cell: &(f64, f64), set: &Ranges| set.iter().any(|range| cell.0 >= range.0 && cell.1 <= range.1);
        let mut mass = vec![1.0 / problem.cells().len() as f64; problem.cells().len()];
        for _ in 0..20_000 {
            let mut next = vec![0.0; mass.len()];
            for set in &observations {
                let chance: f64 = problem
                    .cells()
                    .iter()
                    .zip(&mass)
                    .filter(|(cell, _)| inside(cell, set))
                    .map(|(_, m)| m)
                    .sum();
                for (slot, (cell, share)) in next.iter_mut().zip(problem.cells().iter().zip(&mass)) {
                    if inside(cell, set) {
                        *slot += share / chance / observations.len() as f64;
                    }
                }
            }
            mass = next;
        }
        let [fast_log, slow_log] = [&fast, &mass].map(|mass| log_likelihood(&problem, mass, &observations));
        assert!((fast_log - slow_log).abs() < 1e-6, "{fast_log} against {slow_log}");
        assert!(max_gradient(&problem, &fast) <= 1.0 + 1e-6);
    }

    /// The same optimum without its empty cells (Turnbull 1976: the likelihood is concave).
    #[test]
    fn leaving_empty_cells_out_changes_no_estimate() {
        let low = |i: i32| f64::from(i * 7 % 23);
        let sets: Vec<Ranges> = (0..60).map(|i| vec![(low(i), low(i) + f64::from(3 + i * 5 % 11))]).collect();
        let whole = Problem::new(&sets);
        let weights = whole.weights();
        let best = whole.solve(&weights, None, 1e-8, 5000);
        let keep: Vec<bool> = best.iter().map(|&mass| mass > 1e-7).collect();
        let (part, becomes) = whole.restricted(&keep);
        let mut part_weights = vec![0.0; part.sets()];
        let mut silent = 0.0;
        for (weight, set) in weights.iter().zip(&becomes) {
            match set {
                Some(set) => part_weights[*set as usize] += weight,
                None => silent += weight,
            }
        }
        assert!((part_weights.iter().sum::<f64>() + silent - 60.0).abs() < 1e-9);
        let again = part.solve(&part_weights, None, 1e-8, 5000);
        let [before, after] =
            [(&whole, &best), (&part, &again)].map(|(problem, mass)| log_likelihood(problem, mass, &sets));
        assert!((after - before).abs() < 1e-5, "{after} for {before}");
    }

    /// Exact values: the estimate is the empirical distribution (Turnbull 1976, a special case).
    #[test]
    fn narrow_ranges_give_the_empirical_distribution() {
        let observations: Vec<Ranges> = (0..10).map(|i| vec![(f64::from(i), f64::from(i) + 0.25)]).collect();
        let problem = Problem::new(&observations);
        let solution = problem.solve(&problem.weights(), None, TOLERANCE, 500);
        assert!(solution.iter().all(|mass| (mass - 0.1).abs() < 1e-9));
        assert!((problem.quantile(&solution, 0.5).unwrap() - 4.25).abs() < 1e-9);
    }
}
