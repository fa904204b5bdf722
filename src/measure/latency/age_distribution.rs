//! The distribution of the ages that samples allow, and its bootstrap over movements.
//!
//! Two estimates: where sticks are held from value to value, that of the path's delay
//! (`delay_distribution`) and of the time for which a value had stood; else Turnbull's of the ages themselves
//! (`stats::censored::turnbull`). Unit: ms.

use crate::stats::censored::turnbull::{Problem, Ranges};

use super::censoring::MovementAges;
use super::delay_distribution::DelayDistribution;
use super::movement_sets::MovementSets;
use super::sample_hold::SampleHold;

/// How near Turnbull's estimate comes to the optimum: for a figure, and for a replicate or a line on a screen.
pub(super) const TIGHT: f64 = 1e-6;
pub(super) const LOOSE: f64 = 1e-3;
const MOST_ROUNDS: usize = 2000;
const MOST_ROUNDS_LOOSE: usize = 40;
/// Cells whose gradient comes this near to 1 could hold mass in a replicate.
const NEARLY: f64 = 0.9;

/// Percentiles asked of every replicate.
pub(super) const SHARES: [f64; 3] = [0.5, 0.9, 0.99];

/// Each percentile's low and high end in every replicate.
pub(super) type Replicates = [[Vec<Option<f64>>; 2]; 3];

/// An estimated distribution.
#[derive(Clone, Debug)]
pub(super) struct AgeDistribution {
    sets: MovementSets,
    kind: Kind,
}

#[derive(Clone, Debug)]
enum Kind {
    Held(DelayDistribution),
    Turnbull { problem: Problem, shares: Vec<f64> },
}

impl AgeDistribution {
    /// Of all pairs of stick and output, or of one; `hold` where sticks are held.
    pub(super) fn new<'a>(
        movements: impl Iterator<Item = &'a MovementAges> + Clone,
        hold: Option<&SampleHold>,
        pair: Option<(u8, u8)>,
        tolerance: f64,
    ) -> Option<Self> {
        if let Some(hold) = hold {
            let (delays, sets) = DelayDistribution::new(movements, hold, pair)?;
            return Some(Self { sets, kind: Kind::Held(delays) });
        }
        let samples = movements.clone().flat_map(|movement| movement.samples(pair));
        let all: Vec<Ranges> =
            samples.map(|ranges| ranges.iter().map(|range| range.ms()).collect()).collect();
        if all.is_empty() {
            return None;
        }
        let problem = Problem::new(&all);
        let mut numbers = problem.set_of_observation().iter();
        let mut sets = MovementSets::default();
        for movement in movements {
            sets.push(movement.samples(pair).map(|_| numbers.next().copied()));
        }
        let shares = problem.solve(&problem.weights(), None, tolerance, MOST_ROUNDS);
        Some(Self { sets, kind: Kind::Turnbull { problem, shares } })
    }

    /// Movements behind it.
    pub(super) const fn events(&self) -> u64 {
        self.sets.len() as u64
    }

    pub(super) fn quantile(&self, share: f64) -> Option<f64> {
        match &self.kind {
            Kind::Held(delays) => delays.quantile(share),
            Kind::Turnbull { problem, shares } => problem.quantile(shares, share),
        }
    }

    /// The ends between which a percentile lies: where in its cell it is, is not known without a shape.
    pub(super) fn quantile_ends(&self, share: f64) -> Option<(f64, f64)> {
        match &self.kind {
            Kind::Held(delays) => delays.quantile(share).map(|age| (age, age)),
            Kind::Turnbull { problem, shares } => problem.quantile_cell(shares, share),
        }
    }

    /// Low, high, share.
    pub(super) fn cells(&self) -> Vec<(f64, f64, f64)> {
        match &self.kind {
            Kind::Held(delays) => delays.ages(),
            Kind::Turnbull { problem, shares } => {
                let cells = problem.cells().iter().zip(shares);
                cells.filter(|(_, mass)| **mass > 1e-6).map(|(cell, &mass)| (cell.0, cell.1, mass)).collect()
            }
        }
    }

    /// The cells of what the movements' sets allow: of delays, where sticks are held.
    pub(super) fn sets_cells(&self) -> Vec<(f64, f64, f64)> {
        self.delays().map_or_else(|| self.cells(), DelayDistribution::cells)
    }

    /// The delays behind the ages, where sticks are held.
    pub(super) const fn delays(&self) -> Option<&DelayDistribution> {
        match &self.kind {
            Kind::Held(delays) => Some(delays),
            Kind::Turnbull { .. } => None,
        }
    }

    /// The percentiles of [`SHARES`] with movements drawn anew.
    pub(super) fn replicates(&self) -> Replicates {
        let mut replicates = Replicates::default();
        let mut take = |ends_of: &dyn Fn(f64) -> Option<(f64, f64)>| {
            for ([lows, highs], share) in replicates.iter_mut().zip(SHARES) {
                let ends = ends_of(share);
                lows.push(ends.map(|ends| ends.0));
                highs.push(ends.map(|ends| ends.1));
            }
        };
        match &self.kind {
            Kind::Held(delays) => self.sets.resample(delays.sets(), |weights| {
                let mass = delays.again(weights);
                take(&|share| delays.quantile_of(&mass, share).map(|age| (age, age)));
            }),
            Kind::Turnbull { problem, shares } => self.resample_cells(problem, shares, take),
        }
        replicates
    }

    /// Replicates keep to the cells that hold mass or nearly would ([`NEARLY`]): most sets say nothing
    /// there, and equal ones are merged, so that the cost does not grow with the movements.
    fn resample_cells(
        &self,
        whole: &Problem,
        shares: &[f64],
        mut take: impl FnMut(&dyn Fn(f64) -> Option<(f64, f64)>),
    ) {
        let gradient = whole.gradient(&whole.weights(), shares);
        let keep: Vec<bool> = gradient
            .iter()
            .zip(shares)
            .map(|(&gradient, &share)| share > 1e-6 || gradient > NEARLY)
            .collect();
        let (problem, numbers) = whole.restricted(&keep);
        let start: Vec<f64> =
            shares.iter().zip(&keep).filter(|(_, kept)| **kept).map(|(share, _)| *share).collect();
        self.sets.renumbered(&numbers).resample(problem.sets(), |weights| {
            let drawn = problem.solve(weights, Some(&start), LOOSE, MOST_ROUNDS_LOOSE);
            let shares = if drawn.is_empty() { &start } else { &drawn };
            take(&|share| problem.quantile_cell(shares, share));
        });
    }
}
