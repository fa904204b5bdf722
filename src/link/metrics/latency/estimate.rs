//! From sets of ages to percentiles with intervals.

use crate::stats::bootstrap::{Resampler, percentile_interval};
use crate::stats::turnbull::{Problem, Ranges, Solution, TOLERANCE};
use crate::summary::{Interval, LatencyChannel, LatencyStage, MovesNeeded};

use super::stage::{MoveAges, Reading};

/// Replicates of the bootstrap, and its seed.
const REPLICATES: usize = 200;
const SEED: u64 = 0x5eed_1a7e_0001;
const LOOSE: f64 = 1e-3;
const LOOSE_ROUNDS: usize = 40;
const MOST_ROUNDS: usize = 2000;
/// Fewer movements say nothing even of the median.
const FEWEST: u64 = 5;

/// An estimated distribution.
#[derive(Clone, Debug, Default)]
pub(super) struct Estimate {
    problem: Problem,
    solution: Solution,
    /// Where each movement's observations begin; one longer than the movements.
    offsets: Vec<usize>,
}

impl Estimate {
    pub(super) fn new<'a>(moves: impl Iterator<Item = &'a MoveAges>, pair: Option<(u8, u8)>) -> Option<Self> {
        let mut observations: Vec<Ranges> = Vec::new();
        let mut offsets = vec![0];
        for movement in moves {
            let sets = movement.sets().into_iter().filter(|(own, _)| pair.is_none_or(|pair| pair == *own));
            observations.extend(sets.map(|(_, ranges)| ranges));
            if observations.len() > offsets[offsets.len() - 1] {
                offsets.push(observations.len());
            }
        }
        if observations.is_empty() {
            return None;
        }
        let problem = Problem::new(&observations);
        let solution = problem.solve(&problem.weights(), None, TOLERANCE.max(1e-6), MOST_ROUNDS);
        Some(Self { problem, solution, offsets })
    }

    pub(super) const fn events(&self) -> u64 {
        self.offsets.len() as u64 - 1
    }

    pub(super) fn quantile(&self, share: f64) -> Option<f64> {
        self.problem.quantile(&self.solution.mass, share)
    }

    /// Cells with their shares: low, high, share.
    pub(super) fn cells(&self) -> impl Iterator<Item = (f64, f64, f64)> + '_ {
        self.problem.cells().iter().zip(&self.solution.mass).map(|(cell, &mass)| (cell.0, cell.1, mass))
    }

    /// 95 % intervals of the percentiles, by bootstrap over movements. Where in its cell a percentile
    /// lies is not known, so the low end takes the cells' low ends and the high end their high ends.
    fn intervals(&self, shares: [f64; 3]) -> [Option<Interval>; 3] {
        let moves = self.offsets.len() - 1;
        let sets = self.problem.set_of_observation();
        let mut resampler = Resampler::new(SEED);
        let mut counts = vec![0_u32; moves];
        let mut weights = vec![0.0; self.problem.sets()];
        let mut replicates: [[Vec<Option<f64>>; 2]; 3] = Default::default();
        for _ in 0..REPLICATES {
            resampler.draw(&mut counts);
            weights.fill(0.0);
            for (pair, &count) in self.offsets.windows(2).zip(&counts) {
                if count > 0 {
                    for &set in &sets[pair[0]..pair[1]] {
                        weights[set as usize] += f64::from(count);
                    }
                }
            }
            let solution = self.problem.solve(&weights, Some(&self.solution.mass), LOOSE, LOOSE_ROUNDS);
            for ([lows, highs], share) in replicates.iter_mut().zip(shares) {
                let cell = self.problem.quantile_cell(&solution.mass, share);
                lows.push(cell.map(|cell| cell.0));
                highs.push(cell.map(|cell| cell.1));
            }
        }
        replicates.map(|[lows, highs]| {
            let (low, _) = percentile_interval(&lows, 0.95)?;
            let (_, high) = percentile_interval(&highs, 0.95)?;
            Some([low, high])
        })
    }
}

/// Movements before a percentile is given: at least one is expected beyond it.
const fn needed(per_thousand: u64) -> u64 {
    let beyond = 1000_u64.div_ceil(1000 - per_thousand);
    if beyond > FEWEST { beyond } else { FEWEST }
}

/// The stage's row; `None` where no movement could be used.
pub(super) fn stage(
    reading: &Reading,
    bound: &str,
    numbered: impl Fn(u8, u8) -> LatencyChannel,
) -> Option<LatencyStage> {
    let estimate = Estimate::new(reading.moves.iter(), None)?;
    let events = estimate.events();
    let supported = |per_thousand: u64| {
        let share = per_thousand as f64 / 1000.0;
        estimate.quantile(share).filter(|_| events >= needed(per_thousand))
    };
    let missing = |per_thousand: u64, known: Option<f64>| match known {
        Some(_) => 0,
        // Enough by number, but open-ended: as many again.
        None => needed(per_thousand).checked_sub(events).filter(|&more| more > 0).unwrap_or(events.max(1)),
    };
    let [p50, p90, p99] = [500, 900, 990].map(supported);
    let intervals = if p50.is_some() { estimate.intervals([0.5, 0.9, 0.99]) } else { [None; 3] };
    let lag_weight: usize = reading.lags.iter().map(|lag| lag.1).sum();
    Some(LatencyStage {
        method: "interval-censored".to_owned(),
        events,
        left_out: reading.left_out,
        p50_ms: p50,
        p50_ci95_ms: intervals[0].filter(|_| p50.is_some()),
        p90_ms: p90,
        p90_ci95_ms: intervals[1].filter(|_| p90.is_some()),
        p99_ms: p99,
        p99_ci95_ms: intervals[2].filter(|_| p99.is_some()),
        moves_needed: MovesNeeded { p50: missing(500, p50), p90: missing(900, p90), p99: missing(990, p99) },
        max_ms: greatest_lower_end(reading),
        clock_uncertainty_ms: reading.uncertainty_ms.filter(|_| bound == "two-sided"),
        bound: bound.to_owned(),
        cross_correlation_ms: (lag_weight > 0).then(|| {
            reading.lags.iter().map(|&(lag, weight)| lag * weight as f64).sum::<f64>() / lag_weight as f64
        }),
        channels: channels(reading, numbered),
    })
}

fn greatest_lower_end(reading: &Reading) -> Option<f64> {
    let lows = reading.moves.iter().flat_map(MoveAges::sets).filter_map(|(_, set)| Some(set.first()?.0));
    lows.max_by(f64::total_cmp).map(|low| low.max(0.0))
}

fn channels(reading: &Reading, numbered: impl Fn(u8, u8) -> LatencyChannel) -> Vec<LatencyChannel> {
    let mut pairs: Vec<(u8, u8)> =
        reading.follows.iter().map(|follow| (follow.stick, follow.output)).collect();
    pairs.sort_unstable();
    pairs
        .into_iter()
        .filter_map(|pair| {
            let estimate = Estimate::new(reading.moves.iter(), Some(pair))?;
            let events = estimate.events();
            let p50_ms = estimate.quantile(0.5).filter(|_| events >= FEWEST);
            Some(LatencyChannel { events, p50_ms, ..numbered(pair.0, pair.1) })
        })
        .collect()
}
