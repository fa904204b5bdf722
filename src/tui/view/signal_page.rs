//! The signal page: one link's level against its limit, what the limit rests on, and every radio.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::snapshot::{Lane, Snapshot};
use crate::summary::{Threshold, ThresholdSession};
use crate::tui::widget::axis::MarkRow;
use crate::tui::widget::big;
use crate::tui::widget::panel::{panel, split_columns, split_rows};
use crate::tui::widget::pen::{Pen, wrapped};
use crate::tui::widget::scale::Scale;
use crate::tui::widget::trend::{BadSide, Trend};
use crate::units::LevelUnit;
use crate::wording::quantity::NOT_MEASURED;
use crate::wording::{limit, quantity, reason};

use super::{GUTTER, Scene, lane_column, lanes_by_limit, put, radios, time_axis, wifi_panel, window_text};

/// From this width on the limit stands beside the plot.
const WIDE: u16 = 112;
const SIDE: u16 = 46;
/// From so many rows on, what is left is drawn large.
const LARGE_ROWS: u16 = 17;

/// Columns that the plot leaves free at the right.
pub(super) const fn side(width: u16) -> u16 {
    if width >= WIDE { SIDE + 2 } else { 0 }
}

/// Draws the page.
pub(super) fn render(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let (body, table) = split_rows(area, area.height.saturating_sub(radios::rows(snapshot)));
    let (body, on_air) =
        split_rows(body, body.height.saturating_sub(wifi_panel::rows(snapshot, area.height)));
    if on_air.height > 0 {
        wifi_panel::render(scene, snapshot, on_air, buffer);
    }
    let with_level = lanes_by_limit(snapshot, |lane| lane.unit.is_some());
    let Some(lane) = with_level.get(scene.state.item % with_level.len().max(1)) else {
        let text = format!("{NOT_MEASURED}: no link has a level; name its radio in the profile");
        Pen::new(buffer, body).paragraph(1, 1, &text, scene.theme.dim);
        radios::render(scene, snapshot, table, buffer);
        return;
    };
    let limit = snapshot.summary.thresholds.iter().find(|threshold| threshold.link == lane.link);
    if side(area.width) > 0 {
        let (left, right) = split_columns(body, area.width - side(area.width), 2);
        level(scene, snapshot, lane, with_level.len(), left, buffer);
        limit_panel(scene, lane, limit, right, buffer);
    } else {
        let rows = (body.height / 3).clamp(3, 8);
        let (top, below) = split_rows(body, body.height.saturating_sub(rows));
        level(scene, snapshot, lane, with_level.len(), top, buffer);
        limit_panel(scene, lane, limit, below, buffer);
    }
    radios::render(scene, snapshot, table, buffer);
}

/// The level over time with its limit, the figures of this instant at its left.
fn level(scene: &Scene<'_>, snapshot: &Snapshot, lane: &Lane, links: usize, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let next = if links > 1 { ", l shows the next link" } else { "" };
    let note = format!("{}{next}", window_text(scene));
    let inner = panel(&format!("{}: level", lane.link), &note, theme, area, buffer);
    let (head, rest) = split_rows(inner, 1);
    let (body, axis) = split_rows(rest, rest.height.saturating_sub(1));
    let marks = MarkRow { view: snapshot.view, marks: &snapshot.marks, theme };
    put(&marks, split_columns(head, GUTTER, 0).1, buffer);
    let (gutter, plot) = split_columns(body, GUTTER, 0);
    let scale = lane_column::level_scale(lane, plot.height);
    if let Some(scale) = scale {
        let limit_text = lane_column::limit_text(lane);
        let trend = Trend {
            cells: &lane.level,
            limit: lane.threshold,
            bad_side: BadSide::Below,
            limit_text: &limit_text,
            frozen: &lane.frozen,
            scale,
            style: theme.level,
            theme,
        };
        put(&trend, plot, buffer);
    } else if let Some(missing) = reason::lane_lacks(lane) {
        Pen::new(buffer, plot).paragraph(1, plot.height / 2, &missing, theme.dim);
    }
    marks.ticks(plot, buffer);
    time_axis(scene, snapshot, axis, buffer);
    now(scene, lane, scale, gutter, buffer);
}

/// Margin, seconds and metres left, then the level and its trend.
fn now(scene: &Scene<'_>, lane: &Lane, scale: Option<Scale>, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let unit = lane.unit.unwrap_or(LevelUnit::Raw);
    lane_column::edge_labels(scene, lane, scale, area.height, area, buffer);
    let mut pen = Pen::new(buffer, area);
    let rows = pen.height();
    let state = theme.of(lane.state);
    let x = pen.text(0, 0, quantity::symbol(lane.state), state) + 1;
    pen.text(x, 0, lane.state.word(), state);
    let mut row = 1;
    for (number, digits, label) in left(lane, unit) {
        if rows >= LARGE_ROWS {
            big::draw(&mut pen, 2, row + 1, &digits, label, theme.strong);
            row += 4;
        } else {
            pen.cut(2, row, &number, GUTTER - 6, theme.strong);
            row += 1;
        }
    }
    row += u16::from(rows >= LARGE_ROWS);
    if lane.margin_now.is_none() {
        pen.cut(2, row, &format!("margin {NOT_MEASURED}"), GUTTER - 6, theme.base);
        row += 1;
    }
    let level =
        lane.level_now.map_or_else(|| "no level now".to_owned(), |level| quantity::level(level, unit));
    let trend = lane.trend_per_s.map(|trend| quantity::trend(trend, unit));
    let acknowledged = lane.acknowledged.then(|| "acknowledged".to_owned());
    for text in
        [Some(level), trend, acknowledged].into_iter().flatten().take(usize::from(rows - row.min(rows)))
    {
        pen.cut(2, row, &text, GUTTER - 6, theme.base);
        row += 1;
    }
}

/// What is left: in words, and as large digits with what stands behind them.
fn left(lane: &Lane, unit: LevelUnit) -> Vec<(String, String, &'static str)> {
    let mut left = Vec::new();
    if let Some(margin) = lane.margin_now {
        let label = if unit == LevelUnit::Dbm { "dB margin" } else { "units margin" };
        left.push((
            format!("margin {}", quantity::difference(margin, unit)),
            format!("{:.0}", margin.round() + 0.0),
            label,
        ));
    }
    if let Some(left_s) = lane.seconds_left.filter(|left_s| *left_s < 1_000.0) {
        left.push((quantity::seconds_left(left_s), quantity::digits_left(left_s), "s left"));
    }
    if let Some(left_m) = lane.metres_left.filter(|left_m| *left_m < 10_000.0) {
        let number = quantity::metres_left(left_m, lane.metres_left_ci95);
        left.push((number, quantity::digits_left(left_m), "m left"));
    }
    left
}

/// What the limit is, what it rests on, each session's own, and whether they agree.
fn limit_panel(scene: &Scene<'_>, lane: &Lane, limit: Option<&Threshold>, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let name = limit::name_of(lane.role);
    let inner = panel(name, "earlier sessions, same tags", theme, area, buffer);
    let mut pen = Pen::new(buffer, inner);
    let Some(limit) = limit else {
        let missing = reason::lane_lacks(lane);
        let text = format!("not known: {}", missing.as_deref().unwrap_or(reason::lane_advice(None)));
        pen.paragraph(0, 0, &text, theme.dim);
        return;
    };
    let interval =
        limit.level_p05_ci95.map_or_else(String::new, |[low, high]| format!(" ({low:.1} to {high:.1})"));
    let level = format!("{}{interval}", quantity::level(limit.level_p05, limit.unit));
    pen.cut(0, 0, &level, pen.width(), theme.strong);
    let counted = limit::counted(limit);
    let left_out = if limit.left_out > 0 { format!(", {} left out", limit.left_out) } else { String::new() };
    let sessions = quantity::counted(limit.sessions, "session", "sessions");
    pen.cut(0, 1, &format!("{counted} in {sessions}{left_out}"), pen.width(), theme.base);
    let mut row = 2;
    if let Some(warns) = limit::warns_from(limit) {
        pen.cut(0, row, &warns, pen.width(), theme.base);
        row += 1;
    }
    let agreement = limit.agreement.as_ref();
    let words = agreement.map(|found| format!("{} ({})", found.text, quantity::by_chance(found.p)));
    for (text, grave) in
        [(words, agreement.is_some_and(|found| found.word != "agree")), (limit.note.clone(), true)]
    {
        let style = if grave { theme.strong } else { theme.base };
        let width = pen.width();
        for line in text.iter().flat_map(|text| wrapped(text, width)) {
            pen.cut(0, row, &line, width, style);
            row += 1;
        }
    }
    let room = usize::from(pen.height().saturating_sub(row));
    let skipped = limit.each.len().saturating_sub(room);
    let scale = session_scale(limit);
    for session in limit.each.iter().skip(skipped).filter(|_| limit.sessions > 1) {
        session_row(scene, limit, session, scale, row, &mut pen);
        row += 1;
    }
}

/// The scale of the sessions' own levels, with their errors.
fn session_scale(limit: &Threshold) -> Option<Scale> {
    let ends = limit.each.iter().filter_map(|session| {
        let error = session.error.unwrap_or(0.0);
        session.level_p05.map(|level| [level - error, level + error])
    });
    Scale::around(ends.flatten().chain([limit.level_p05]), 4.0)
}

/// A session's day, its own level, and where that lies: `-o-` with the common level as `|`.
fn session_row(
    scene: &Scene<'_>,
    limit: &Threshold,
    session: &ThresholdSession,
    scale: Option<Scale>,
    row: u16,
    pen: &mut Pen<'_>,
) {
    const PLOT: u16 = 24;
    let theme = scene.theme;
    let style = if session.outlier { theme.strong } else { theme.base };
    let day = session.start_utc.as_deref().and_then(|start| start.get(..10)).unwrap_or(&session.session);
    pen.cut(0, row, day, 10, style);
    let Some(level) = session.level_p05 else {
        pen.cut(11, row, "none seen here", pen.width().saturating_sub(11), theme.dim);
        return;
    };
    let unit = if limit.unit == LevelUnit::Dbm { "" } else { " units" };
    pen.right(19, row, &format!("{level:.1}{unit}"), style);
    pen.right(22, row, &session.freezes.to_string(), theme.dim);
    let columns = pen.width().saturating_sub(PLOT);
    let Some(scale) = scale.filter(|_| columns >= 8) else { return };
    let place = |level: f64| PLOT + (scale.place(level) * f64::from(columns - 1)).round() as u16;
    let error = session.error.unwrap_or(0.0);
    for x in place(level - error)..=place(level + error) {
        pen.glyph(x, row, '─', theme.dim);
    }
    pen.glyph(place(limit.level_p05), row, '╎', theme.limit);
    pen.glyph(place(level), row, '●', style);
}
