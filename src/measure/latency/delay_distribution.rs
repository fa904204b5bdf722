//! Held stick positions: the distribution of the delays by which they pass, and the ages that follow.
//!
//! The sets bound a path's delay (see `sample_hold`). Outputs that showed a moving stick give narrow sets, and
//! those tell where the delay lies at all. There it is estimated smoothly (`stats::censored::ems`). An age is such a delay
//! and the time for which the position had stood. Telemetry may be sampled in step with the sticks: it then always
//! meets them at one moment of their hold and leaves the delay unknown within it. The sets' phases show that.
//! Unit: ms.

use crate::stats::censored::ems::SmoothDistribution;

use super::censoring::{AgeRange, MovementAges};
use super::movement_sets::MovementSets;
use super::sample_hold;
use super::sample_hold::SampleHold;

/// Bins of the delays, ms.
const BIN_MS: f64 = 0.5;
/// Half width of the smoothing of n narrow sets, ms: this by the root of n, within bounds. Over seeds 1 to 200
/// of examples/latency_accuracy widths of 1 to 3 ms give the same medians within 0.03 ms rms; a wide one scatters
/// less with few data, a narrow one has the less bias of the 90th percentile.
const REACH_MS: f64 = 14.0;
const REACH_BOUNDS_MS: (f64, f64) = (1.0, 3.0);
/// The span goes this far beyond the narrow sets, ms.
const BEYOND_MS: f64 = 20.0;
/// More rounds change nothing in the second digit of a millisecond.
const ROUNDS: usize = 30;
const ROUNDS_AGAIN: usize = 20;
/// Bins with less than this change no percentile.
const LEAST_SHARE: f64 = 1e-9;
/// A set narrower than this many holds is of a moving stick.
const NARROW: f64 = 3.0;
/// Samples are in step with the sticks where the mean of their phases as unit vectors is this long (it is
/// `1 / sqrt(n)` for phases at random; Mardia and Jupp, Directional Statistics, 2000), of this many at least.
const IN_STEP: f64 = 0.8;
const FEWEST_PHASES: u32 = 8;

/// Delays of held stick positions.
#[derive(Clone, Debug)]
pub(super) struct DelayDistribution {
    smooth: SmoothDistribution,
    mass: Vec<f64>,
    hold: SampleHold,
    /// Delays from here on are known from below alone.
    closed_end: f64,
    in_step: bool,
}

/// What the narrow sets say.
struct NarrowSets {
    least: f64,
    most: f64,
    /// The largest low end of all sets.
    lowest: f64,
    phases: (f64, f64, u32),
}

fn narrow_sets<'a>(sets: impl Iterator<Item = &'a [AgeRange]>, hold: f64) -> Option<NarrowSets> {
    let mut found = NarrowSets { least: f64::MAX, most: f64::MIN, lowest: f64::MIN, phases: (0.0, 0.0, 0) };
    for set in sets {
        let (low, high) = set[0].ms();
        found.lowest = found.lowest.max(low);
        if set.len() > 1 || high - low > NARROW * hold {
            continue;
        }
        (found.least, found.most) = (found.least.min(low), found.most.max(high));
        // The low end is how long after a stick sample the output was taken, and whole holds.
        let (sine, cosine) = (low / hold * std::f64::consts::TAU).sin_cos();
        let (sines, cosines, count) = found.phases;
        found.phases = (sines + sine, cosines + cosine, count + 1);
    }
    (found.most > found.least).then_some(found)
}

impl DelayDistribution {
    /// From movements, of one pair of stick and output or of all; and their sets.
    pub(super) fn new<'a>(
        movements: impl Iterator<Item = &'a MovementAges> + Clone,
        hold: &SampleHold,
        pair: Option<(u8, u8)>,
    ) -> Option<(Self, MovementSets)> {
        let samples = movements.clone().flat_map(|movement| movement.samples(pair));
        let narrow = narrow_sets(samples, hold.usual_ms())?;
        let closed_end = narrow.most + BEYOND_MS;
        let span = (narrow.least - BEYOND_MS, closed_end.max(narrow.lowest + 1.0));
        let (sines, cosines, count) = narrow.phases;
        let reach = (REACH_MS / f64::from(count).sqrt()).clamp(REACH_BOUNDS_MS.0, REACH_BOUNDS_MS.1);
        let mut smooth = SmoothDistribution::new(span, BIN_MS, reach);
        let mut sets = MovementSets::default();
        for movement in movements {
            sets.push(
                movement.samples(pair).map(|ranges| smooth.set_of(ranges.iter().map(|range| range.ms()))),
            );
        }
        let length = sines.hypot(cosines) / f64::from(count);
        let mass = smooth.solve(&sets.weights(smooth.sets()), None, ROUNDS);
        let in_step = count >= FEWEST_PHASES && length >= IN_STEP;
        Some((Self { smooth, mass, hold: hold.clone(), closed_end, in_step }, sets))
    }

    /// How many sets differ.
    pub(super) fn sets(&self) -> usize {
        self.smooth.sets()
    }

    /// The same under other counts.
    pub(super) fn again(&self, weights: &[f64]) -> Vec<f64> {
        self.smooth.solve(weights, Some(&self.mass), ROUNDS_AGAIN)
    }

    pub(super) fn quantile(&self, share: f64) -> Option<f64> {
        self.quantile_of(&self.mass, share)
    }

    /// Of ages, from shares as [`Self::again`] gives them.
    pub(super) fn quantile_of(&self, mass: &[f64], share: f64) -> Option<f64> {
        let mut cells = self.smooth.cells(mass);
        cells.retain(|cell| cell.2 > LEAST_SHARE);
        let open: f64 = cells.iter().filter(|cell| cell.0 >= self.closed_end).map(|cell| cell.2).sum();
        (share <= 1.0 - open).then(|| sample_hold::quantile(share, &cells, &self.hold))?
    }

    /// The delays, as far as they are known from both sides: low, high, share.
    pub(super) fn cells(&self) -> Vec<(f64, f64, f64)> {
        let mut cells = self.smooth.cells(&self.mass);
        cells.retain(|cell| cell.0 < self.closed_end);
        cells
    }

    /// What telemetry in step with the sticks leaves unknown, ms.
    pub(super) fn unlocated_ms(&self) -> Option<f64> {
        self.in_step.then(|| self.hold.usual_ms())
    }

    /// The ages' distribution in pieces of 1 ms: low, high, share.
    pub(super) fn ages(&self) -> Vec<(f64, f64, f64)> {
        let delays = self.smooth.cells(&self.mass);
        let (Some(first), Some(last)) = (delays.first(), delays.last()) else { return Vec::new() };
        let to = last.1 + self.hold.longest_ms();
        let mut ages = Vec::new();
        let (mut low, mut below) = (first.0.floor(), 0.0);
        while low < to {
            let up_to = sample_hold::share_up_to(low + 1.0, &delays, &self.hold);
            if up_to - below > 1e-6 {
                ages.push((low, low + 1.0, up_to - below));
            }
            (low, below) = (low + 1.0, up_to);
        }
        ages
    }
}
