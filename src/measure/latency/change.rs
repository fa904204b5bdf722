//! Finds when a latency changed in the session.
//!
//! Definition: the one instant from which on ages are longer or shorter than before, with the median of each side. A
//! movement's score is the mean place of its samples among all ages: of a set of ages, that is the mean of the distribution
//! function over it (Peto and Peto, J. R. Statist. Soc. A 135, 1972, for intervals). `stats::time_series::change_point` finds the place.
//! Told only where the medians differ by [`LEAST_MS`] and a tenth, and their intervals are apart: a radio's beat
//! against the sticks and a wandering clock make less. Unit: ms. At least [`FEWEST`] movements on each side. Movements on
//! the boot clock have no time in the session.

use crate::measure::context::Context;
use crate::stats::time_series::change_point;
use crate::summary::{Interval, LatencyChange};

use super::age_distribution::{AgeDistribution, TIGHT};
use super::censoring::{AgeRange, MovementAges};
use super::stage_estimate::StageEstimate;
use super::stage_evidence::StageEvidence;

const FEWEST: usize = 8;
/// Orders drawn, and the chance up to which a change is told; both stages from the sticks are looked at.
const LIMITS: (u32, f64) = (999, 0.002);
const LEAST_MS: f64 = 8.0;
const LEAST_SHARE: f64 = 0.1;

/// The change of a stage from the sticks.
pub(super) fn change(stage: &StageEstimate, context: &Context) -> Option<LatencyChange> {
    let evidence = stage.evidence();
    let distribution = DistributionFunction::new(&stage.ages().sets_cells());
    let scored = evidence.movements.iter().enumerate();
    let scored: Vec<(usize, f64)> =
        scored.filter_map(|(place, own)| Some((place, distribution.score(own)?))).collect();
    let scores: Vec<f64> = scored.iter().map(|(_, score)| *score).collect();
    let (place, _) = scored[change_point::find(&scores, FEWEST, LIMITS)?];
    let (before, after) = evidence.movements.split_at(place);
    let at_s = context.since_start_s(after[0].start);
    let [before, after] = [before, after].map(|part| median(evidence, part));
    let ((before, before_ci95), (after, after_ci95)) = (before?, after?);
    let apart = (before_ci95[0] - after_ci95[1]).max(after_ci95[0] - before_ci95[1]);
    let enough = LEAST_MS.max(LEAST_SHARE * before.min(after));
    ((after - before).abs() >= enough && apart > 0.0).then_some(LatencyChange {
        at_s,
        before_p50_ms: before,
        before_p50_ci95_ms: before_ci95,
        after_p50_ms: after,
        after_p50_ci95_ms: after_ci95,
    })
}

/// Of some of the movements.
fn median(evidence: &StageEvidence, movements: &[MovementAges]) -> Option<(f64, Interval)> {
    let ages = AgeDistribution::new(movements.iter(), evidence.hold.as_ref(), None, TIGHT)?;
    StageEstimate::new(evidence.of(movements), ages, None).median()
}

/// The share of values up to each.
struct DistributionFunction {
    /// Low end, high end, and the shares up to both.
    cells: Vec<(f64, f64, f64, f64)>,
}

impl DistributionFunction {
    fn new(cells: &[(f64, f64, f64)]) -> Self {
        let total: f64 = cells.iter().map(|cell| cell.2).sum();
        let mut below = 0.0;
        let cells = cells.iter().map(|&(low, high, share)| {
            let from = below;
            below += share / total;
            (low, high, from, below)
        });
        Self { cells: cells.collect() }
    }

    fn at(&self, value: f64) -> f64 {
        let place = self.cells.partition_point(|cell| cell.1 <= value);
        let below = place.checked_sub(1).map_or(0.0, |last| self.cells[last].3);
        match self.cells.get(place) {
            Some(&(low, high, from, to)) if value > low && high.is_finite() => {
                from + (to - from) * (value - low) / (high - low)
            }
            _ => below,
        }
    }

    /// The mean over a sample's ranges, and how much of all it rules out.
    fn mean(&self, ranges: &[AgeRange]) -> (f64, f64) {
        let (mut mean, mut share, mut first) = (0.0, 0.0, 0.0);
        for (low, high) in ranges.iter().map(|range| range.ms()) {
            let (from, to) = (self.at(low), if high.is_finite() { self.at(high) } else { 1.0 });
            mean += 0.5 * (to * to - from * from);
            share += to - from;
            first = from;
        }
        // Beyond all that has mass there is a place, too.
        if share > 1e-9 { (mean / share, 1.0 - share) } else { (first, 1.0) }
    }

    /// The mean place of a movement's samples, each by what it rules out; `None` where that is next to nothing.
    fn score(&self, movement: &MovementAges) -> Option<f64> {
        let (mut sum, mut weight) = (0.0, 0.0);
        for ranges in movement.samples(None) {
            let (mean, rules_out) = self.mean(ranges);
            sum += rules_out * mean;
            weight += rules_out;
        }
        (weight > 0.1).then(|| sum / weight)
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::latency::change::*;

    /// An even distribution from 0 to 10 with a piece of no share in it; worked by hand.
    #[test]
    fn the_mean_place_of_a_set() {
        let even = DistributionFunction::new(&[(0.0, 4.0, 0.5), (6.0, 10.0, 0.5)]);
        for (value, share) in [(-1.0, 0.0), (2.0, 0.25), (5.0, 0.5), (8.0, 0.75), (12.0, 1.0)] {
            assert!((even.at(value) - share).abs() < 1e-12, "{value}");
        }
        let range = |low, high, more| AgeRange { output: 0, more, low, high };
        let mean = |ranges: &[AgeRange]| even.mean(ranges);
        assert_eq!(mean(&[range(0.0, 4.0, false)]), (0.25, 0.5));
        assert_eq!(mean(&[range(8.0, f32::INFINITY, false)]), (0.875, 0.75));
        assert_eq!(mean(&[range(0.0, 2.0, true), range(8.0, 10.0, false)]), (0.5, 0.5));
        assert_eq!(mean(&[range(20.0, 30.0, false)]), (1.0, 1.0));
    }
}
