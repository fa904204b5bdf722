//! Histograms of times: the latency's stages, and what comes in great number.

use hdrhistogram::Histogram;

use super::svg_chart::{FROZEN, Frame, LEVEL, LIMIT, Picture, draw, round_up};
use crate::snapshot::usual_end;
use crate::summary::{LatencyStage, TimingSummary};
use crate::wording::page_words;

/// Bars of a histogram.
const BARS: usize = 60;

/// What comes in great number, as shares of milliseconds.
#[derive(Clone, Debug)]
pub(crate) struct TimingBins {
    /// Whose it is, and its figures.
    pub(crate) figures: TimingSummary,
    /// Lower and upper edge in ms, share.
    bins: Vec<(f64, f64, f64)>,
}

impl TimingBins {
    /// Of a histogram of microseconds.
    pub(crate) fn of(figures: TimingSummary, histogram: &Histogram<u32>) -> Self {
        let all = histogram.len().max(1) as f64;
        let bin = |value: u64, count: u32| {
            let (low, high) = (histogram.lowest_equivalent(value), histogram.highest_equivalent(value) + 1);
            (low as f64 / 1e3, high as f64 / 1e3, f64::from(count) / all)
        };
        let recorded = histogram.iter_recorded();
        Self {
            figures,
            bins: recorded.map(|row| bin(row.value_iterated_to(), row.count_at_value())).collect(),
        }
    }

    /// Its chart.
    pub(crate) fn picture(&self, name: String) -> Option<Picture> {
        let marks = [(page_words::HALF, Some(self.figures.p50_ms)), ("99 %", self.figures.p99_ms)];
        histogram(&self.bins, name, &page_words::timing_title(&self.figures), &marks, None)
    }
}

/// A stage of the latency, by its estimated distribution; `None` without one.
pub(crate) fn stage(
    (place, stage): (usize, &LatencyStage),
    bins: &[(f64, f64, f64)],
    name: String,
) -> Option<Picture> {
    let marks = [(page_words::HALF, stage.p50_ms), ("90 %", stage.p90_ms)];
    histogram(bins, name, &page_words::stage_title(place, stage), &marks, stage.p50_ci95_ms)
}

/// Shares by equal steps from 0 to `end`, each bin spread evenly over its width; what lies beyond is left out.
fn bars(bins: &[(f64, f64, f64)], end: f64) -> Vec<f64> {
    let mut bars = vec![0.0; BARS];
    let step = end / BARS as f64;
    for &(low, high, share) in bins.iter().filter(|bin| bin.1 > bin.0 && bin.1.is_finite()) {
        for (place, bar) in bars.iter_mut().enumerate() {
            let (from, to) = (step * place as f64, step * (place + 1) as f64);
            *bar += share * (high.min(to) - low.max(from)).max(0.0) / (high - low);
        }
    }
    bars
}

fn histogram(
    bins: &[(f64, f64, f64)],
    name: String,
    title: &str,
    marks: &[(&str, Option<f64>)],
    interval: Option<[f64; 2]>,
) -> Option<Picture> {
    let usual = usual_end(bins).filter(|end| end.is_finite() && *end > 0.0)?;
    let step = round_up(usual * 1.1 / 6.0);
    let end = (usual * 1.1 / step).ceil() * step;
    let shares = bars(bins, end);
    let most = shares.iter().copied().fold(0.0, f64::max);
    if most <= 0.0 {
        return None;
    }
    let beyond = 1.0 - shares.iter().sum::<f64>();
    let frame = Frame {
        size: (720, 250),
        across: [64, 708],
        down: [12, 206],
        x: [0.0, end],
        y: [0.0, 100.0 * most * 1.05],
    };
    Some(draw(name, page_words::with_beyond(title, beyond, end), frame, &mut |chart| {
        chart.x_axis(step, 20, &|value| format!("{} ms", (value * 100.0).round() / 100.0));
        chart.y_axis(4.0, &|value| format!("{} %", (value * 100.0).round() / 100.0));
        if let Some([low, high]) = interval {
            chart.stretch([low, high], FROZEN, 0.25);
        }
        for (place, share) in shares.iter().enumerate().filter(|(_, share)| **share > 0.0) {
            let [from, to] = [place, place + 1].map(|edge| end * edge as f64 / BARS as f64);
            let (left, top) = chart.pixel((from, share * 100.0));
            let (right, bottom) = chart.pixel((to, 0.0));
            chart.block([(left, top), ((right - 1).max(left + 1), bottom)], LEVEL, 0.75);
        }
        for (row, (name, at)) in (0..).zip(marks) {
            if let Some(at) = at.filter(|at| *at <= end) {
                chart.upright(at, name, row, LIMIT);
            }
        }
    }))
}

#[cfg(test)]
mod tests {
    use crate::report::page::histogram_charts::*;

    /// Shares are areas: a bin of twice the width has half the height, and what lies beyond the end is no bar.
    #[test]
    fn bars_are_areas() {
        let shares = bars(&[(0.0, 30.0, 0.5), (30.0, 90.0, 0.5)], 60.0);
        assert!(
            (shares[0] - 0.5 / 30.0).abs() < 1e-12 && (shares[59] - 0.5 / 60.0).abs() < 1e-12,
            "{shares:?}"
        );
        assert!((shares.iter().sum::<f64>() - 0.75).abs() < 1e-12);
    }
}
