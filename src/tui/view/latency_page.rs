//! The latency page: three stages on one axis, their percentiles, what limits
//! them, and what they do not cover.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::snapshot::Snapshot;
use crate::summary::{Bound, LatencyStage};
use crate::tui::widget::histogram::{Histogram, any_beyond, axis_end, number_axis};
use crate::tui::widget::panel::{panel, split_columns, split_rows};
use crate::tui::widget::pen::{Pen, width};
use crate::wording::quantity;

use super::stages::{STAGES, asked, bound_text, marks, missing_text, percentile_text, percentiles, stage};
use super::{Scene, movement, put};

/// Columns of the names of stages.
const NAMES: u16 = 16;
/// Columns of a percentile.
const COLUMN: u16 = 18;
/// What the figures cover, for the foot of the page.
const COVERS: &str = "Bench: propellers off. From the stick value's arrival at this computer to the commanded output. Not covered: stick \
                      scan and cable before it, servo travel after it, and the picture's own delay.";

/// Draws the page.
pub(super) fn render(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let wide = area.width >= 112;
    let side = if wide { (area.width / 3).max(44) } else { 0 };
    let (left, right) = split_columns(area, area.width - side - if wide { 2 } else { 0 }, 2);
    let (table, rest) = split_rows(left, 5);
    table_of_stages(scene, snapshot, table, buffer);
    let below = if rest.height > 24 { 12 } else { 8 };
    let (bars, rest) = split_rows(rest, rest.height.saturating_sub(below));
    histograms(scene, snapshot, bars, buffer);
    limits(scene, snapshot, rest, buffer);
    if wide {
        movement::render(scene, snapshot, right, buffer);
    }
}

/// One row a stage: moves, percentiles with their intervals, the clock's part.
fn table_of_stages(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let frames = quantity::control_frames(&snapshot.summary.latency);
    let title =
        frames.map_or_else(|| "latency".to_owned(), |frames| format!("latency, control frames {frames}"));
    let inner = panel(&title, "value (95 % interval)", theme, area, buffer);
    let mut pen = Pen::new(buffer, inner);
    let wide = pen.width() >= 100;
    let places: [u16; 4] = if wide { [24, 44, 64, 84] } else { [22, 42, 61, 79] };
    pen.right(20, 0, "moves", theme.dim);
    for (x, head) in places.into_iter().zip(["half within", "9 in 10", "99 in 100", "highest"]) {
        pen.text(x, 0, if x == places[3] && !wide { "" } else { head }, theme.dim);
    }
    for (row, (index, name)) in (1..).zip(STAGES.into_iter().enumerate()) {
        pen.text(0, row, name, theme.series[index]);
        let Some(stage) = stage(&snapshot.summary.latency, index) else {
            let room = pen.width().saturating_sub(NAMES);
            pen.cut(NAMES, row, &missing_text(snapshot, index), room, theme.dim);
            continue;
        };
        pen.right(20, row, &quantity::count(stage.events), theme.base);
        for (x, percentile) in places.into_iter().zip(percentiles(stage)) {
            let style = if percentile.value.is_some() { theme.strong } else { theme.dim };
            pen.cut(x, row, &percentile_text(percentile, COLUMN), COLUMN, style);
        }
        if wide && let Some(largest) = stage.max_ms {
            pen.text(places[3], row, &quantity::bounded_ms(largest, stage.bound), theme.base);
        }
    }
}

/// The three distributions, one above the other, over one axis.
fn histograms(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let latency = &snapshot.summary.latency;
    let upper = (0..3).filter_map(|index| stage(latency, index)).any(|stage| stage.bound == Bound::Upper);
    let title = "age of the stick position at the output";
    let title = if upper { format!("{title}, at most") } else { title.to_owned() };
    let inner = panel(&title, "share of time while a stick moves", theme, area, buffer);
    let to = (0..3)
        .filter_map(|index| {
            let places: Vec<f64> =
                stage(latency, index)?.p99_ms.into_iter().chain(stage(latency, index)?.p90_ms).collect();
            axis_end(&snapshot.latency.stages[index].bins, &places)
        })
        .fold(0.0, f64::max);
    let beyond = snapshot.latency.stages.iter().any(|stage| any_beyond(&stage.bins, to));
    let (body, axis) = split_rows(inner, inner.height.saturating_sub(1));
    let each = body.height / 3;
    if to <= 0.0 || each == 0 {
        Pen::new(buffer, inner).paragraph(0, 1, &missing_text(snapshot, 0), theme.dim);
        return;
    }
    for (index, name) in STAGES.into_iter().enumerate() {
        let own = Rect { y: body.y + each * index as u16, height: each, ..body };
        let (names, plot) = split_columns(own, NAMES, 0);
        let mut pen = Pen::new(buffer, names);
        pen.text(0, each - 1, name, theme.series[index]);
        let Some(stage) = stage(latency, index) else {
            Pen::new(buffer, plot).text(0, each - 1, quantity::NOT_MEASURED, theme.dim);
            continue;
        };
        if each > 2 {
            pen.cut(0, each - 2, &bound_text(stage), NAMES - 1, theme.dim);
        }
        let marks = marks(stage);
        let bars = Histogram {
            bins: &snapshot.latency.stages[index].bins,
            to,
            marks: &marks,
            unit: "ms",
            labelled: false,
            style: theme.series[index],
            theme,
        };
        put(&bars, plot, buffer);
    }
    let plot = split_columns(Rect { y: body.y + each * 3, ..axis }, NAMES, 0).1;
    number_axis(&mut Pen::new(buffer, plot), 0, to, if beyond { "ms or more" } else { "ms" }, theme);
}

/// The share of each stage, what limits the precision, and what is not covered.
fn limits(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let inner = panel("how sure, and what to do", "", theme, area, buffer);
    shares(scene, snapshot, split_rows(inner, 1).0, buffer);
    let mut pen = Pen::new(buffer, inner);
    let mut row = 1;
    let latency = &snapshot.summary.latency;
    let roomy = pen.height() > 8;
    for (index, name) in STAGES.into_iter().enumerate() {
        let Some(limit) = snapshot.latency.stages[index].limited_by else { continue };
        if roomy || row < 3 {
            pen.text(0, row, name, theme.series[index]);
            pen.cut(NAMES, row, &asked(snapshot).limit(limit), pen.width().saturating_sub(NAMES), theme.base);
            row += 1;
        }
    }
    for (index, name) in STAGES.into_iter().enumerate() {
        let change = stage(latency, index).and_then(|stage| Some((stage.change.as_ref()?, stage.bound)));
        if let Some((change, bound)) = change.filter(|_| roomy || row < 3) {
            pen.text(0, row, name, theme.series[index]);
            let text = quantity::latency_change(change, bound);
            pen.cut(NAMES, row, &text, pen.width().saturating_sub(NAMES), theme.strong);
            row += 1;
        }
    }
    if roomy {
        for (index, name) in STAGES.into_iter().enumerate() {
            let Some(stage) = stage(latency, index) else { continue };
            pen.text(0, row, name, theme.series[index]);
            pen.cut(NAMES, row, &left_out_text(stage), pen.width().saturating_sub(NAMES), theme.dim);
            row += 1;
        }
    }
    if let Some(glass_ms) = snapshot.latency.glass_to_glass_ms {
        let interval = snapshot.latency.glass_to_glass_ci95_ms;
        let interval =
            interval.map_or_else(String::new, |ends| format!(" ({})", quantity::millis_interval(ends)));
        let text = format!(
            "lens to screen {} ms{interval}, measured with a camera and entered by hand",
            quantity::millis(glass_ms)
        );
        row = pen.paragraph(0, row, &text, theme.base);
    }
    pen.paragraph(0, row, COVERS, theme.dim);
}

/// What was left out, and the cross-check.
fn left_out_text(stage: &LatencyStage) -> String {
    let out = stage.left_out;
    let check = stage.cross_correlation_ms.map_or_else(
        || "second method: not measured".to_owned(),
        |lag_ms| format!("second method: {}", quantity::bounded_ms(lag_ms, stage.bound)),
    );
    let unmapped = match out.unmapped {
        0 => String::new(),
        count => format!(", {count} that nothing followed"),
    };
    let thinned = match out.thinned {
        0 => String::new(),
        count => format!(", {} thinned evenly", quantity::count(count)),
    };
    let counts =
        [(out.slow, "slow"), (out.small, "small"), (out.gap, "in a gap"), (out.ambiguous, "ambiguous")];
    let named = counts.into_iter().filter(|(count, _)| *count > 0);
    let reasons: Vec<String> = named.map(|(count, why)| format!("{count} {why}")).collect();
    let reasons = if reasons.is_empty() { "none".to_owned() } else { reasons.join(", ") };
    format!("{check}, left out: {reasons}{unmapped}{thinned}")
}

/// The medians of the two parts, side by side as long as they take.
fn shares(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let latency = &snapshot.summary.latency;
    let median = |index| stage(latency, index).and_then(|stage| Some((stage.p50_ms?, stage.bound)));
    let mut pen = Pen::new(buffer, area);
    let (Some(first), Some(second)) = (median(1), median(2)) else {
        pen.text(0, 0, "share of each stage: not measured, both parts are needed", theme.dim);
        return;
    };
    let start = pen.text(0, 0, quantity::HALF, theme.dim).max(NAMES);
    let text = |index: usize, (value, bound)| {
        format!(" {} {} ", ["", "to input", "to servo"][index], quantity::bounded_ms(value, bound))
    };
    let parts = [(first.0, text(1, first)), (second.0, text(2, second))];
    let words: u16 = parts.iter().map(|(_, text)| width(text)).sum();
    let room = f64::from(pen.width().saturating_sub(start + words + 1));
    let scale = room / (first.0 + second.0).max(f64::MIN_POSITIVE);
    let mut x = start;
    for (index, (value, text)) in (1..).zip(parts) {
        for _ in 0..(value * scale).round() as u16 {
            pen.glyph(x, 0, '█', theme.series[index]);
            x += 1;
        }
        x = pen.text(x, 0, &text, theme.base);
    }
}
