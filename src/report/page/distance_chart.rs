//! Level against distance: seconds, medians of the bins, the fitted line, theory, the limit, and where the link worked.

use super::svg_chart::{
    DIM, FROZEN, Frame, GOOD, INK, LEVEL, LIMIT, LOSS, Picture, Side, around, draw, round_up,
};
use crate::snapshot::RangeView;
use crate::summary::{RangeSummary, Threshold};
use crate::wording::{limit, page_words, quantity};

/// The fit is made from here on.
const FITTED_FROM_M: f64 = 10.0;

/// The link's chart; `None` where no second has a level and a distance.
pub(crate) fn picture(
    view: &RangeView,
    row: &RangeSummary,
    threshold: Option<&Threshold>,
    name: String,
) -> Option<Picture> {
    let medians: Vec<(f64, f64)> = view
        .bins
        .iter()
        .filter_map(|bin| bin.level.map(|level| (f64::midpoint(bin.from_m, bin.to_m), level)))
        .collect();
    let limit_level = threshold.map(|threshold| threshold.level_p05);
    if view.points.is_empty() && medians.is_empty() {
        return None;
    }
    let levels = view.points.iter().chain(&medians).map(|point| point.1);
    let y = around(levels.chain(limit_level), 10.0)?;
    let seen = view.bins.iter().map(|bin| bin.to_m).chain(view.points.iter().map(|point| point.0));
    let seen = seen.chain(row.max_distance_m).fold(0.0, f64::max);
    // A prediction far beyond what was seen would leave no room for it.
    let predicted = row.predicted_freeze_m.filter(|at| *at <= 2.0 * seen);
    let far = seen.max(predicted.unwrap_or_default());
    let step = round_up(far / 7.0);
    let end = (far / step).ceil().max(1.0) * step;
    let frame = Frame { size: (720, 390), across: [64, 708], down: [32, 316], x: [0.0, end], y };
    let within = |line: &[(f64, f64)]| -> Vec<(f64, f64)> {
        line.iter().copied().filter(|(at, level)| *at <= end && *level >= y[0] && *level <= y[1]).collect()
    };
    Some(draw(name, page_words::distance_title(row, threshold), frame, &mut |chart| {
        chart.x_axis(step, 46, &|value| format!("{value:.0} m"));
        chart.y_axis(5.0, &|value| format!("{value:.0}"));
        chart.unit(row.unit.unwrap_or_default().label());
        if let (Some(_), Some([low, high])) = (predicted, row.predicted_freeze_ci95_m) {
            chart.stretch([low, high], LIMIT, 0.15);
        }
        for point in &view.points {
            chart.dot(*point, 2, DIM);
        }
        let free: Vec<_> = view.theory.iter().map(|&(at, level, _)| (at, level)).collect();
        let rays: Vec<_> = view.theory.iter().filter_map(|&(at, _, level)| Some((at, level?))).collect();
        for (line, colour, word) in [
            (free, GOOD, page_words::FREE_SPACE),
            (rays, LOSS, page_words::TWO_RAYS),
            (fitted(row, end), FROZEN, page_words::FITTED),
        ] {
            let line = within(&line);
            chart.line(&line, colour, 2);
            // Far out the lines lie apart.
            let place = if word == page_words::FITTED { line.len() / 4 } else { line.len() * 3 / 4 };
            if let Some(point) = line.get(place).filter(|_| line.len() > 1) {
                let (x, y) = chart.pixel(*point);
                chart.text((x + 4, y - 10), word, colour, Side::Left);
            }
        }
        chart.line(&medians, LEVEL, 3);
        for point in &medians {
            chart.dot(*point, 4, LEVEL);
        }
        if let (Some(level), Some(threshold)) = (limit_level, threshold) {
            chart.across(level, LIMIT);
            let (x, y) = (70, chart.pixel((0.0, level)).1);
            chart.text((x, y + 10), limit::name(threshold.event), LIMIT, Side::Left);
        }
        if let Some(at) = row.proven_m {
            chart.upright(at, &page_words::worked_to(at), 0, INK);
        }
        if let Some(at) = predicted {
            chart.upright(at, &page_words::predicted(at, threshold), 1, LIMIT);
        }
        let bottom = chart.frame.down[1];
        for bin in &view.bins {
            let (from, to) = (chart.pixel((bin.from_m, 0.0)).0, chart.pixel((bin.to_m, 0.0)).0);
            let (colour, strength) = match bin.passed {
                Some(true) => (GOOD, 0.8),
                Some(false) => (LIMIT, 0.9),
                None => (DIM, 0.25),
            };
            // A bin that failed is lower too: colour alone tells nothing to some.
            let top = if bin.passed == Some(false) { bottom + 8 } else { bottom + 14 };
            chart.block([(from, top), ((to - 1).max(from + 1), bottom + 26)], colour, strength);
        }
        chart.text((58, bottom + 19), page_words::WORKED, DIM, Side::Right);
    }))
}

/// Level at 1 m less 10 n log10 of the distance.
fn fitted(row: &RangeSummary, end: f64) -> Vec<(f64, f64)> {
    let (Some(at_1m), Some(exponent)) = (row.level_at_1m, row.path_loss_exponent) else { return Vec::new() };
    let steps =
        (0..=60).map(|step| FITTED_FROM_M * (end / FITTED_FROM_M).max(1.0).powf(f64::from(step) / 60.0));
    steps.map(|at| (at, at_1m - 10.0 * exponent * at.log10())).collect()
}

/// What the bins say, for those who cannot see them.
pub(crate) fn bin_rows(view: &RangeView, row: &RangeSummary) -> Vec<Vec<String>> {
    let unit = row.unit.unwrap_or_default();
    let absent = || quantity::NOT_MEASURED.to_owned();
    view.bins
        .iter()
        .map(|bin| {
            vec![
                format!("{:.0} to {:.0} m", bin.from_m, bin.to_m),
                quantity::seconds(bin.seconds),
                bin.level.map_or_else(absent, |level| quantity::level(level, unit)),
                bin.loss_ratio.map_or_else(absent, quantity::percent),
                page_words::passed(bin.passed).to_owned(),
            ]
        })
        .collect()
}
