//! Exact quantiles of byte levels in bounded memory: a count for each value; and the code at which a radio tops out.
//!
//! The top code: the strongest that came, where levels pile up at it: at least 20 samples, twice as many as at the next
//! weaker one that came, and a hundred times as many as at stronger ones (a lone wild one says nothing). A level there is
//! "at least". Where a vehicle stood at its strongest this is so by chance, and nothing is lost by it. Common practice,
//! no source.
//! Quantiles interpolate between order statistics as [`crate::stats::sample::quantile`] does. A scale
//! with a negative slope turns the order round, so values are scaled before they are ordered.

use crate::profile::LevelScale;
use crate::stats::sample::quantile::of_rank;

const VALUES: usize = 256;
/// Differences of two bytes, shifted by 255.
const DIFFERENCES: usize = 511;
const LEAST_AT_TOP: u64 = 20;
/// How many times as many samples the top code has as those above it.
const MOST_ABOVE: u64 = 100;

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

    /// How many different levels came.
    pub(super) fn values(&self) -> usize {
        self.levels.iter().filter(|count| **count > 0).count()
    }

    /// The code at which the levels top out; `None`: none so far.
    pub(super) fn top(&self, scale: Option<LevelScale>) -> Option<u8> {
        let falls = scale.is_some_and(|scale| scale.slope_db < 0.0);
        let code = |step: usize| if falls { step } else { VALUES - 1 - step };
        let mut seen = (0..VALUES).map(code).filter(|code| self.levels[*code] > 0);
        let mut stronger = 0_u64;
        let top = loop {
            let top = seen.next()?;
            let count = u64::from(self.levels[top]);
            if count >= LEAST_AT_TOP && stronger * MOST_ABOVE <= count {
                break top;
            }
            stronger += count;
        };
        let next = seen.next().map_or(0, |next| self.levels[next]);
        (self.levels[top] >= 2 * next).then_some(top as u8)
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
            let expected = |p| crate::stats::sample::quantile::of(&scaled, p);
            assert_eq!(figures.median, expected(0.5));
            assert!((figures.p05.unwrap() - expected(0.05).unwrap()).abs() < 1e-9);
            assert_eq!(figures.min, expected(0.0));
            let snr: Vec<f64> = samples.iter().map(|&raw| slope_db * f64::from(raw - raw / 2)).collect();
            assert_eq!(figures.snr_median_db, crate::stats::sample::quantile::median(&snr));
        }
        assert_eq!(tally.figures(None).snr_median_db, None);
    }

    #[test]
    fn a_radio_that_tops_out_is_known_by_its_pile() {
        let top = |counts: &[(u8, u32)], scale| {
            let mut tally = Tally::default();
            for &(level, count) in counts {
                (0..count).for_each(|_| tally.take(level, None));
            }
            tally.top(scale)
        };
        let falls = Some(LevelScale { slope_db: -0.5, offset_dbm: 0.0 });
        assert_eq!(top(&[(200, 60), (199, 30), (150, 400)], None), Some(200));
        assert_eq!(top(&[(200, 60), (199, 31), (150, 400)], None), None, "no pile");
        assert_eq!(top(&[(200, 19), (150, 400)], None), None, "too few");
        assert_eq!(top(&[(200, 100), (190, 20), (254, 1)], None), Some(200), "a wild one");
        assert_eq!(top(&[(200, 100), (190, 20), (254, 2)], None), None);
        assert_eq!(top(&[(80, 60), (81, 30), (150, 400)], falls), Some(80));
        // A level that wavers about the vehicle's place near the handset: the tail has no pile.
        assert_eq!(top(&[(200, 5), (199, 40), (198, 90), (197, 80)], None), None);
        assert_eq!(top(&[], None), None);
    }

    #[test]
    fn nothing_gives_nothing() {
        assert_eq!(Tally::default().figures(None), Figures::default());
    }
}
