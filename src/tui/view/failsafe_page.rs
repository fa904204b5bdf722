//! The failsafe: what followed each loss of control input, and when.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::snapshot::Snapshot;
use crate::summary::FailsafeSummary;
use crate::tui::widget::panel::panel;
use crate::tui::widget::pen::{Pen, wrapped};
use crate::wording::caution::DRILL;
use crate::wording::failsafe_steps::{NOT_SEEN, kind, missing, none, steps};
use crate::wording::quantity;

use super::Scene;

/// Incidents that the page of events lists, at most.
const MOST: usize = 3;
/// Without an incident the panel is drawn from so many rows of the page on.
const ROOMY: u16 = 40;
/// Columns of the table: when input was lost, the three steps, what it was.
const PLACES: [u16; 5] = [0, 11, 35, 59, 68];

/// The newest first.
fn newest(snapshot: &Snapshot) -> impl Iterator<Item = &FailsafeSummary> {
    snapshot.summary.failsafe.iter().rev()
}

fn remarks(snapshot: &Snapshot, columns: u16) -> Vec<String> {
    newest(snapshot)
        .next()
        .map_or_else(Vec::new, missing)
        .iter()
        .flat_map(|why| wrapped(why, columns))
        .collect()
}

/// Rows that the panel takes on a page of this size; 0 where it is not drawn.
pub(super) fn rows(snapshot: &Snapshot, area: Rect) -> u16 {
    let incidents = snapshot.summary.failsafe.len().min(MOST) as u16;
    match incidents {
        0 if area.height < ROOMY => 0,
        0 => 4,
        _ => 3 + incidents + remarks(snapshot, area.width).len() as u16,
    }
}

/// One row an incident, and why something was not seen in the newest.
pub(super) fn render(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let all = snapshot.summary.failsafe.len() as u64;
    let note = quantity::counted(all, "loss of input", "losses of input, newest first");
    let inner = panel("failsafe", if all == 0 { "" } else { &note }, theme, area, buffer);
    let mut pen = Pen::new(buffer, inner);
    if all == 0 {
        let none = none(&snapshot.summary.sticks);
        pen.paragraph(0, 0, &format!("{none}. {DRILL}"), theme.dim);
        return;
    }
    // What is said of all rows must be true of each.
    let all_safe = newest(snapshot).take(MOST).all(|row| steps(row)[1].0 == "outputs safe");
    let outputs = if all_safe { "outputs safe after" } else { "outputs steady after" };
    for (x, head) in PLACES.into_iter().zip(["input lost", "detected after", outputs, "back", "what"]) {
        pen.text(x, 0, head, theme.dim);
    }
    let mut y = 1;
    for row in newest(snapshot).take(MOST) {
        pen.text(0, y, &quantity::clock_tenths(row.input_lost_s), theme.strong);
        for (x, (_, text)) in PLACES[1..].iter().zip(steps(row)) {
            pen.text(*x, y, text.as_deref().unwrap_or(NOT_SEEN), theme.base);
        }
        pen.text(PLACES[4], y, kind(row), theme.base);
        y += 1;
    }
    let width = pen.width();
    for line in remarks(snapshot, width) {
        pen.text(0, y, &line, theme.dim);
        y += 1;
    }
}

/// The newest in one row, for the foot of the overview: what is safe first.
pub(super) fn short_row(scene: &Scene<'_>, snapshot: &Snapshot, row: u16, pen: &mut Pen<'_>) {
    let theme = scene.theme;
    let Some(newest) = newest(snapshot).next() else { return };
    let [detected, safe, back] = steps(newest);
    let mut x = pen.text(0, row, "failsafe  ", theme.title);
    for (name, text) in [safe, detected, back] {
        let text = text.as_deref().unwrap_or(NOT_SEEN);
        if x + name.len() as u16 + 1 + text.len() as u16 > pen.width() {
            return;
        }
        x = pen.text(x, row, name, theme.dim) + 1;
        x = pen.text(x, row, text, theme.strong) + 2;
    }
}

/// Rows of the panel beside the lanes; 0 where no input was lost.
pub(super) fn side_rows(snapshot: &Snapshot) -> u16 {
    if snapshot.summary.failsafe.is_empty() { 0 } else { 5 }
}

/// The newest as a panel beside the lanes.
pub(super) fn side(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let Some(newest) = newest(snapshot).next() else { return };
    let what = match kind(newest) {
        "loss" => "input lost",
        other => other,
    };
    let note = format!("{what} at {}", quantity::clock_tenths(newest.input_lost_s));
    let inner = panel("failsafe", &note, theme, area, buffer);
    let mut pen = Pen::new(buffer, inner);
    for (row, (name, text)) in (0..).zip(steps(newest)) {
        pen.text(0, row, name, theme.dim);
        pen.cut(15, row, text.as_deref().unwrap_or(NOT_SEEN), 23, theme.strong);
    }
}
