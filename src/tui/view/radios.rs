//! The table of radios, as the signal page and the range page show it.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::snapshot::Snapshot;
use crate::summary::SignalSummary;
use crate::tui::widget::panel::panel;
use crate::tui::widget::pen::Pen;
use crate::wording::quantity;

use super::Scene;

/// Rows of radios that a page leaves room for.
const MOST_ROWS: usize = 6;

/// Rows that the table takes: its title, the columns' heads, the radios and a gap.
pub(super) fn rows(snapshot: &Snapshot) -> u16 {
    snapshot.summary.signal.len().clamp(1, MOST_ROWS) as u16 + 3
}

/// One row a radio and direction, over the whole session.
pub(super) fn render(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let inner = panel("radios", "whole session", theme, area, buffer);
    let mut pen = Pen::new(buffer, inner);
    let signals = &snapshot.summary.signal;
    if signals.is_empty() {
        pen.text(0, 0, "not measured: no radio reports its level; name the radio in the profile", theme.dim);
        return;
    }
    let ends: [u16; 6] = [37, 47, 54, 60, 72, 80];
    let width = pen.width();
    let heads = ["median", "5 % below", "lowest", "noise", "above noise", "samples"];
    for (end, head) in ends.into_iter().zip(heads).filter(|(end, _)| *end <= width) {
        pen.right(end, 0, head, theme.dim);
    }
    for (at, signal) in (1..).zip(signals) {
        row(scene, signal, ends, at, &mut pen);
    }
}

fn row(scene: &Scene<'_>, signal: &SignalSummary, ends: [u16; 6], at: u16, pen: &mut Pen<'_>) {
    let theme = scene.theme;
    let radio = signal.short_name();
    pen.cut(0, at, signal.link.as_deref().unwrap_or("no link"), 10, theme.strong);
    pen.cut(11, at, &radio, 7, theme.dim);
    pen.text(19, at, signal.direction.word(), theme.base);
    pen.text(25, at, signal.unit.label(), theme.dim);
    let whole = |value: Option<f64>| value.map_or_else(|| "-".to_owned(), |value| format!("{value:.0}"));
    let values = [signal.median, signal.p05, signal.min, signal.noise_median, signal.snr_median_db];
    for (index, (end, value)) in ends.into_iter().zip(values).enumerate() {
        let style = if index == 0 { theme.strong } else { theme.base };
        // A column that the screen does not hold is left out.
        if end <= pen.width() {
            pen.right(end, at, &whole(value), style);
        }
    }
    if ends[5] <= pen.width() {
        pen.right(ends[5], at, &quantity::count(signal.samples), theme.base);
    }
    pen.cut(82, at, &signal.source.word().replace('_', " "), pen.width().saturating_sub(82), theme.dim);
}
