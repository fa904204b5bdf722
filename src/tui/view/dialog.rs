//! What lies over a page: help, the note being written, the question before quitting.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

use crate::tui::keys::{self, Group};
use crate::tui::state::Dialog;
use crate::tui::theme::Theme;
use crate::tui::widget::pen::{Pen, fitted, width};
use crate::tui::widget::strip;

use super::Scene;

/// Draws the dialog, if one is open.
pub(super) fn render(scene: &Scene<'_>, area: Rect, buffer: &mut Buffer) {
    match &scene.state.dialog {
        None => {}
        Some(Dialog::Help) => help(scene.theme, area, buffer),
        Some(Dialog::Note(text)) => note(scene.theme, text, area, buffer),
        Some(Dialog::ConfirmQuit) => {
            let inner = sheet(scene.theme, area, 46, 4, buffer);
            let mut pen = Pen::new(buffer, inner);
            pen.text(0, 0, "End the session and close the recording?", scene.theme.strong);
            pen.pieces(0, 1, &[("y", scene.theme.key), (" end it   ", scene.theme.base)]);
            pen.pieces(13, 1, &[("any other key", scene.theme.key), (" go on", scene.theme.base)]);
        }
    }
}

/// Clears a sheet in the middle of the area, framed, and gives the area inside.
fn sheet(theme: &Theme, area: Rect, columns: u16, rows: u16, buffer: &mut Buffer) -> Rect {
    let columns = columns.min(area.width);
    let rows = rows.min(area.height);
    let sheet =
        Rect::new(area.x + (area.width - columns) / 2, area.y + (area.height - rows) / 2, columns, rows);
    for y in sheet.top()..sheet.bottom() {
        for x in sheet.left()..sheet.right() {
            buffer[(x, y)].reset();
        }
    }
    buffer.set_style(sheet, theme.base);
    let mut pen = Pen::new(buffer, sheet);
    for y in 0..rows {
        for x in 0..columns {
            let letter = match (y == 0 || y + 1 == rows, x == 0 || x + 1 == columns) {
                (true, _) => '━',
                (false, true) => '┃',
                (false, false) => continue,
            };
            pen.glyph(x, y, letter, theme.title);
        }
    }
    Rect::new(
        sheet.x + 2.min(columns),
        sheet.y + 1.min(rows),
        columns.saturating_sub(4),
        rows.saturating_sub(2),
    )
}

fn note(theme: &Theme, text: &str, area: Rect, buffer: &mut Buffer) {
    let inner = sheet(theme, area, 64, 5, buffer);
    let mut pen = Pen::new(buffer, inner);
    pen.text(0, 0, "Note, set when you press Enter:", theme.strong);
    // The end of a long note stays in sight.
    let room = inner.width.saturating_sub(3);
    let mut tail = text;
    while width(tail) > room {
        let mut letters = tail.chars();
        letters.next();
        tail = letters.as_str();
    }
    let x = pen.pieces(0, 1, &[("> ", theme.key), (tail, theme.base)]);
    pen.glyph(x, 1, '█', theme.base);
    pen.pieces(
        0,
        2,
        &[("Enter", theme.key), (" set it   ", theme.dim), ("Esc", theme.key), (" leave it", theme.dim)],
    );
}

fn help(theme: &Theme, area: Rect, buffer: &mut Buffer) {
    let inner = sheet(theme, area, 116, 36, buffer);
    let two = inner.width >= 96;
    let column = if two { inner.width / 2 } else { inner.width };
    let mut pen = Pen::new(buffer, inner);
    let height = pen.height();
    let mut places = Vec::new();
    for group in Group::ALL {
        places.push((group.title(), None));
        places.extend(
            keys::TABLE
                .iter()
                .filter(|binding| binding.group == group)
                .map(|binding| (binding.shown, Some(binding.what))),
        );
        places.push(("", None));
    }
    if two {
        let split = places.iter().position(|(text, _)| *text == Group::Marks.title()).unwrap_or(places.len());
        list(theme, &places[..split], 0, column, height, &mut pen);
        list(theme, &places[split..], column, column, height, &mut pen);
        legend(theme, height.saturating_sub(4), &mut pen);
        return;
    }
    // A narrow sheet has no room for headings and gaps: two columns of plain rows.
    let rows: Vec<_> = places.into_iter().filter(|(_, what)| what.is_some()).collect();
    let half = rows.len().div_ceil(2);
    let column = inner.width / 2;
    list(theme, &rows[..half], 0, column, height, &mut pen);
    list(theme, &rows[half..], column, column, height, &mut pen);
}

fn list(theme: &Theme, rows: &[(&str, Option<&str>)], x: u16, columns: u16, height: u16, pen: &mut Pen<'_>) {
    let keys = if columns < 45 { 6 } else { 11 };
    for (row, (key, what)) in (0..height).zip(rows) {
        match what {
            Some(what) => {
                let end = pen.text(x, row, key, theme.key);
                let start = (x + keys).max(end + 1);
                pen.text(start, row, &fitted(what, (x + columns).saturating_sub(start + 1)), theme.base);
            }
            None => {
                pen.text(x, row, key, theme.title);
            }
        }
    }
}

/// What the characters of a loss row mean.
fn legend(theme: &Theme, row: u16, pen: &mut Pen<'_>) {
    let plain: Style = theme.base;
    pen.text(0, row, "loss rows", theme.title);
    let text = format!("{} lost data  F frozen  H input held", strip::legend());
    pen.text(0, row + 1, &text, plain);
    pen.text(0, row + 2, "marks  F picture froze  S picture shook  H handset is here  N note", plain);
    pen.text(
        0,
        row + 3,
        "levels in dBm, or in the radio's own units where the profile gives no scale",
        plain,
    );
}
