//! Power spectra of evenly spaced values.
//!
//! The mean of the periodograms of segments that overlap by half (Welch 1967, IEEE Trans. Audio Electroacoust. AU-15):
//! a periodic Hann window, each segment's mean taken out, no padding, one-sided density in squared units a hertz. Tests
//! hold it against `tests/vectors/welch.json`, made with scipy 1.17.1. Half the rate is the highest frequency that can
//! be told: what lies above it is folded below it.

use std::f64::consts::TAU;
use std::sync::Arc;

use rustfft::num_complex::Complex64;
use rustfft::{Fft, FftPlanner};

/// Makes the periodograms of segments of one length.
#[derive(Clone)]
pub struct Segments {
    window: Arc<[f64]>,
    transform: Arc<dyn Fft<f64>>,
}

impl std::fmt::Debug for Segments {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(out, "Segments({})", self.window.len())
    }
}

impl Segments {
    /// For segments of so many values.
    #[must_use]
    pub fn of_length(length: usize) -> Self {
        let hann = |place: usize| 0.5 - 0.5 * (TAU * place as f64 / length as f64).cos();
        Self {
            window: (0..length).map(hann).collect(),
            transform: FftPlanner::new().plan_fft_forward(length),
        }
    }

    /// The one-sided density of one segment, from 0 to half the rate. `values` must have the length.
    #[must_use]
    pub fn density(&self, values: &[f64], rate_hz: f64) -> Vec<f64> {
        let length = self.window.len();
        let mean = values.iter().sum::<f64>() / length as f64;
        let windowed = values.iter().zip(&*self.window).map(|(value, weight)| (value - mean) * weight);
        let mut line: Vec<Complex64> = windowed.map(|value| Complex64::new(value, 0.0)).collect();
        self.transform.process(&mut line);
        let scale = 1.0 / (rate_hz * self.window.iter().map(|weight| weight * weight).sum::<f64>());
        // What lies at negative frequencies is added to the positive ones; 0 and half the rate have no twin.
        let sides = |bin: usize| if bin == 0 || 2 * bin == length { 1.0 } else { 2.0 };
        (0..=length / 2).map(|bin| line[bin].norm_sqr() * scale * sides(bin)).collect()
    }
}

/// Where a frequency is seen at a rate of sampling: itself up to half the rate, folded down above it.
#[must_use]
pub fn seen_at(frequency_hz: f64, rate_hz: f64) -> f64 {
    (frequency_hz - rate_hz * (frequency_hz / rate_hz).round()).abs()
}

#[cfg(test)]
mod tests {
    use crate::stats::time_series::welch::*;

    fn vectors() -> serde_json::Value {
        serde_json::from_str(include_str!("../../../tests/vectors/welch.json")).unwrap()
    }

    fn numbers(row: &serde_json::Value) -> Vec<f64> {
        row.as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
    }

    /// The noise of `tests/vectors/welch.json`: a 64 bit generator, written down there.
    fn noise(count: usize) -> Vec<f64> {
        let mut x = 1_u64;
        let mut next = || {
            x = x.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((x >> 11) as f64 / 2_f64.powi(53) - 0.5) * 3_f64.sqrt()
        };
        (0..count).map(|_| next()).collect()
    }

    #[test]
    fn the_mean_of_the_segments_is_what_scipy_gives() {
        let vectors = vectors();
        let rate = vectors["fs"].as_f64().unwrap();
        for (ours, wanted) in noise(5).iter().zip(numbers(&vectors["noise_first5"])) {
            assert!((ours - wanted).abs() < 1e-12, "{ours} {wanted}");
        }
        for case in vectors["cases"].as_array().unwrap() {
            let (f0, length) = (case["f0"].as_f64().unwrap(), case["nperseg"].as_u64().unwrap() as usize);
            let sine = |place: usize| 2.0 * (TAU * f0 * place as f64 / rate).sin();
            let values: Vec<f64> = noise(2048).iter().enumerate().map(|(n, noise)| noise + sine(n)).collect();
            let segments = Segments::of_length(length);
            let rows: Vec<Vec<f64>> = (0..(values.len() + 1).saturating_sub(length))
                .step_by(length / 2)
                .map(|from| segments.density(&values[from..from + length], rate))
                .collect();
            assert_eq!(rows.len() as u64, case["n_segments"].as_u64().unwrap());
            let wanted = numbers(&case["psd"]);
            assert_eq!(rows[0].len(), wanted.len());
            for (bin, wanted) in wanted.iter().enumerate() {
                let mean = rows.iter().map(|row| row[bin]).sum::<f64>() / rows.len() as f64;
                assert!((mean / wanted - 1.0).abs() < 1e-9, "{} {bin}: {mean} {wanted}", case["name"]);
            }
        }
    }

    #[test]
    fn the_tiny_case_is_exact() {
        let tiny = &vectors()["tiny"];
        let ours = Segments::of_length(8).density(&numbers(&tiny["x"]), 8.0);
        for (ours, wanted) in ours.iter().zip(numbers(&tiny["hann_psd"])) {
            assert!((ours - wanted).abs() < 1e-15, "{ours} {wanted}");
        }
    }

    #[test]
    fn a_frequency_above_half_the_rate_is_seen_where_the_table_says() {
        for row in vectors()["aliases"].as_array().unwrap() {
            let number = |key: &str| row[key].as_f64().unwrap();
            assert!((seen_at(number("f"), number("fs")) - number("alias")).abs() < 1e-12, "{row}");
        }
    }
}
