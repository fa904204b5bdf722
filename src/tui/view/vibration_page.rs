//! The vibration page: the axes, the worst first and largest, clipping, the spectrum where there is one, and what was to
//! blame for a bad picture.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::snapshot::{LevelCell, Snapshot};
use crate::summary::{LimitSource, VibrationAxis, VibrationSummary};
use crate::tui::widget::axis::MarkRow;
use crate::tui::widget::panel::{inside, panel, split_columns, split_rows};
use crate::tui::widget::pen::Pen;
use crate::tui::widget::scale::{Scale, columns};
use crate::tui::widget::trend::{BadSide, Trend};
use crate::wording::quantity::NOT_MEASURED;
use crate::wording::{cause_words, quantity, reason};

use super::{GUTTER, Scene, put, spectrum_panel, time_axis, window_text};

/// What stands before an axis, by its place.
const PLACES: [&str; 3] = ["worst", "then", "least"];

/// Draws the page.
pub(super) fn render(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let (top, middle, below) = areas(snapshot, area);
    if let Some(view) = &snapshot.vibration.spectrum {
        spectrum_panel::render(scene, snapshot, view, middle, buffer);
    }
    let note = format!("{}, as the vehicle sends it: no unit is defined", window_text(scene));
    let inner = panel("vibration", &note, theme, top, buffer);
    if let Some(missing) = &snapshot.vibration.missing {
        let text = format!("{NOT_MEASURED}: {missing}");
        Pen::new(buffer, inner).paragraph(0, 1, &text, theme.dim);
    } else {
        axes(scene, snapshot, inner, buffer);
    }
    around(scene, snapshot, below, buffer);
}

/// Levels, spectrum and list.
fn areas(snapshot: &Snapshot, area: Rect) -> (Rect, Rect, Rect) {
    let has_spectrum = snapshot.vibration.spectrum.is_some();
    let list = (area.height / if has_spectrum { 6 } else { 4 }).clamp(3, 14);
    let (plots, below) = split_rows(area, area.height.saturating_sub(list));
    let spectrum = if has_spectrum { plots.height * 2 / 5 } else { 0 };
    let (levels, spectrum) = split_rows(plots, plots.height - spectrum);
    (levels, spectrum, below)
}

/// What lay behind the bad pictures of the session, a line a kind.
fn verdicts(snapshot: &Snapshot) -> impl Iterator<Item = String> + '_ {
    snapshot.summary.picture_causes.iter().map(cause_words::verdict)
}

/// What was around the freeze or mark of a row of the page, by its place in the list, and its instant; else whether a
/// plot lies there.
pub(super) fn touched(
    scene: &Scene<'_>,
    snapshot: &Snapshot,
    area: Rect,
    y: u16,
) -> (Option<(usize, f64)>, bool) {
    let (plots, _, below) = areas(snapshot, area);
    let row = || {
        let shown = inside(below);
        let first = shown.y + verdicts(snapshot).count() as u16;
        let index = usize::from(y.checked_sub(first)?) + scene.state.scroll;
        let (at_s, _) = snapshot.vibration.around.iter().rev().nth(index).filter(|_| y < shown.bottom())?;
        Some((index, *at_s))
    };
    (row(), (plots.top()..plots.bottom()).contains(&y))
}

fn axes(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let (head, body) = split_rows(area, 1);
    let (body, foot) = split_rows(body, body.height.saturating_sub(2));
    let marks = MarkRow { view: snapshot.view, marks: &snapshot.marks, theme };
    put(&marks, split_columns(head, GUTTER, 0).1, buffer);
    let vibration = &snapshot.vibration;
    let known = vibration.axes.iter().flatten().flatten().copied();
    let scale = Scale::around(known.chain(vibration.limit).chain([0.0]), 10.0)
        .unwrap_or(Scale { low: 0.0, high: 10.0 });
    let unknown = VibrationSummary::default();
    let axes = snapshot.summary.vibration.as_ref().unwrap_or(&unknown).worst_first();
    // The worst has half of the rows, the others what is left.
    let gap = u16::from(body.height > 15);
    let small = (body.height / 4).saturating_sub(gap);
    let mut rest = body;
    for (place, axis) in PLACES.into_iter().zip(axes) {
        let rows = if place == PLACES[0] { body.height - 2 * (small + gap) } else { small };
        let (own, below) = split_rows(rest, rows);
        axis_lane(scene, snapshot, place, axis, scale, own, buffer);
        rest = split_rows(below, gap).1;
    }
    marks.ticks(split_columns(body, GUTTER, 0).1, buffer);
    let (clips, axis) = split_rows(foot, 1);
    clipping(scene, snapshot, clips, buffer);
    time_axis(scene, snapshot, axis, buffer);
}

fn axis_lane(
    scene: &Scene<'_>,
    snapshot: &Snapshot,
    place: &str,
    (index, name, axis): (usize, &str, &VibrationAxis),
    scale: Scale,
    area: Rect,
    buffer: &mut Buffer,
) {
    let theme = scene.theme;
    let (gutter, plot) = split_columns(area, GUTTER, 0);
    let cells: Vec<Option<LevelCell>> = snapshot.vibration.axes[index]
        .iter()
        .map(|value| value.map(|value| LevelCell { min: value, mean: value, max: value }))
        .collect();
    let limit_text =
        snapshot.vibration.limit.filter(|_| place == PLACES[0]).map(|limit| limit_words(snapshot, limit));
    let trend = Trend {
        cells: &cells,
        limit: snapshot.vibration.limit,
        bad_side: BadSide::Above,
        limit_text: limit_text.as_deref().unwrap_or_default(),
        frozen: &[],
        scale,
        style: theme.series[index],
        theme,
    };
    put(&trend, plot, buffer);
    let mut pen = Pen::new(buffer, gutter);
    pen.text(0, 0, &format!("{place}: axis {name}"), theme.series[index].patch(theme.strong));
    for (row, text) in (1..pen.height()).zip(axis_words(axis)) {
        pen.text(2, row, &text, theme.base);
    }
    for row in 0..pen.height() {
        pen.glyph(GUTTER - 1, row, '│', theme.rule);
    }
    pen.right(GUTTER - 1, 0, &format!("{:.0}", scale.high), theme.dim);
    let last = pen.height().saturating_sub(1);
    pen.right(GUTTER - 1, last, &format!("{:.0}", scale.low), theme.dim);
}

/// The limit, and whose it is.
fn limit_words(snapshot: &Snapshot, limit: f64) -> String {
    let from = snapshot.summary.vibration.as_ref().and_then(|summary| summary.limit_from);
    match from {
        Some(LimitSource::History) => format!(" limit {limit:.0}, 90 % of earlier sessions lie below "),
        _ => format!(" limit {limit:.0}, by the profile "),
    }
}

fn axis_words(axis: &VibrationAxis) -> [String; 3] {
    let word = |name: &str, value: Option<f64>| {
        value.map_or_else(|| format!("{name} {NOT_MEASURED}"), |value| format!("{name} {value:.1}"))
    };
    [word("95 % below", axis.p95), word("highest", axis.max), word("half below", axis.median)]
}

/// Clipping in each column.
fn clipping(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let (gutter, plot) = split_columns(area, GUTTER, 0);
    let mut pen = Pen::new(buffer, gutter);
    match &snapshot.summary.vibration {
        Some(vibration) => {
            pen.cut(0, 0, &quantity::clipping(vibration.clipping), GUTTER - 1, theme.base);
        }
        None => {
            pen.text(0, 0, "clipping not measured", theme.dim);
        }
    }
    let mut pen = Pen::new(buffer, plot);
    let width = pen.width();
    for (x, part) in columns(&snapshot.vibration.clipping, width).enumerate() {
        let clipped = part.iter().any(|count| *count > 0);
        let (letter, style) = if clipped { ('C', theme.strong) } else { ('·', theme.rule) };
        pen.glyph(x as u16, 0, letter, style);
    }
}

/// What lay behind the bad pictures, and what was seen around each of them.
fn around(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let inner = panel("what was it?", "around each freeze and mark, newest first", theme, area, buffer);
    let mut pen = Pen::new(buffer, inner);
    if snapshot.vibration.around.is_empty() {
        pen.text(0, 0, "no freeze and no mark yet: press f or s when the picture is bad", theme.dim);
    }
    let rows = pen.height();
    let vibration = &snapshot.vibration;
    let mut first = 0;
    for verdict in verdicts(snapshot) {
        pen.cut(0, first, &verdict, pen.width(), theme.strong);
        first += 1;
    }
    for (row, (at_s, found)) in (first..rows).zip(vibration.around.iter().rev().skip(scene.state.scroll)) {
        pen.right(9, row, &quantity::clock_tenths(*at_s), theme.strong);
        let text = reason::suspicion(*found, vibration.basis);
        pen.cut(11, row, &text, pen.width().saturating_sub(11), theme.base);
    }
}
