//! Isotonic regression: the nearest non-decreasing series, by pooling adjacent violators.
//!
//! Barlow, Bartholomew, Bremner and Brunk (1972). Used as a check beside the logistic curve: the
//! freeze share per level without any assumed shape. Unit: as given.

/// The non-decreasing fit to `y` with weights (all 1 where `None`); empty where lengths differ or a
/// weight is not positive.
#[must_use]
pub fn non_decreasing(y: &[f64], weights: Option<&[f64]>) -> Vec<f64> {
    let weight = |index: usize| weights.map_or(Some(1.0), |weights| weights.get(index).copied());
    let mut blocks: Vec<(f64, f64, usize)> = Vec::new();
    for (index, &value) in y.iter().enumerate() {
        let Some(weight) = weight(index).filter(|weight| *weight > 0.0) else { return Vec::new() };
        let mut block = (value, weight, 1);
        while let Some(&(mean, mass, count)) = blocks.last()
            && mean >= block.0
        {
            let total = mass + block.1;
            block = ((mean * mass + block.0 * block.1) / total, total, count + block.2);
            blocks.pop();
        }
        blocks.push(block);
    }
    blocks.iter().flat_map(|&(mean, _, count)| std::iter::repeat_n(mean, count)).collect()
}

/// The non-increasing fit.
#[must_use]
pub fn non_increasing(y: &[f64], weights: Option<&[f64]>) -> Vec<f64> {
    let negated: Vec<f64> = y.iter().map(|value| -value).collect();
    non_decreasing(&negated, weights).into_iter().map(|value| -value).collect()
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use crate::stats::isotonic::*;

    /// scikit-learn 1.9.1 sklearn.isotonic.IsotonicRegression.
    #[test]
    fn fits_match_the_reference() {
        let vectors: Value = serde_json::from_str(include_str!("../../tests/vectors/isotonic.json")).unwrap();
        let numbers = |value: &Value| -> Option<Vec<f64>> {
            Some(value.as_array()?.iter().map(|number| number.as_f64().unwrap()).collect())
        };
        for case in vectors["cases"].as_array().unwrap() {
            let (y, weights) = (numbers(&case["y"]).unwrap(), numbers(&case["w"]));
            let expected = numbers(&case["fit"]).unwrap();
            let found = if case["name"] == "decreasing" {
                non_increasing(&y, weights.as_deref())
            } else {
                non_decreasing(&y, weights.as_deref())
            };
            assert_eq!(found.len(), expected.len());
            for (found, expected) in found.iter().zip(expected) {
                assert!((found - expected).abs() < 1e-12, "{}", case["name"]);
            }
        }
    }

    #[test]
    fn uneven_input_gives_nothing() {
        assert!(non_decreasing(&[1.0, 2.0], Some(&[1.0])).is_empty());
    }
}
