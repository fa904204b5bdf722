//! Theil-Sen slope: the median of the slopes of all pairs, with Sen's interval.
//!
//! Theil (1950); Sen (1968), J. Amer. Statist. Assoc. 63:1379-1389: the interval comes
//! from Kendall's variance with tie correction. Pairs with equal x are dropped. For
//! correlated residuals Kendall's variance is widened by a factor (Hamed and Rao 1998
//! take it from the autocorrelation). Unit: y per x.

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

/// Fits a slope with an interval of the given confidence (0.95, say). `inflation` multiplies
/// Kendall's variance: 1 for independent samples, (1 + r) / (1 - r) for a first-order
/// correlation r. `None` where no two x differ, or the lengths do.
#[must_use]
pub fn fit(x: &[f64], y: &[f64], confidence: f64, inflation: f64) -> Option<TheilSen> {
    if x.len() != y.len() {
        return None;
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
    let slope = median_of(&mut slopes)?;
    let intercept = median_of(&mut y.to_vec())? - slope * median_of(&mut x.to_vec())?;
    let reach = normal_quantile(0.5 + confidence / 2.0) * (kendall_variance(x, y) * inflation).sqrt();
    let last = slopes.len() - 1;
    let pairs = slopes.len() as f64;
    let high = (f64::midpoint(pairs, reach).round_ties_even() as usize).min(last);
    let low = ((((pairs - reach) / 2.0).round_ties_even() - 1.0).max(0.0) as usize).min(last);
    let low = *slopes.select_nth_unstable_by(low, f64::total_cmp).1;
    let high = *slopes.select_nth_unstable_by(high, f64::total_cmp).1;
    Some(TheilSen { slope, intercept, interval: [low, high] })
}

/// The first-order autocorrelation of a series about its mean; `None` where it is constant or short.
#[must_use]
pub fn lag_one(series: &[f64]) -> Option<f64> {
    if series.len() < 3 {
        return None;
    }
    let mean = series.iter().sum::<f64>() / series.len() as f64;
    let power: f64 = series.iter().map(|value| (value - mean).powi(2)).sum();
    let product: f64 = series.windows(2).map(|pair| (pair[0] - mean) * (pair[1] - mean)).sum();
    (power > 0.0).then(|| product / power)
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

    use super::*;

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
                let fit = fit(&x, &y, confidence, 1.0).unwrap();
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
        assert_eq!(fit(&[1.0, 1.0], &[2.0, 3.0], 0.9, 1.0), None);
        assert_eq!(fit(&[], &[], 0.9, 1.0), None);
    }

    #[test]
    fn correlation_widens_the_interval() {
        let x: Vec<f64> = (0..20).map(f64::from).collect();
        let y: Vec<f64> = x.iter().map(|x| -x + (x * 0.9).sin()).collect();
        let alone = fit(&x, &y, 0.9, 1.0).unwrap().interval;
        let wide = fit(&x, &y, 0.9, 4.0).unwrap().interval;
        assert!(wide[0] < alone[0] && wide[1] > alone[1]);
    }

    /// By hand: 1, 2, 3, 4 about 2.5 gives (1.5 x 0.5) - 0.25 + 0.75 = 1.25 over 5.
    #[test]
    fn lag_one_by_hand() {
        assert!((lag_one(&[1.0, 2.0, 3.0, 4.0]).unwrap() - 0.25).abs() < 1e-12);
        assert_eq!(lag_one(&[2.0, 2.0, 2.0]), None);
    }
}
