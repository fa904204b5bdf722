//! Nothing that a terminal would obey leaves in a text: replaced in words, escaped in JSON.

use std::io;
use std::io::Write;

use serde_json::ser::Formatter;

use crate::record::text::is_printable;

/// Compact JSON in which such characters stand as `\\u` and four digits (RFC 8259, section 7).
#[derive(Clone, Copy, Debug)]
pub(super) struct Escaped;

impl Formatter for Escaped {
    fn write_string_fragment<W: ?Sized + Write>(&mut self, out: &mut W, fragment: &str) -> io::Result<()> {
        if fragment.is_ascii() {
            // Its controls are escaped by the serializer, but for one.
            return out.write_all(fragment.replace('\u{7f}', "\\u007f").as_bytes());
        }
        for letter in fragment.chars() {
            if is_printable(letter) {
                write!(out, "{letter}")?;
            } else {
                for unit in letter.encode_utf16(&mut [0; 2]) {
                    write!(out, "\\u{unit:04x}")?;
                }
            }
        }
        Ok(())
    }
}

/// A text on its way to a person.
#[derive(Debug)]
pub struct PlainText<W>(pub W);

impl<W: Write> Write for PlainText<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let is_safe = |byte: &u8| *byte == b'\n' || (b' '..=b'~').contains(byte);
        if bytes.iter().all(is_safe) {
            self.0.write_all(bytes)?;
        } else {
            let text = String::from_utf8_lossy(bytes);
            let safe = |letter| if letter == '\n' || is_printable(letter) { letter } else { '\u{fffd}' };
            self.0.write_all(text.chars().map(safe).collect::<String>().as_bytes())?;
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

#[cfg(test)]
mod tests {
    use crate::report::escaped::*;
    use crate::report::write_json_to;

    /// Escape sequences, a C1 introducer, characters that turn or hide what stands beside them, and two that are harmless.
    const HOSTILE: &str =
        "a\u{1b}]0;x\u{7}\u{9b}2J\u{ad}\u{61c}\u{202e}\u{2028}\u{2066}\u{feff}\u{e0041}\u{7f}ß日";

    #[test]
    fn json_says_the_same_and_holds_nothing_that_a_terminal_obeys() {
        let mut out = Vec::new();
        write_json_to(&mut out, &std::collections::BTreeMap::from([("said", HOSTILE)])).unwrap();
        let text = String::from_utf8(out).unwrap();
        assert!(text.trim_end().chars().all(is_printable), "{text:?}");
        assert_eq!(serde_json::from_str::<serde_json::Value>(&text).unwrap()["said"], HOSTILE);
        assert!(text.contains("ß日") && text.contains("\\udb40\\udc41"), "{text}");
    }

    #[test]
    fn a_text_keeps_its_lines_and_letters_alone() {
        let mut out = PlainText(Vec::new());
        write!(out, "{HOSTILE}\nnext").unwrap();
        let text = String::from_utf8(out.0).unwrap();
        assert!(text.chars().all(|letter| letter == '\n' || is_printable(letter)), "{text:?}");
        assert!(text.ends_with("ß日\nnext") && text.starts_with("a\u{fffd}]0;x"), "{text:?}");
    }
}
