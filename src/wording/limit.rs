//! A link's limit and its proven range in words.

use crate::profile::{LimitEvent, LinkRole};
use crate::summary::{ProofEnd, ProofWord, Threshold};

use super::quantity;

/// What begins at a limit, in one word.
#[must_use]
pub const fn event(event: LimitEvent) -> &'static str {
    match event {
        LimitEvent::Freeze => "freeze",
        LimitEvent::Loss => "loss",
        LimitEvent::Hold => "hold",
    }
}

/// The limit's name.
#[must_use]
pub const fn name(event: LimitEvent) -> &'static str {
    match event {
        LimitEvent::Freeze => "freeze limit",
        LimitEvent::Loss => "loss limit",
        LimitEvent::Hold => "hold limit",
    }
}

/// The limit's name, of a link that may have no role.
#[must_use]
pub fn name_of(role: Option<LinkRole>) -> &'static str {
    role.map_or("limit", |role| name(role.limit_event()))
}

/// How often what begins at a limit was seen: `31 freezes`.
#[must_use]
pub fn counted(threshold: &Threshold) -> String {
    let (one, many) = match threshold.event {
        LimitEvent::Freeze => ("freeze", "freezes"),
        LimitEvent::Loss => ("second of loss over 5 % began", "seconds of loss over 5 % began"),
        LimitEvent::Hold => ("hold", "holds"),
    };
    quantity::counted(threshold.freezes, one, many)
}

/// The level that warnings are counted from, where that is not the limit itself: `warns from -84.0 dBm: few stand behind it`.
#[must_use]
pub fn warns_from(threshold: &Threshold) -> Option<String> {
    let level = threshold.warns_at.filter(|level| level - threshold.level_p05 >= 0.05)?;
    Some(format!("warns from {}: few stand behind it", quantity::level(level, threshold.unit)))
}

/// How far nothing failed, or what came then.
#[must_use]
pub fn proof(end: &ProofEnd) -> String {
    let then = if end.why == ProofWord::Farthest { "" } else { "then: " };
    format!("{then}{}", proof_end(end))
}

/// What ended the proof of a range.
#[must_use]
pub fn proof_end(end: &ProofEnd) -> String {
    let ProofEnd { from_m, to_m, why } = end;
    let at = format!("{from_m:.0} to {to_m:.0} m");
    match why {
        ProofWord::Frozen => format!("the picture froze at {at}"),
        ProofWord::Loss => format!("over 5 % lost at {at}"),
        ProofWord::Failsafe => format!("a failsafe at {at}"),
        ProofWord::Holds => format!("the input stuck at {at}"),
        ProofWord::PositionLost => format!("the position was lost at {at}"),
        ProofWord::Gap => format!("too few seconds from {at}"),
        ProofWord::NotMeasured => format!("not measured from {at}"),
        ProofWord::Farthest => "no failure up to there".to_owned(),
    }
}
