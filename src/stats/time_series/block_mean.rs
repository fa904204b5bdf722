//! The mean of a series whose neighbours are alike, and how far that of another stretch may lie from it.
//!
//! The series is cut into a few blocks of equal length. The variance of their means, times their length, estimates the
//! long-run variance (batch means: Law and Carson 1979); what neighbouring blocks still share is taken for a first-order
//! process, whose correlation is corrected for the few blocks (Marriott and Pope 1954). Unit: of the values.

use statrs::distribution::{ContinuousCDF, StudentsT};

/// Correlation of neighbouring blocks beyond which nothing is to be learnt of the long run.
const MOST_CORRELATION: f64 = 0.8;

/// A mean and how it varies.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BlockMean {
    /// Of all blocks.
    pub mean: f64,
    /// Variance of the mean of a stretch, times its length.
    pub long_run: f64,
    /// Student's factor for 95 % with this many blocks.
    pub factor: f64,
}

impl BlockMean {
    /// Of the means of neighbouring blocks, each this long; `None` of under three.
    #[must_use]
    pub fn of(blocks: &[f64], length: f64) -> Option<Self> {
        let count = blocks.len() as f64;
        if count < 3.0 {
            return None;
        }
        let mean = blocks.iter().sum::<f64>() / count;
        let squares: f64 = blocks.iter().map(|block| (block - mean).powi(2)).sum();
        let products: f64 = blocks.windows(2).map(|pair| (pair[0] - mean) * (pair[1] - mean)).sum();
        let seen = if squares > 0.0 { products / squares } else { 0.0 };
        let alike = (seen + (1.0 + 3.0 * seen) / count).clamp(0.0, MOST_CORRELATION);
        let long_run = squares / (count - 1.0) * length * (1.0 + alike) / (1.0 - alike);
        let factor = StudentsT::new(0.0, 1.0, count - 1.0).ok()?.inverse_cdf(0.975);
        Some(Self { mean, long_run, factor })
    }

    /// Half the width of the 95 % interval for the mean of a stretch to come, after one that was seen.
    #[must_use]
    pub fn apart(&self, seen: f64, to_come: f64) -> f64 {
        self.factor * (self.long_run * (seen.recip() + to_come.recip())).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use crate::stats::time_series::block_mean::*;

    /// 1 to 5 by hand: variance 2.5; lag-one products (-2)(-1) + 0 + 0 + (1)(2) = 4 of 10, corrected 0.4 + 2.2 / 5 =
    /// 0.84, held at 0.8: nine times. t(4) at 0.975 is 2.776 (any table).
    #[test]
    fn a_trend_is_taken_for_correlation() {
        let rising = BlockMean::of(&[1.0, 2.0, 3.0, 4.0, 5.0], 60.0).unwrap();
        assert!((rising.mean - 3.0).abs() < 1e-12);
        assert!((rising.long_run - 2.5 * 60.0 * 9.0).abs() < 1e-9);
        assert!((rising.factor - 2.776).abs() < 1e-3);
        // Turn by turn: the correlation is below 0, and no less than independence is taken.
        let turns = BlockMean::of(&[1.0, 3.0, 1.0, 3.0, 1.0], 60.0).unwrap();
        assert!((turns.long_run - 1.2 * 60.0).abs() < 1e-9);
        assert!((turns.apart(300.0, 300.0) - 2.776 * (72.0_f64 / 150.0).sqrt()).abs() < 1e-3);
    }

    #[test]
    fn two_blocks_say_nothing() {
        assert_eq!(BlockMean::of(&[1.0, 2.0], 60.0), None);
        assert_eq!(BlockMean::of(&[4.0; 5], 60.0).unwrap().long_run, 0.0);
    }
}
