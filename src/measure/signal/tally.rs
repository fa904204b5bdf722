//! Exact quantiles of byte levels in bounded memory: a count for each value.
//!
//! Quantiles interpolate between order statistics as [`crate::stats::quantile`] does. A scale
//! with a negative slope turns the order round, so values are scaled before they are ordered.

use crate::profile::LevelScale;
use crate::stats::quantile::of_rank;

const VALUES: usize = 256;
/// Differences of two bytes, shifted by 255.
const DIFFERENCES: usize = 511;

/// Counts of levels, noise levels and their differences.
#[derive(Clone, Debug)]
pub(super) struct Tally {
    levels: Box<[u32; VALUES]>,
    noises: Box<[u32; VALUES]>,
    differences: Box<[u32; DIFFERENCES]>,
    samples: u64,
}

impl Default for Tally {
    fn default() -> Self {
        Self {
            levels: Box::new([0; VALUES]),
            noises: Box::new([0; VALUES]),
            differences: Box::new([0; DIFFERENCES]),
            samples: 0,
        }
    }
}

/// Figures of one side of a radio, on the link's scale.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Figures {
    pub(super) median: Option<f64>,
    pub(super) p05: Option<f64>,
    pub(super) min: Option<f64>,
    pub(super) noise_median: Option<f64>,
    pub(super) snr_median_db: Option<f64>,
}

impl Tally {
    pub(super) fn take(&mut self, level: u8, noise: Option<u8>) {
        self.samples += 1;
        let count = &mut self.levels[usize::from(level)];
        *count = count.saturating_add(1);
        if let Some(noise) = noise {
            let count = &mut self.noises[usize::from(noise)];
            *count = count.saturating_add(1);
            let count = &mut self.differences[usize::from(level) + VALUES - 1 - usize::from(noise)];
            *count = count.saturating_add(1);
        }
    }

    pub(super) const fn samples(&self) -> u64 {
        self.samples
    }

    pub(super) fn figures(&self, scale: Option<LevelScale>) -> Figures {
        let scaled = |raw: usize| {
            let raw = raw as f64;
            scale.map_or(raw, |scale| scale.slope_db * raw + scale.offset_dbm)
        };
        let levels = ordered(&self.levels[..], &scaled);
        let noises = ordered(&self.noises[..], &scaled);
        let snr_median_db = scale.and_then(|scale| {
            let difference = |index: usize| scale.slope_db * (index as f64 - (VALUES - 1) as f64);
            quantile(&ordered(&self.differences[..], &difference), 0.5)
        });
        Figures {
            median: quantile(&levels, 0.5),
            p05: quantile(&levels, 0.05),
            min: levels.first().map(|&(value, _)| value),
            noise_median: quantile(&noises, 0.5),
            snr_median_db,
        }
    }
}

/// Values that occurred, in order, with their counts.
fn ordered(counts: &[u32], value: &dyn Fn(usize) -> f64) -> Vec<(f64, u64)> {
    let mut pairs: Vec<(f64, u64)> = counts
        .iter()
        .enumerate()
        .filter(|(_, count)| **count > 0)
        .map(|(index, &count)| (value(index), u64::from(count)))
        .collect();
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    pairs
}

fn quantile(pairs: &[(f64, u64)], p: f64) -> Option<f64> {
    let total: u64 = pairs.iter().map(|&(_, count)| count).sum();
    let position = p * total.checked_sub(1)? as f64;
    let below = position.floor() as u64;
    let low = of_rank(pairs.iter().copied(), below)?;
    let high = of_rank(pairs.iter().copied(), (below + 1).min(total - 1))?;
    Some(low + (position - below as f64) * (high - low))
}

#[cfg(test)]
mod tests {
    use crate::measure::signal::tally::*;

    /// The oracle is the plain sort of the same samples (Hyndman and Fan, definition 7).
    #[test]
    fn counted_quantiles_equal_sorted_ones() {
        let samples: Vec<u8> = (0..97_u32).map(|index| (index * index * 7 % 251) as u8).collect();
        let mut tally = Tally::default();
        for &sample in &samples {
            tally.take(sample, Some(sample / 2));
        }
        for slope_db in [0.5, -0.5] {
            let scale = LevelScale { slope_db, offset_dbm: -120.0 };
            let scaled: Vec<f64> = samples.iter().map(|&raw| slope_db * f64::from(raw) - 120.0).collect();
            let figures = tally.figures(Some(scale));
            let expected = |p| crate::stats::quantile::of(&scaled, p);
            assert_eq!(figures.median, expected(0.5));
            assert!((figures.p05.unwrap() - expected(0.05).unwrap()).abs() < 1e-9);
            assert_eq!(figures.min, expected(0.0));
            let snr: Vec<f64> = samples.iter().map(|&raw| slope_db * f64::from(raw - raw / 2)).collect();
            assert_eq!(figures.snr_median_db, crate::stats::quantile::median(&snr));
        }
        assert_eq!(tally.figures(None).snr_median_db, None);
    }

    #[test]
    fn nothing_gives_nothing() {
        assert_eq!(Tally::default().figures(None), Figures::default());
    }
}
