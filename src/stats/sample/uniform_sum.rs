//! The chance that several even numbers between 0 and 1 add up to so much.
//!
//! The distribution of Irwin (1927) and Hall (1927), Biometrika 19: exact up to 12 numbers, beyond them the normal one with
//! its mean n/2 and variance n/12. For a mean of ranks it is the largest chance, since ties only draw it together.

use statrs::distribution::{ContinuousCDF, Normal};

const EXACT: usize = 12;

/// The chance of a sum of `count` even numbers of `sum` or more.
#[must_use]
pub fn chance_of_at_least(sum: f64, count: usize) -> f64 {
    let n = count as f64;
    if count == 0 || sum <= 0.0 {
        return 1.0;
    }
    if count > EXACT {
        return Normal::standard().sf((sum - n / 2.0) / (n / 12.0).sqrt());
    }
    // By its symmetry the upper tail is the lower one of what is missing.
    let missing = (n - sum).max(0.0);
    let (mut total, mut choose, mut factorial) = (0.0, 1.0, 1.0);
    for k in 0..=count {
        let k = k as f64;
        if missing > k {
            let sign = if k as usize % 2 == 0 { 1.0 } else { -1.0 };
            total += sign * choose * (missing - k).powi(count as i32);
        }
        choose *= (n - k) / (k + 1.0);
        factorial *= if k >= 1.0 { k } else { 1.0 };
    }
    (total / factorial).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use crate::stats::sample::uniform_sum::*;

    /// By hand, from the corner of the cube: the chance of n - d or more is d^n / n! for d up to 1; half the cube is half.
    #[test]
    fn the_corner_of_the_cube_and_its_middle() {
        for (sum, count, wanted) in [
            (0.75, 1, 0.25),
            (1.5, 2, 0.125),
            (1.0, 2, 0.5),
            (2.5, 3, 0.5_f64.powi(3) / 6.0),
            (3.2, 4, 0.8_f64.powi(4) / 24.0),
            (6.0, 12, 0.5),
            // (1.5^3 - 3 * 0.5^3) / 6 is the middle again.
            (1.5, 3, 0.5),
        ] {
            assert!((chance_of_at_least(sum, count) - wanted).abs() < 1e-9, "{sum} {count}");
        }
        assert_eq!(
            (chance_of_at_least(0.0, 3), chance_of_at_least(3.0, 3), chance_of_at_least(1.0, 0)),
            (1.0, 0.0, 1.0)
        );
        // Beyond 12 the normal distribution: two deviations, 0.02275 (tables).
        let sum = 24.0 + 2.0 * 2.0;
        assert!((chance_of_at_least(sum, 48) - 0.022_75).abs() < 1e-4);
    }
}
