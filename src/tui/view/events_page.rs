//! The event log, the newest first.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

use crate::record::MarkKind;
use crate::snapshot::{LinkState, Snapshot};
use crate::tui::theme::Theme;
use crate::tui::widget::axis::letter_of;
use crate::tui::widget::panel::{panel, split_rows};
use crate::tui::widget::pen::Pen;
use crate::tui::widget::strip::STOOD_STILL;
use crate::wording::quantity;

use super::{Scene, failsafe_page};

/// Symbol and style of a kind of event.
fn kind_symbol(kind: &str, text: &str, theme: &Theme) -> (String, Style) {
    let (symbol, style) = match kind {
        "mark" => {
            let mark = MarkKind::ALL.into_iter().find(|mark| text.starts_with(mark.words()));
            return (letter_of(mark.unwrap_or(MarkKind::Remark)).to_string(), theme.mark);
        }
        "warning" => (quantity::symbol(LinkState::Warning), theme.of(LinkState::Warning)),
        "alarm" => (quantity::symbol(LinkState::Alarm), theme.of(LinkState::Alarm)),
        "lost" | "failsafe" | "lost-vehicle" | "silent" | "restart-aloft" => {
            (quantity::symbol(LinkState::Silent), theme.of(LinkState::Silent))
        }
        "cleared" | "back" => (quantity::symbol(LinkState::Good), theme.of(LinkState::Good)),
        "freeze" | "hold" => (STOOD_STILL, theme.of(LinkState::Alarm)),
        _ => ("▪", theme.dim),
    };
    (symbol.to_owned(), style)
}

/// Draws the page.
pub(super) fn render(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let (top, area) = split_rows(area, failsafe_page::rows(snapshot, area));
    if top.height > 0 {
        failsafe_page::render(scene, snapshot, top, buffer);
    }
    let filter = scene.state.filter;
    let listed: Vec<_> =
        snapshot.summary.events.iter().rev().filter(|event| filter.lists(&event.kind)).collect();
    let title = format!("events: {}", filter.title());
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
    let first = scene.state.scroll.min(listed.len().saturating_sub(1));
    for (row, event) in (1..=rows).zip(listed.iter().skip(first)) {
        let (symbol, style) = kind_symbol(&event.kind, &event.text, theme);
        pen.right(9, row, &quantity::clock_tenths(event.at_s), theme.strong);
        pen.text(11, row, &symbol, style);
        pen.cut(13, row, quantity::kind(&event.kind), 10, style);
        pen.cut(24, row, event.link.as_deref().unwrap_or("-"), 12, theme.base);
        pen.cut(37, row, &event.text, pen.width().saturating_sub(37), theme.base);
    }
}
