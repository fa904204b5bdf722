//! What many looks at chance are worth together.
//!
//! Holm (1979), A simple sequentially rejective multiple test procedure, Scandinavian Journal of Statistics 6: the chance
//! that any of them is called different where none is stays under the level, however they hang together.

/// The chances, each as large as it must be allowing for all of them, in the same order.
#[must_use]
pub fn holm(chances: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..chances.len()).collect();
    order.sort_by(|one, other| chances[*one].total_cmp(&chances[*other]));
    let mut adjusted = vec![1.0; chances.len()];
    let mut largest = 0.0_f64;
    for (rank, index) in order.into_iter().enumerate() {
        largest = largest.max(chances[index] * (chances.len() - rank) as f64).min(1.0);
        adjusted[index] = largest;
    }
    adjusted
}

#[cfg(test)]
mod tests {
    use crate::stats::sample::multiplicity::*;

    /// By Holm's definition, worked by hand: 0.01 x 4, 0.02 x 3, then 0.03 x 2 and 0.04 x 1 are no less than what came before.
    #[test]
    fn steps_are_those_of_the_definition() {
        let close = |found: &[f64], expected: &[f64]| {
            found.len() == expected.len() && found.iter().zip(expected).all(|(a, b)| (a - b).abs() < 1e-12)
        };
        assert!(close(&holm(&[0.04, 0.01, 0.03, 0.02]), &[0.06, 0.04, 0.06, 0.06]));
        assert!(close(&holm(&[0.5, 0.001]), &[0.5, 0.002]));
        assert!(close(&holm(&[0.9, 0.8]), &[1.0, 1.0]));
        assert!(holm(&[]).is_empty());
    }
}
