//! Large figures and words, to be read at arm's length: dots of half blocks, five high, as large as there is room.

use ratatui::style::Style;

use super::pen::{Pen, wrapped};

/// Rows of dots.
const HIGH: u16 = 5;
/// Beyond this a letter is larger than anybody needs.
const LARGEST: u16 = 6;

/// Columns of dots, and five rows of them, the top row first, the right dot the lowest bit.
const fn pattern(letter: char) -> Option<(u16, [u8; 5])> {
    let rows = match letter {
        'M' => return Some((5, [17, 27, 21, 17, 17])),
        'W' => return Some((5, [17, 17, 21, 27, 17])),
        'N' => return Some((4, [9, 13, 11, 9, 9])),
        'Q' => return Some((4, [6, 9, 9, 10, 5])),
        ' ' => return Some((1, [0; 5])),
        '.' => return Some((1, [0, 0, 0, 0, 1])),
        '0' | 'O' => [7, 5, 5, 5, 7],
        '1' => [2, 6, 2, 2, 7],
        '2' => [7, 1, 7, 4, 7],
        '3' => [7, 1, 7, 1, 7],
        '4' => [5, 5, 7, 1, 1],
        '5' | 'S' => [7, 4, 7, 1, 7],
        '6' => [7, 4, 7, 5, 7],
        '7' => [7, 1, 1, 2, 2],
        '8' => [7, 5, 7, 5, 7],
        '9' => [7, 5, 7, 1, 7],
        '-' => [0, 0, 7, 0, 0],
        '<' => [1, 2, 4, 2, 1],
        'A' => [2, 5, 7, 5, 5],
        'B' => [6, 5, 6, 5, 6],
        'C' => [7, 4, 4, 4, 7],
        'D' => [6, 5, 5, 5, 6],
        'E' => [7, 4, 6, 4, 7],
        'F' => [7, 4, 6, 4, 4],
        'G' => [7, 4, 5, 5, 7],
        'H' => [5, 5, 7, 5, 5],
        'I' => [7, 2, 2, 2, 7],
        'J' => [1, 1, 1, 5, 7],
        'K' => [5, 5, 6, 5, 5],
        'L' => [4, 4, 4, 4, 7],
        'P' => [7, 5, 7, 4, 4],
        'R' => [6, 5, 6, 5, 5],
        'T' => [7, 2, 2, 2, 2],
        'U' => [5, 5, 5, 5, 7],
        'V' => [5, 5, 5, 5, 2],
        'X' => [5, 5, 2, 5, 5],
        'Y' => [5, 5, 2, 2, 2],
        'Z' => [7, 1, 2, 4, 7],
        _ => return None,
    };
    Some((3, rows))
}

/// Whether every letter has a large form.
#[must_use]
pub fn can_write(text: &str) -> bool {
    text.chars().all(|letter| pattern(letter).is_some())
}

/// Columns that a large figure takes, its unit included.
#[must_use]
pub fn width(figure: &str, unit: &str) -> u16 {
    columns(figure, 1) + 1 + super::pen::width(unit)
}

/// Columns of large letters, a free one behind each.
#[must_use]
pub fn columns(text: &str, scale: u16) -> u16 {
    let dots: u16 = text.chars().filter_map(pattern).map(|(wide, _)| wide + 1).sum();
    dots * scale
}

/// Rows of large letters.
#[must_use]
pub const fn rows(scale: u16) -> u16 {
    (HIGH * scale).div_ceil(2)
}

/// Draws digits, a minus sign and `<` three rows high, the unit behind them; gives the column after.
pub fn draw(pen: &mut Pen<'_>, x: u16, y: u16, figure: &str, unit: &str, style: Style) -> u16 {
    let x = letters(pen, (x, y), figure, 1, style);
    pen.text(x, y + 2, unit, style)
}

/// Draws capitals and digits; gives the column after. A dot is `scale` columns wide and half as many rows high, so
/// that it is about square.
pub fn letters(pen: &mut Pen<'_>, (x, y): (u16, u16), text: &str, scale: u16, style: Style) -> u16 {
    let mut x = x;
    for (wide, pattern) in text.chars().filter_map(pattern) {
        let dot = |column: u16, half_row: u16| {
            let row = pattern.get(usize::from(half_row / scale)).copied().unwrap_or(0);
            row >> (wide - 1 - column / scale) & 1 == 1
        };
        for row in 0..rows(scale) {
            for column in 0..wide * scale {
                let glyph = match (dot(column, 2 * row), dot(column, 2 * row + 1)) {
                    (true, true) => '█',
                    (true, false) => '▀',
                    (false, true) => '▄',
                    (false, false) => continue,
                };
                pen.glyph(x + column, y + row, glyph, style);
            }
        }
        x += (wide + 1) * scale;
    }
    x
}

/// The largest scale at which a text fits, and its lines then; scale 0: not even the smallest letters do.
#[must_use]
pub fn fitting(text: &str, across: u16, down: u16, largest: u16) -> (u16, Vec<String>) {
    for scale in (1..=largest.min(LARGEST)).rev() {
        let mut lines: Vec<String> = Vec::new();
        for word in text.split(' ') {
            match lines.last_mut() {
                Some(line) if columns(&format!("{line} {word}"), scale) <= across + scale => {
                    line.push(' ');
                    line.push_str(word);
                }
                _ => lines.push(word.to_owned()),
            }
        }
        let fits = lines.iter().all(|line| columns(line, scale) <= across + scale);
        if fits && height(lines.len() as u16, scale) <= down {
            return (scale, lines);
        }
    }
    (0, wrapped(text, across))
}

/// Lines of large letters, in plain ones at scale 0; gives the row after the free one below them.
pub fn phrase(pen: &mut Pen<'_>, (x, y): (u16, u16), scale: u16, lines: &[String], style: Style) -> u16 {
    let mut y = y;
    for line in lines {
        if scale == 0 {
            pen.text(x, y, line, style);
            y += 1;
        } else {
            letters(pen, (x, y), line, scale, style);
            y += rows(scale) + 1;
        }
    }
    y + u16::from(scale == 0)
}

/// Rows that so many lines take, one free between two.
#[must_use]
pub const fn height(lines: u16, scale: u16) -> u16 {
    if scale == 0 { lines } else { (lines * (rows(scale) + 1)).saturating_sub(1) }
}

#[cfg(test)]
mod tests {
    use crate::tui::widget::big::*;
    use ratatui::buffer::Buffer;
    use ratatui::layout::Rect;

    #[test]
    fn no_two_letters_look_alike_and_none_leaves_its_columns() {
        let letters: Vec<char> = ('A'..='Z').chain('0'..='9').chain(['-', '<', '.']).collect();
        for (index, letter) in letters.iter().enumerate() {
            let (wide, rows) = pattern(*letter).unwrap();
            assert!(rows.iter().all(|row| *row < 1 << wide), "{letter}");
            let alike = letters[..index].iter().find(|other| pattern(**other) == Some((wide, rows)));
            // As on every seven-segment display.
            let known = matches!((letter, alike), (_, None) | ('0', Some('O')) | ('5', Some('S')));
            assert!(known, "{letter} {alike:?}");
        }
    }

    #[test]
    fn a_word_stands_in_half_blocks_and_in_whole_ones() {
        let mut buffer = Buffer::empty(Rect::new(0, 0, 8, 5));
        let mut pen = Pen::new(&mut buffer, Rect::new(0, 0, 8, 5));
        assert_eq!(letters(&mut pen, (0, 0), "TL", 1, Style::new()), 8);
        let expected = ["▀█▀ █   ", " █  █   ", " ▀  ▀▀▀ ", "        ", "        "];
        assert_eq!(buffer, Buffer::with_lines(expected));
        let mut buffer = Buffer::empty(Rect::new(0, 0, 6, 5));
        letters(&mut Pen::new(&mut buffer, Rect::new(0, 0, 6, 5)), (0, 0), "L", 2, Style::new());
        let expected = ["██    ", "██    ", "██    ", "██    ", "██████"];
        assert_eq!(buffer, Buffer::with_lines(expected));
    }

    #[test]
    fn a_text_is_as_large_as_its_room() {
        let fit = |across, down| fitting("TURN BACK", across, down, 4);
        assert_eq!(fit(68, 5), (2, vec!["TURN BACK".to_owned()]));
        assert_eq!(fit(67, 5).0, 1);
        assert_eq!(fit(50, 17), (3, vec!["TURN".to_owned(), "BACK".to_owned()]));
        assert_eq!(fit(68, 2).0, 0, "in plain letters");
        assert_eq!(fit(0, 0).0, 0);
    }
}
