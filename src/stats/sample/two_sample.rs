//! How far one sample lies above another, and whether by chance.
//!
//! Shift: the median of all differences between them (Hodges and Lehmann 1963). Chance of a rank sum as far off where
//! there is no shift: Mann and Whitney (1947), exact for samples without ties of at most [`MOST_EXACT`] values, else the
//! normal approximation with corrections for ties and continuity. Interval of the shift: the differences whose ranks the
//! exact distribution gives (Hollander and Wolfe, Nonparametric Statistical Methods). The values of a sample are
//! independent of each other; nothing here knows time. Units: of the values.

use statrs::distribution::{ContinuousCDF, Normal};

use crate::units::interval::Interval;

use super::quantile;

/// Values of one sample up to which the exact distribution is counted out.
const MOST_EXACT: usize = 40;
/// Half of 5 %.
const TAIL: f64 = 0.025;

/// What two samples say of each other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shift {
    /// How far the second lies above the first.
    pub apart: f64,
    /// 95 %; `None` where the samples are too small for any.
    pub ci95: Option<Interval>,
    /// Chance of the same, or more, without a shift; two-sided.
    pub chance: f64,
}

/// The second sample against the first; `None` where one is empty.
#[must_use]
pub fn shift(first: &[f64], second: &[f64]) -> Option<Shift> {
    let mut differences: Vec<f64> =
        second.iter().flat_map(|after| first.iter().map(move |before| after - before)).collect();
    differences.sort_by(f64::total_cmp);
    let apart = quantile::median(&differences)?;
    let above = differences.iter().filter(|difference| **difference > 0.0).count() as f64;
    let ties = differences.iter().filter(|difference| **difference == 0.0).count() as f64;
    let pairs = differences.len();
    let statistic = above + ties / 2.0;
    let mut all: Vec<f64> = first.iter().chain(second).copied().collect();
    all.sort_by(f64::total_cmp);
    let is_tied = all.windows(2).any(|pair| pair[0] == pair[1]);
    let is_exact = first.len().max(second.len()) <= MOST_EXACT;
    let below = is_exact.then(|| cumulative(first.len(), second.len()));
    let chance = match &below {
        Some(below) if !is_tied => {
            let least = statistic.min(pairs as f64 - statistic) as usize;
            (2.0 * below[least]).min(1.0)
        }
        _ => normal_chance(statistic, (first.len(), second.len()), &all),
    };
    // Normal approximation of the rank for large samples.
    let rank = match &below {
        Some(below) => below.iter().take_while(|share| **share < TAIL).count(),
        None => normal_rank(first.len() as f64, second.len() as f64),
    };
    let ci95 = (rank > 0).then(|| [differences[rank - 1], differences[pairs - rank]]);
    Some(Shift { apart, ci95, chance })
}

/// The chance that at most so many pairs of two samples stand in one order, for each number of pairs.
fn cumulative(first: usize, second: usize) -> Vec<f64> {
    let pairs = first * second;
    // Counts of orders by their pairs: the coefficients of the Gaussian binomial, one factor after the other.
    let mut counts = vec![0.0; pairs + 1];
    counts[0] = 1.0;
    for step in 1..=first {
        for at in (second + step..=pairs).rev() {
            counts[at] -= counts[at - second - step];
        }
        for at in step..=pairs {
            counts[at] += counts[at - step];
        }
    }
    let all: f64 = counts.iter().sum();
    let mut sum = 0.0;
    counts
        .iter()
        .map(|count| {
            sum += count;
            sum / all
        })
        .collect()
}

fn normal_chance(statistic: f64, (first, second): (usize, usize), sorted: &[f64]) -> f64 {
    let (n, m) = (first as f64, second as f64);
    let all = n + m;
    let ties: f64 = sorted
        .chunk_by(|one, other| one == other)
        .map(|tied| (tied.len() as f64).powi(3) - tied.len() as f64)
        .sum();
    let variance = n * m / 12.0 * (all + 1.0 - ties / (all * (all - 1.0)));
    if variance <= 0.0 {
        return 1.0;
    }
    let off = ((statistic - n * m / 2.0).abs() - 0.5).max(0.0);
    (2.0 * Normal::standard().cdf(-off / variance.sqrt())).min(1.0)
}

fn normal_rank(n: f64, m: f64) -> usize {
    let spread = (n * m * (n + m + 1.0) / 12.0).sqrt();
    (n * m / 2.0 - super::proportion::Z975 * spread).floor().max(0.0) as usize
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use crate::stats::sample::two_sample::*;

    fn cases() -> Vec<Value> {
        let text = include_str!("../../../tests/vectors/twosample.json");
        let vectors: Value = serde_json::from_str(text).unwrap();
        vectors["cases"].as_array().unwrap().clone()
    }

    fn list(value: &Value) -> Vec<f64> {
        value.as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
    }

    /// scipy 1.17.1 and R 4.2.2, tests/vectors/twosample.json.
    #[test]
    fn shifts_and_chances_are_those_of_independent_libraries() {
        let mut exact = 0;
        for case in cases() {
            let found = shift(&list(&case["y"]), &list(&case["x"])).unwrap();
            assert!((found.apart - case["hodges_lehmann"].as_f64().unwrap()).abs() < 1e-12, "{case}");
            let chance = case["p_exact_two_sided"].as_f64().or(case["p_asym_cc"].as_f64()).unwrap();
            assert!((found.chance - chance).abs() < 1e-9, "{case}: {found:?}");
            if case.get("hl_ci95_exact_R").is_some() {
                let expected = list(&case["hl_ci95_exact_R"]);
                let ci95 = found.ci95.unwrap();
                assert!((ci95[0] - expected[0]).abs() < 1e-9, "{case}: {ci95:?}");
                assert!((ci95[1] - expected[1]).abs() < 1e-9, "{case}: {ci95:?}");
                exact += 1;
            }
        }
        assert_eq!(exact, 2);
    }

    /// Three against three in order: 2 of the 20 orders are as far off, 10 %, so no interval has 95 %. Four against four: 2 of 70.
    #[test]
    fn small_samples_have_no_interval() {
        let three = shift(&[1.0, 2.0, 3.0], &[11.0, 12.0, 13.0]).unwrap();
        assert!((three.chance - 0.1).abs() < 1e-12 && three.ci95.is_none(), "{three:?}");
        let four = shift(&[1.0, 2.0, 3.0, 4.0], &[11.0, 12.0, 13.0, 14.0]).unwrap();
        assert!((four.chance - 2.0 / 70.0).abs() < 1e-12 && four.ci95 == Some([7.0, 13.0]), "{four:?}");
        assert_eq!(shift(&[], &[1.0]), None);
        assert!(shift(&[1.0; 5], &[1.0; 5]).unwrap().chance > 0.99, "all the same");
    }

    /// The exact distribution goes over into the normal one: 41 against 40 values, without ties.
    #[test]
    fn large_samples_agree_with_small_ones() {
        let first: Vec<f64> = (0..41).map(|index| f64::from(index * 17 % 41)).collect();
        let second: Vec<f64> = (0..41).map(|index| f64::from(index * 13 % 41) + 5.3).collect();
        let [large, exact] = [41, 40].map(|count| shift(&first[..count], &second[..count]).unwrap());
        assert!((large.apart - exact.apart).abs() < 1.0 && (large.chance / exact.chance - 1.0).abs() < 0.25);
        let ends = large.ci95.unwrap().into_iter().zip(exact.ci95.unwrap());
        assert!(ends.into_iter().all(|(a, b)| (a - b).abs() < 1.0), "{large:?} {exact:?}");
    }
}
