//! A heading with a rule; no boxes, so that no columns are lost to frames.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::tui::theme::Theme;

use super::pen::Pen;

/// Draws a heading, with a note at its right end, and gives the area below it.
pub fn panel(title: &str, note: &str, theme: &Theme, area: Rect, buffer: &mut Buffer) -> Rect {
    let mut pen = Pen::new(buffer, area);
    let columns = pen.width();
    if columns == 0 || pen.height() == 0 {
        return Rect { height: 0, ..area };
    }
    for x in 0..columns {
        pen.glyph(x, 0, '─', theme.rule);
    }
    let end = pen.cut(0, 0, title, columns, theme.title);
    pen.text(end, 0, " ", theme.rule);
    let room = columns.saturating_sub(end + 3);
    if !note.is_empty() && room > 4 {
        let note = super::pen::fitted(note, room);
        let x = pen.right(columns, 0, &note, theme.dim);
        pen.text(x.saturating_sub(1), 0, " ", theme.rule);
    }
    inside(area)
}

/// The area below a heading.
#[must_use]
pub fn inside(area: Rect) -> Rect {
    split_rows(area, 1).1
}

/// The part of an area that a page may use: `rows` from the top, and what is left below.
#[must_use]
pub fn split_rows(area: Rect, rows: u16) -> (Rect, Rect) {
    let rows = rows.min(area.height);
    (Rect { height: rows, ..area }, Rect { y: area.y + rows, height: area.height - rows, ..area })
}

/// `columns` from the left, a gap, and what is left at the right.
#[must_use]
pub fn split_columns(area: Rect, columns: u16, gap: u16) -> (Rect, Rect) {
    let columns = columns.min(area.width);
    let used = (columns + gap).min(area.width);
    (Rect { width: columns, ..area }, Rect { x: area.x + used, width: area.width - used, ..area })
}
