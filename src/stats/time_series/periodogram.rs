//! Lines in the spectrum of values at uneven times.
//!
//! The periodogram of Schuster (1898), which needs no even spacing (Scargle, Astrophys. J. 263, 1982): a line of
//! chance alone has a power above z with probability e^-z. Times are put into bins of 1 ms, which costs 3 % of the
//! amplitude at 140 Hz.

use rustfft::FftPlanner;
use rustfft::num_complex::Complex32;

/// Bins of time, a second.
const BINS_A_SECOND: f64 = 1000.0;
/// Most of them: 2^18 are 262 s.
const MOST_BINS: usize = 1 << 18;

/// Longest span of times, s: half the bins, so that a line never falls between two of its places.
pub const LONGEST_S: f64 = MOST_BINS as f64 / BINS_A_SECOND / 2.0;

/// One line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Hz.
    pub frequency: f64,
    /// Over the mean power of values in disorder.
    pub power: f64,
}

/// The strongest lines within a band (Hz), the strongest first, of (seconds, value); those of times beyond
/// [`LONGEST_S`] after the first are left out. Empty where all values are 0.
#[must_use]
pub fn lines(values: &[(f64, f64)], band: (f64, f64), most: usize) -> Vec<Line> {
    let start = values.iter().map(|value| value.0).fold(f64::INFINITY, f64::min);
    let (mut span, mut total) = (0.0_f64, 0.0);
    let mut inside = Vec::with_capacity(values.len());
    for &(at, value) in values.iter().filter(|value| value.0 - start < LONGEST_S) {
        span = span.max(at - start);
        total += value * value;
        inside.push((((at - start) * BINS_A_SECOND) as usize, value as f32));
    }
    if span <= 0.0 || total <= 0.0 {
        return Vec::new();
    }
    let bins = ((2.0 * span * BINS_A_SECOND) as usize + 2).next_power_of_two().min(MOST_BINS);
    let mut spectrum = vec![Complex32::default(); bins];
    for (bin, value) in inside {
        spectrum[bin].re += value;
    }
    FftPlanner::new().plan_fft_forward(bins).process(&mut spectrum);
    let step = BINS_A_SECOND / bins as f64;
    let first = (band.0 / step).ceil() as usize;
    let past = ((band.1 / step) as usize + 1).min(bins / 2);
    let power = |place: usize| f64::from(spectrum[place].norm_sqr()) / total;
    let is_top = |place: &usize| power(*place) >= power(place - 1) && power(*place) > power(place + 1);
    let mut found: Vec<Line> = (first.max(1)..past)
        .filter(is_top)
        .map(|place| Line { frequency: place as f64 * step, power: power(place) })
        .collect();
    found.sort_by(|a, b| b.power.total_cmp(&a.power));
    // What is nearer to a line than one over the span is the line itself.
    let mut apart: Vec<Line> = Vec::new();
    for line in found {
        if apart.iter().all(|other| (other.frequency - line.frequency).abs() * span > 0.75) {
            apart.push(line);
        }
        if apart.len() == most {
            break;
        }
    }
    apart
}

#[cfg(test)]
mod tests {
    use crate::stats::time_series::periodogram::*;
    use rand::rngs::ChaCha8Rng;
    use rand::{RngExt, SeedableRng};

    /// A sine of 61.7 Hz at uneven times: all its squares in one line (Scargle 1982, section II), less 1.3 % for
    /// the bins of time and 1.3 % for the line's place between two bins of the spectrum; elsewhere chance alone
    /// has more than 20 with e^-20.
    #[test]
    fn a_sine_at_uneven_times_is_found_with_the_power_that_theory_gives() {
        let mut random = ChaCha8Rng::seed_from_u64(1);
        let mut at = |index: u32| (f64::from(index) + random.random::<f64>()) * 0.29;
        let times: Vec<f64> = (0..200).map(&mut at).collect();
        let sine = |&at: &f64| (at, (std::f64::consts::TAU * 61.7 * at).sin());
        let values: Vec<(f64, f64)> = times.iter().map(sine).collect();
        let lines = lines(&values, (20.0, 150.0), 5);
        assert!((lines[0].frequency - 61.7).abs() < 0.01, "{lines:?}");
        let squares: f64 = values.iter().map(|value| value.1 * value.1).sum();
        assert!((lines[0].power / squares - 0.974).abs() < 0.015, "{lines:?}");
        assert!(lines[1].power < 20.0, "{lines:?}");
    }

    #[test]
    fn nothing_is_found_in_nothing() {
        assert!(lines(&[], (20.0, 150.0), 5).is_empty());
        assert!(lines(&[(1.0, 0.0), (2.0, 0.0)], (20.0, 150.0), 5).is_empty());
        assert!(lines(&[(1.0, 3.0)], (20.0, 150.0), 5).is_empty());
    }
}
