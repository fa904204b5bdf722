//! The signal page: one link's level against its limit, what the limit rests on, and every radio.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::profile::LinkRole;
use crate::snapshot::{Lane, LinkState, Snapshot};
use crate::summary::{SignalSummary, Threshold, ThresholdSession};
use crate::tui::figure::{self, NOT_MEASURED};
use crate::tui::widget::axis::MarkRow;
use crate::tui::widget::big;
use crate::tui::widget::panel::{panel, split_columns, split_rows};
use crate::tui::widget::pen::{Pen, wrapped};
use crate::tui::widget::scale::Scale;
use crate::tui::widget::trend::{BadSide, Trend};
use crate::units::LevelUnit;

use super::{GUTTER, Scene, air, lanes, lanes_by_limit, put, time_axis, window_text};

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
    let radios = snapshot.summary.signal.len().clamp(1, 6) as u16;
    let (body, table) = split_rows(area, area.height.saturating_sub(radios + 3));
    let (body, on_air) = split_rows(body, body.height.saturating_sub(air::rows(snapshot, area.height)));
    if on_air.height > 0 {
        air::render(scene, snapshot, on_air, buffer);
    }
    let with_level = lanes_by_limit(snapshot, |lane| lane.unit.is_some());
    let Some(lane) = with_level.get(scene.state.item % with_level.len().max(1)) else {
        let text = format!("{NOT_MEASURED}: no link has a level; name its radio in the profile");
        Pen::new(buffer, body).paragraph(1, 1, &text, scene.theme.dim);
        radio_rows(scene, snapshot, table, buffer);
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
    radio_rows(scene, snapshot, table, buffer);
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
    let scale = lanes::level_scale(lane);
    if let Some(scale) = scale {
        let name = lane.role.map_or("limit", LinkRole::limit_name);
        let limit_text = lane
            .threshold
            .zip(lane.unit)
            .map(|(limit, unit)| format!(" {name} {} ", figure::level(limit, unit)))
            .unwrap_or_default();
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
    } else if let Some(missing) = &lane.missing {
        Pen::new(buffer, plot).paragraph(1, plot.height / 2, missing, theme.dim);
    }
    marks.ticks(plot, buffer);
    time_axis(scene, snapshot, axis, buffer);
    now(scene, lane, scale, gutter, buffer);
}

/// Margin, seconds and metres left, then the level and its trend.
fn now(scene: &Scene<'_>, lane: &Lane, scale: Option<Scale>, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let unit = lane.unit.unwrap_or(LevelUnit::Raw);
    let mut pen = Pen::new(buffer, area);
    let rows = pen.height();
    for row in 0..rows {
        pen.glyph(GUTTER - 1, row, '│', theme.rule);
    }
    if let Some(scale) = scale {
        pen.right(GUTTER - 1, 0, &format!("{:.0}", scale.high), theme.dim);
        if rows > 2 {
            pen.right(GUTTER - 1, rows - 1, &format!("{:.0}", scale.low), theme.dim);
        }
    }
    let state = theme.of(lane.state);
    let x = pen.text(0, 0, figure::symbol(lane.state), state) + 1;
    pen.text(x, 0, figure::word(lane.state), state);
    let mut row = 1;
    for (number, digits, label) in left(lane, unit) {
        if rows >= LARGE_ROWS {
            big::draw(&mut pen, 2, row + 1, &digits, label, theme.strong);
            row += 4;
        } else {
            pen.cut(2, row, &number, GUTTER - 8, theme.strong);
            row += 1;
        }
    }
    row += u16::from(rows >= LARGE_ROWS);
    if lane.margin_now.is_none() {
        pen.cut(2, row, &format!("margin {NOT_MEASURED}"), GUTTER - 8, theme.base);
        row += 1;
    }
    let level = lane.level_now.map_or_else(|| "no level now".to_owned(), |level| figure::level(level, unit));
    let trend = lane.trend_per_s.map(|trend| figure::trend(trend, unit));
    let acknowledged = lane.acknowledged.then(|| "acknowledged".to_owned());
    for text in
        [Some(level), trend, acknowledged].into_iter().flatten().take(usize::from(rows - row.min(rows)))
    {
        pen.cut(2, row, &text, GUTTER - 8, theme.base);
        row += 1;
    }
}

/// What is left: in words, and as large digits with what stands behind them.
fn left(lane: &Lane, unit: LevelUnit) -> Vec<(String, String, &'static str)> {
    let mut left = Vec::new();
    if let Some(margin) = lane.margin_now {
        let label = if unit == LevelUnit::Dbm { "dB margin" } else { "units margin" };
        left.push((
            format!("margin {}", figure::difference(margin, unit)),
            format!("{:.0}", margin.round() + 0.0),
            label,
        ));
    }
    if let Some(left_s) = lane.seconds_left.filter(|left_s| *left_s < 1_000.0) {
        left.push((format!("{} left", figure::seconds(left_s)), format!("{left_s:.0}"), "s left"));
    }
    if let Some(left_m) = lane.metres_left.filter(|left_m| *left_m < 10_000.0) {
        left.push((format!("{} left", figure::metres(left_m)), format!("{left_m:.0}"), "m left"));
    }
    left
}

/// What the limit is, what it rests on, each session's own, and whether they agree.
fn limit_panel(scene: &Scene<'_>, lane: &Lane, limit: Option<&Threshold>, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let name = lane.role.map_or("limit", LinkRole::limit_name);
    let inner = panel(name, "earlier sessions, same tags", theme, area, buffer);
    let mut pen = Pen::new(buffer, inner);
    let Some(limit) = limit else {
        let text = format!("not known: {}", lane.missing.as_deref().unwrap_or("add earlier sessions"));
        pen.paragraph(0, 0, &text, theme.dim);
        return;
    };
    let interval =
        limit.level_p05_ci95.map_or_else(String::new, |[low, high]| format!(" ({low:.1} to {high:.1})"));
    pen.cut(
        0,
        0,
        &format!("{}{interval}", figure::level(limit.level_p05, limit.unit)),
        pen.width(),
        theme.strong,
    );
    let counted = crate::report::thresholds::counted(limit);
    let left_out = if limit.left_out > 0 { format!(", {} left out", limit.left_out) } else { String::new() };
    let sessions = figure::counted(limit.sessions, "session", "sessions");
    pen.cut(0, 1, &format!("{counted} in {sessions}{left_out}"), pen.width(), theme.base);
    let mut row = 2;
    let agreement = limit.agreement.as_ref();
    let words = agreement.map(|found| format!("{} (p = {:.2})", found.text, found.p));
    for (text, grave) in
        [(words, agreement.is_some_and(|found| found.word != "agree")), (limit.note.clone(), true)]
    {
        let style = if grave { theme.of(LinkState::Near) } else { theme.base };
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
    let style = if session.outlier { theme.of(LinkState::Near) } else { theme.base };
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
    let place = |level: f64| {
        let share = ((level - scale.low) / (scale.high - scale.low)).clamp(0.0, 1.0);
        PLOT + (share * f64::from(columns - 1)).round() as u16
    };
    let error = session.error.unwrap_or(0.0);
    for x in place(level - error)..=place(level + error) {
        pen.glyph(x, row, '─', theme.dim);
    }
    pen.glyph(place(limit.level_p05), row, '╎', theme.limit);
    pen.glyph(place(level), row, '●', style);
}

/// One row a radio and direction, over the whole session.
fn radio_rows(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let inner = panel("radios", "whole session", theme, area, buffer);
    let mut pen = Pen::new(buffer, inner);
    let signals = &snapshot.summary.signal;
    if signals.is_empty() {
        pen.text(0, 0, "not measured: no radio reports its level; name the radio in the profile", theme.dim);
        return;
    }
    let ends: [u16; 6] = [42, 48, 54, 60, 70, 79];
    for (end, head) in ends.into_iter().zip(["median", "p05", "least", "noise", "over it", "samples"]) {
        pen.right(end, 0, head, theme.dim);
    }
    for (row, signal) in (1..).zip(signals) {
        radio_row(scene, signal, ends, row, &mut pen);
    }
}

fn radio_row(scene: &Scene<'_>, signal: &SignalSummary, ends: [u16; 6], row: u16, pen: &mut Pen<'_>) {
    let theme = scene.theme;
    let radio = signal.short_name();
    pen.cut(0, row, signal.link.as_deref().unwrap_or("no link"), 11, theme.strong);
    pen.cut(12, row, &radio, 7, theme.dim);
    pen.text(20, row, if signal.direction == "up" { "uplink" } else { "downlink" }, theme.base);
    pen.text(29, row, signal.unit.label(), theme.dim);
    let whole = |value: Option<f64>| value.map_or_else(|| "-".to_owned(), |value| format!("{value:.0}"));
    let values = [signal.median, signal.p05, signal.min, signal.noise_median, signal.snr_median_db];
    for (index, (end, value)) in ends.into_iter().zip(values).enumerate() {
        let style = if index == 0 { theme.strong } else { theme.base };
        pen.right(end, row, &whole(value), style);
    }
    pen.right(ends[5], row, &figure::count(signal.samples), theme.base);
    pen.cut(81, row, &signal.source.replace('_', " "), pen.width().saturating_sub(81), theme.dim);
}
