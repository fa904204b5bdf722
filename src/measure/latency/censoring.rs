//! The ages that the output samples of one movement allow.
//!
//! An output sample shows a stick position that stood for a while, maybe more than once. Its age is known only to
//! lie in one of a few ranges: it is censored to intervals. Unit: ms.

use std::sync::Arc;

use crate::units::Nanos;

use super::age_intervals;
use super::age_intervals::AgeSearch;
use super::curve::Curve;
use super::mapping::{AlignedMovement, Follow};

/// One range of ages that one output sample allows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct AgeRange {
    pub(super) output: u8,
    /// Whether the next range is of the same sample.
    pub(super) more: bool,
    /// Steps of the grid of ages, which a small float holds exactly; `high` may be infinite.
    pub(super) low: f32,
    pub(super) high: f32,
}

impl AgeRange {
    pub(super) fn ms(self) -> (f64, f64) {
        (f64::from(self.low), f64::from(self.high))
    }
}

/// What one movement says.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct MovementAges {
    /// Among the stage's movements, from 0.
    pub(super) number: u64,
    pub(super) stick: u8,
    pub(super) start: Nanos,
    /// The largest lower end of any sample's age, ms.
    pub(super) oldest_ms: f64,
    /// At least one.
    pub(super) ranges: Arc<[AgeRange]>,
}

impl MovementAges {
    /// Of an aligned movement and the outputs that follow its stick; outputs until `until` ms count. `None` where
    /// they say nothing.
    pub(super) fn new(
        number: u64,
        aligned: &AlignedMovement<'_>,
        followers: &[&(Follow, Curve)],
        until: f64,
        search: AgeSearch,
    ) -> Option<Self> {
        let movement = aligned.movement;
        let stick = aligned.stick(movement.stick);
        let mut packed = Vec::new();
        let mut oldest_ms = f64::NEG_INFINITY;
        for &follower in followers {
            let (follow, curve) = follower;
            for (time, output) in aligned.own_outputs(follower, until) {
                let positions = curve.sticks(output);
                let ranges = age_intervals::allowed(&stick, time, positions, search);
                let says_nothing =
                    |range: &(f64, f64)| range.0 <= search.least_ms.max(0.0) && range.1.is_infinite();
                if ranges.is_empty() || ranges.iter().any(says_nothing) {
                    continue;
                }
                oldest_ms = oldest_ms.max(age_intervals::least(&stick, time, positions, &ranges, search));
                packed.extend(ranges.iter().enumerate().map(|(index, &(low, high))| AgeRange {
                    output: follow.output,
                    more: index + 1 < ranges.len(),
                    low: low as f32,
                    high: high as f32,
                }));
            }
        }
        let (stick, start) = (movement.stick, movement.start);
        (!packed.is_empty()).then(|| Self { number, stick, start, oldest_ms, ranges: packed.into() })
    }

    /// The ranges of each sample, of all outputs or of one pair of stick and output.
    pub(super) fn samples(&self, pair: Option<(u8, u8)>) -> impl Iterator<Item = &[AgeRange]> {
        let samples = self.ranges.chunk_by(|range, _| range.more);
        samples.filter(move |ranges| pair.is_none_or(|pair| pair == (self.stick, ranges[0].output)))
    }
}
