//! Which figures a page shows: what the key for explanations explains there.

use crate::wording::explain;
use crate::wording::explain::Explanation;

use super::screen::Screen;

/// The figures that a page shows, by the names of their explanations.
const fn figures(screen: Screen) -> &'static [&'static str] {
    match screen {
        Screen::Overview => {
            &["verdicts", "margin", "freeze-limit", "level", "loss", "latency", "worked-to", "phases"]
        }
        Screen::Latency => {
            &["latency", "control-frames", "control-holds", "failsafe", "clock", "glass-to-glass"]
        }
        Screen::Loss => {
            &["loss", "bursts", "bad-spells", "availability", "both-links", "framing", "own-reports"]
        }
        Screen::Range => &["worked-to", "distance", "path-loss", "theory", "direction"],
        Screen::Video => &["freeze", "video", "timing", "key-frames", "jitter", "evidence"],
        Screen::Vibration => &["vibration", "spectrum", "picture-cause", "power"],
        Screen::Events => &["events", "phases", "failsafe", "evidence"],
        Screen::Signal => &["level", "trend", "margin", "freeze-limit", "agreement", "transmitters"],
        Screen::Field => &["verdicts", "margin", "alarms"],
        Screen::Session => &["session-verdicts", "failsafe", "latency", "worked-to", "health"],
        Screen::Map => &["distance", "worked-to", "direction", "bad-spells"],
    }
}

/// Explanations of all that a page shows.
pub fn explanations(screen: Screen) -> impl Iterator<Item = &'static Explanation> {
    figures(screen).iter().flat_map(|name| explain::find(name))
}
