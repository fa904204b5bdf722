//! The one place in a series at which its level changes, by a permutation test.
//!
//! Statistic: the greatest difference of the means before and after, over its standard error under equal scatter, over all
//! places that leave enough on both sides (Pettitt, Applied Statistics 28, 1979, for ranks; here of any scores). Its chance without a change comes from orders
//! drawn at random; places are exchangeable then. Long series are taken by means of equal numbers. Seeded. No unit.

use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

const SEED: u64 = 0x5eed_1a7e_0003;
/// Means that a long series is taken by, about.
const MOST: usize = 256;

/// Where a change is, as the place of the first score after it, if the chance of one as clear is at most `chance`; with
/// at least `fewest` scores on each side. Looks at `draws` orders at most.
#[must_use]
pub fn find(scores: &[f64], fewest: usize, (draws, chance): (u32, f64)) -> Option<usize> {
    let size = scores.len().div_ceil(MOST).max(1);
    let mut means: Vec<f64> =
        scores.chunks_exact(size).map(|chunk| chunk.iter().sum::<f64>() / size as f64).collect();
    let fewest = fewest.div_ceil(size);
    let (found, place) = clearest(&means, fewest)?;
    let most = (chance * f64::from(draws + 1)) as u32;
    let mut random = ChaCha8Rng::seed_from_u64(SEED);
    let mut as_clear = 0;
    for _ in 0..draws {
        for index in (1..means.len()).rev() {
            means.swap(index, random.random_range(0..=index));
        }
        as_clear += u32::from(clearest(&means, fewest).is_some_and(|drawn| drawn.0 >= found - 1e-9));
        if as_clear + 1 > most {
            return None;
        }
    }
    Some(place * size)
}

/// The clearest change and its place.
fn clearest(scores: &[f64], fewest: usize) -> Option<(f64, usize)> {
    let count = scores.len();
    let mean = scores.iter().sum::<f64>() / count as f64;
    let mut sum = 0.0;
    let mut best = None;
    for (before, score) in (1..).zip(scores) {
        sum += score - mean;
        if before < fewest || before + fewest > count {
            continue;
        }
        let clear = f64::abs(sum) / ((before * (count - before)) as f64).sqrt();
        if best.is_none_or(|(most, _)| clear > most) {
            best = Some((clear, before));
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use crate::stats::time_series::change_point::*;

    const LIMITS: (u32, f64) = (999, 0.01);

    fn noise(count: usize, seed: u64) -> Vec<f64> {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        (0..count).map(|_| random.random::<f64>()).collect()
    }

    /// By the definition of a chance: of series without a change, one in a hundred has one found.
    #[test]
    fn without_a_change_one_is_found_as_seldom_as_asked() {
        for count in [20, 60] {
            let found = (1..=300).filter(|&seed| find(&noise(count, seed), 5, LIMITS).is_some()).count();
            assert!(found <= 9, "{found} of 300");
        }
    }

    /// The truth is where the level was raised; of a long series to within a few of its means.
    #[test]
    fn a_raised_level_is_found_where_it_was_raised() {
        for (count, from, by, near) in [(40, 17, 1.0, 2), (40, 30, 2.0, 1), (3000, 1000, 0.5, 60)] {
            for seed in 1..=10 {
                let mut scores = noise(count, seed);
                for score in &mut scores[from..] {
                    *score += by;
                }
                let place = find(&scores, 5, LIMITS).unwrap();
                assert!(place.abs_diff(from) <= near, "{place} for {from}");
            }
        }
    }

    #[test]
    fn too_few_say_nothing() {
        assert_eq!(find(&[], 5, LIMITS), None);
        assert_eq!(find(&[0.0, 0.0, 0.0, 0.0, 9.0, 9.0, 9.0, 9.0], 5, LIMITS), None);
        assert_eq!(find(&[1.0; 40], 5, LIMITS), None);
    }
}
