//! A pen that writes inside its area only, and never a control character.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

use crate::record::text::is_printable;

/// Writes text into one area of a buffer, clipped at its borders.
#[derive(Debug)]
pub struct Pen<'a> {
    buffer: &'a mut Buffer,
    area: Rect,
}

/// The text without what must not reach the terminal.
#[must_use]
pub fn printable(text: &str) -> std::borrow::Cow<'_, str> {
    if text.chars().all(is_printable) {
        return std::borrow::Cow::Borrowed(text);
    }
    std::borrow::Cow::Owned(
        text.chars().map(|letter| if is_printable(letter) { letter } else { '?' }).collect(),
    )
}

/// Columns that a text takes.
#[must_use]
pub fn width(text: &str) -> u16 {
    ratatui::text::Span::raw(text).width().min(usize::from(u16::MAX)) as u16
}

/// The text, cut to a width; an ellipsis stands for what is missing. A number is left out whole, with its unit: half of
/// it would be another one.
#[must_use]
pub fn fitted(text: &str, columns: u16) -> String {
    if width(text) <= columns {
        return text.to_owned();
    }
    let mut short = String::new();
    for letter in text.chars() {
        if width(&short) + width(letter.encode_utf8(&mut [0; 4])) + 1 > columns {
            break;
        }
        short.push(letter);
    }
    if columns > 0 {
        short.truncate(before_number(text, short.len()));
        short.truncate(short.trim_end().len());
        short.push('…');
    }
    short
}

/// Where a number begins that a cut at this byte goes through, else the cut.
fn before_number(text: &str, cut: usize) -> usize {
    let mut end = 0;
    for word in words(text) {
        // A number and its unit are one word, and may stand farther apart in the text than one space.
        let first = word.split(' ').next().unwrap_or_default();
        let Some(start) = text[end..].find(first).map(|at| end + at) else { break };
        end = start;
        for part in word.split(' ') {
            end += text[end..].find(part).map_or(0, |at| at + part.len());
        }
        if cut < end {
            let is_number = word.trim_start_matches(SIGNS).starts_with(|first: char| first.is_ascii_digit());
            return if is_number && start < cut { start } else { cut };
        }
    }
    cut
}

/// What may stand before a number.
const SIGNS: [char; 9] = ['+', '-', '±', '<', '>', '≥', '×', '(', '~'];

/// Units that stay with the number before them.
const UNITS: [&str; 16] =
    ["m", "km", "s", "ms", "min", "h", "dB", "dBm", "%", "Hz", "V", "B", "kB", "MB", "GB", "units"];

/// The words of a text, a unit together with its number, and a bound with what it bounds.
fn words(text: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let unit = word.trim_end_matches([')', ',', ';', ':', '.']);
        match words.last_mut() {
            Some(last)
                if UNITS.contains(&unit) && last.ends_with(|end: char| end.is_ascii_digit())
                    || last == "at" && word == "most"
                    || last == "at most" =>
            {
                last.push(' ');
                last.push_str(word);
            }
            _ => words.push(word.to_owned()),
        }
    }
    words
}

/// The text in lines of at most `columns`, broken between words, never between a number and its unit.
#[must_use]
pub fn wrapped(text: &str, columns: u16) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in &words(text) {
        if !line.is_empty() && width(&line) + 1 + width(word) > columns {
            lines.push(std::mem::take(&mut line));
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

impl<'a> Pen<'a> {
    /// A pen for the part of the area that lies inside the buffer.
    pub fn new(buffer: &'a mut Buffer, area: Rect) -> Self {
        let area = area.intersection(buffer.area);
        Self { buffer, area }
    }

    /// Its columns.
    #[must_use]
    pub const fn width(&self) -> u16 {
        self.area.width
    }

    /// Its rows.
    #[must_use]
    pub const fn height(&self) -> u16 {
        self.area.height
    }

    /// Writes at a column and row of the area; gives the column after the text.
    pub fn text(&mut self, x: u16, y: u16, text: &str, style: Style) -> u16 {
        if y >= self.area.height || x >= self.area.width {
            return x;
        }
        let text = printable(text);
        let room = usize::from(self.area.width - x);
        let (end, _) = self.buffer.set_stringn(self.area.x + x, self.area.y + y, &text, room, style);
        end - self.area.x
    }

    /// Writes within so many columns, with an ellipsis where it is cut.
    pub fn cut(&mut self, x: u16, y: u16, text: &str, columns: u16, style: Style) -> u16 {
        let columns = columns.min(self.area.width.saturating_sub(x));
        let text = fitted(&printable(text), columns);
        self.text(x, y, &text, style)
    }

    /// Writes as many parts, two spaces apart, as fit whole; the first is cut where not even that fits.
    pub fn whole(&mut self, x: u16, y: u16, parts: &[String], columns: u16, style: Style) -> u16 {
        let mut text = parts.first().cloned().unwrap_or_default();
        for part in parts.iter().skip(1) {
            if width(&text) + 2 + width(part) > columns {
                break;
            }
            text.push_str("  ");
            text.push_str(part);
        }
        self.cut(x, y, &text, columns, style)
    }

    /// Writes so that the text ends before column `end`; gives the column of its first letter.
    pub fn right(&mut self, end: u16, y: u16, text: &str, style: Style) -> u16 {
        let text = printable(text);
        let x = end.min(self.area.width).saturating_sub(width(&text));
        self.text(x, y, &text, style);
        x
    }

    /// Writes several pieces one after the other.
    pub fn pieces(&mut self, x: u16, y: u16, pieces: &[(&str, Style)]) -> u16 {
        pieces.iter().fold(x, |x, (text, style)| self.text(x, y, text, *style))
    }

    /// Writes a text over several rows, broken between words; gives the row after it.
    pub fn paragraph(&mut self, x: u16, y: u16, text: &str, style: Style) -> u16 {
        let columns = self.area.width.saturating_sub(x);
        let text = printable(text);
        let lines = wrapped(&text, columns);
        for (row, line) in (y..self.area.height).zip(&lines) {
            self.cut(x, row, line, columns, style);
        }
        y.saturating_add(lines.len().min(usize::from(u16::MAX)) as u16)
    }

    /// Sets one cell.
    pub fn glyph(&mut self, x: u16, y: u16, letter: char, style: Style) {
        if x >= self.area.width || y >= self.area.height {
            return;
        }
        let letter = if is_printable(letter) { letter } else { '?' };
        self.buffer[(self.area.x + x, self.area.y + y)].set_char(letter).set_style(style);
    }

    /// What stands in a cell.
    #[must_use]
    pub fn at(&self, x: u16, y: u16) -> &str {
        if x >= self.area.width || y >= self.area.height {
            return "";
        }
        self.buffer[(self.area.x + x, self.area.y + y)].symbol()
    }

    /// Styles part of a row without touching its text.
    pub fn shade(&mut self, x: u16, y: u16, columns: u16, style: Style) {
        if x >= self.area.width || y >= self.area.height {
            return;
        }
        let columns = columns.min(self.area.width - x);
        self.buffer.set_style(Rect::new(self.area.x + x, self.area.y + y, columns, 1), style);
    }
}

#[cfg(test)]
mod tests {
    use crate::tui::widget::pen::*;

    #[test]
    fn nothing_leaves_the_area_and_no_control_character_passes() {
        let mut buffer = Buffer::empty(Rect::new(0, 0, 8, 2));
        let mut pen = Pen::new(&mut buffer, Rect::new(2, 0, 4, 1));
        pen.text(0, 0, "a\u{1b}[2J\u{202e}bc", Style::new());
        pen.text(9, 9, "outside", Style::new());
        pen.glyph(1, 4, 'x', Style::new());
        assert_eq!(buffer, Buffer::with_lines(["  a?[2  ", "        "]));
    }

    #[test]
    fn long_text_is_cut_with_an_ellipsis_or_broken_between_words() {
        assert_eq!(fitted("not measured", 7), "not me…");
        assert_eq!(fitted("short", 7), "short");
        assert_eq!(fitted("x", 0), "");
        assert_eq!(fitted("margin 12 dB", 11), "margin…");
        assert_eq!(fitted("12 dB", 4), "…");
        assert_eq!(fitted("12 dB", 5), "12 dB");
        assert_eq!(fitted("level -71.2 dBm now", 9), "level…");
        assert_eq!(fitted("level -71.2 dBm now", 17), "level -71.2 dBm…");
        assert_eq!(fitted("lost 0.07 % (0.01 to 0.5)", 15), "lost 0.07 %…");
        // A name is no number.
        assert_eq!(fitted("orchard-4.pcapng", 12), "orchard-4.p…");
        assert_eq!(wrapped("one two three", 8), ["one two", "three"]);
        assert_eq!(wrapped("about 9 s left (17 m)", 14), ["about 9 s left", "(17 m)"]);
        assert_eq!(wrapped("left at this rate (17 m)", 21), ["left at this rate", "(17 m)"]);
        assert_eq!(wrapped("within at most 75 ms", 14), ["within", "at most 75 ms"]);
    }
}
