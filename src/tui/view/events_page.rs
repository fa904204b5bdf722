//! The event log, the newest first.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

use crate::snapshot::{LinkState, Snapshot};
use crate::summary::{Event, EventSummary, MarginChange};
use crate::tui::theme::Theme;
use crate::tui::widget::axis::{letter_of, state_of};
use crate::tui::widget::panel::{inside, panel, split_rows};
use crate::tui::widget::pen::Pen;
use crate::tui::widget::strip::STOOD_STILL;
use crate::wording::{event, quantity};

use super::{Scene, failsafe_page};

/// Symbol and style of an event.
fn symbol(event: &Event, theme: &Theme) -> (String, Style) {
    let of = |state| (quantity::symbol(state), theme.of(state));
    let (symbol, style) = match event {
        Event::Mark { kind, .. } => return (letter_of(*kind).to_string(), theme.mark),
        Event::RestartAloft | Event::RestartUnplaced => of(LinkState::Failing),
        Event::Margin { change: MarginChange::Cleared, .. } | Event::Back { .. } => of(LinkState::Good),
        Event::Freeze { .. } | Event::Hold { .. } => (STOOD_STILL, theme.of(LinkState::Failing)),
        other => state_of(other).map_or(("▪", theme.dim), of),
    };
    (symbol.to_owned(), style)
}

/// The events of the chosen kind, the newest first.
fn listed<'a>(scene: &Scene<'_>, snapshot: &'a Snapshot) -> Vec<&'a EventSummary> {
    let filter = scene.state.filter;
    snapshot.summary.events.iter().rev().filter(|event| filter.lists(&event.event)).collect()
}

/// The first that is shown.
fn first(scene: &Scene<'_>, listed: &[&EventSummary]) -> usize {
    scene.state.scroll.min(listed.len().saturating_sub(1))
}

/// The event of a row of the page, by its place in the list, and its instant.
pub(super) fn touched(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, y: u16) -> Option<(usize, f64)> {
    let list = inside(inside(split_rows(area, failsafe_page::rows(snapshot, area)).1));
    let listed = listed(scene, snapshot);
    let index = usize::from(y.checked_sub(list.y)?) + first(scene, &listed);
    listed.get(index).filter(|_| y < list.bottom()).map(|event| (index, event.at_s))
}

/// Draws the page.
pub(super) fn render(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let (top, area) = split_rows(area, failsafe_page::rows(snapshot, area));
    if top.height > 0 {
        failsafe_page::render(scene, snapshot, top, buffer);
    }
    let listed = listed(scene, snapshot);
    let title = format!("events: {}", scene.state.filter.title());
    let note =
        format!("{} of {}, newest first, l lists another kind", listed.len(), snapshot.summary.events.len());
    let inner = panel(&title, &note, theme, area, buffer);
    let mut pen = Pen::new(buffer, inner);
    if listed.is_empty() {
        pen.text(0, 1, "none", theme.dim);
        return;
    }
    pen.right(9, 0, "at", theme.dim);
    for (x, head) in [(11, "kind"), (24, "link"), (37, "what")] {
        pen.text(x, 0, head, theme.dim);
    }
    let rows = pen.height().saturating_sub(1);
    for (row, event) in (1..=rows).zip(listed.iter().skip(first(scene, &listed))) {
        let (symbol, style) = symbol(&event.event, theme);
        pen.right(9, row, &quantity::clock_tenths(event.at_s), theme.strong);
        pen.text(11, row, &symbol, style);
        pen.cut(13, row, quantity::kind(event.event.kind()), 10, style);
        pen.cut(24, row, event.link.as_deref().unwrap_or("-"), 12, theme.base);
        pen.cut(37, row, &event::text(event), pen.width().saturating_sub(37), theme.base);
    }
}
