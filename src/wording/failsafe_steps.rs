//! A loss of control input in words, the same on screens and in the text report.
//!
//! An instant is known only between the last sample before it and the first after: the middle of that
//! interval stands for it, never an end alone.

use crate::summary::{FailsafeSummary, Interval, OutputsWord, StickSummary};

use super::quantity;

/// What followed a loss of input, in the order in which it is to happen, and how long after it; `None`: not seen.
/// Outputs are called safe only at the profile's failsafe values.
#[must_use]
pub fn steps(row: &FailsafeSummary) -> [(&'static str, Option<String>); 3] {
    let is_steady = row.servo_safe_after_s.is_some() && row.outputs != Some(OutputsWord::Safe);
    let outputs = if is_steady { "outputs steady" } else { "outputs safe" };
    [
        ("detected", after(row.detected_after_s, row.detected_after_interval_s)),
        (outputs, after(row.servo_safe_after_s, row.servo_safe_after_interval_s)),
        ("input back", after(row.recovered_after_s, None)),
    ]
}

/// Where no loss of input was seen; of the channels that the vehicle reports, one would have been.
#[must_use]
pub const fn none(channels: &[StickSummary]) -> &'static str {
    if channels.is_empty() {
        "no loss of control input seen, nor live RC channels that would show one (RC_CHANNELS)"
    } else {
        "control input has not been lost"
    }
}

/// What stands in the place of a step that was not seen.
pub const NOT_SEEN: &str = "not seen";

/// A loss in one line.
#[must_use]
pub fn line(row: &FailsafeSummary) -> String {
    let steps = steps(row).map(|(name, after)| match after {
        Some(after) => format!("{name} after {after}"),
        None => format!("{name} {NOT_SEEN}"),
    });
    let at = quantity::clock_tenths(row.input_lost_s);
    format!("{}: input lost at {at}; {}", kind(row), steps.join("; "))
}

/// What kind of loss it was.
#[must_use]
pub fn kind(row: &FailsafeSummary) -> &'static str {
    match (row.drill, row.cause.is_some()) {
        (true, _) => "drill",
        (false, true) => "handset off",
        (false, false) => "loss",
    }
}

/// What the row does not say by itself: whose stop it was, why something was not seen and what to do.
#[must_use]
pub fn missing(row: &FailsafeSummary) -> Vec<&'static str> {
    let handset = "the handset's own stream stopped first: this ends no proof of the link";
    let detected = "detection not seen: the vehicle said nothing of it, or only its word tells of the loss; \
                    ask for SYS_STATUS and HEARTBEAT";
    let safe = match row.outputs {
        Some(OutputsWord::Held) => {
            "outputs held as they were: no failsafe seen, or its values are those of the sticks; repeat it with the \
             sticks off their rest"
        }
        Some(OutputsWord::Moving) => {
            "outputs kept moving: never constant for 1 s, nor at the profile's failsafe values"
        }
        Some(OutputsWord::Elsewhere) => {
            "outputs came to rest at other values than the profile's failsafe_servo_us: correct the vehicle's failsafe, or \
             the profile"
        }
        _ => {
            "safe outputs not seen: none were heard (SERVO_OUTPUT_RAW), or \
             which outputs follow the sticks is not known: move each stick some times first"
        }
    };
    let when = [
        (row.cause.is_some() && !row.drill, handset),
        (row.detected_after_s.is_none(), detected),
        (row.servo_safe_after_s.is_none(), safe),
    ];
    when.into_iter().filter(|(applies, _)| *applies).map(|(_, why)| why).collect()
}

/// The drills of a session in one line: how many, and the slowest of each step.
#[must_use]
pub fn drills(rows: &[FailsafeSummary]) -> String {
    let drills: Vec<_> = rows.iter().filter(|row| row.drill).collect();
    if drills.is_empty() {
        return "no drill in this session: its failsafe is not shown".to_owned();
    }
    let mut parts = vec![quantity::counted(drills.len() as u64, "drill", "drills")];
    let seen = |name: &str, ends: &[Option<f64>]| {
        let missing = ends.iter().filter(|end| end.is_none()).count();
        if missing > 0 {
            return format!("{name} {NOT_SEEN} in {missing} of {}", ends.len());
        }
        format!("{name} after {:.2} s at the latest", ends.iter().flatten().copied().fold(0.0, f64::max))
    };
    let end = |value: Option<f64>, interval: Option<Interval>| interval.map_or(value, |[_, high]| Some(high));
    let detected = |row: &&FailsafeSummary| end(row.detected_after_s, row.detected_after_interval_s);
    let steady = |row: &&FailsafeSummary| end(row.servo_safe_after_s, row.servo_safe_after_interval_s);
    let all_safe = drills.iter().all(|row| row.outputs == Some(OutputsWord::Safe));
    let outputs = if all_safe { "outputs safe" } else { "outputs steady" };
    parts.push(seen("detected", &drills.iter().map(detected).collect::<Vec<_>>()));
    parts.push(seen(outputs, &drills.iter().map(steady).collect::<Vec<_>>()));
    parts.join(", ")
}

fn after(value: Option<f64>, interval: Option<Interval>) -> Option<String> {
    match (value, interval) {
        (_, Some([low, high])) => Some(format!("{:.2} s ({low:.2} to {high:.2})", f64::midpoint(low, high))),
        (value, None) => value.map(|value| format!("{value:.2} s")),
    }
}

#[cfg(test)]
mod tests {
    use crate::wording::failsafe_steps::*;

    #[test]
    fn the_slowest_of_the_drills_is_told_and_what_one_of_them_did_not_show() {
        let drill = |safe: Option<f64>| FailsafeSummary {
            input_lost_s: 10.0,
            detected_after_s: Some(0.5),
            servo_safe_after_s: safe,
            mode_before: None,
            mode_after: None,
            recovered_after_s: None,
            detected_after_interval_s: Some([0.0, 1.0]),
            servo_safe_after_interval_s: safe.map(|safe| [safe - 0.1, safe + 0.1]),
            drill: true,
            cause: None,
            outputs: Some(if safe.is_some() { OutputsWord::Safe } else { OutputsWord::Held }),
            evidence: None,
            why_not: None,
        };
        let two = [drill(Some(0.7)), drill(Some(1.2))];
        let said = "2 drills, detected after 1.00 s at the latest, outputs safe after 1.30 s at the latest";
        assert_eq!(drills(&two), said);
        let said = "2 drills, detected after 1.00 s at the latest, outputs steady not seen in 1 of 2";
        assert_eq!(drills(&[drill(None), drill(Some(0.7))]), said);
        let loss = FailsafeSummary { drill: false, ..drill(None) };
        assert_eq!(drills(&[loss]), "no drill in this session: its failsafe is not shown");
    }

    #[test]
    fn the_middle_of_an_interval_stands_for_it() {
        assert_eq!(after(Some(1.13), Some([0.13, 1.13])).as_deref(), Some("0.63 s (0.13 to 1.13)"));
        assert_eq!(after(Some(4.0), None).as_deref(), Some("4.00 s"));
        assert_eq!(after(None, None), None);
    }
}
