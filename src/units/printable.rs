//! Which characters may be shown: the one filter of screens, texts, JSON and what a profile may hold.

/// Whether a character may reach a terminal: no control, nothing that turns the direction of writing, nothing without
/// a width. The one filter of all screens and texts.
#[must_use]
pub fn is_printable(letter: char) -> bool {
    !(letter.is_control()
        || matches!(letter, '\u{ad}' | '\u{61c}' | '\u{180e}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
            | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e0fff}'))
}
