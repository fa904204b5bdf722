//! From sets of ages to percentiles with intervals.

use std::collections::HashMap;

use crate::stats::bootstrap::{Resampler, percentile_interval};
use crate::stats::turnbull::{Problem, Ranges, Solution};
use crate::summary::{Interval, LatencyChannel, LatencyStage, MovesNeeded};

use super::stage::{AgeRange, MoveAges, Reading};

/// Replicates of the bootstrap, and its seed.
const REPLICATES: usize = 200;
const SEED: u64 = 0x5eed_1a7e_0001;
const TIGHT: f64 = 1e-6;
const LOOSE: f64 = 1e-3;
const LOOSE_ROUNDS: usize = 40;
const MOST_ROUNDS: usize = 2000;
/// Cells whose gradient comes this near to 1 could hold mass in a replicate.
const NEARLY: f64 = 0.9;
/// Fewer movements say nothing even of the median.
const FEWEST: u64 = 5;

/// An estimated distribution.
#[derive(Clone, Debug, Default)]
pub(super) struct Estimate {
    problem: Problem,
    solution: Solution,
    /// How many observations are of each set.
    weights: Vec<f64>,
    /// Each movement's sets with their numbers, one movement after the other.
    counted: Vec<(u32, u32)>,
    /// Where each movement's begin in `counted`; one longer than the movements.
    offsets: Vec<usize>,
}

impl Estimate {
    pub(super) fn new<'a>(moves: impl Iterator<Item = &'a MoveAges>, pair: Option<(u8, u8)>) -> Option<Self> {
        Self::to_tolerance(moves, pair, TIGHT)
    }

    /// For a line on a screen: solved less exactly.
    pub(super) fn rough<'a>(moves: impl Iterator<Item = &'a MoveAges>) -> Option<Self> {
        Self::to_tolerance(moves, None, LOOSE)
    }

    fn to_tolerance<'a>(
        moves: impl Iterator<Item = &'a MoveAges>,
        pair: Option<(u8, u8)>,
        tolerance: f64,
    ) -> Option<Self> {
        // Looked up only, never walked through: sets are numbered as they come.
        let mut known: HashMap<&[AgeRange], u32> = HashMap::new();
        let mut distinct: Vec<Ranges> = Vec::new();
        let (mut counted, mut offsets, mut own) = (Vec::new(), vec![0], Vec::new());
        for movement in moves {
            own.clear();
            for set in movement.packed_sets() {
                if pair.is_some_and(|pair| pair != (set[0].stick, set[0].output)) {
                    continue;
                }
                let number = *known.entry(set).or_insert_with(|| {
                    distinct.push(set.iter().map(|range| range.ms()).collect());
                    distinct.len() as u32 - 1
                });
                own.push(number);
            }
            own.sort_unstable();
            let same = own.chunk_by(|a, b| a == b);
            counted.extend(same.map(|same| (same[0], same.len() as u32)));
            if counted.len() > offsets[offsets.len() - 1] {
                offsets.push(counted.len());
            }
        }
        if distinct.is_empty() {
            return None;
        }
        let problem = Problem::new(&distinct);
        for (set, _) in &mut counted {
            *set = problem.set_of_observation()[*set as usize];
        }
        let mut weights = vec![0.0; problem.sets()];
        for &(set, count) in &counted {
            weights[set as usize] += f64::from(count);
        }
        let solution = problem.solve(&weights, None, tolerance, MOST_ROUNDS);
        Some(Self { problem, solution, weights, counted, offsets })
    }

    pub(super) const fn events(&self) -> u64 {
        self.offsets.len() as u64 - 1
    }

    pub(super) fn quantile(&self, share: f64) -> Option<f64> {
        self.problem.quantile(&self.solution.mass, share)
    }

    /// Cells that hold mass, with their shares: low, high, share.
    fn cells(&self) -> Vec<(f64, f64, f64)> {
        let cells = self.problem.cells().iter().zip(&self.solution.mass);
        cells.filter(|(_, mass)| **mass > 1e-6).map(|(cell, &mass)| (cell.0, cell.1, mass)).collect()
    }

    /// 95 % intervals of the percentiles, by bootstrap over movements. Where in its cell a percentile
    /// lies is not known, so the low end takes the cells' low ends and the high end their high ends,
    /// and no interval is narrower than the cell of the estimate itself.
    ///
    /// Replicates keep to the cells that hold mass or nearly would ([`NEARLY`]): most sets say nothing
    /// there, and equal ones are merged, so that the cost does not grow with the movements.
    fn intervals(&self, shares: [f64; 3]) -> [Option<Interval>; 3] {
        let gradient = self.problem.gradient(&self.weights, &self.solution.mass);
        let keep: Vec<bool> = gradient
            .iter()
            .zip(&self.solution.mass)
            .map(|(&gradient, &mass)| mass > 1e-6 || gradient > NEARLY)
            .collect();
        let (problem, becomes) = self.problem.restricted(&keep);
        let start: Vec<f64> =
            self.solution.mass.iter().zip(&keep).filter(|(_, kept)| **kept).map(|(mass, _)| *mass).collect();
        let moves: Vec<Vec<(u32, u32)>> = self
            .offsets
            .windows(2)
            .map(|pair| {
                let own = self.counted[pair[0]..pair[1]].iter();
                own.filter_map(|&(set, count)| Some((becomes[set as usize]?, count))).collect()
            })
            .collect();
        let mut resampler = Resampler::new(SEED);
        let mut counts = vec![0_u32; moves.len()];
        let mut weights = vec![0.0; problem.sets()];
        let mut replicates: [[Vec<Option<f64>>; 2]; 3] = Default::default();
        for _ in 0..REPLICATES {
            resampler.draw(&mut counts);
            weights.fill(0.0);
            for (own, &drawn) in moves.iter().zip(&counts).filter(|(_, drawn)| **drawn > 0) {
                for &(set, count) in own {
                    weights[set as usize] += f64::from(count * drawn);
                }
            }
            let solution = problem.solve(&weights, Some(&start), LOOSE, LOOSE_ROUNDS);
            let mass = if solution.mass.is_empty() { &start } else { &solution.mass };
            for ([lows, highs], share) in replicates.iter_mut().zip(shares) {
                let cell = problem.quantile_cell(mass, share);
                lows.push(cell.map(|cell| cell.0));
                highs.push(cell.map(|cell| cell.1));
            }
        }
        std::array::from_fn(|index| {
            let [lows, highs] = &replicates[index];
            let own = self.problem.quantile_cell(&self.solution.mass, shares[index])?;
            let (low, _) = percentile_interval(lows, 0.95)?;
            let (_, high) = percentile_interval(highs, 0.95)?;
            Some([low.min(own.0), high.max(own.1)])
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
        channels: channels(reading, &estimate, numbered),
        distribution: estimate.cells(),
    })
}

/// Where both ends are sampled slowly, the input's hold between radio frames is in the upper tail and no
/// number of movements takes it out (examples/latency_accuracy shows it): only the median is a figure there.
pub(super) fn without_tails(stage: LatencyStage) -> LatencyStage {
    LatencyStage {
        p90_ms: None,
        p90_ci95_ms: None,
        p99_ms: None,
        p99_ci95_ms: None,
        moves_needed: MovesNeeded { p50: stage.moves_needed.p50, ..MovesNeeded::default() },
        ..stage
    }
}

fn greatest_lower_end(reading: &Reading) -> Option<f64> {
    let sets = reading.moves.iter().flat_map(MoveAges::packed_sets);
    let lows = sets.filter_map(|set| Some(set.first()?.ms().0));
    lows.max_by(f64::total_cmp).map(|low| low.max(0.0))
}

fn channels(
    reading: &Reading,
    all: &Estimate,
    numbered: impl Fn(u8, u8) -> LatencyChannel,
) -> Vec<LatencyChannel> {
    let mut pairs: Vec<(u8, u8)> =
        reading.follows.iter().map(|follow| (follow.stick, follow.output)).collect();
    pairs.sort_unstable();
    let alone = pairs.len() == 1;
    pairs
        .into_iter()
        .filter_map(|pair| {
            let own = (!alone).then(|| Estimate::new(reading.moves.iter(), Some(pair)));
            let estimate = own.as_ref().map_or(Some(all), Option::as_ref)?;
            let events = estimate.events();
            let p50_ms = estimate.quantile(0.5).filter(|_| events >= FEWEST);
            Some(LatencyChannel { events, p50_ms, ..numbered(pair.0, pair.1) })
        })
        .collect()
}
