//! Theil-Sen slope: the median of the slopes of all pairs.
//!
//! Theil (1950); Sen (1968), J. Amer. Statist. Assoc. 63:1379-1389. Pairs with equal x are dropped. Unit: y per x.

/// The slope. `None` where no two x differ, or the lengths do.
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

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use crate::stats::curve_fit::theil_sen::*;

    /// scipy 1.17.1 scipy.stats.theilslopes; the first case is Sen's own data (1968).
    #[test]
    fn slopes_match_the_reference() {
        let vectors: Value =
            serde_json::from_str(include_str!("../../../tests/vectors/theilsen.json")).unwrap();
        let numbers = |value: &Value| -> Vec<f64> {
            value.as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
        };
        for case in vectors["cases"].as_array().unwrap() {
            let (x, y) = (numbers(&case["x"]), numbers(&case["y"]));
            let found = slope(&x, &y).unwrap();
            assert!((found - case["slope"].as_f64().unwrap()).abs() < 1e-12, "{}", case["name"]);
        }
    }

    #[test]
    fn without_two_different_x_there_is_no_slope() {
        assert_eq!(slope(&[1.0, 1.0], &[2.0, 3.0]), None);
        assert_eq!(slope(&[], &[]), None);
    }
}
