//! Glass to glass in words: how to photograph it, and what the photographs say.

use crate::measure::glass_to_glass::NoDelay;
use crate::summary::PictureDelay;

use super::quantity;

/// What to do; one line each.
pub const STEPS: [&str; 3] = [
    "Point the vehicle's camera at this screen. Hold a phone so that it sees this time and its picture on the handset's \
     screen, side by side, at the same height.",
    "Take ten photographs, some seconds apart. Each bar below is as long as one digit behind the point: read it where \
     the digits blur.",
    "Then type both times of each photograph here, in seconds.",
];

/// What is no time of a photograph.
pub const NO_TIME: &str = "that is no time: type seconds from 0 to 999.999, such as 83.412";

/// The photograph that is next, as far as its two times are typed; the one that is being typed has a cursor.
#[must_use]
pub fn next_photograph(number: usize, typed: &[String; 2], field: usize) -> String {
    let [time, picture] = [0, 1].map(|each| {
        let cursor = if each == field { "_" } else { "" };
        format!("{}{cursor}", typed[each])
    });
    format!("photograph {number}: running time {time}  its picture {picture}")
}

/// The figure in one sentence, or why there is none.
#[must_use]
pub fn delay(found: &Result<PictureDelay, NoDelay>) -> String {
    match found {
        Ok(delay) => format!(
            "glass to glass {} ms ({}), {}",
            quantity::millis(delay.glass_to_glass_ms),
            quantity::millis_interval(delay.glass_to_glass_ci95_ms),
            quantity::counted(delay.photographs as u64, "photograph", "photographs"),
        ),
        Err(NoDelay::Few) => {
            "glass to glass not measured: type three photographs at least, ten are better".to_owned()
        }
        Err(NoDelay::Ahead(photograph)) => format!(
            "glass to glass not measured: in photograph {photograph} the picture is ahead of its time; read it again, \
             the running time comes first"
        ),
    }
}

/// What to do about the figure; nothing where it is as good as it gets.
#[must_use]
pub fn advice(delay: &PictureDelay) -> Option<String> {
    if let [first, ..] = delay.photographs_apart[..] {
        return Some(format!(
            "photograph {first} lies far from the others: read it again; if the picture stood still, leave it out"
        ));
    }
    let half_ms = (delay.glass_to_glass_ci95_ms[1] - delay.glass_to_glass_ci95_ms[0]) / 2.0;
    (half_ms > 2.0 * delay.floor_ms).then(|| {
        let floor = quantity::millis(delay.floor_ms);
        format!("more photographs narrow it, down to ±{floor} ms: refresh and exposure remain")
    })
}

/// The lines that keep it in a profile.
#[must_use]
pub fn profile_lines(delay: &PictureDelay) -> String {
    let [low, high] = delay.glass_to_glass_ci95_ms;
    format!(
        "glass_to_glass_ms = {:.1}\nglass_to_glass_ci95_ms = [{low:.1}, {high:.1}]",
        delay.glass_to_glass_ms
    )
}
