//! Seeded bootstrap: Efron (1979), whole units drawn with replacement.
//!
//! A unit is whatever is independent of the others (a stick movement, say), never a
//! single sample within it. The same seed gives the same draws everywhere.

use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

/// Draws units with replacement.
#[derive(Debug)]
pub struct Resampler {
    random: ChaCha8Rng,
}

impl Resampler {
    /// With a fixed seed.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self { random: ChaCha8Rng::seed_from_u64(seed) }
    }

    /// How often each of the units was drawn, in as many draws as there are units.
    pub fn draw(&mut self, counts: &mut [u32]) {
        counts.fill(0);
        let units = counts.len() as u32;
        for _ in 0..units {
            counts[self.random.random_range(0..units) as usize] += 1;
        }
    }

    /// A number from 0 to 1, for what is drawn within a replicate.
    pub fn chance(&mut self) -> f64 {
        self.random.random()
    }
}

/// The percentile interval (Efron) of replicates at a confidence such as 0.95.
/// `None` where a share of the replicates greater than the tail has no value.
#[must_use]
pub fn percentile_interval(replicates: &[Option<f64>], confidence: f64) -> Option<(f64, f64)> {
    if replicates.is_empty() {
        return None;
    }
    let mut sorted: Vec<f64> = replicates.iter().map(|value| value.unwrap_or(f64::INFINITY)).collect();
    sorted.sort_by(f64::total_cmp);
    let tail = (1.0 - confidence) / 2.0;
    let last = (sorted.len() - 1) as f64;
    let low = sorted[(tail * last).round() as usize];
    let high = sorted[((1.0 - tail) * last).round() as usize];
    high.is_finite().then_some((low, high))
}

#[cfg(test)]
mod tests {
    use crate::stats::sample::bootstrap::*;

    #[test]
    fn draws_are_repeatable_and_complete() {
        let (mut a, mut b) = (Resampler::new(7), Resampler::new(7));
        let (mut first, mut second) = ([0; 40], [0; 40]);
        for _ in 0..20 {
            a.draw(&mut first);
            b.draw(&mut second);
            assert_eq!(first, second);
            assert_eq!(first.iter().sum::<u32>(), 40);
        }
    }

    /// The standard error of a mean is known: sigma / sqrt(n). The interval is 2 x 1.96 of it wide.
    #[test]
    fn interval_of_a_mean_has_the_textbook_width() {
        let sample: Vec<f64> = (0..200).map(|i| f64::from(i) / 200.0).collect();
        let mut resampler = Resampler::new(1);
        let mut counts = vec![0; sample.len()];
        let replicates: Vec<Option<f64>> = (0..2000)
            .map(|_| {
                resampler.draw(&mut counts);
                Some(sample.iter().zip(&counts).map(|(x, &n)| x * f64::from(n)).sum::<f64>() / 200.0)
            })
            .collect();
        let (low, high) = percentile_interval(&replicates, 0.95).unwrap();
        let expected = 2.0 * 1.96 * (1.0f64 / 12.0).sqrt() / 200f64.sqrt();
        assert!(((high - low) / expected - 1.0).abs() < 0.08, "{} against {expected}", high - low);
    }

    #[test]
    fn missing_replicates_are_never_a_figure() {
        assert_eq!(percentile_interval(&[None, None, Some(1.0)], 0.95), None);
        assert_eq!(percentile_interval(&[], 0.95), None);
    }
}
