//! Text from outside, made safe to show; stamps as text.

use crate::units::Nanos;
pub use crate::units::printable::is_printable;

/// A stamp as RFC 3339 text in UTC, with milliseconds.
#[must_use]
pub fn utc_text(at: Nanos) -> String {
    let millis = at.0.div_euclid(1_000_000);
    jiff::Timestamp::from_millisecond(millis).map_or_else(|_| "?".to_owned(), |stamp| format!("{stamp:.3}"))
}

/// Longest text from outside, in characters.
const LONGEST: usize = 200;

/// Text from outside, safe to show: what a terminal would obey is replaced; at most 200 characters.
#[must_use]
pub fn clean(text: &str) -> String {
    let letters = text.chars().take(LONGEST);
    let mut cleaned: String =
        letters.map(|letter| if is_printable(letter) { letter } else { '\u{fffd}' }).collect();
    cleaned.truncate(cleaned.trim_end().len());
    cleaned
}
