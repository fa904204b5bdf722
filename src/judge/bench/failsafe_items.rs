//! Losses of input on the bench sheet: how many drills, how fast the vehicle noticed, how fast its outputs were at rest.
//!
//! The slowest drill stands for all, by its whole interval. Outputs that hold or keep moving fail only where the
//! profile gives their failsafe values: without those, held values may be the failsafe's, and a vehicle that flies
//! itself home keeps them moving. A drill of which the vehicle said nothing proves nothing.

use crate::profile::Profile;
use crate::summary::{
    BenchItem, BenchNeed, BenchReason, BenchRow, BenchWord, FailsafeSummary, Interval, OutputsWord,
};

use super::{Side, needs, row, word};

pub(super) fn rows(failsafe: &[FailsafeSummary], profile: &Profile) -> [BenchRow; 3] {
    let limits = &profile.limits;
    let drills: Vec<&FailsafeSummary> = failsafe.iter().filter(|row| row.drill).collect();
    let missing = (limits.failsafe_drills().value as u64).saturating_sub(drills.len() as u64);
    let counted = BenchRow {
        value: Some(drills.len() as f64),
        word: if missing == 0 { BenchWord::Passed } else { BenchWord::NotProven },
        needs: (missing > 0).then(|| needs(BenchNeed::Drills, Some(missing))),
        reason: drills.is_empty().then_some(BenchReason::NoDrill),
        ..row(BenchItem::Drills, limits.failsafe_drills(), true)
    };
    let detected = slowest(
        row(BenchItem::Detected, limits.failsafe_detected_s(), true),
        &drills,
        |drill| drill.detected_after_interval_s,
        |_| (BenchReason::NotDetected, false),
    );
    let is_given = !profile.vehicle.failsafe_servo_us.is_empty();
    let outputs = slowest(
        row(BenchItem::Outputs, limits.failsafe_safe_s(), true),
        &drills,
        |drill| drill.servo_safe_after_interval_s,
        |drill| match drill.outputs {
            Some(OutputsWord::Held) => (BenchReason::Held, is_given),
            Some(OutputsWord::Moving) => (BenchReason::Moving, is_given),
            Some(OutputsWord::Elsewhere) => (BenchReason::Elsewhere, is_given),
            _ => (BenchReason::NotSeen, false),
        },
    );
    [counted, detected, outputs]
}

/// Of all drills the slowest; `without`: why one has no time, and whether that fails it.
fn slowest(
    row: BenchRow,
    drills: &[&FailsafeSummary],
    interval: impl Fn(&FailsafeSummary) -> Option<Interval>,
    without: impl Fn(&FailsafeSummary) -> (BenchReason, bool),
) -> BenchRow {
    if drills.is_empty() {
        return BenchRow { reason: Some(BenchReason::NoDrill), ..row };
    }
    let known = drills.iter().filter_map(|drill| interval(drill));
    let worst = known.clone().max_by(|a, b| a[1].total_cmp(&b[1]));
    let mut words: Vec<BenchWord> = known.map(|own| word(own, row.limit, Side::AtMost)).collect();
    let mut reason = None;
    for drill in drills.iter().filter(|drill| interval(drill).is_none()) {
        let (why, fails) = without(drill);
        reason = Some(why);
        words.push(if fails { BenchWord::Failed } else { BenchWord::NotProven });
    }
    let word = if words.contains(&BenchWord::Failed) {
        BenchWord::Failed
    } else if words.contains(&BenchWord::NotProven) {
        BenchWord::NotProven
    } else {
        BenchWord::Passed
    };
    BenchRow {
        value: worst.map(|[low, high]| f64::midpoint(low, high)),
        interval: worst,
        needs: (word == BenchWord::NotProven).then(|| needs(BenchNeed::Drills, Some(1))),
        word,
        reason,
        ..row
    }
}
