//! A channel in words: where it goes, where it rests, whose stick it follows, what follows it.

use crate::summary::{StickDirection, StickFinding, StickSummary};

/// Nothing of it was seen to move.
const NEVER_MOVED: &str = "never moved; that is not dead: move its stick";

/// Travel and rest, in one line.
#[must_use]
pub fn travel(row: &StickSummary) -> String {
    if !row.moved {
        return format!("at {} us, {NEVER_MOVED}", row.low_us);
    }
    let ends = if row.ends_seen { "" } else { ", ends not seen three times" };
    let mut parts = vec![format!("{} to {} us ({}{ends})", row.low_us, row.high_us, row.travel_us)];
    parts.push(row.centre_us.map_or_else(
        || "did not come back to a centre five times".to_owned(),
        |centre| format!("centre {centre:.0} us"),
    ));
    parts.extend(row.jitter_us.map(|jitter| format!("jitter {jitter:.0} us")));
    parts.extend(row.step_us.map(|step| format!("least step {step} us")));
    parts.join("; ")
}

/// Whose stick it follows, which outputs follow it, and what is wrong; `None`: nothing is known.
#[must_use]
pub fn answers(row: &StickSummary) -> Option<String> {
    let against = |direction: Option<StickDirection>| match direction {
        Some(StickDirection::Reversed) => ", reversed",
        _ => "",
    };
    let mut parts: Vec<String> =
        row.findings.iter().map(|finding| finding_text(*finding).to_owned()).collect();
    parts.extend(row.stick.map(|stick| format!("follows stick {stick}{}", against(row.direction))));
    for output in &row.outputs {
        let dead =
            output.dead_band_us.map_or_else(String::new, |span| format!(", {span:.0} us move nothing"));
        parts.push(format!("output {} follows{}{dead}", output.servo, against(output.output_direction)));
    }
    (!parts.is_empty()).then(|| parts.join("; "))
}

const fn finding_text(finding: StickFinding) -> &'static str {
    match finding {
        StickFinding::Dead => "DEAD: its stick moves and it does not",
        StickFinding::Stuck => "STUCK: it moved, and does not any more while its stick does",
        StickFinding::Crossed => "CROSSED: it follows another stick than its own",
        StickFinding::Reversed => "REVERSED: it goes against its stick",
    }
}
