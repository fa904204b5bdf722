//! From sets of ages to a distribution and its bootstrap over movements.

use std::collections::HashMap;

use crate::stats::bootstrap::Resampler;
use crate::stats::turnbull::{Problem, Ranges, Solution};

use super::censoring::{AgeRange, MoveAges};
use super::delays::Delays;
use super::sample_hold::Scan;

/// Replicates of the bootstrap, and its seed.
pub(super) const REPLICATES: usize = 200;
pub(super) const SEED: u64 = 0x5eed_1a7e_0001;
const TIGHT: f64 = 1e-6;
const LOOSE: f64 = 1e-3;
const LOOSE_ROUNDS: usize = 40;
const MOST_ROUNDS: usize = 2000;
/// Cells whose gradient comes this near to 1 could hold mass in a replicate.
const NEARLY: f64 = 0.9;

/// Percentiles asked of every replicate.
pub(super) const SHARES: [f64; 3] = [0.5, 0.9, 0.99];

/// Each percentile's low and high end in every replicate.
pub(super) type Replicates = [[Vec<Option<f64>>; 2]; 3];

/// How often each movement has which set.
#[derive(Clone, Debug, Default)]
pub(super) struct Counted {
    own: Vec<u32>,
    seen: bool,
    /// Sets with their numbers, one movement after the other.
    sets: Vec<(u32, u32)>,
    /// Where each movement's end in `sets`.
    ends: Vec<usize>,
}

impl Counted {
    pub(super) fn begin(&mut self) {
        self.own.clear();
        self.seen = false;
    }

    /// One sample's set; `None` says nothing, but its movement counts.
    pub(super) fn add(&mut self, set: Option<u32>) {
        self.seen = true;
        self.own.extend(set);
    }

    pub(super) fn end(&mut self) {
        if self.seen {
            self.own.sort_unstable();
            self.sets.extend(self.own.chunk_by(|a, b| a == b).map(|same| (same[0], same.len() as u32)));
            self.ends.push(self.sets.len());
        }
    }

    /// The sets' weights, of so many sets.
    pub(super) fn weights(&self, sets: usize) -> Vec<f64> {
        let mut weights = vec![0.0; sets];
        for &(set, count) in &self.sets {
            weights[set as usize] += f64::from(count);
        }
        weights
    }

    fn movements(&self) -> impl Iterator<Item = &[(u32, u32)]> {
        let starts = std::iter::once(0).chain(self.ends.iter().copied());
        starts.zip(&self.ends).map(|(start, &end)| &self.sets[start..end])
    }
}

/// An estimated distribution.
#[derive(Clone, Debug)]
pub(super) struct Estimate {
    counted: Counted,
    kind: Kind,
}

#[derive(Clone, Debug)]
enum Kind {
    /// Sticks are held: a smooth estimate of the path's delay.
    Delays(Delays),
    /// Turnbull's of the ages themselves.
    Cells { problem: Problem, solution: Solution },
}

impl Estimate {
    /// Of all pairs of stick and output, or of one.
    pub(super) fn new<'a>(
        moves: impl Iterator<Item = &'a MoveAges> + Clone,
        scan: Option<&Scan>,
        pair: Option<(u8, u8)>,
    ) -> Option<Self> {
        Self::to_tolerance(moves, scan, pair, TIGHT)
    }

    /// For a line on a screen: without a scan, solved less exactly.
    pub(super) fn rough<'a>(
        moves: impl Iterator<Item = &'a MoveAges> + Clone,
        scan: Option<&Scan>,
    ) -> Option<Self> {
        Self::to_tolerance(moves, scan, None, LOOSE)
    }

    fn to_tolerance<'a>(
        moves: impl Iterator<Item = &'a MoveAges> + Clone,
        scan: Option<&Scan>,
        pair: Option<(u8, u8)>,
        tolerance: f64,
    ) -> Option<Self> {
        if let Some(scan) = scan {
            let (delays, counted) = Delays::new(moves, scan, pair)?;
            return Some(Self { counted, kind: Kind::Delays(delays) });
        }
        let (distinct, mut counted) = gather(moves, pair);
        if distinct.is_empty() {
            return None;
        }
        let problem = Problem::new(&distinct);
        for (set, _) in &mut counted.sets {
            *set = problem.set_of_observation()[*set as usize];
        }
        let solution = problem.solve(&counted.weights(problem.sets()), None, tolerance, MOST_ROUNDS);
        Some(Self { counted, kind: Kind::Cells { problem, solution } })
    }

    pub(super) const fn events(&self) -> u64 {
        self.counted.ends.len() as u64
    }

    pub(super) fn quantile(&self, share: f64) -> Option<f64> {
        match &self.kind {
            Kind::Delays(delays) => delays.quantile(share),
            Kind::Cells { problem, solution } => problem.quantile(&solution.mass, share),
        }
    }

    /// The ends between which a percentile lies: where in its cell it is, is not known without a shape.
    pub(super) fn quantile_ends(&self, share: f64) -> Option<(f64, f64)> {
        match &self.kind {
            Kind::Delays(delays) => delays.quantile(share).map(|age| (age, age)),
            Kind::Cells { problem, solution } => problem.quantile_cell(&solution.mass, share),
        }
    }

    /// The ages' distribution: low, high, share.
    pub(super) fn ages(&self) -> Vec<(f64, f64, f64)> {
        match &self.kind {
            Kind::Delays(delays) => delays.ages(),
            Kind::Cells { problem, solution } => {
                let cells = problem.cells().iter().zip(&solution.mass);
                cells.filter(|(_, mass)| **mass > 1e-6).map(|(cell, &mass)| (cell.0, cell.1, mass)).collect()
            }
        }
    }

    /// The delays behind the ages, where sticks are held: low, high, share.
    pub(super) fn delays(&self) -> Option<Vec<(f64, f64, f64)>> {
        match &self.kind {
            Kind::Delays(delays) => Some(delays.closed()),
            Kind::Cells { .. } => None,
        }
    }

    /// The width within which the samples' schedule leaves every age unknown, however many come.
    pub(super) fn unlocated_ms(&self) -> Option<f64> {
        match &self.kind {
            Kind::Delays(delays) => delays.unlocated_ms(),
            Kind::Cells { .. } => None,
        }
    }

    /// The percentiles of [`SHARES`] with movements drawn anew.
    pub(super) fn replicates(&self) -> Replicates {
        match &self.kind {
            Kind::Delays(delays) => self.smooth_replicates(delays),
            Kind::Cells { problem, solution } => self.cell_replicates(problem, solution),
        }
    }

    fn smooth_replicates(&self, delays: &Delays) -> Replicates {
        let mut replicates = Replicates::default();
        self.draw(delays.sets(), Some, |weights| {
            let mass = delays.again(weights);
            for ([lows, highs], share) in replicates.iter_mut().zip(SHARES) {
                let age = delays.quantile_of(&mass, share);
                lows.push(age);
                highs.push(age);
            }
        });
        replicates
    }

    /// Replicates keep to the cells that hold mass or nearly would ([`NEARLY`]): most sets say nothing
    /// there, and equal ones are merged, so that the cost does not grow with the movements.
    fn cell_replicates(&self, whole: &Problem, solution: &Solution) -> Replicates {
        let gradient = whole.gradient(&self.counted.weights(whole.sets()), &solution.mass);
        let mass = || solution.mass.iter();
        let keep: Vec<bool> =
            gradient.iter().zip(mass()).map(|(&gradient, &mass)| mass > 1e-6 || gradient > NEARLY).collect();
        let (problem, kept) = whole.restricted(&keep);
        let start: Vec<f64> = mass().zip(&keep).filter(|(_, kept)| **kept).map(|(mass, _)| *mass).collect();
        let mut replicates = Replicates::default();
        self.draw(
            problem.sets(),
            |set| kept[set as usize],
            |weights| {
                let solution = problem.solve(weights, Some(&start), LOOSE, LOOSE_ROUNDS);
                let mass = if solution.mass.is_empty() { &start } else { &solution.mass };
                for ([lows, highs], share) in replicates.iter_mut().zip(SHARES) {
                    let cell = problem.quantile_cell(mass, share);
                    lows.push(cell.map(|cell| cell.0));
                    highs.push(cell.map(|cell| cell.1));
                }
            },
        );
        replicates
    }

    /// Gives the sets' weights of each replicate.
    fn draw(&self, sets: usize, set_of: impl Fn(u32) -> Option<u32>, mut with: impl FnMut(&[f64])) {
        let own = |sets: &[(u32, u32)]| -> Vec<(u32, u32)> {
            sets.iter().filter_map(|&(set, count)| Some((set_of(set)?, count))).collect()
        };
        let moves: Vec<Vec<(u32, u32)>> = self.counted.movements().map(own).collect();
        let mut resampler = Resampler::new(SEED);
        let mut counts = vec![0_u32; moves.len()];
        let mut weights = vec![0.0; sets];
        for _ in 0..REPLICATES {
            resampler.draw(&mut counts);
            weights.fill(0.0);
            for (own, &drawn) in moves.iter().zip(&counts).filter(|(_, drawn)| **drawn > 0) {
                for &(set, count) in own {
                    weights[set as usize] += f64::from(count * drawn);
                }
            }
            with(&weights);
        }
    }
}

/// Sets that differ, and the movements' counts of them.
fn gather<'a>(moves: impl Iterator<Item = &'a MoveAges>, pair: Option<(u8, u8)>) -> (Vec<Ranges>, Counted) {
    // Looked up only, never walked through: sets are numbered as they come.
    let mut known: HashMap<&[AgeRange], u32> = HashMap::new();
    let mut distinct: Vec<Ranges> = Vec::new();
    let mut counted = Counted::default();
    for movement in moves {
        counted.begin();
        for set in movement.packed_sets() {
            if pair.is_some_and(|pair| pair != (set[0].stick, set[0].output)) {
                continue;
            }
            counted.add(Some(*known.entry(set).or_insert_with(|| {
                distinct.push(set.iter().map(|range| range.ms()).collect());
                distinct.len() as u32 - 1
            })));
        }
        counted.end();
    }
    (distinct, counted)
}
