//! Theil-Sen slope: the median of the slopes of all pairs, with Sen's interval.
//!
//! Theil (1950); Sen (1968), J. Amer. Statist. Assoc. 63:1379-1389: the interval comes
//! from Kendall's variance with tie correction, for independent residuals. Pairs with equal x are
//! dropped. Unit: y per x.

use statrs::distribution::{ContinuousCDF, Normal};

/// A fitted slope.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TheilSen {
    /// Median slope.
    pub slope: f64,
    /// Median of y less slope times median of x.
    pub intercept: f64,
    /// Sen's interval of the slope.
    pub interval: [f64; 2],
}

/// Fits a slope with an interval of the given confidence (0.95, say). `None` where no two x differ, or
/// the lengths do.
#[must_use]
pub fn fit(x: &[f64], y: &[f64], confidence: f64) -> Option<TheilSen> {
    let mut slopes = of_pairs(x, y);
    let slope = median_of(&mut slopes)?;
    let intercept = median_of(&mut y.to_vec())? - slope * median_of(&mut x.to_vec())?;
    let reach = normal_quantile(0.5 + confidence / 2.0) * kendall_variance(x, y).sqrt();
    let last = slopes.len() - 1;
    let pairs = slopes.len() as f64;
    let high = (f64::midpoint(pairs, reach).round_ties_even() as usize).min(last);
    let low = ((((pairs - reach) / 2.0).round_ties_even() - 1.0).max(0.0) as usize).min(last);
    let low = *slopes.select_nth_unstable_by(low, f64::total_cmp).1;
    let high = *slopes.select_nth_unstable_by(high, f64::total_cmp).1;
    Some(TheilSen { slope, intercept, interval: [low, high] })
}

/// The slope alone, at a third of the cost. `None` where no two x differ, or the lengths do.
#[must_use]
pub fn slope(x: &[f64], y: &[f64]) -> Option<f64> {
    median_of(&mut of_pairs(x, y))
}

/// The slopes of all pairs whose x differ; none where the lengths do.
fn of_pairs(x: &[f64], y: &[f64]) -> Vec<f64> {
    if x.len() != y.len() {
        return Vec::new();
    }
    let mut slopes = Vec::with_capacity(x.len() * x.len().saturating_sub(1) / 2);
    for later in 1..x.len() {
        for earlier in 0..later {
            let run = x[later] - x[earlier];
            if run != 0.0 {
                slopes.push((y[later] - y[earlier]) / run);
            }
        }
    }
    slopes
}

/// Kendall's variance of S under independence, ties in x and y taken off.
fn kendall_variance(x: &[f64], y: &[f64]) -> f64 {
    let term = |count: f64| count * (count - 1.0) * (2.0 * count + 5.0);
    let ties = |sample: &[f64]| {
        let mut sorted = sample.to_vec();
        sorted.sort_by(f64::total_cmp);
        sorted.chunk_by(|a, b| a == b).map(|run| term(run.len() as f64)).sum::<f64>()
    };
    (term(x.len() as f64) - ties(x) - ties(y)) / 18.0
}

fn median_of(sample: &mut [f64]) -> Option<f64> {
    let middle = sample.len() / 2;
    if sample.is_empty() {
        return None;
    }
    let even = sample.len().is_multiple_of(2);
    let (below, &mut upper, _) = sample.select_nth_unstable_by(middle, f64::total_cmp);
    if !even {
        return Some(upper);
    }
    below.iter().copied().max_by(f64::total_cmp).map(|lower| f64::midpoint(lower, upper))
}

/// The standard normal quantile.
fn normal_quantile(p: f64) -> f64 {
    Normal::standard().inverse_cdf(p)
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use crate::stats::theil_sen::*;

    /// scipy 1.17.1 scipy.stats.theilslopes; the first case is Sen's own data (1968).
    #[test]
    fn slopes_match_the_reference() {
        let vectors: Value = serde_json::from_str(include_str!("../../tests/vectors/theilsen.json")).unwrap();
        let numbers = |value: &Value| -> Vec<f64> {
            value.as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
        };
        for case in vectors["cases"].as_array().unwrap() {
            let (x, y) = (numbers(&case["x"]), numbers(&case["y"]));
            for (confidence, key) in [(0.95, "ci95"), (0.93, "ci93")] {
                let fit = fit(&x, &y, confidence).unwrap();
                let expected = numbers(&case[key]);
                assert!((fit.slope - case["slope"].as_f64().unwrap()).abs() < 1e-12);
                assert!((fit.intercept - case["intercept_separate"].as_f64().unwrap()).abs() < 1e-12);
                assert!((fit.interval[0] - expected[0]).abs() < 1e-12, "{} {key}", case["name"]);
                assert!((fit.interval[1] - expected[1]).abs() < 1e-12, "{} {key}", case["name"]);
            }
        }
    }

    #[test]
    fn without_two_different_x_there_is_no_slope() {
        assert_eq!(fit(&[1.0, 1.0], &[2.0, 3.0], 0.9), None);
        assert_eq!(fit(&[], &[], 0.9), None);
    }
}
