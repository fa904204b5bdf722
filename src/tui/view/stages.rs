//! The latency's figures in short, and as a panel beside the lanes.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::snapshot::Snapshot;
use crate::summary::{Bound, Interval, LatencyStage, LatencySummary};
use crate::tui::widget::histogram::{Histogram, any_beyond, axis_end};
use crate::tui::widget::panel::{panel, split_rows};
use crate::tui::widget::pen::Pen;
use crate::wording::quantity;
use crate::wording::quantity::NOT_MEASURED;

use super::{Scene, put};

pub(super) use crate::wording::advice::STAGES;

/// A stage of the summary by its place.
pub(super) const fn stage(latency: &LatencySummary, index: usize) -> Option<&LatencyStage> {
    match index {
        0 => latency.stick_to_servo.as_ref(),
        1 => latency.stick_to_input.as_ref(),
        _ => latency.input_to_servo.as_ref(),
    }
}

/// One percentile: its name, value, interval, and the moves still needed.
pub(super) type Percentile = (&'static str, Option<f64>, Option<Interval>, u64);

/// The percentiles of a stage.
pub(super) const fn percentiles(stage: &LatencyStage) -> [Percentile; 3] {
    let needed = stage.moves_needed;
    [
        ("p50", stage.p50_ms, stage.p50_ci95_ms, needed.p50),
        ("p90", stage.p90_ms, stage.p90_ci95_ms, needed.p90),
        ("p99", stage.p99_ms, stage.p99_ci95_ms, needed.p99),
    ]
}

/// Value with interval, or what is still needed.
pub(super) fn percentile_text((_, value, interval, needed): Percentile) -> String {
    match (value, interval) {
        (Some(value), Some(interval)) => {
            format!("{} ms ({})", quantity::millis(value), quantity::millis_interval(interval))
        }
        (Some(value), None) => format!("{} ms", quantity::millis(value)),
        (None, _) if needed > 0 => quantity::counted(needed, "more move", "more moves"),
        (None, _) => "needs faster data".to_owned(),
    }
}

/// What the clocks add to it, in words.
pub(super) fn bound_text(stage: &LatencyStage) -> String {
    match (stage.bound, stage.clock_uncertainty_ms) {
        (Bound::Upper, Some(clock)) => format!("upper bound, clock ±{} ms", quantity::millis(clock)),
        (Bound::Upper, None) => "upper bound".to_owned(),
        (_, Some(0.0)) => "one clock".to_owned(),
        (_, Some(clock)) => format!("clock ±{} ms", quantity::millis(clock)),
        (_, None) => "clock error unknown".to_owned(),
    }
}

/// Why a stage is not measured.
pub(super) fn missing_text(snapshot: &Snapshot, index: usize) -> String {
    let reason = snapshot.latency.stages.get(index).and_then(|stage| stage.missing);
    reason.map_or_else(|| NOT_MEASURED.to_owned(), |reason| format!("{NOT_MEASURED}: {reason}"))
}

/// The shortest stage that is known: all of it, else up to the input.
pub(super) fn best(latency: &LatencySummary) -> Option<(usize, &LatencyStage)> {
    [0, 1, 2].into_iter().find_map(|index| stage(latency, index).map(|stage| (index, stage)))
}

/// One row of figures for narrow screens.
pub(super) fn short_row(scene: &Scene<'_>, snapshot: &Snapshot, row: u16, pen: &mut Pen<'_>) {
    let theme = scene.theme;
    let Some((index, stage)) = best(&snapshot.summary.latency) else {
        let end = pen.text(0, row, "latency   ", theme.title);
        let room = pen.width().saturating_sub(end);
        pen.cut(end, row, &missing_text(snapshot, 0), room, theme.dim);
        return;
    };
    let mut x = pen.text(0, row, "latency   ", theme.title);
    x = pen.text(x, row, STAGES[index], theme.base);
    for percentile in percentiles(stage).into_iter().take(2) {
        x = pen.text(x + 2, row, percentile.0, theme.dim);
        x = pen.text(x + 1, row, &percentile_text(percentile), theme.strong);
    }
    let moves = quantity::counted(stage.events, "move", "moves");
    pen.cut(x + 2, row, &moves, pen.width().saturating_sub(x + 2), theme.dim);
}

/// The histogram with its figures, beside the lanes.
pub(super) fn side(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let Some((index, stage)) = best(&snapshot.summary.latency) else {
        let inner = panel("latency", "", theme, area, buffer);
        Pen::new(buffer, inner).paragraph(0, 0, &missing_text(snapshot, 0), theme.dim);
        return;
    };
    let moves = quantity::counted(stage.events, "move", "moves");
    let inner = panel(STAGES[index], &moves, theme, area, buffer);
    let others: Vec<usize> = [0, 1, 2].into_iter().filter(|other| *other != index).collect();
    let below = 3 + 1 + others.len() as u16;
    let (bars, rest) = split_rows(inner, inner.height.saturating_sub(below));
    stage_bars(scene, snapshot, index, stage, bars, buffer);
    let mut pen = Pen::new(buffer, rest);
    let mut row = 0;
    for percentile in percentiles(stage) {
        pen.text(0, row, percentile.0, theme.dim);
        pen.text(4, row, &percentile_text(percentile), theme.strong);
        row += 1;
    }
    pen.text(0, row, &bound_text(stage), theme.dim);
    row += 1;
    for other in others {
        other_row(scene, snapshot, other, row, &mut pen);
        row += 1;
    }
}

fn other_row(scene: &Scene<'_>, snapshot: &Snapshot, index: usize, row: u16, pen: &mut Pen<'_>) {
    let theme = scene.theme;
    let x = pen.text(0, row, STAGES[index], theme.base);
    match stage(&snapshot.summary.latency, index) {
        Some(stage) => {
            let x = pen.text(x + 2, row, "p50 ", theme.dim);
            pen.text(x, row, &percentile_text(percentiles(stage)[0]), theme.base);
        }
        None => {
            pen.text(x + 2, row, NOT_MEASURED, theme.dim);
        }
    }
}

/// The bars of one stage with its percentiles marked.
fn stage_bars(
    scene: &Scene<'_>,
    snapshot: &Snapshot,
    index: usize,
    stage: &LatencyStage,
    area: Rect,
    buffer: &mut Buffer,
) {
    let bins = &snapshot.latency.stages[index].bins;
    let marks: Vec<(f64, &str)> =
        percentiles(stage).iter().filter_map(|(name, value, ..)| value.map(|value| (value, *name))).collect();
    let places: Vec<f64> = marks.iter().map(|(value, _)| *value).collect();
    let Some(to) = axis_end(bins, &places) else { return };
    let histogram = Histogram {
        bins,
        to,
        marks: &marks,
        unit: if any_beyond(bins, to) { "ms or more" } else { "ms" },
        labelled: true,
        style: scene.theme.series[index],
        theme: scene.theme,
    };
    put(&histogram, Rect { height: area.height.min(14), ..area }, buffer);
}
