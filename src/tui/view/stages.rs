//! The latency's figures in short, and as a panel beside the lanes.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::snapshot::Snapshot;
use crate::summary::{Bound, Interval, LatencyStage, LatencySummary, Reason};
use crate::tui::widget::histogram::{Histogram, any_beyond, axis_end};
use crate::tui::widget::panel::{panel, split_rows};
use crate::tui::widget::pen::{Pen, width};
use crate::wording::latency_advice::Asked;
use crate::wording::quantity;
use crate::wording::quantity::NOT_MEASURED;

use super::{Scene, put};

pub(super) use crate::wording::advice::STAGES;

/// A stage of the summary by its place, whether bounded or not.
const fn any_stage(latency: &LatencySummary, index: usize) -> Option<&LatencyStage> {
    match index {
        0 => latency.stick_to_servo.as_ref(),
        1 => latency.stick_to_input.as_ref(),
        _ => latency.input_to_servo.as_ref(),
    }
}

/// What a stage's figures bound; `None` where there are none.
pub(super) fn bound(latency: &LatencySummary, index: usize) -> Option<Bound> {
    any_stage(latency, index).map(|stage| stage.bound)
}

/// A stage by its place; one without any bound has no figure to show.
pub(super) fn stage(latency: &LatencySummary, index: usize) -> Option<&LatencyStage> {
    any_stage(latency, index).filter(|stage| stage.is_bounded())
}

/// One percentile.
#[derive(Clone, Copy, Debug)]
pub(super) struct Percentile {
    /// In words, before its value.
    pub(super) name: &'static str,
    /// In short, over a line in the bars.
    pub(super) mark: &'static str,
    pub(super) value: Option<f64>,
    interval: Option<Interval>,
    needed: u64,
    bound: Bound,
}

/// The percentiles of a stage.
pub(super) const fn percentiles(stage: &LatencyStage) -> [Percentile; 3] {
    let (needed, bound) = (stage.moves_needed, stage.bound);
    [
        Percentile {
            name: quantity::HALF,
            mark: "50 %",
            value: stage.p50_ms,
            interval: stage.p50_ci95_ms,
            needed: needed.p50,
            bound,
        },
        Percentile {
            name: quantity::NINETY,
            mark: "90 %",
            value: stage.p90_ms,
            interval: stage.p90_ci95_ms,
            needed: needed.p90,
            bound,
        },
        Percentile {
            name: quantity::NINETY_NINE,
            mark: "99 %",
            value: stage.p99_ms,
            interval: stage.p99_ci95_ms,
            needed: needed.p99,
            bound,
        },
    ]
}

/// Its name and its text, as one piece of at most so many columns where it fits at all.
fn percentile_piece(percentile: Percentile, columns: u16) -> (&'static str, String) {
    let name = percentile.name;
    // What is not known yet is within nothing.
    let name = if percentile.value.is_some() { name } else { name.trim_end_matches(" within") };
    (name, percentile_text(percentile, columns.saturating_sub(width(name) + 1)))
}

/// Value with interval, without it where that takes more than so many columns, or what is still needed.
pub(super) fn percentile_text(percentile: Percentile, columns: u16) -> String {
    let Percentile { value, interval, needed, bound, .. } = percentile;
    let Some(value) = value else {
        return match needed {
            0 => "needs faster data".to_owned(),
            _ => quantity::counted(needed, "more move", "more moves"),
        };
    };
    let short = quantity::bounded_ms(value, bound);
    let whole = interval.map(|interval| format!("{short} ({})", quantity::millis_interval(interval)));
    whole.filter(|whole| width(whole) <= columns).unwrap_or(short)
}

/// What the clocks add to it, in words.
pub(super) fn bound_text(stage: &LatencyStage) -> String {
    match (stage.bound, stage.clock_uncertainty_ms) {
        (Bound::Upper, Some(clock)) => format!("one-way clock ±{} ms", quantity::millis(clock)),
        (Bound::Upper, None) => "one-way clock".to_owned(),
        (_, Some(0.0)) => "one clock".to_owned(),
        (_, Some(clock)) => format!("clock ±{} ms", quantity::millis(clock)),
        (_, None) => "clock error unknown".to_owned(),
    }
}

/// What advice on the latency depends on.
pub(in crate::tui) fn asked(snapshot: &Snapshot) -> Asked {
    let sources = snapshot.sources.iter().map(|source| source.interface.as_str());
    Asked::new(snapshot.sticks, snapshot.transmits.iter().map(String::as_str), sources)
}

/// Why a stage is not measured.
pub(super) fn missing_text(snapshot: &Snapshot, index: usize) -> String {
    let unbounded = any_stage(&snapshot.summary.latency, index).map(|_| Reason::NoBound);
    let reason = unbounded.or_else(|| snapshot.latency.stages.get(index)?.missing);
    reason.map_or_else(
        || NOT_MEASURED.to_owned(),
        |reason| format!("{NOT_MEASURED}: {}", asked(snapshot).missing(reason)),
    )
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
    let x = pen.text(0, row, "latency   ", theme.title);
    let x = pen.text(x, row, STAGES[index], theme.base) + 2;
    let [half, ninety, _] = percentiles(stage);
    let moves = quantity::counted(stage.events, "move", "moves");
    let text = |half_room, ninety_room, moves: &str| {
        let ((half, first), (ninety, second)) =
            (percentile_piece(half, half_room), percentile_piece(ninety, ninety_room));
        format!("{half} {first}  {ninety} {second}{moves}")
    };
    let all = [
        text(u16::MAX, u16::MAX, &format!("  {moves}")),
        text(u16::MAX, u16::MAX, ""),
        text(u16::MAX, 0, ""),
        text(0, 0, ""),
    ];
    let room = pen.width().saturating_sub(x);
    let fits = all.iter().find(|text| width(text) <= room).unwrap_or(&all[3]);
    pen.cut(x, row, fits, room, theme.strong);
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
        let (name, text) = percentile_piece(percentile, pen.width());
        let x = pen.text(0, row, name, theme.dim) + 1;
        pen.text(x, row, &text, theme.strong);
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
            let (name, text) = percentile_piece(percentiles(stage)[0], pen.width().saturating_sub(x + 1));
            let x = pen.text(x + 1, row, name, theme.dim) + 1;
            pen.text(x, row, &text, theme.base);
        }
        None => {
            pen.text(x + 2, row, NOT_MEASURED, theme.dim);
        }
    }
}

/// Where the percentiles stand, with their names.
pub(super) fn marks(stage: &LatencyStage) -> Vec<(f64, &'static str)> {
    percentiles(stage)
        .into_iter()
        .filter_map(|percentile| Some((percentile.value?, percentile.mark)))
        .collect()
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
    let marks = marks(stage);
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
