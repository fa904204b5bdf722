//! What lies over a page: help, the note being written, the question before quitting.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::tui::keys;
use crate::tui::keys::Group;
use crate::tui::page_figures;
use crate::tui::state::Dialog;
use crate::tui::theme::Theme;
use crate::tui::widget::pen::{Pen, fitted, width, wrapped};
use crate::tui::widget::strip;
use crate::wording::caution;
use crate::wording::explain;
use crate::wording::explain::Explanation;

use super::Scene;

/// Draws the dialog, if one is open.
pub(super) fn render(scene: &Scene<'_>, area: Rect, buffer: &mut Buffer) {
    match &scene.state.dialog {
        None => {}
        Some(Dialog::Help) => help(scene.theme, scene.state.help_scroll, area, buffer),
        Some(Dialog::Explain) => explanation(scene, area, buffer),
        Some(Dialog::Note(text)) => note(scene.theme, text, area, buffer),
        Some(Dialog::ConfirmQuit) => {
            let inner = sheet(scene.theme, area, ASKS.0, ASKS.1, buffer);
            let mut pen = Pen::new(buffer, inner);
            pen.text(0, 0, "End the session and close the recording?", scene.theme.strong);
            pen.pieces(0, 1, &[("y", scene.theme.key), (" end it   ", scene.theme.base)]);
            pen.pieces(13, 1, &[("any other key", scene.theme.key), (" go on", scene.theme.base)]);
        }
    }
}

/// Columns and rows of the question before the end.
const ASKS: (u16, u16) = (46, 4);

/// Where it takes a yes.
pub(super) fn yes(area: Rect) -> Rect {
    let inner = inside(placed(area, ASKS.0, ASKS.1));
    Rect { y: inner.y + 1, width: inner.width.min(10), height: u16::from(inner.height > 1), ..inner }
}

/// A sheet in the middle of the area.
fn placed(area: Rect, columns: u16, rows: u16) -> Rect {
    let (columns, rows) = (columns.min(area.width), rows.min(area.height));
    Rect::new(area.x + (area.width - columns) / 2, area.y + (area.height - rows) / 2, columns, rows)
}

/// The area inside its frame.
fn inside(sheet: Rect) -> Rect {
    Rect::new(
        sheet.x + 2.min(sheet.width),
        sheet.y + 1.min(sheet.height),
        sheet.width.saturating_sub(4),
        sheet.height.saturating_sub(2),
    )
}

/// Clears a sheet in the middle of the area, framed, and gives the area inside.
fn sheet(theme: &Theme, area: Rect, columns: u16, rows: u16, buffer: &mut Buffer) -> Rect {
    let sheet = placed(area, columns, rows);
    let Rect { width: columns, height: rows, .. } = sheet;
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
    inside(sheet)
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

/// What the page shows, explained, from the line on that the pilot scrolled to.
fn explanation(scene: &Scene<'_>, area: Rect, buffer: &mut Buffer) {
    const WIDEST: u16 = 100;
    let state = scene.state;
    // What to do now, in the first row, stays in sight, and so do the keys in the last one.
    let between = Rect { y: area.y + 1, height: area.height.saturating_sub(2), ..area };
    let inner = sheet(scene.theme, between, WIDEST, between.height, buffer);
    let mut pen = Pen::new(buffer, inner);
    let room = pen.height().saturating_sub(1);
    let titled = |one: &'static Explanation| (0..).zip(one.lines(false));
    let lines = page_figures::explanations(state.screen).flat_map(titled).skip(state.help_scroll);
    let mut rows = lines.flat_map(|(at, line)| {
        let style = if at == 0 { scene.theme.title } else { scene.theme.base };
        explain::wrapped(line, inner.width, wrapped).into_iter().map(move |row| (row, style))
    });
    for (y, (row, style)) in (0..room).zip(&mut rows) {
        pen.text(0, y, &row, style);
    }
    let more = if rows.next().is_some() { ", Down shows more" } else { "" };
    pen.text(0, room, &format!("{CLOSE}{more}"), scene.theme.key);
}

/// One line of the help.
enum Line {
    /// A heading.
    Head(&'static str),
    /// A key and what it does.
    Key(&'static str, &'static str),
    /// Words over the whole width.
    Text(String),
}

/// Columns from which on the help has two columns of keys with headings.
const TWO: u16 = 96;
/// Columns from which on two columns of plain rows hold every key's words.
const PLAIN: u16 = 74;
/// How the help is left.
const CLOSE: &str = "Esc closes";

fn help(theme: &Theme, scroll: usize, area: Rect, buffer: &mut Buffer) {
    const WIDEST: u16 = 116;
    let rows = help_rows(area.width.min(WIDEST).saturating_sub(4));
    // The frame, and the row that says how it is left.
    let inner = sheet(theme, area, WIDEST, rows.len() as u16 + 3, buffer);
    let mut pen = Pen::new(buffer, inner);
    let room = pen.height().saturating_sub(1);
    let last = rows.len().saturating_sub(usize::from(room));
    let first = scroll.min(last);
    for (y, row) in (0..room).zip(rows.iter().skip(first)) {
        let columns = pen.width() / row.len().max(1) as u16;
        for (x, line) in (0..).step_by(usize::from(columns.max(1))).zip(row) {
            draw_line(theme, line, (x, y), columns, &mut pen);
        }
    }
    let text = match (first, last) {
        (_, 0) => CLOSE.to_owned(),
        (first, last) if first < last => format!("{CLOSE}, Down shows more"),
        _ => format!("{CLOSE}, Up shows more"),
    };
    pen.text(0, room, &text, theme.key);
}

/// Rows of the help at a width, each of one line or two beside each other.
fn help_rows(columns: u16) -> Vec<Vec<Line>> {
    let keys = |group: Group| {
        keys::TABLE
            .iter()
            .filter(move |binding| binding.group == group)
            .map(|binding| Line::Key(binding.shown, binding.what))
    };
    let with_head = |groups: &[Group]| -> Vec<Line> {
        let mut lines = Vec::new();
        for group in groups {
            lines.push(Line::Head(group.title()));
            lines.extend(keys(*group));
            lines.push(Line::Head(""));
        }
        lines
    };
    let rows: Vec<Vec<Line>> = if columns >= TWO {
        let split = Group::ALL.iter().position(|group| *group == Group::Marks).unwrap_or(0);
        beside(with_head(&Group::ALL[..split]), with_head(&Group::ALL[split..]))
    } else if columns >= PLAIN {
        let mut left: Vec<Line> = Group::ALL.into_iter().flat_map(keys).collect();
        let right = left.split_off(left.len().div_ceil(2));
        beside(left, right)
    } else {
        with_head(&Group::ALL).into_iter().map(|line| vec![line]).collect()
    };
    let [first, others @ ..] = CAUTIONS;
    let below = lines(&others.map(str::to_owned), columns).into_iter().chain(lines(&legend(), columns));
    let above = lines(&[first.to_owned()], columns).into_iter().chain([Line::Head("")]);
    above.map(|line| vec![line]).chain(rows).chain(below.map(|line| vec![line])).collect()
}

/// Two lists as rows of two.
fn beside(left: Vec<Line>, right: Vec<Line>) -> Vec<Vec<Line>> {
    let count = left.len().max(right.len());
    let (mut left, mut right) = (left.into_iter(), right.into_iter());
    let or_empty = |line: Option<Line>| line.unwrap_or(Line::Head(""));
    (0..count).map(|_| vec![or_empty(left.next()), or_empty(right.next())]).collect()
}

fn draw_line(theme: &Theme, line: &Line, (x, y): (u16, u16), columns: u16, pen: &mut Pen<'_>) {
    match line {
        Line::Head(text) => {
            pen.text(x, y, text, theme.title);
        }
        Line::Text(text) => {
            pen.text(x, y, text, theme.base);
        }
        Line::Key(key, what) => {
            let keys = if columns < 45 { 6 } else { 11 };
            let end = pen.text(x, y, key, theme.key);
            let start = (x + keys).max(end + 1);
            pen.text(start, y, &fitted(what, (x + columns).saturating_sub(start)), theme.base);
        }
    }
}

/// What the characters of a loss row, the letters of marks and the levels mean.
const CAUTIONS: [&str; 4] = [caution::INSTRUMENT, caution::DRILL, caution::WALK, caution::POWER];

fn lines(texts: &[String], columns: u16) -> Vec<Line> {
    texts.iter().flat_map(|text| wrapped(text, columns)).map(Line::Text).collect()
}

fn legend() -> [String; 5] {
    [
        "touch or mouse: tap a page or key at the foot, a link, a row of a list (events: a replay goes there); on a \
         narrow screen the page's own name leads back; the first line acknowledges; draw a plot to move in time; the \
         wheel scrolls a list or moves time"
            .to_owned(),
        format!(
            "loss rows: {}  {} picture frozen, or input stuck while sticks moved",
            strip::legend(),
            strip::STOOD_STILL
        ),
        "marks: F picture froze  S picture shook  H handset is here  D drill  N note".to_owned(),
        "half within, 9 in 10 within: so many values are lower; figures in brackets: between these, 95 % sure"
            .to_owned(),
        "levels in dBm, or in the radio's own units where the profile gives no scale".to_owned(),
    ]
}

#[cfg(test)]
mod tests {
    use crate::tui::view::dialog::*;

    #[test]
    fn no_key_of_the_narrow_help_is_cut() {
        for binding in keys::TABLE {
            let start = (width(binding.shown) + 1).max(6);
            assert!(start + width(binding.what) < PLAIN / 2, "{}", binding.what);
        }
    }

    #[test]
    fn every_width_has_all_keys_and_the_legend() {
        for columns in [36, 60, 76, 112] {
            let rows = help_rows(columns);
            let lines = || rows.iter().flatten();
            let keys = lines().filter(|line| matches!(line, Line::Key(..))).count();
            assert_eq!(keys, keys::TABLE.len());
            let says =
                |start: &str| lines().any(|line| matches!(line, Line::Text(text) if text.starts_with(start)));
            assert!(says("loss rows") && says("marks"));
        }
    }
}
