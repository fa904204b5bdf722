//! The right part of the latency page: the last movement, the drift, each channel.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::snapshot::{Movement, Snapshot};
use crate::summary::{Bound, LatencyChannel};
use crate::tui::widget::panel::{panel, split_rows};
use crate::tui::widget::pen::Pen;
use crate::tui::widget::plot::{Plot, Series};
use crate::tui::widget::scale::Scale;
use crate::wording::quantity;
use crate::wording::quantity::NOT_MEASURED;

use super::stages::{STAGES, asked, bound, stage};
use super::{Scene, put};

/// Draws them.
pub(super) fn render(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let (top, rest) = split_rows(area, (area.height * 2 / 5).max(8));
    last_movement(scene, snapshot, top, buffer);
    let (middle, rest) = split_rows(rest, (rest.height / 2).max(7));
    drift(scene, snapshot, middle, buffer);
    channels(scene, snapshot, rest, buffer);
}

fn whole(value: f64) -> String {
    format!("{value:.0}")
}

/// Stick over output, so that a person sees what was measured.
fn last_movement(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let Some(movement) = &snapshot.latency.movement else {
        let inner = panel("last movement", "", theme, area, buffer);
        let advice = asked(snapshot).move_sticks("move one stick quickly from stop to stop");
        let text =
            advice.map_or_else(|| NOT_MEASURED.to_owned(), |advice| format!("{NOT_MEASURED}: {advice}"));
        Pen::new(buffer, inner).paragraph(0, 0, &text, theme.dim);
        return;
    };
    let note = format!("at {}", quantity::clock_tenths(movement.at_s));
    let inner = panel("last movement", &note, theme, area, buffer);
    let (words, plot) = split_rows(inner, 2);
    let output = if movement.output_is_input { "input" } else { "servo" };
    let age = age(movement, bound(&snapshot.summary.latency, usize::from(movement.output_is_input)));
    let mut pen = Pen::new(buffer, words);
    pen.pieces(
        0,
        0,
        &[
            (&format!("stick {}", movement.stick), theme.series[0]),
            (" and ", theme.dim),
            (&format!("{output} {}", movement.output), theme.series[2]),
            (" in us", theme.dim),
        ],
    );
    pen.text(0, 1, &age, theme.strong);
    let all = || movement.stick_points.iter().chain(&movement.output_points);
    let (Some(x), Some(y)) =
        (Scale::around(all().map(|point| point.0), 50.0), Scale::around(all().map(|point| point.1), 100.0))
    else {
        return;
    };
    let series = [
        Series { points: &movement.stick_points, joined: true, style: theme.series[0] },
        Series { points: &movement.output_points, joined: true, style: theme.series[2] },
    ];
    let plot_of = Plot {
        x,
        y,
        x_unit: "ms",
        gutter: 6,
        y_label: whole,
        series: &series,
        across: &[],
        upright: &[],
        theme,
    };
    put(&plot_of, plot, buffer);
}

/// The age that a movement allows, as far as its stage's clocks say anything of it.
fn age(movement: &Movement, bound: Option<Bound>) -> String {
    let [low, high] = [Some(movement.age_ms.0), movement.age_ms.1].map(|age| age.map(quantity::millis));
    match (bound.unwrap_or(Bound::TwoSided), low, high) {
        (Bound::TwoSided, Some(low), Some(high)) => format!("age {low} to {high} ms"),
        (Bound::TwoSided, Some(low), None) => format!("age over {low} ms"),
        (Bound::Upper, _, Some(high)) => format!("age at most {high} ms"),
        _ => format!("age {NOT_MEASURED}"),
    }
}

/// Medians over the session.
fn drift(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let bounds = [0, 1, 2].map(|index| bound(&snapshot.summary.latency, index));
    let most = if bounds.contains(&Some(Bound::Upper)) { "half within at most" } else { quantity::HALF };
    let inner = panel("drift", &format!("{most}, ms over s"), theme, area, buffer);
    let series: Vec<Series<'_>> = [0, 1, 2]
        .into_iter()
        .filter(|index| bounds[*index] != Some(Bound::None))
        .map(|index| Series {
            points: &snapshot.latency.stages[index].drift,
            joined: true,
            style: theme.series[index],
        })
        .collect();
    let points = || series.iter().flat_map(|series| series.points);
    let (Some(x), Some(y)) = (
        Scale::around(points().map(|point| point.0).chain([0.0]), 10.0),
        Scale::around(points().map(|point| point.1).chain([0.0]), 20.0),
    ) else {
        return;
    };
    if points().count() < 2 {
        Pen::new(buffer, inner).text(0, 0, "not measured: too few moves", theme.dim);
        return;
    }
    let plot = Plot {
        x,
        y,
        x_unit: "s",
        gutter: 6,
        y_label: whole,
        series: &series,
        across: &[],
        upright: &[],
        theme,
    };
    put(&plot, inner, buffer);
}

fn channel_name(channel: &LatencyChannel) -> String {
    let ends = [("stick", channel.stick), ("input", channel.input), ("servo", channel.servo)];
    let known: Vec<String> = ends
        .into_iter()
        .filter_map(|(name, number)| number.map(|number| format!("{name} {number}")))
        .collect();
    known.join(" to ")
}

/// One row a stick and output.
fn channels(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let inner = panel("channels", "half within, moves", theme, area, buffer);
    let mut pen = Pen::new(buffer, inner);
    let mut row = 0;
    for index in 0..STAGES.len() {
        let Some(stage) = stage(&snapshot.summary.latency, index) else { continue };
        for channel in &stage.channels {
            pen.text(0, row, &channel_name(channel), theme.series[index]);
            let median = channel
                .p50_ms
                .map_or_else(|| NOT_MEASURED.to_owned(), |ms| quantity::bounded_ms(ms, stage.bound));
            pen.right(32, row, &median, theme.strong);
            pen.right(40, row, &quantity::count(channel.events), theme.base);
            row += 1;
        }
    }
    if row == 0 {
        pen.text(0, 0, "none found yet", theme.dim);
    }
}
