//! The range page: levels of each radio, level against distance, and how far is
//! claimed, predicted and shown to work.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

use crate::profile::{LimitEvent, LinkRole};
use crate::snapshot::{DistanceBin, Lane, LinkState, RangeView, Snapshot};
use crate::summary::{RangeSummary, Threshold};
use crate::tui::widget::panel::{panel, split_columns, split_rows};
use crate::tui::widget::pen::{Pen, width, wrapped};
use crate::tui::widget::plot::{Line, Plot, Series};
use crate::tui::widget::scale::{Scale, round_up};
use crate::units::LevelUnit;
use crate::wording::caution::WALK;
use crate::wording::quantity::NOT_MEASURED;
use crate::wording::{limit, quantity, reason};

use super::{Scene, distances, lanes_by_limit, put, radios};

/// Under so many rows every row counts.
const SMALL: u16 = 24;
/// Columns of the plot's vertical labels.
const LABELS: u16 = 7;

/// Draws the page.
pub(super) fn render(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    // On a small screen the plot takes the gap under the table.
    let gap = u16::from(area.height < SMALL);
    let (top, rest) = split_rows(area, radios::rows(snapshot) - gap);
    radios::render(scene, snapshot, top, buffer);
    let Chosen { name, links, summary, view } = chosen(scene, snapshot);
    let missing = view.or(snapshot.range.first()).and_then(|view| view.missing);
    let title = name.map_or_else(|| "range".to_owned(), |link| format!("{link}: level against distance"));
    let note = if links > 1 { "l shows the next link" } else { "" };
    let inner = panel(&title, note, scene.theme, rest, buffer);
    let (Some(summary), None) = (summary, missing) else {
        let text = missing.map_or_else(
            || format!("{NOT_MEASURED}: no link has a level and a distance yet"),
            |missing| format!("{NOT_MEASURED}: {missing}"),
        );
        let mut pen = Pen::new(buffer, inner);
        let row = pen.paragraph(0, 1, &text, scene.theme.dim);
        pen.paragraph(0, row, WALK, scene.theme.dim);
        return;
    };
    let wide = inner.width >= 112;
    let (plot, words) = if wide {
        split_columns(inner, inner.width - 58, 2)
    } else {
        split_rows(inner, inner.height.saturating_sub(6))
    };
    let threshold = snapshot.summary.thresholds.iter().find(|threshold| threshold.link == summary.link);
    let event = event(snapshot, &summary.link, threshold);
    level_plot(scene, snapshot, view, summary, threshold, plot, buffer);
    if wide {
        let (bars, fit) = split_rows(words, 9);
        distances::render(scene, summary, event, bars, buffer);
        let words = (event, missing_limit(snapshot, &summary.link));
        fit_words(scene, summary, threshold, words, fit, buffer);
    } else {
        distances::render(scene, summary, event, words, buffer);
    }
}

/// The link that the pilot chose.
pub(super) struct Chosen<'a> {
    pub(super) name: Option<&'a str>,
    /// How many there are to choose from.
    pub(super) links: usize,
    pub(super) summary: Option<&'a RangeSummary>,
    pub(super) view: Option<&'a RangeView>,
}

/// Of the links that have a row.
pub(super) fn chosen<'a>(scene: &Scene<'_>, snapshot: &'a Snapshot) -> Chosen<'a> {
    let has_row = |lane: &Lane| snapshot.summary.range.iter().any(|range| range.link == lane.link);
    let names: Vec<&str> = lanes_by_limit(snapshot, has_row).iter().map(|lane| lane.link.as_str()).collect();
    let name = names.get(scene.state.item % names.len().max(1)).copied();
    Chosen {
        name,
        links: names.len(),
        summary: name.and_then(|link| snapshot.summary.range.iter().find(|range| range.link == link)),
        view: name.and_then(|link| snapshot.range.iter().find(|range| range.link == link)),
    }
}

/// What begins at the link's limit.
fn event(snapshot: &Snapshot, link: &str, threshold: Option<&Threshold>) -> LimitEvent {
    let role = snapshot.lanes.iter().find(|lane| lane.link == link).and_then(|lane| lane.role);
    let known = threshold.map(|threshold| threshold.event);
    known.or(role.map(LinkRole::limit_event)).unwrap_or_default()
}

/// Why a link's limit is not known, and what to do about it.
pub(super) fn missing_limit(snapshot: &Snapshot, link: &str) -> &'static str {
    reason::lane_advice(snapshot.lanes.iter().find(|lane| lane.link == link))
}

fn whole(value: f64) -> String {
    format!("{value:.0}")
}

/// Points of level against distance, the bins' medians, the limit, and a row that says which bins passed.
fn level_plot(
    scene: &Scene<'_>,
    snapshot: &Snapshot,
    view: Option<&RangeView>,
    summary: &RangeSummary,
    threshold: Option<&Threshold>,
    area: Rect,
    buffer: &mut Buffer,
) {
    let theme = scene.theme;
    let Some(view) = view else { return };
    let seen = summary
        .max_distance_m
        .into_iter()
        .chain(summary.predicted_freeze_m)
        .chain(view.bins.iter().map(|bin| bin.to_m));
    let far = seen.fold(0.0, f64::max);
    let medians: Vec<(f64, f64)> = view
        .bins
        .iter()
        .filter_map(|bin| bin.level.map(|level| (f64::midpoint(bin.from_m, bin.to_m), level)))
        .collect();
    let free_space: Vec<(f64, f64)> = view.theory.iter().map(|&(at, level, _)| (at, level)).collect();
    let two_rays: Vec<(f64, f64)> =
        view.theory.iter().filter_map(|&(at, _, level)| Some((at, level?))).collect();
    let levels = view.points.iter().chain(&medians).map(|point| point.1);
    let level = threshold.map(|threshold| threshold.level_p05);
    let Some(y) = Scale::around(levels.chain(level), 10.0) else { return };
    let step = round_up(far / 10.0);
    let x = Scale { low: 0.0, high: (far / step).ceil().max(1.0) * step };
    let within = |line: Vec<(f64, f64)>| -> Vec<(f64, f64)> {
        line.into_iter().filter(|&(at, level)| at <= x.high && level >= y.low && level <= y.high).collect()
    };
    let (free_space, two_rays) = (within(free_space), within(two_rays));
    let series = [
        Series { points: &free_space, joined: true, style: theme.series[2] },
        Series { points: &two_rays, joined: true, style: theme.series[1] },
        Series { points: &view.points, joined: false, style: theme.dim },
        Series { points: &medians, joined: true, style: theme.level },
    ];
    let event = event(snapshot, &summary.link, threshold);
    let limit_text = format!(" {} ", limit::name(event));
    let predicted = format!("{} predicted", limit::event(event));
    let across: Vec<Line<'_>> =
        level.map(|at| Line { at, text: &limit_text, style: theme.limit }).into_iter().collect();
    let mut upright = Vec::new();
    for (at, text, style) in [
        (summary.proven_m, "worked to", theme.level),
        (summary.predicted_freeze_m, predicted.as_str(), theme.limit),
        (snapshot.distance_m, "now", theme.strong),
    ] {
        upright.extend(at.map(|at| Line { at, text, style }));
    }
    let (plot, strip) = split_rows(area, area.height.saturating_sub(1));
    let drawn = Plot {
        x,
        y,
        x_unit: "m",
        gutter: LABELS,
        y_label: whole,
        series: &series,
        across: &across,
        upright: &upright,
        theme,
    };
    put(&drawn, plot, buffer);
    for (line, text, style) in
        [(&free_space, "free space", theme.series[2]), (&two_rays, "two rays", theme.series[1])]
    {
        name_line(line, text, style, (x, y), plot, buffer);
    }
    bins_row(scene, &view.bins, x, strip, buffer);
}

/// The name of a line above it, as far out as nothing else is written there.
fn name_line(
    line: &[(f64, f64)],
    text: &str,
    style: Style,
    (x, y): (Scale, Scale),
    plot: Rect,
    buffer: &mut Buffer,
) {
    let area = Rect {
        x: plot.x + LABELS.min(plot.width),
        width: plot.width.saturating_sub(LABELS),
        height: plot.height.saturating_sub(1),
        ..plot
    };
    let mut pen = Pen::new(buffer, area);
    let (columns, rows) = (pen.width(), pen.height());
    for eighth in [7, 6, 5, 4, 3, 2] {
        let Some(&(at, level)) = line.get(line.len() * eighth / 8) else { continue };
        let column = (x.place(at) * f64::from(columns.saturating_sub(1))).round() as u16 + 1;
        let row = y.row(level, rows).saturating_sub(1);
        if (column..=column + width(text)).all(|column| pen.at(column, row) == " ") {
            pen.text(column, row, text, style);
            return;
        }
    }
}

/// Each bin: passed, failed, not measured.
fn bins_row(scene: &Scene<'_>, bins: &[DistanceBin], x: Scale, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let (names, plot) = split_columns(area, LABELS, 0);
    Pen::new(buffer, names).text(0, 0, "worked", theme.dim);
    let mut pen = Pen::new(buffer, plot);
    let columns = pen.width();
    for column in 0..columns {
        let at = x.high * (f64::from(column) + 0.5) / f64::from(columns.max(1));
        let Some(bin) = bins.iter().find(|bin| at >= bin.from_m && at < bin.to_m) else { continue };
        let (letter, style) = match bin.passed {
            Some(true) => ('●', theme.of(LinkState::Good)),
            Some(false) => ('×', theme.of(LinkState::Failing)),
            None => ('?', theme.dim),
        };
        pen.glyph(column, 0, letter, style);
    }
}

/// The fit and what is behind it.
fn fit_words(
    scene: &Scene<'_>,
    summary: &RangeSummary,
    threshold: Option<&Threshold>,
    (event, missing_limit): (LimitEvent, &str),
    area: Rect,
    buffer: &mut Buffer,
) {
    let theme = scene.theme;
    let unit = summary.unit.unwrap_or(LevelUnit::Raw);
    let mut pen = Pen::new(buffer, area);
    let mut lines: Vec<(&str, String)> = Vec::new();
    let exponent = match (summary.path_loss_exponent, summary.path_loss_exponent_ci95) {
        (Some(value), Some([low, high])) => format!("exponent {value:.2} ({low:.2} to {high:.2})"),
        (Some(value), None) => format!("exponent {value:.2}"),
        (None, _) if unit == LevelUnit::Raw => "needs a scale to dBm".to_owned(),
        (None, _) => NOT_MEASURED.to_owned(),
    };
    lines.push(("fall with distance", exponent));
    if let Some(sigma) = summary.shadowing_sigma_db {
        lines.push(("scatter of levels", format!("{sigma:.1} dB")));
    }
    if let Some(level) = summary.level_at_1m {
        lines.push(("level at 1 m", quantity::level(level, unit)));
    }
    match threshold {
        Some(threshold) => {
            let between = threshold
                .level_p05_ci95
                .map(|[low, high]| format!(" ({low:.1} to {high:.1})"))
                .unwrap_or_default();
            let level = quantity::level(threshold.level_p05, unit);
            lines.push((limit::name(event), format!("{level}{between}")));
            let sessions = quantity::counted(threshold.sessions, "session", "sessions");
            lines.push(("based on", format!("{}, {sessions}", limit::counted(threshold))));
        }
        None => lines.push((limit::name(event), missing_limit.to_owned())),
    }
    if let Some(theory) = &summary.theory
        && let (Some(below), Some(at)) = (theory.below_free_space_db, theory.compared_at_m)
    {
        let between = theory
            .below_free_space_ci95_db
            .map(|[low, high]| format!(" ({low:.1} to {high:.1})"))
            .unwrap_or_default();
        lines.push(("below free space", format!("{below:.1} dB{between} at {}", quantity::metres(at))));
    }
    if let Some(more) = summary.plus_3db_m {
        let between = summary
            .plus_3db_ci95_m
            .map(|[low, high]| format!(" ({low:.0} to {high:.0})"))
            .unwrap_or_default();
        lines.push(("3 dB more level", format!("estimate: {more:.0} m farther{between}")));
    }
    lines.push(("samples", quantity::count(summary.samples)));
    lines.push(("left out", format!("{} s without level or position", summary.seconds_excluded)));
    if let (Some(to_m), Some(seconds)) = (summary.saturated_to_m, summary.saturated_s) {
        lines.push(("", format!("{seconds} s up to {to_m:.0} m, as the radio tops out there")));
    }
    if summary.fixes_left_out > 0 {
        lines.push((
            "",
            format!("{} that cannot be", quantity::counted(summary.fixes_left_out, "fix", "fixes")),
        ));
    }
    let origin =
        summary.origin.map_or_else(|| "unknown".to_owned(), |origin| origin.word().replace('_', " "));
    lines.push(("handset from", origin));
    let mut row = 0;
    for (name, text) in lines {
        pen.text(0, row, name, theme.dim);
        // What is counted behind a limit of loss takes more words than one row holds.
        for line in wrapped(&text, pen.width().saturating_sub(20)) {
            pen.text(20, row, &line, theme.base);
            row += 1;
        }
    }
}
