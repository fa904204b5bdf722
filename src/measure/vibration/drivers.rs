//! Vibration against what may drive it: throttle, motor speed, battery voltage, servo outputs.
//!
//! Definition: of each second the strongest level of any axis, and the newest VFR_HUD throttle, mean motor speed
//! (RAW_RPM, ESC_STATUS), SYS_STATUS voltage and SERVO_OUTPUT_RAW outputs (port 0, kept to 10 us) in it; in a session with
//! trips only their seconds. Whether they go together: the rank correlation with its interval, see
//! `stats::time_series::rank_correlation`, at 95 % for all that are looked at together (Bonferroni); *told* where it
//! leaves out 0 and is 0.3 or more either way. Then the median level of the quarter of the seconds with the highest value is
//! set beside that of the rest. At least 60 seconds that have both. An output is looked at where no value of it holds in half
//! of the seconds: what does is a switch, or stands. Outputs mostly go with the throttle and with each other: one is told
//! *alone* where against each other thing that is told, what that leaves of it goes with the level more than what it leaves of
//! that: the intervals of the two partial correlations lie apart. Unit: percent, turns a second, volts, us; levels as sent.
//! Window: the session. A gap leaves seconds out; duplicates never reach this file; restarts and late ones do not matter.
//! Source: the correlation's, the limits common practice, no source.

use statrs::distribution::{ContinuousCDF, Normal};

use crate::measure::series;
use crate::measure::series::Series;
use crate::snapshot::View;
use crate::stats::sample::quantile;
use crate::stats::time_series::rank_correlation;
use crate::summary::{VibrationAgainst, VibrationDriver};
use crate::units::Nanos;

const FEWEST: usize = 60;
/// All intervals together miss the truth so often.
const MISSES: f64 = 0.05;
const LEAST: f64 = 0.3;
/// More seconds than this are thinned evenly.
const MOST: usize = 5_000;
const OUTPUTS: usize = 16;
/// Of an output, us.
const STEP_US: u16 = 10;

/// A second's newest values, by `VibrationDriver::SINGLE`; NaN: none.
#[derive(Clone, Copy, Debug)]
struct Second([f32; VibrationDriver::SINGLE.len()]);

impl series::Cell for Second {
    const EMPTY: Self = Self([f32::NAN; VibrationDriver::SINGLE.len()]);
}

/// A second's newest outputs in steps; 0: none.
#[derive(Clone, Copy, Debug)]
struct Outputs([u8; OUTPUTS]);

impl series::Cell for Outputs {
    const EMPTY: Self = Self([0; OUTPUTS]);
}

/// What may drive the vibration, by the second.
#[derive(Clone, Debug, Default)]
pub(super) struct Drivers {
    seconds: Series<Second>,
    outputs: Series<Outputs>,
}

/// One of them beside the levels; NaN: none.
struct Track {
    driver: VibrationDriver,
    output: Option<u8>,
    values: Vec<f64>,
}

impl Drivers {
    /// `since`: since the first record.
    pub(super) fn put(&mut self, since: Nanos, driver: VibrationDriver, value: f64) {
        if let Some(second) = self.seconds.cell_mut(since.whole_secs()) {
            second.0[driver as usize] = value as f32;
        }
    }

    pub(super) fn put_outputs(&mut self, since: Nanos, outputs: &[u16; OUTPUTS]) {
        if let Some(second) = self.outputs.cell_mut(since.whole_secs()) {
            second.0 = outputs.map(|us| us.div_ceil(STEP_US).min(255) as u8);
        }
    }

    /// The mean of each column of a window.
    pub(super) fn columns(&self, driver: VibrationDriver, view: View) -> Vec<Option<f64>> {
        let mut sums = vec![(0.0, 0_u32); usize::from(view.columns)];
        let (from, to) = (view.from_s.max(0.0) as usize, view.to_s.max(0.0).ceil() as usize);
        for (second, cell) in self.seconds.range(from, to) {
            let value = f64::from(cell.0[driver as usize]);
            let from_s = second as f64;
            for column in
                view.columns_showing(from_s.max(view.from_s), from_s + 1.0).filter(|_| !value.is_nan())
            {
                sums[column].0 += value;
                sums[column].1 += 1;
            }
        }
        sums.into_iter().map(|(sum, count)| (count > 0).then(|| sum / f64::from(count))).collect()
    }

    /// Each that was measured beside levels; `levels`: of each second with one.
    pub(super) fn against(&self, levels: &[(usize, f32)]) -> Vec<VibrationAgainst> {
        let thinned = levels.iter().step_by(levels.len().div_ceil(MOST).max(1));
        let (seconds, levels): (Vec<usize>, Vec<f64>) =
            thinned.map(|(second, level)| (*second, f64::from(*level))).unzip();
        let tracks = self.tracks(&seconds);
        let looks = tracks.len().max(VibrationDriver::SINGLE.len()) as f64;
        let deviates = Normal::standard().inverse_cdf(1.0 - MISSES / 2.0 / looks);
        let rows = tracks.iter().filter_map(|track| Some((track, row(track, &levels, deviates)?)));
        let (tracks, mut rows): (Vec<&Track>, Vec<VibrationAgainst>) = rows.unzip();
        let told: Vec<usize> = (0..rows.len()).filter(|place| rows[*place].told).collect();
        for (place, track) in tracks.iter().enumerate().filter(|(_, track)| track.output.is_some()) {
            let others = told.iter().filter(|other| **other != place);
            let sign = rows[place].correlation.signum();
            let beats = |other: &usize| beats(track, tracks[*other], &levels, (sign, deviates));
            rows[place].alone = Some(rows[place].told && others.clone().all(beats));
        }
        rows
    }

    /// What was measured in some seconds, of outputs those that move.
    fn tracks(&self, seconds: &[usize]) -> Vec<Track> {
        let single = VibrationDriver::SINGLE.into_iter().map(|driver| {
            let value =
                |second: &usize| self.seconds.get(*second).map_or(f32::NAN, |at| at.0[driver as usize]);
            let values = seconds.iter().map(|second| f64::from(value(second))).collect();
            Track { driver, output: None, values }
        });
        let known: Vec<Outputs> =
            seconds.iter().map(|second| self.outputs.get(*second).unwrap_or(series::Cell::EMPTY)).collect();
        let outputs = (0..OUTPUTS).filter(|output| moves(&known, *output)).map(|output| {
            let us = |at: &Outputs| match at.0[output] {
                0 => f64::NAN,
                steps => f64::from(steps) * f64::from(STEP_US),
            };
            let values = known.iter().map(us).collect();
            Track { driver: VibrationDriver::Output, output: Some(output as u8 + 1), values }
        });
        single.chain(outputs).filter(|track| track.values.iter().any(|value| !value.is_nan())).collect()
    }
}

/// Whether no value of an output holds in half of the seconds.
fn moves(known: &[Outputs], output: usize) -> bool {
    let mut counts = [0_usize; 256];
    for at in known {
        counts[usize::from(at.0[output])] += 1;
    }
    let all: usize = counts[1..].iter().sum();
    all > 0 && counts[1..].iter().all(|count| 2 * count < all)
}

/// One driver beside the levels, where both are known.
fn row(track: &Track, levels: &[f64], deviates: f64) -> Option<VibrationAgainst> {
    let pairs: Vec<(f64, f64)> = track.values.iter().copied().zip(levels.iter().copied()).collect();
    let pairs: Vec<(f64, f64)> = pairs.into_iter().filter(|(value, _)| !value.is_nan()).collect();
    if pairs.len() < FEWEST {
        return None;
    }
    let (values, strengths): (Vec<f64>, Vec<f64>) = pairs.iter().copied().unzip();
    let found = rank_correlation::of(&values, &strengths, deviates)?;
    let [low, high] = found.between;
    let above = quantile::of(&values, 0.75)?;
    let of_those = |is_above: bool| {
        let those = pairs.iter().filter(|(value, _)| (*value >= above) == is_above);
        quantile::median(&those.map(|(_, strength)| *strength).collect::<Vec<f64>>())
    };
    Some(VibrationAgainst {
        driver: track.driver,
        output: track.output,
        seconds: pairs.len() as u64,
        correlation: found.coefficient,
        ci95: found.between,
        told: (low > 0.0 || high < 0.0) && found.coefficient.abs() >= LEAST,
        alone: None,
        above,
        level_above: of_those(true),
        level_below: of_those(false),
    })
}

/// Whether what a second driver leaves of the first goes with the level more than what the first leaves of the second.
fn beats(first: &Track, second: &Track, levels: &[f64], (sign, deviates): (f64, f64)) -> bool {
    let both = first.values.iter().zip(&second.values).zip(levels);
    let both = both.filter(|((one, other), _)| !one.is_nan() && !other.is_nan());
    let (pairs, levels): (Vec<(f64, f64)>, Vec<f64>) =
        both.map(|((one, other), level)| ((*one, *other), *level)).unzip();
    let (one, other): (Vec<f64>, Vec<f64>) = pairs.into_iter().unzip();
    let own = rank_correlation::beside(&one, &levels, &other, deviates);
    let its = rank_correlation::beside(&other, &levels, &one, deviates);
    let Some((own, its)) = own.zip(its) else { return false };
    let least = own.between.map(|end| end * sign).into_iter().fold(f64::INFINITY, f64::min);
    least > its.between.map(f64::abs).into_iter().fold(0.0, f64::max)
}
