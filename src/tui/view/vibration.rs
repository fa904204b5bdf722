//! The vibration page: three axes, clipping, and what was to blame for a bad picture.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::snapshot::{LevelCell, LinkState, Snapshot};
use crate::summary::VibrationAxis;
use crate::tui::figure::{self, NOT_MEASURED};
use crate::tui::widget::axis::MarkRow;
use crate::tui::widget::panel::{panel, split_columns, split_rows};
use crate::tui::widget::pen::Pen;
use crate::tui::widget::scale::{Scale, columns};
use crate::tui::widget::trend::{BadSide, Trend};

use super::{GUTTER, Scene, put, time_axis, window_text};

const AXES: [&str; 3] = ["x", "y", "z"];

/// Draws the page.
pub(super) fn render(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let list = (area.height / 4).clamp(3, 14);
    let (top, below) = split_rows(area, area.height.saturating_sub(list));
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
    let gap = u16::from(body.height > 15);
    let each = (body.height + gap) / 3;
    for index in 0..3 {
        let y = body.y + each * index as u16;
        let own = Rect { y, height: each.saturating_sub(gap), ..body };
        axis_lane(scene, snapshot, index, scale, own, buffer);
    }
    let used = Rect { height: (each * 3).saturating_sub(gap).min(body.height), ..body };
    marks.ticks(split_columns(used, GUTTER, 0).1, buffer);
    let foot = Rect { y: used.bottom(), ..foot };
    let (clips, axis) = split_rows(foot, 1);
    clipping(scene, snapshot, clips, buffer);
    time_axis(scene, snapshot, axis, buffer);
}

fn axis_lane(
    scene: &Scene<'_>,
    snapshot: &Snapshot,
    index: usize,
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
    let limit_text = snapshot.vibration.limit.map(|limit| format!(" limit {limit:.0} "));
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
    let axis = snapshot.summary.vibration.as_ref().map(|summary| [summary.x, summary.y, summary.z][index]);
    pen.text(0, 0, AXES[index], theme.series[index].patch(theme.strong));
    for (row, text) in (0..pen.height()).zip(axis_words(axis.as_ref())) {
        pen.text(2, row, &text, theme.base);
    }
    for row in 0..pen.height() {
        pen.glyph(GUTTER - 1, row, '│', theme.rule);
    }
    pen.right(GUTTER - 1, 0, &format!("{:.0}", scale.high), theme.dim);
    let last = pen.height().saturating_sub(1);
    pen.right(GUTTER - 1, last, &format!("{:.0}", scale.low), theme.dim);
}

fn axis_words(axis: Option<&VibrationAxis>) -> Vec<String> {
    let Some(axis) = axis else { return vec![NOT_MEASURED.to_owned()] };
    let word = |name: &str, value: Option<f64>| {
        value.map_or_else(|| format!("{name} {NOT_MEASURED}"), |value| format!("{name} {value:.1}"))
    };
    vec![word("median", axis.median), word("p95", axis.p95), word("largest", axis.max)]
}

/// Clipping in each column.
fn clipping(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let (gutter, plot) = split_columns(area, GUTTER, 0);
    let mut pen = Pen::new(buffer, gutter);
    match &snapshot.summary.vibration {
        Some(vibration) => {
            let [x, y, z] = vibration.clipping;
            pen.text(0, 0, &format!("clipping {x} {y} {z}"), theme.base);
        }
        None => {
            pen.text(0, 0, "clipping not measured", theme.dim);
        }
    }
    let mut pen = Pen::new(buffer, plot);
    let width = pen.width();
    for (x, part) in columns(&snapshot.vibration.clipping, width).enumerate() {
        let clipped = part.iter().any(|count| *count > 0);
        let (letter, style) = if clipped { ('C', theme.band(LinkState::Alarm)) } else { ('·', theme.rule) };
        pen.glyph(x as u16, 0, letter, style);
    }
}

/// Around each freeze or mark: radio, airframe, both or neither.
fn around(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let inner = panel("what was it?", "around each freeze and mark, newest first", theme, area, buffer);
    let mut pen = Pen::new(buffer, inner);
    if snapshot.vibration.around.is_empty() {
        pen.text(0, 0, "no freeze and no mark yet: press f or s when the picture is bad", theme.dim);
    }
    let rows = pen.height();
    for (row, (at_s, text)) in (0..rows).zip(snapshot.vibration.around.iter().rev().skip(scene.state.scroll))
    {
        pen.right(9, row, &figure::clock_tenths(*at_s), theme.strong);
        pen.cut(11, row, text, pen.width().saturating_sub(11), theme.base);
    }
}
