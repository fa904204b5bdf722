//! Text from outside, made safe to show; stamps as text.

use crate::units::Nanos;

/// A stamp as RFC 3339 text in UTC, with milliseconds.
#[must_use]
pub fn utc_text(at: Nanos) -> String {
    let millis = at.0.div_euclid(1_000_000);
    jiff::Timestamp::from_millisecond(millis).map_or_else(|_| "?".to_owned(), |stamp| format!("{stamp:.3}"))
}

/// Text from outside without control characters, at most 200 characters.
#[must_use]
pub fn clean(text: &str) -> String {
    let mut cleaned: String =
        text.chars()
            .map(|character| {
                if character.is_control() || is_format_character(character) { '\u{fffd}' } else { character }
            })
            .take(200)
            .collect();
    cleaned.truncate(cleaned.trim_end().len());
    cleaned
}

/// Characters that reorder or hide what stands beside them on a terminal.
const fn is_format_character(character: char) -> bool {
    matches!(character, '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}')
}
