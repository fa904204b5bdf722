//! What many looks at chance are worth together.
//!
//! Benjamini and Hochberg (1995), Controlling the False Discovery Rate, Journal of the Royal Statistical Society B 57: of
//! those called different at a level, at most that share is not, in the mean; where none is, the chance that any is called
//! so stays under the level. It holds for figures that are independent or go together (Benjamini and Yekutieli 2001).

/// The chances, each as large as it must be allowing for all of them, in the same order.
#[must_use]
pub fn adjusted(chances: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..chances.len()).collect();
    order.sort_by(|one, other| chances[*one].total_cmp(&chances[*other]));
    let mut adjusted = vec![1.0; chances.len()];
    let mut least = 1.0_f64;
    for (rank, index) in order.into_iter().enumerate().rev() {
        least = least.min(chances[index] * chances.len() as f64 / (rank + 1) as f64);
        adjusted[index] = least;
    }
    adjusted
}

#[cfg(test)]
mod tests {
    use crate::stats::sample::multiplicity::*;

    /// The fifteen chances of the paper's own example (section 3.2; thrombolytic treatment after infarction; values from
    /// memory): at 5 % it calls the first four different, where Bonferroni's rule calls three.
    #[test]
    fn the_published_example() {
        let chances = [
            0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719,
            0.6528, 0.7590, 1.0000,
        ];
        let told = adjusted(&chances).iter().filter(|chance| **chance <= 0.05).count();
        assert_eq!(told, 4);
        assert_eq!(chances.iter().filter(|chance| **chance <= 0.05 / 15.0).count(), 3);
    }

    /// Worked by hand: 0.01 x 4 / 1, 0.02 x 4 / 2, 0.03 x 4 / 3, 0.04 x 4 / 4 are all 0.04.
    #[test]
    fn steps_are_those_of_the_definition() {
        let close = |found: &[f64], expected: &[f64]| {
            found.len() == expected.len() && found.iter().zip(expected).all(|(a, b)| (a - b).abs() < 1e-12)
        };
        assert!(close(&adjusted(&[0.04, 0.01, 0.03, 0.02]), &[0.04; 4]));
        assert!(close(&adjusted(&[0.5, 0.001]), &[0.5, 0.002]));
        assert!(close(&adjusted(&[0.9, 0.8]), &[0.9, 0.9]));
        assert!(adjusted(&[]).is_empty());
    }
}
