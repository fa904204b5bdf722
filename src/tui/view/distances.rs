//! Claimed, predicted and proven distances side by side, as bars on one scale.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

use crate::profile::LimitEvent;
use crate::summary::{RangeSummary, RangeTheory, TheoryLimit};
use crate::tui::widget::pen::Pen;
use crate::wording::quantity::NOT_MEASURED;
use crate::wording::{limit, quantity};

use super::Scene;

/// A claim longer than this many times what was seen or predicted is cut, so that the rest stays readable.
const LONGEST: f64 = 5.0;
/// Rows from which on the two theories have a row each.
const TALL: u16 = 8;

struct Bar {
    name: String,
    value: Option<f64>,
    note: String,
    style: Style,
    missing: String,
}

/// One row a distance; below them, where there is room, what ended the proof. `event` begins at the limit.
pub(super) fn render(
    scene: &Scene<'_>,
    summary: &RangeSummary,
    event: LimitEvent,
    area: Rect,
    buffer: &mut Buffer,
) {
    let theme = scene.theme;
    let mut pen = Pen::new(buffer, area);
    let bars = bars(scene, summary, event, pen.height() >= TALL);
    let seen = [summary.max_distance_m, summary.predicted_freeze_m, summary.proven_m];
    let most = LONGEST * seen.into_iter().flatten().fold(10.0, f64::max);
    let longest = bars.iter().filter_map(|bar| bar.value).fold(1.0, f64::max).min(most);
    let room = f64::from(pen.width().saturating_sub(17 + 34)).max(4.0);
    for (row, bar) in (0..).zip(&bars) {
        pen.text(0, row, &bar.name, theme.base);
        let Some(value) = bar.value else {
            pen.text(17, row, &bar.missing, theme.dim);
            continue;
        };
        let columns = (value.min(longest) / longest * room).round().max(1.0) as u16;
        for column in 0..columns {
            pen.glyph(17 + column, row, '▄', bar.style);
        }
        if value > longest {
            pen.glyph(16 + columns, row, '>', bar.style);
        }
        let x = pen.text(18 + columns, row, &quantity::metres(value), theme.strong);
        pen.text(x, row, &bar.note, theme.dim);
    }
    if let Some(end) = &summary.proof_end {
        pen.text(0, bars.len() as u16, &limit::proof(end), theme.dim);
    }
}

fn bar(name: &str, value: Option<f64>, note: String, style: Style, missing: &str) -> Bar {
    Bar { name: name.to_owned(), value, note, style, missing: missing.to_owned() }
}

fn bars(scene: &Scene<'_>, summary: &RangeSummary, event: LimitEvent, tall: bool) -> Vec<Bar> {
    let theme = scene.theme;
    let between = summary
        .predicted_freeze_ci95_m
        .map(|[low, high]| format!(" ({low:.0} to {})", quantity::metres(high)))
        .unwrap_or_default();
    let no_limit = format!("needs a {} and more distances", limit::name(event));
    let predicted = format!("{} predicted", limit::event(event));
    let first = format!("first {}", limit::event(event));
    let mut bars = vec![bar("claimed", summary.claimed_m, String::new(), theme.dim, "not in the profile")];
    bars.extend(theory(scene, summary.theory.as_ref(), event, tall));
    bars.extend([
        bar("farthest seen", summary.max_distance_m, String::new(), theme.base, NOT_MEASURED),
        bar(&predicted, summary.predicted_freeze_m, between, theme.limit, &no_limit),
        bar(&first, summary.first_freeze_expected_m, String::new(), theme.limit, &no_limit),
        bar("worked to", summary.proven_m, behind(summary), theme.level, NOT_MEASURED),
    ]);
    bars
}

/// What theory predicts: free space and two rays, or the shorter of them where there is one row alone.
fn theory(scene: &Scene<'_>, theory: Option<&RangeTheory>, event: LimitEvent, tall: bool) -> Vec<Bar> {
    let missing = "give the link's budget in the profile";
    let note = match theory.and_then(|theory| theory.limit) {
        Some(TheoryLimit::FreezeLevel) => format!(" to the {}", limit::name(event)),
        Some(TheoryLimit::Sensitivity) => " to the sensitivity".to_owned(),
        None => String::new(),
    };
    let (free_space, two_rays) =
        theory.map_or((None, None), |theory| (theory.free_space_m, theory.two_ray_m));
    let series = scene.theme.series;
    if tall {
        let heights = if theory.is_some() { "give both heights in the budget" } else { missing };
        vec![
            bar("free space", free_space, note.clone(), series[2], missing),
            bar("two rays", two_rays, note, series[1], heights),
        ]
    } else {
        vec![bar("theory", two_rays.or(free_space), note, series[1], missing)]
    }
}

/// The day, seconds and passes that it rests on.
fn behind(summary: &RangeSummary) -> String {
    let day = summary.proven_m.map(|_| " on that day".to_owned());
    let seconds = summary.proven_s.map(|proven_s| format!(", {}", quantity::seconds(proven_s)));
    let passes =
        summary.proven_passes.map(|passes| format!(", {}", quantity::counted(passes, "pass", "passes")));
    day.into_iter().chain(seconds).chain(passes).collect()
}
