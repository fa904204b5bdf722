//! The estimate that never falls: pooled adjacent violators.
//!
//! Definition: of all rising sequences the one with the least weighted squares about the values; for shares of trials
//! it is the maximum-likelihood estimate of chances that rise (Ayer, Brunk, Ewing, Reid and Silverman 1955). Unit: of the
//! values. An empty input gives an empty estimate; a weight of 0 says nothing.

/// The estimate for values with weights, in their order.
#[must_use]
pub fn fit(values: impl IntoIterator<Item = (f64, f64)>) -> Vec<f64> {
    /// Neighbours that are one: sum, weight, how many.
    type Pool = (f64, f64, usize);
    let mean = |pool: &Pool| if pool.1 > 0.0 { pool.0 / pool.1 } else { 0.0 };
    let mut pools: Vec<Pool> = Vec::new();
    for (value, weight) in values {
        let mut own = (value * weight, weight, 1);
        while let Some(before) = pools.pop_if(|before| mean(before) >= mean(&own)) {
            own = (before.0 + own.0, before.1 + own.1, before.2 + own.2);
        }
        pools.push(own);
    }
    pools.iter().flat_map(|pool| std::iter::repeat_n(mean(pool), pool.2)).collect()
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use crate::stats::curve_fit::isotonic::*;

    /// scikit-learn 1.9.1 `IsotonicRegression`: see tests/vectors/isotonic.json.
    #[test]
    fn it_is_the_published_estimate() {
        let vectors: Value =
            serde_json::from_str(include_str!("../../../tests/vectors/isotonic.json")).unwrap();
        for case in vectors["cases"].as_array().unwrap() {
            let numbers = |key: &str| -> Option<Vec<f64>> {
                Some(case[key].as_array()?.iter().map(|number| number.as_f64().unwrap()).collect())
            };
            let (values, expected) = (numbers("y").unwrap(), numbers("fit").unwrap());
            let weights = numbers("w").unwrap_or_else(|| vec![1.0; values.len()]);
            let mut pairs: Vec<(f64, f64)> = values.into_iter().zip(weights).collect();
            // One case is of what never rises.
            let falls = case["name"] == "decreasing";
            if falls {
                pairs.reverse();
            }
            let mut found = fit(pairs);
            if falls {
                found.reverse();
            }
            assert_eq!(found.len(), expected.len());
            for (found, expected) in found.iter().zip(expected) {
                assert!((found - expected).abs() < 1e-12, "{}: {found}, expected {expected}", case["name"]);
            }
        }
    }
}
