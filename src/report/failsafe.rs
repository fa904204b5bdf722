//! A loss of control input in words, the same on screens and in the text report.
//!
//! An instant is known only between the last sample before it and the first after: the middle of that
//! interval stands for it, never an end alone.

use crate::summary::{FailsafeSummary, Interval};

/// What followed a loss of input, in the order in which it is to happen, and how long after it; `None`: not seen.
#[must_use]
pub fn steps(row: &FailsafeSummary) -> [(&'static str, Option<String>); 3] {
    [
        ("detected", after(row.detected_after_s, row.detected_after_interval_s)),
        ("outputs safe", after(row.servo_safe_after_s, row.servo_safe_after_interval_s)),
        ("input back", after(row.recovered_after_s, None)),
    ]
}

/// What stands in the place of a step that was not seen.
pub const NOT_SEEN: &str = "not seen";

/// Why something was not seen, and what to do; one sentence for each that is missing.
#[must_use]
pub fn missing(row: &FailsafeSummary) -> Vec<&'static str> {
    let detected = "detection not seen: the vehicle said nothing of it, or only its word tells of the loss; \
                    ask for SYS_STATUS and HEARTBEAT";
    let safe = "safe outputs not seen: they kept moving, missed the profile's failsafe values, or none were \
                heard (SERVO_OUTPUT_RAW)";
    let pairs = [(row.detected_after_s, detected), (row.servo_safe_after_s, safe)];
    pairs.into_iter().filter(|(value, _)| value.is_none()).map(|(_, why)| why).collect()
}

fn after(value: Option<f64>, interval: Option<Interval>) -> Option<String> {
    match (value, interval) {
        (_, Some([low, high])) => Some(format!("{:.2} s ({low:.2} to {high:.2})", f64::midpoint(low, high))),
        (value, None) => value.map(|value| format!("{value:.2} s")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_middle_of_an_interval_stands_for_it() {
        assert_eq!(after(Some(1.13), Some([0.13, 1.13])).as_deref(), Some("0.63 s (0.13 to 1.13)"));
        assert_eq!(after(Some(4.0), None).as_deref(), Some("4.00 s"));
        assert_eq!(after(None, None), None);
    }
}
