//! Glass to glass: the delay of the picture, from the vehicle's lens to the handset's screen, from photographs.
//!
//! Definition: the vehicle's camera films a running time; a photograph shows that time and its picture on the handset's
//! screen at once. One reading is the time less the time in its picture. The figure is the mean of the readings: the mean
//! age of what the pilot sees, the wait for the next frame and the next refresh included.
//!
//! Unit: milliseconds. Window: the photographs that were read, three at least. Uncertainty: JCGM 100:2008 (GUM), see
//! `stats/mean_uncertainty.rs`: the readings' scatter, and what all photographs share: where in its refresh the screen was
//! seen (any part of one refresh), and where in the exposure each of the two times was read (any part of it, twice).
//!
//! A reading far from the others is told and stays in: the interval widens by itself. The time wraps at 1,000 s; a
//! picture that is ahead of its time by less than a refresh and an exposure is an error of reading, by more it is refused.
//! Gaps, duplicates, late arrivals and restarts do not occur: nothing here comes over the link.

use crate::stats::sample::mean_uncertainty::{Mean, mean};
use crate::stats::sample::quantile::median;
use crate::summary::PictureDelay;

/// The running time begins again at 0, milliseconds.
pub const WRAP_MS: f64 = 1_000_000.0;
/// A reading is apart if it lies over so many times the usual distance from the middle.
const APART: f64 = 5.0;
/// And over so much, beside refresh and exposure: one frame of a slow picture.
const ALWAYS_NEAR_MS: f64 = 50.0;
/// Median absolute deviation to standard deviation of a normal distribution: Rousseeuw and Croux (1993).
const MAD_TO_SIGMA: f64 = 1.4826;

/// One photograph: both times in milliseconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Photograph {
    /// The running time itself.
    pub time_ms: f64,
    /// The time in its picture on the handset's screen.
    pub picture_ms: f64,
}

impl Photograph {
    /// The picture's age, from half a wrap before to half a wrap behind.
    #[must_use]
    pub fn delay_ms(self) -> f64 {
        (self.time_ms - self.picture_ms + WRAP_MS / 2.0).rem_euclid(WRAP_MS) - WRAP_MS / 2.0
    }
}

/// How the photographs were made.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Optics {
    /// Time between two refreshes of the slower of the two screens.
    pub refresh_ms: f64,
    /// Exposure of the photographs.
    pub exposure_ms: f64,
}

/// Refreshes a second of most screens.
pub const USUAL_REFRESH_HZ: f64 = 60.0;
/// Exposure of a phone by artificial light.
pub const USUAL_EXPOSURE_MS: f64 = 17.0;

impl Optics {
    /// What holds where nothing else was said: common practice, no source.
    pub const USUAL: Self = Self { refresh_ms: 1_000.0 / USUAL_REFRESH_HZ, exposure_ms: USUAL_EXPOSURE_MS };
}

/// Why photographs give no figure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoDelay {
    /// Fewer than three.
    Few,
    /// The picture of this one, counted from 1, is ahead of its time: the two were swapped, or one was misread.
    Ahead(usize),
}

/// The delay that photographs show.
///
/// # Errors
/// Why they show none.
pub fn delay(photographs: &[Photograph], optics: Optics) -> Result<PictureDelay, NoDelay> {
    let readings: Vec<f64> = photographs.iter().map(|photograph| photograph.delay_ms()).collect();
    let blur_ms = optics.refresh_ms + optics.exposure_ms;
    if let Some(ahead) = readings.iter().position(|reading| *reading < -blur_ms) {
        return Err(NoDelay::Ahead(ahead + 1));
    }
    let Mean { value: mean, ci95, scatter, floor } =
        mean(&readings, &[optics.refresh_ms, optics.exposure_ms, optics.exposure_ms]).ok_or(NoDelay::Few)?;
    Ok(PictureDelay {
        photographs: readings.len(),
        glass_to_glass_ms: mean.max(0.0),
        glass_to_glass_ci95_ms: ci95.map(|end| end.max(0.0)),
        scatter_ms: scatter,
        floor_ms: floor,
        photographs_apart: apart(&readings, blur_ms),
    })
}

/// Readings far from the middle, counted from 1.
fn apart(readings: &[f64], blur_ms: f64) -> Vec<usize> {
    let Some(middle) = median(readings) else { return Vec::new() };
    let distances: Vec<f64> = readings.iter().map(|reading| (reading - middle).abs()).collect();
    let usual = median(&distances).unwrap_or(0.0);
    let near = (APART * MAD_TO_SIGMA * usual).max(ALWAYS_NEAR_MS + blur_ms);
    let far = distances.iter().zip(1..).filter(|(distance, _)| **distance > near);
    far.map(|(_, photograph)| photograph).collect()
}

/// A running time as it is read off, in seconds (`83.412`): milliseconds.
#[must_use]
pub fn read_off_ms(text: &str) -> Option<f64> {
    let text = text.trim().replace(',', ".");
    let is_plain = text.chars().all(|letter| letter.is_ascii_digit() || letter == '.');
    let ms = text.parse::<f64>().ok().filter(|_| is_plain)? * 1_000.0;
    (0.0..WRAP_MS).contains(&ms).then_some(ms)
}

#[cfg(test)]
mod tests {
    use crate::measure::glass_to_glass::*;

    const OPTICS: Optics = Optics { refresh_ms: 17.0, exposure_ms: 10.0 };

    fn photographs(delays: &[f64]) -> Vec<Photograph> {
        let at = |(index, delay): (usize, &f64)| {
            let time_ms = (999_500.0 + 777.0 * index as f64) % WRAP_MS;
            Photograph { time_ms, picture_ms: (time_ms - delay).rem_euclid(WRAP_MS) }
        };
        delays.iter().enumerate().map(at).collect()
    }

    /// By hand: the mean of 90, 100 and 110, also where the running time began anew in between.
    #[test]
    fn the_delay_is_the_mean_of_what_the_photographs_show() {
        let delay = delay(&photographs(&[90.0, 110.0, 100.0]), OPTICS).unwrap();
        assert!(
            (delay.glass_to_glass_ms - 100.0).abs() < 1e-6 && (delay.scatter_ms - 10.0).abs() < 1e-6,
            "{delay:?}"
        );
        // u = sqrt(10^2 / 3 + 17^2 / 12 + 2 * 10^2 / 12) = 8.61 at 9.9 degrees of freedom, where t is 2.23.
        let half_ms = (delay.glass_to_glass_ci95_ms[1] - delay.glass_to_glass_ci95_ms[0]) / 2.0;
        assert!((half_ms - 19.2).abs() < 0.1 && delay.photographs_apart.is_empty(), "{delay:?}");
    }

    #[test]
    fn what_cannot_be_is_refused_and_what_lies_apart_is_told() {
        assert_eq!(delay(&photographs(&[90.0, 95.0]), OPTICS), Err(NoDelay::Few));
        assert_eq!(delay(&photographs(&[90.0, 95.0, -28.0]), OPTICS), Err(NoDelay::Ahead(3)), "swapped");
        assert!(delay(&photographs(&[2.0, 5.0, -26.0]), OPTICS).is_ok(), "within refresh and exposure");
        let misread = delay(&photographs(&[90.0, 95.0, 593.0, 99.0, 92.0]), OPTICS).unwrap();
        assert_eq!(misread.photographs_apart, [3]);
        assert!(
            misread.glass_to_glass_ci95_ms[0] < 95.0,
            "it stays in, and the interval says so: {misread:?}"
        );
        // A slow picture waits up to a frame: nothing is apart.
        assert!(
            delay(&photographs(&[90.0, 90.0, 90.0, 165.0]), OPTICS).unwrap().photographs_apart.is_empty()
        );
    }

    #[test]
    fn times_are_read_off_in_seconds() {
        assert_eq!(read_off_ms("83.412"), Some(83_412.0));
        assert_eq!(read_off_ms(" 083,412 "), Some(83_412.0));
        for text in ["", "1000", "-1", "nan", "1e2", "8.3.4", "inf"] {
            assert_eq!(read_off_ms(text), None, "{text}");
        }
    }
}
