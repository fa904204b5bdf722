//! Large figures, three rows high, to be read at arm's length.

use ratatui::style::Style;

use super::pen::Pen;

/// Five rows of three dots, the top row first, the left dot the highest bit.
const fn pattern(letter: char) -> Option<[u8; 5]> {
    Some(match letter {
        '0' => [7, 5, 5, 5, 7],
        '1' => [2, 6, 2, 2, 7],
        '2' => [7, 1, 7, 4, 7],
        '3' => [7, 1, 7, 1, 7],
        '4' => [5, 5, 7, 1, 1],
        '5' => [7, 4, 7, 1, 7],
        '6' => [7, 4, 7, 5, 7],
        '7' => [7, 1, 1, 2, 2],
        '8' => [7, 5, 7, 5, 7],
        '9' => [7, 5, 7, 1, 7],
        '-' => [0, 0, 7, 0, 0],
        '<' => [1, 2, 4, 2, 1],
        _ => return None,
    })
}

/// Columns that a large figure takes, its unit included.
#[must_use]
pub fn width(figure: &str, unit: &str) -> u16 {
    (figure.chars().count() * 4 + 1) as u16 + super::pen::width(unit)
}

/// Draws digits, a minus sign and `<` in half blocks, the unit behind them; gives the column after.
pub fn draw(pen: &mut Pen<'_>, x: u16, y: u16, figure: &str, unit: &str, style: Style) -> u16 {
    let mut x = x;
    for letter in figure.chars() {
        let Some(rows) = pattern(letter) else { continue };
        for pair in 0..3_u16 {
            let upper = rows[usize::from(pair) * 2];
            let lower = rows.get(usize::from(pair) * 2 + 1).copied().unwrap_or(0);
            for column in 0..3_u16 {
                let bit = 4 >> column;
                let glyph = match (upper & bit != 0, lower & bit != 0) {
                    (true, true) => '█',
                    (true, false) => '▀',
                    (false, true) => '▄',
                    (false, false) => continue,
                };
                pen.glyph(x + column, y + pair, glyph, style);
            }
        }
        x += 4;
    }
    pen.text(x, y + 2, unit, style)
}
