//! Whether two series go together, with an interval that allows for their going on in time.
//!
//! Spearman's rank correlation (1904); as many values as are independent by Pyper and Peterman (1998): 1/n* = 1/n + 2/n
//! times the sum over lags j of (n-j)/n r_xx(j) r_yy(j), up to n/5; the interval by Fisher's transform with the variance
//! 1.06/(n* - 3) (Fieller, Hartley and Pearson 1957). The last two formulas are from memory. Ties have their middle rank. No unit.

/// A correlation of ranks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RankCorrelation {
    /// From -1 to 1.
    pub coefficient: f64,
    /// Its interval.
    pub between: [f64; 2],
}

/// Most lags that are looked at.
const MOST_LAGS: usize = 300;
/// Less of a value's own than this is the rounding of numbers.
const LEAST_LEFT: f64 = 1e-4;

/// Of pairs in order of time, evenly spaced but for gaps; `deviates`: half the interval in standard errors. `None` where
/// one never changes or too few are independent.
#[must_use]
pub fn of(one: &[f64], other: &[f64], deviates: f64) -> Option<RankCorrelation> {
    of_standard(&standard_ranks(one)?, &standard_ranks(other)?, deviates)
}

/// The same of what a third leaves of both: the partial correlation of ranks (Yule 1907), that of the residuals. `None` also
/// where the third leaves nothing.
#[must_use]
pub fn beside(one: &[f64], other: &[f64], third: &[f64], deviates: f64) -> Option<RankCorrelation> {
    let third = standard_ranks(third)?;
    let left = |values: &[f64]| {
        let ranks = standard_ranks(values)?;
        let shared = lagged(&ranks, &third, 0);
        let deviation = (1.0 - shared * shared).max(0.0).sqrt();
        let residual = |(rank, third): (&f64, &f64)| (rank - shared * third) / deviation;
        (deviation > LEAST_LEFT).then(|| ranks.iter().zip(&third).map(residual).collect::<Vec<f64>>())
    };
    of_standard(&left(one)?, &left(other)?, deviates)
}

/// Of values of mean 0 and deviation 1.
fn of_standard(one: &[f64], other: &[f64], deviates: f64) -> Option<RankCorrelation> {
    let count = one.len() as f64;
    let coefficient = lagged(one, other, 0);
    let goes_on: f64 = (1..(one.len() / 5).min(MOST_LAGS))
        .map(|lag| (count - lag as f64) / count * lagged(one, one, lag) * lagged(other, other, lag))
        .sum();
    let independent = (count / (1.0 + 2.0 * goes_on)).min(count);
    if independent < 4.0 || goes_on <= -0.5 {
        return None;
    }
    let error = deviates * (1.06 / (independent - 3.0)).sqrt();
    // A correlation of 1 has no transform.
    let middle = coefficient.clamp(-0.999_999, 0.999_999).atanh();
    Some(RankCorrelation { coefficient, between: [(middle - error).tanh(), (middle + error).tanh()] })
}

/// Mean product at a lag.
fn lagged(one: &[f64], other: &[f64], lag: usize) -> f64 {
    let pairs = one.iter().zip(&other[lag..]);
    pairs.map(|(a, b)| a * b).sum::<f64>() / (one.len() - lag) as f64
}

/// Ranks of mean 0 and deviation 1.
fn standard_ranks(values: &[f64]) -> Option<Vec<f64>> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|a, b| values[*a].total_cmp(&values[*b]));
    let mut ranks = vec![0.0; values.len()];
    for ties in order.chunk_by(|a, b| values[*a] == values[*b]) {
        let below = order.partition_point(|place| values[*place] < values[ties[0]]) as f64;
        let rank = below + (ties.len() as f64 - 1.0) / 2.0;
        for place in ties {
            ranks[*place] = rank;
        }
    }
    let count = ranks.len() as f64;
    let mean = ranks.iter().sum::<f64>() / count;
    let deviation = (ranks.iter().map(|rank| (rank - mean).powi(2)).sum::<f64>() / count).sqrt();
    (deviation > 0.0).then(|| ranks.iter().map(|rank| (rank - mean) / deviation).collect())
}

#[cfg(test)]
mod tests {
    use rand::rngs::ChaCha8Rng;
    use rand::{RngExt, SeedableRng};

    use crate::stats::time_series::rank_correlation::*;

    /// By hand: without ties 1 - 6 sum d^2 / (n (n^2 - 1)): the squares of the differences of ranks are 0 1 1 1 1 0, their
    /// sum 4, so 1 - 24/210. With a tie of two, ranks 0.5 0.5 2 against 0 1 2: 1.5 / sqrt(1.5 * 2).
    #[test]
    fn the_coefficient_is_spearman_s() {
        let one = [10.0, 20.0, 30.0, 40.0, 50.0, 60.0];
        let found = of(&one, &[1.0, 3.0, 2.0, 5.0, 4.0, 6.0], 1.96);
        assert!(found.is_none_or(|found| (found.coefficient - (1.0 - 24.0 / 210.0)).abs() < 1e-12));
        let ranks = |values: &[f64]| standard_ranks(values).unwrap();
        let both = |a: &[f64], b: &[f64]| lagged(&ranks(a), &ranks(b), 0);
        assert!((both(&one, &[1.0, 3.0, 2.0, 5.0, 4.0, 6.0]) - (1.0 - 24.0 / 210.0)).abs() < 1e-12);
        assert!((both(&[5.0, 5.0, 7.0], &[1.0, 2.0, 3.0]) - 1.5 / 3_f64.sqrt()).abs() < 1e-12);
        assert!(of(&[1.0; 50], &[2.0; 50], 1.96).is_none() && of(&[], &[], 1.96).is_none());
    }

    /// Yule's formula: (r12 - r13 r23) / sqrt((1 - r13^2) (1 - r23^2)); a third that is the first leaves nothing of it.
    #[test]
    fn what_a_third_explains_is_taken_out() {
        let mut random = ChaCha8Rng::seed_from_u64(10_002);
        let third: Vec<f64> = (0..500).map(|_| random.random()).collect();
        let mut with = |share: f64| -> Vec<f64> {
            third.iter().map(|value| value + share * random.random::<f64>()).collect()
        };
        let (one, other) = (with(0.5), with(1.5));
        let r = |a: &[f64], b: &[f64]| of(a, b, 1.96).unwrap().coefficient;
        let (r12, r13, r23) = (r(&one, &other), r(&one, &third), r(&other, &third));
        let expected = (r12 - r13 * r23) / ((1.0 - r13 * r13) * (1.0 - r23 * r23)).sqrt();
        let found = beside(&one, &other, &third, 1.96).unwrap();
        assert!((found.coefficient - expected).abs() < 1e-9, "{found:?} {expected}");
        assert!(r12 > 0.4 && found.between[0] < 0.0 && found.between[1] > 0.0, "{found:?}");
        assert!(beside(&one, &other, &one, 1.96).is_none());
    }

    /// A number that goes on from the one before.
    fn series(random: &mut ChaCha8Rng, share: f64, count: usize) -> Vec<f64> {
        let mut last = 0.0;
        (0..count)
            .map(|_| {
                last = share * last + random.random::<f64>() - 0.5;
                last
            })
            .collect()
    }

    /// Two series that know nothing of each other, each going on for 20 values: the interval of 95 % leaves out 0 in 5 %,
    /// of 300 pairs in 29 at most (binomial, deviation 3.8: 1 in 10,000). Without the correction a third would.
    #[test]
    fn independent_series_that_go_on_are_seldom_said_to_go_together() {
        let wrong = (10_001..10_301)
            .filter(|seed| {
                let mut random = ChaCha8Rng::seed_from_u64(*seed);
                let (one, other) = (series(&mut random, 0.95, 600), series(&mut random, 0.95, 600));
                of(&one, &other, 1.96).is_some_and(|found| found.between[0] > 0.0 || found.between[1] < 0.0)
            })
            .count();
        assert!(wrong <= 29, "{wrong} of 300");
        let mut random = ChaCha8Rng::seed_from_u64(10_001);
        let one = series(&mut random, 0.95, 600);
        let with_noise: Vec<f64> = one.iter().map(|value| value + random.random::<f64>()).collect();
        assert!(of(&one, &with_noise, 1.96).unwrap().between[0] > 0.5);
    }
}
