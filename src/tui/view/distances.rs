//! Claimed, predicted and proven distances side by side, as bars on one scale.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

use crate::snapshot::LinkState;
use crate::summary::{ProofEnd, RangeSummary, RangeTheory};
use crate::tui::figure::{self, NOT_MEASURED};
use crate::tui::widget::pen::Pen;

use super::Scene;

const NO_LIMIT: &str = "needs a freeze level and a fit";
/// A claim longer than this many times what was seen or predicted is cut, so that the rest stays readable.
const LONGEST: f64 = 5.0;
/// Rows from which on the two theories have a row each.
const TALL: u16 = 8;

struct Bar<'a> {
    name: &'a str,
    value: Option<f64>,
    note: String,
    style: Style,
    missing: &'a str,
}

/// One row a distance; below them, where there is room, what ended the proof.
pub(super) fn render(scene: &Scene<'_>, summary: &RangeSummary, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let mut pen = Pen::new(buffer, area);
    let bars = bars(scene, summary, pen.height() >= TALL);
    let seen = [summary.max_distance_m, summary.predicted_freeze_m, summary.proven_m];
    let most = LONGEST * seen.into_iter().flatten().fold(10.0, f64::max);
    let longest = bars.iter().filter_map(|bar| bar.value).fold(1.0, f64::max).min(most);
    let room = f64::from(pen.width().saturating_sub(17 + 28)).max(4.0);
    for (row, bar) in (0..).zip(&bars) {
        pen.text(0, row, bar.name, theme.base);
        let Some(value) = bar.value else {
            pen.text(17, row, bar.missing, theme.dim);
            continue;
        };
        let columns = (value.min(longest) / longest * room).round().max(1.0) as u16;
        for column in 0..columns {
            pen.glyph(17 + column, row, '▄', bar.style);
        }
        if value > longest {
            pen.glyph(16 + columns, row, '>', bar.style);
        }
        let x = pen.text(18 + columns, row, &figure::metres(value), theme.strong);
        pen.text(x, row, &bar.note, theme.dim);
    }
    if let Some(end) = &summary.proof_end {
        pen.text(0, bars.len() as u16, &format!("proof ends: {}", why(end)), theme.dim);
    }
}

fn bars<'a>(scene: &Scene<'_>, summary: &'a RangeSummary, tall: bool) -> Vec<Bar<'a>> {
    let theme = scene.theme;
    let bar = |name, value, note, style, missing| Bar { name, value, note, style, missing };
    let between = summary
        .predicted_freeze_ci95_m
        .map(|[low, high]| format!(" ({low:.0} to {})", figure::metres(high)))
        .unwrap_or_default();
    let mut bars = vec![bar("claimed", summary.claimed_m, String::new(), theme.dim, "not in the profile")];
    bars.extend(theory(scene, summary.theory.as_ref(), tall));
    bars.extend([
        bar("farthest seen", summary.max_distance_m, String::new(), theme.base, NOT_MEASURED),
        bar("freeze predicted", summary.predicted_freeze_m, between, theme.limit, NO_LIMIT),
        bar("first freeze", summary.first_freeze_expected_m, String::new(), theme.limit, NO_LIMIT),
        bar("proven", summary.proven_m, behind(summary), theme.of(LinkState::Good), NOT_MEASURED),
    ]);
    bars
}

/// What theory claims: free space and two rays, or the shorter of them where there is one row alone.
fn theory<'a>(scene: &Scene<'_>, theory: Option<&'a RangeTheory>, tall: bool) -> Vec<Bar<'a>> {
    let missing = "give the link's budget in the profile";
    let limit = theory.and_then(|theory| theory.limit.as_deref());
    let note = match limit {
        Some("freeze_level") => " to the freeze level",
        Some(_) => " to the sensitivity",
        None => "",
    };
    let (free_space, two_rays) =
        theory.map_or((None, None), |theory| (theory.free_space_m, theory.two_ray_m));
    let series = scene.theme.series;
    let bar = |name, value, style, missing| Bar { name, value, note: note.to_owned(), style, missing };
    if tall {
        let heights = if theory.is_some() { "give both heights in the budget" } else { missing };
        vec![bar("free space", free_space, series[2], missing), bar("two rays", two_rays, series[1], heights)]
    } else {
        vec![bar("theory", two_rays.or(free_space), series[1], missing)]
    }
}

/// Seconds and passes behind the proof.
fn behind(summary: &RangeSummary) -> String {
    let seconds = summary.proven_s.map(|proven_s| format!(" {} of data", figure::seconds(proven_s)));
    let passes =
        summary.proven_passes.map(|passes| format!(", {}", figure::counted(passes, "pass", "passes")));
    seconds.into_iter().chain(passes).collect()
}

fn why(end: &ProofEnd) -> String {
    let ProofEnd { from_m, to_m, why } = end;
    let at = format!("{from_m:.0} to {}", figure::metres(*to_m));
    match why.as_str() {
        "frozen" => format!("the picture froze at {at}"),
        "loss" => format!("over 5 % lost at {at}"),
        "failsafe" => format!("a failsafe at {at}"),
        "holds" => format!("the input held at {at}"),
        "position_lost" => format!("the position was lost at {at}"),
        "gap" => format!("too few seconds from {at}"),
        "not_measured" => format!("not measured from {at}"),
        _ => format!("nothing failed as far as {}", figure::metres(*to_m)),
    }
}
