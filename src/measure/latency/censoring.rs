//! What one movement says: the sets of ages of its output samples, packed.

use std::sync::Arc;

use crate::stats::turnbull::Ranges;
use crate::units::Nanos;

use super::age_intervals;
use super::age_intervals::{GRID_MS, Search};
use super::curve::Curve;
use super::mapping::{Follow, Laid};

/// Ages are kept as steps of the grid above this, ms.
const LOWEST_MS: f64 = -40.0;
/// Bits of a step: up to 2 s, which is beyond any age that is looked for.
const STEP_BITS: u32 = 13;
const OPEN: u16 = (1 << STEP_BITS) - 1;

/// One range of ages that one output sample allows; `more`: the next one is of the same sample.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) struct AgeRange {
    pub(super) stick: u8,
    pub(super) output: u8,
    more: bool,
    low: u16,
    high: u16,
}

impl AgeRange {
    /// In ms; without a high end where it is open.
    pub(super) fn ms(self) -> (f64, f64) {
        let ms = |step: u16| LOWEST_MS + f64::from(step) * GRID_MS;
        (ms(self.low), if self.high == OPEN { f64::INFINITY } else { ms(self.high) })
    }

    /// The only range of its sample.
    #[cfg(test)]
    pub(super) const fn closed(stick: u8, output: u8, (low, high): (u16, u16)) -> Self {
        Self { stick, output, more: false, low, high }
    }

    /// Without the stick, which all ranges of a movement share.
    pub(super) fn packed(self) -> PackedRange {
        let steps = u32::from(self.low) << STEP_BITS | u32::from(self.high);
        PackedRange(
            u32::from(self.output) << (2 * STEP_BITS + 1) | u32::from(self.more) << (2 * STEP_BITS) | steps,
        )
    }

    pub(super) const fn unpacked(stick: u8, PackedRange(packed): PackedRange) -> Self {
        Self {
            stick,
            output: (packed >> (2 * STEP_BITS + 1)) as u8,
            more: packed >> (2 * STEP_BITS) & 1 != 0,
            low: (packed >> STEP_BITS) as u16 & OPEN,
            high: packed as u16 & OPEN,
        }
    }
}

/// See [`AgeRange::packed`]: output (5 bits), whether more follow, low and high step.
#[derive(Clone, Copy, Debug)]
pub(super) struct PackedRange(u32);

/// What one movement says.
#[derive(Clone, Debug)]
pub(super) struct MoveAges {
    /// Of the stage's movements, from 0.
    pub(super) number: u64,
    pub(super) start: Nanos,
    /// The largest lower end of any sample's age, ms.
    pub(super) oldest_ms: f64,
    pub(super) ages: Arc<[AgeRange]>,
}

impl MoveAges {
    /// The samples' sets of ages, each at least one range.
    pub(super) fn packed_sets(&self) -> impl Iterator<Item = &[AgeRange]> {
        self.ages.chunk_by(|range, _| range.more)
    }
}

/// What one movement says; `None` where that is nothing.
pub(super) fn of_movement(
    number: u64,
    laid: &Laid<'_>,
    own: &[&(Follow, Curve)],
    until: f64,
    search: Search,
) -> Option<MoveAges> {
    let stick = own.first().map_or_else(Vec::new, |(follow, _)| laid.stick(follow.stick));
    let mut ages = Vec::new();
    let mut oldest_ms = f64::NEG_INFINITY;
    for (follow, curve) in own {
        for (time, output) in laid.outputs(follow.output, until) {
            let sticks = curve.sticks(output);
            let ranges = age_intervals::allowed(&stick, time, sticks, search);
            let says_all = |range: &(f64, f64)| range.0 <= search.least_ms.max(0.0) && range.1.is_infinite();
            if !ranges.is_empty() && !ranges.iter().any(says_all) {
                pack(&ranges, follow, &mut ages);
                oldest_ms = oldest_ms.max(age_intervals::least(&stick, time, sticks, &ranges, search));
            }
        }
    }
    let start = laid.movement.start;
    (!ages.is_empty()).then(|| MoveAges { number, start, oldest_ms, ages: ages.into() })
}

fn pack(ranges: &Ranges, follow: &Follow, ages: &mut Vec<AgeRange>) {
    let step = |ms: f64| ((ms - LOWEST_MS) / GRID_MS).round().clamp(0.0, f64::from(OPEN - 1)) as u16;
    for (index, &(low, high)) in ranges.iter().enumerate() {
        ages.push(AgeRange {
            stick: follow.stick,
            output: follow.output,
            more: index + 1 < ranges.len(),
            low: step(low),
            high: if high.is_finite() { step(high) } else { OPEN },
        });
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use crate::measure::latency::censoring::*;

    proptest! {
        #[test]
        fn packing_loses_nothing(
            (stick, output) in (0_u8..18, 0_u8..18),
            more: bool,
            (low, high) in (0..OPEN, 0..=OPEN),
        ) {
            let range = AgeRange { stick, output, more, low, high };
            prop_assert_eq!(AgeRange::unpacked(stick, range.packed()), range);
        }
    }
}
