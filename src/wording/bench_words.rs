//! The bench sheet in words: items, figures, limits, what more is needed and why.

use super::quantity;
use crate::summary::{BenchItem, BenchNeed, BenchNeeds, BenchReason, BenchRow, BenchWord, LimitSource};

/// What the whole sheet says.
#[must_use]
pub const fn verdict(word: BenchWord) -> &'static str {
    match word {
        BenchWord::Passed => "PASSED: every required item lies on the right side of its limit",
        BenchWord::Failed => "FAILED: an item lies on the wrong side of its limit",
        BenchWord::NotProven | BenchWord::NotMeasured => "NOT PROVEN: no item failed, and more is needed",
    }
}

/// What is judged.
#[must_use]
pub const fn item(item: BenchItem) -> &'static str {
    match item {
        BenchItem::Loss => "loss",
        BenchItem::LatencyP90 => "stick to servo, nine in ten within",
        BenchItem::LatencySpread => "nine in ten less half of them",
        BenchItem::Holds => "holds a minute of moving sticks",
        BenchItem::Answers => "channels that answer wrongly",
        BenchItem::Travel => "least travel of a channel",
        BenchItem::Centre => "farthest centre off",
        BenchItem::Jitter => "most jitter at rest",
        BenchItem::Drills => "failsafe drills",
        BenchItem::Detected => "loss of input noticed after",
        BenchItem::Outputs => "outputs at rest after",
        BenchItem::Supply => "supply left",
        BenchItem::PictureDelay => "glass to glass, as entered",
        BenchItem::Margin => "lowest margin",
    }
}

/// The item, and of what.
#[must_use]
pub fn title(row: &BenchRow) -> String {
    let name = item(row.item);
    match &row.of {
        Some(of) if is_of_channels(row.item) => format!("{name} (channel {of})"),
        Some(of) if row.item == BenchItem::Supply => format!("{name}, battery {of}"),
        Some(of) => format!("{name}, {of}"),
        None => name.to_owned(),
    }
}

const fn is_of_channels(item: BenchItem) -> bool {
    matches!(item, BenchItem::Travel | BenchItem::Centre | BenchItem::Jitter)
}

/// A figure in the item's unit.
fn figure(item: BenchItem, value: f64) -> String {
    match item {
        BenchItem::Loss => format!("{:.2} %", value * 100.0),
        BenchItem::LatencyP90 | BenchItem::LatencySpread | BenchItem::PictureDelay => {
            format!("{value:.0} ms")
        }
        BenchItem::Holds => format!("{value:.1}"),
        BenchItem::Answers | BenchItem::Drills => format!("{value:.0}"),
        BenchItem::Travel | BenchItem::Centre | BenchItem::Jitter => format!("{value:.0} us"),
        BenchItem::Detected | BenchItem::Outputs => format!("{value:.2} s"),
        BenchItem::Supply => format!("{value:.1} min"),
        BenchItem::Margin => format!("{value:.1} dB"),
    }
}

/// The figure, or that there is none.
#[must_use]
pub fn value(row: &BenchRow) -> String {
    row.value.map_or_else(|| "-".to_owned(), |value| figure(row.item, value))
}

/// Its interval, empty where it has none or is exact.
#[must_use]
pub fn interval(row: &BenchRow) -> String {
    row.interval.filter(|[low, high]| low < high).map_or_else(String::new, |[low, high]| {
        format!("{} to {}", figure(row.item, low), figure(row.item, high))
    })
}

/// Its limit, and whose.
#[must_use]
pub fn limit(row: &BenchRow) -> String {
    let side = match row.item {
        BenchItem::Answers => return "none".to_owned(),
        BenchItem::Travel | BenchItem::Drills | BenchItem::Supply | BenchItem::Margin => "at least",
        _ => "at most",
    };
    let whose = if row.limit_from == LimitSource::Profile { "profile" } else { "default" };
    format!("{side} {} ({whose})", figure(row.item, row.limit))
}

fn listed(channels: &[u8]) -> String {
    channels.iter().map(u8::to_string).collect::<Vec<_>>().join(", ")
}

/// What keeps it from passing and what to do, sentence by sentence; the reason of a latency that is missing comes from
/// `missing`.
#[must_use]
pub fn remarks(row: &BenchRow, missing: Option<String>) -> Vec<String> {
    let mut all = Vec::new();
    if !row.failing_channels.is_empty() {
        all.push(format!("failed: channel {}", listed(&row.failing_channels)));
    }
    match (row.reason, missing) {
        (Some(BenchReason::Latency), Some(why)) => all.push(why),
        (Some(why), _) => all.push(reason(why).to_owned()),
        (None, _) => {}
    }
    all.extend(row.needs.as_ref().map(need));
    if row.word == BenchWord::NotMeasured && !row.required && row.item != BenchItem::Answers {
        all.push("not required: the profile gives no limit for it".to_owned());
    }
    all
}

/// What more it takes.
#[must_use]
pub fn need(needs: &BenchNeeds) -> String {
    let channels = listed(&needs.channels);
    match (needs.what, needs.more) {
        (BenchNeed::Photographs, _) => {
            "its interval reaches over the limit: more photographs, or a faster screen, narrow it".to_owned()
        }
        (BenchNeed::Load, _) => {
            "its interval reaches over the limit: more minutes under a steady load narrow it".to_owned()
        }
        (_, None) => "the figure is too near its limit to tell them apart".to_owned(),
        (BenchNeed::Moves, Some(more)) => {
            format!("needs {}", quantity::counted(more, "more quick move", "more quick moves"))
        }
        (BenchNeed::MovingSeconds, Some(more)) => format!("needs {more} s more in which sticks move"),
        (BenchNeed::Seconds, Some(more)) => {
            format!("needs about {} more", quantity::seconds(more as f64))
        }
        (BenchNeed::Drills, Some(more)) => {
            format!("needs {}", quantity::counted(more, "more drill", "more drills"))
        }
        (BenchNeed::Ends, Some(more)) => format!("move channel {channels} to both ends {more} times"),
        (BenchNeed::Rest, Some(more)) => format!("leave channel {channels} alone for {more} s"),
        (BenchNeed::Steps, Some(more)) => {
            format!("move stick {channels} alone, {more} times, and hold it for over a second each time")
        }
    }
}

const fn reason(reason: BenchReason) -> &'static str {
    match reason {
        BenchReason::Latency => "sticks, inputs and outputs were not seen moving together",
        BenchReason::NoBound => "both ends are on clocks that do not know of each other: use --timesync",
        BenchReason::UpperBound => {
            "an upper bound: the clock is aligned one way only; what lies above the limit may be the way here: \
             use --timesync"
        }
        BenchReason::NoSticks => "sticks or RC input were not heard: name the handset's source",
        BenchReason::NotHeard => "nothing was heard of it",
        BenchReason::NoChannel => "the vehicle reports no RC channels (RC_CHANNELS): ask for them",
        BenchReason::NotNumbered => {
            "no handset is heard that numbers its sticks as channels: whether channels are crossed, reversed or dead \
             cannot be told"
        }
        BenchReason::NoCentre => {
            "no channel came back to a centre five times: let each stick go after each move"
        }
        BenchReason::NoDrill => "no drill was seen: propellers off, switch the handset off",
        BenchReason::NotDetected => {
            "in a drill the vehicle said nothing of it: ask for SYS_STATUS and HEARTBEAT"
        }
        BenchReason::NotSeen => {
            "in a drill outputs were not seen at rest: ask for SERVO_OUTPUT_RAW, and move each stick some times first"
        }
        BenchReason::Held => {
            "in a drill outputs held what they showed: no failsafe, or its values are those of the sticks; hold the \
             sticks off their rest, and enter failsafe_servo_us in the profile"
        }
        BenchReason::Moving => {
            "in a drill outputs kept moving: the vehicle steers by itself, or never went to failsafe; enter \
             failsafe_servo_us in the profile if it should"
        }
        BenchReason::Elsewhere => {
            "in a drill outputs came to rest at other values than the profile's failsafe_servo_us"
        }
        BenchReason::NoMinutes => {
            "minutes left are not known: capacity_mah or cutoff_v in the profile, and minutes of load"
        }
        BenchReason::NotEntered => {
            "type the times of photographs in the test's own step, or enter glass_to_glass_ms in the profile (`explain \
             glass-to-glass`)"
        }
        BenchReason::NoMargin => {
            "no margin in decibels: it needs a scale of the level, and earlier sessions with freezes"
        }
    }
}
