//! Traffic over time in one row: each column's loss by shade and by character.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use ratatui::widgets::Widget;

use crate::snapshot::{LinkState, LossCell};
use crate::tui::theme::Theme;

use super::pen::Pen;
use super::scale::columns;

/// The meaning of each character, in the order of the legend: how much was lost, and where this
/// computer lost data itself.
pub const LEGEND: [(char, &str); 7] = [
    ('·', "none"),
    ('░', "to 1 %"),
    ('▒', "to 5 %"),
    ('▓', "to 20 %"),
    ('█', "more"),
    ('/', "silence"),
    ('@', "this computer"),
];

/// Where something stood still that should move: the picture, or the input while sticks moved.
pub const STOOD_STILL: &str = "▬";

/// The legend in one line.
#[must_use]
pub fn legend() -> String {
    LEGEND.map(|(letter, text)| format!("{letter} {text}")).join("  ")
}

/// Traffic over time.
#[derive(Debug)]
pub struct Strip<'a> {
    /// Traffic, one a column of the window.
    pub cells: &'a [LossCell],
    /// Columns in which the picture was frozen or the input held.
    pub frozen: &'a [bool],
    /// Colours.
    pub theme: &'a Theme,
}

/// The cells of one column, counted together.
#[must_use]
pub fn together(cells: &[LossCell]) -> LossCell {
    cells.iter().fold(LossCell::default(), |all, cell| LossCell {
        received: all.received.saturating_add(cell.received),
        lost: all.lost.saturating_add(cell.lost),
        untold: all.untold || cell.untold,
        outage: all.outage || cell.outage,
        host_drop: all.host_drop || cell.host_drop,
    })
}

/// Character and style of a column.
fn shown(cell: &LossCell, theme: &Theme) -> Option<(char, Style)> {
    if cell.host_drop {
        return Some(('@', theme.mark));
    }
    if cell.outage && cell.received == 0 {
        return Some(('/', theme.dim));
    }
    let ratio = cell.ratio()?;
    Some(if ratio <= 0.0 {
        ('·', theme.rule)
    } else if ratio <= 0.01 {
        ('░', theme.dim)
    } else if ratio <= 0.05 {
        ('▒', theme.base)
    } else if ratio <= 0.2 {
        ('▓', theme.strong)
    } else {
        ('█', theme.strong)
    })
}

impl Widget for &Strip<'_> {
    fn render(self, area: Rect, buffer: &mut Buffer) {
        let mut pen = Pen::new(buffer, area);
        let width = pen.width();
        for (x, part) in columns(self.cells, width).enumerate() {
            if let Some((letter, style)) = shown(&together(part), self.theme) {
                pen.glyph(x as u16, 0, letter, style);
            }
        }
        for (x, part) in columns(self.frozen, width).enumerate() {
            if part.contains(&true) {
                pen.text(x as u16, 0, STOOD_STILL, self.theme.band(LinkState::Failing));
            }
        }
    }
}
