//! Intervals for proportions, with and without bursts.
//!
//! Wilson (1927), score interval. Where the outcomes come in bursts, the same formula
//! with the effective sample size: the trials that independent outcomes would need for
//! the same variance. Ratios from 0 to 1, no unit. Nothing here knows time.

use crate::units::interval::Interval;

/// The 97.5 % point of the normal distribution.
pub const Z975: f64 = 1.959_963_984_540_054;

/// Wilson's interval at a quantile of the normal ([`Z975`]: 95 %) or of Student's distribution; trials and
/// successes may be fractions of effective ones. `None` without trials.
#[must_use]
pub fn wilson(successes: f64, trials: f64, quantile: f64) -> Option<Interval> {
    if trials <= 0.0 || !trials.is_finite() {
        return None;
    }
    let ratio = (successes / trials).clamp(0.0, 1.0);
    let square = quantile * quantile;
    let scale = 1.0 + square / trials;
    let centre = (ratio + square / (2.0 * trials)) / scale;
    let half = quantile / scale
        * (ratio * (1.0 - ratio) / trials + square / (4.0 * trials * trials)).max(0.0).sqrt();
    // At the ends the formula is exact but for rounding.
    let low = if ratio == 0.0 { 0.0 } else { (centre - half).max(0.0) };
    let high = if ratio == 1.0 { 1.0 } else { (centre + half).min(1.0) };
    Some([low, high])
}

/// Student's 97.5 % point for this many degrees of freedom: the Cornish-Fisher expansion
/// of Abramowitz and Stegun (1964), 26.7.5; within 1 % from 3 degrees on.
#[must_use]
pub fn student975(degrees: f64) -> f64 {
    let x = Z975;
    let v = degrees.max(1.0);
    let g1 = (x.powi(3) + x) / 4.0;
    let g2 = (5.0 * x.powi(5) + 16.0 * x.powi(3) + 3.0 * x) / 96.0;
    let g3 = (3.0 * x.powi(7) + 19.0 * x.powi(5) + 17.0 * x.powi(3) - 15.0 * x) / 384.0;
    x + g1 / v + g2 / (v * v) + g3 / (v * v * v)
}

#[cfg(test)]
mod tests {
    use crate::stats::sample::proportion::*;

    /// scipy.stats.binomtest(...).proportion_ci(method="wilson"), tests/vectors/wilson.json.
    #[test]
    fn wilson_matches_an_independent_library() {
        let vectors: serde_json::Value =
            serde_json::from_str(include_str!("../../../tests/vectors/wilson.json")).unwrap();
        for row in vectors["rows"].as_array().unwrap() {
            let (k, n) = (row["k"].as_f64().unwrap(), row["n"].as_f64().unwrap());
            let [low, high] = wilson(k, n, Z975).unwrap();
            assert!((low - row["wilson"][0].as_f64().unwrap()).abs() < 1e-12, "{k}/{n}");
            assert!((high - row["wilson"][1].as_f64().unwrap()).abs() < 1e-12, "{k}/{n}");
        }
        assert_eq!(wilson(0.0, 0.0, Z975), None);
    }

    /// Printed tables of Student's distribution, two-sided 95 %.
    #[test]
    fn student_matches_the_tables() {
        for (degrees, table) in [(3.0, 3.182), (5.0, 2.571), (10.0, 2.228), (30.0, 2.042), (120.0, 1.980)] {
            assert!((student975(degrees) / table - 1.0).abs() < 0.01, "{degrees}");
        }
    }
}
