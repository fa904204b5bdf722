//! Peaks of a power spectrum over the floor around them.
//!
//! Definition: a bin is a peak where it is the highest of the bins around it, and its density is over the floor by more
//! than chance gives. The floor is the higher of the medians of the bins to its left and to its right, so that a slope
//! makes no peak. On white noise the density of a bin is a chi-squared variable whose degrees of freedom follow from the
//! number of segments averaged (Welch 1967; half an overlap of Hann windows correlates by 1/6): the limit is its quantile at
//! one false alarm in 100 for a spectrum of three axes, the median's own error allowed for.
//! The lowest bins have no floor to their left: nothing is told there. Source: the distributions as cited; the width of
//! the floor is common practice, no source.

use statrs::distribution::{ContinuousCDF, Normal};

use crate::stats::sample::quantile;

/// Bins on each side that give the floor, and those next to the peak that do not: a Hann window's own width.
const SIDE: usize = 12;
const NEAR: usize = 2;
/// At least so many bins make a floor.
const FEWEST: usize = 6;
/// The lowest bin that can be told: the mean's bin has no part in a floor.
pub const FIRST_BIN: usize = 1 + FEWEST + NEAR;
/// False alarms of a spectrum of [`AXES`] axes.
const FALSE_ALARM: f64 = 0.01;
const AXES: f64 = 3.0;
/// What the median's own error adds to the limit, for one segment: tuned on white noise.
const FLOOR_ERROR: f64 = 1.0;

/// What a density must have over its floor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PeakLimit(f64);

/// One peak.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SpectrumPeak {
    /// Its middle, in bins.
    pub bin: f64,
    /// What it holds over the floor, in density times bins.
    pub power: f64,
}

impl PeakLimit {
    /// For the mean of so many segments that overlap by half, each of so many bins.
    #[must_use]
    pub fn new(segments: usize, bins: usize) -> Self {
        let count = segments as f64;
        // Hann windows that overlap by half: the periodograms correlate by (1/6) squared.
        let freedom = 2.0 * count / (1.0 + 2.0 * (count - 1.0) / count / 36.0);
        // Quantile and median of a chi-squared variable over its mean, by Wilson and Hilferty (1931).
        let width = 2.0 / (9.0 * freedom);
        let deviates = Normal::standard().inverse_cdf(1.0 - FALSE_ALARM / (AXES * bins as f64));
        let (quantile, median) = ((1.0 - width + deviates * width.sqrt()).powi(3), (1.0 - width).powi(3));
        Self(quantile / median * (1.0 + FLOOR_ERROR / count))
    }

    /// The peaks of a density, the strongest first.
    #[must_use]
    pub fn peaks(self, density: &[f64]) -> Vec<SpectrumPeak> {
        let is_top = |bin: &usize| {
            let around = &density[bin - NEAR..(bin + NEAR + 1).min(density.len())];
            around.iter().all(|near| *near <= density[*bin])
        };
        let peak = |bin: usize| {
            let floor = floor(density, bin)?;
            (density[bin] > self.0 * floor).then(|| whole_peak(density, bin, floor))
        };
        // Half the rate has half the freedom of the other bins: it is left out.
        let mut found: Vec<SpectrumPeak> =
            (FIRST_BIN..density.len().saturating_sub(1)).filter(is_top).filter_map(peak).collect();
        found.sort_by(|a, b| b.power.total_cmp(&a.power));
        found
    }
}

/// The higher of the medians on both sides; `None` where all is 0.
fn floor(density: &[f64], bin: usize) -> Option<f64> {
    let left = &density[(bin - NEAR).saturating_sub(SIDE).max(1)..bin - NEAR];
    let right = &density[(bin + NEAR + 1).min(density.len())..(bin + NEAR + 1 + SIDE).min(density.len())];
    let sides = [left, right].into_iter().filter(|side| side.len() >= FEWEST);
    sides.filter_map(quantile::median).reduce(f64::max).filter(|floor| *floor > 0.0)
}

fn whole_peak(density: &[f64], bin: usize, floor: f64) -> SpectrumPeak {
    let (mut power, mut moment) = (0.0, 0.0);
    for (near, density) in density.iter().enumerate().skip(bin - NEAR).take(2 * NEAR + 1) {
        let over = (density - floor).max(0.0);
        power += over;
        moment += over * near as f64;
    }
    SpectrumPeak { bin: moment / power, power }
}

#[cfg(test)]
mod tests {
    use rand::rngs::ChaCha8Rng;
    use rand::{RngExt, SeedableRng};

    use crate::stats::time_series::spectral_peaks::*;
    use crate::stats::time_series::welch::Segments;

    /// A normal number, by the sum of twelve.
    fn normal(random: &mut ChaCha8Rng) -> f64 {
        (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0
    }

    fn mean_density(values: &[f64], length: usize, rate: f64) -> Vec<f64> {
        let segments = Segments::of_length(length);
        let rows: Vec<Vec<f64>> = (0..(values.len() + 1).saturating_sub(length))
            .step_by(length / 2)
            .map(|from| segments.density(&values[from..from + length], rate))
            .collect();
        (0..=length / 2).map(|bin| rows.iter().map(|row| row[bin]).sum::<f64>() / rows.len() as f64).collect()
    }

    /// Spectra of three axes with any peak, of `count`.
    fn alarms(first: u64, count: u64, length: usize, segments: usize, colour: f64) -> u64 {
        let limit = PeakLimit::new(segments, length / 2 + 1);
        let has_peak = |seed: u64| {
            let mut random = ChaCha8Rng::seed_from_u64(seed);
            (0..3).any(|_| {
                let mut last = 0.0;
                let values: Vec<f64> = (0..length / 2 * (segments + 1))
                    .map(|_| {
                        last = colour * last + normal(&mut random);
                        last
                    })
                    .collect();
                !limit.peaks(&mean_density(&values, length, 100.0)).is_empty()
            })
        };
        (first..first + count).filter(|seed| has_peak(*seed)).count() as u64
    }

    /// 1 in 100 is the promise, on white noise and where a vehicle's own motion makes the low end strong: of 1,000 spectra
    /// up to 19 are within the chance of 1 in 1,000 of it (binomial, by hand: mean 10, deviation 3.1).
    #[test]
    fn noise_alone_makes_few_peaks() {
        for (segments, colour) in [(7, 0.0), (4, 0.0), (7, 0.9)] {
            let alarms = alarms(10_001, 1000, 64, segments, colour);
            assert!(alarms <= 19, "{segments} {colour}: {alarms}");
        }
    }

    /// A tone of 0.5 in noise of 1 that no eye sees in the values: its place, and its power of 0.125 (half its square).
    #[test]
    fn a_weak_tone_is_found_where_it_is() {
        let mut found = 0;
        for seed in 10_001..10_051 {
            let mut random = ChaCha8Rng::seed_from_u64(seed);
            let tone = |place: usize| 0.5 * (std::f64::consts::TAU * 21.3 * place as f64 / 100.0).sin();
            let values: Vec<f64> = (0..512).map(|place| tone(place) + normal(&mut random)).collect();
            let density = mean_density(&values, 128, 100.0);
            let Some(peak) = PeakLimit::new(7, 65).peaks(&density).first().copied() else { continue };
            let (hz, step) = (peak.bin * 100.0 / 128.0, 100.0 / 128.0);
            if (hz - 21.3).abs() < step && (0.06..0.25).contains(&(peak.power * step)) {
                found += 1;
            }
        }
        assert!(found >= 45, "{found} of 50");
    }

    #[test]
    fn a_flat_line_and_a_step_of_the_floor_have_no_peak() {
        assert!(PeakLimit::new(7, 33).peaks(&[0.0; 33]).is_empty());
        assert!(PeakLimit::new(7, 33).peaks(&[1.0; 3]).is_empty());
        let step: Vec<f64> = (0..65).map(|bin| if bin < 30 { 1.0 } else { 20.0 }).collect();
        assert!(PeakLimit::new(7, 65).peaks(&step).is_empty());
    }
}
