//! Vibration against what may drive it: throttle, motor speed, battery voltage.
//!
//! Definition: of each second the strongest level of any axis, and the newest VFR_HUD throttle, mean motor speed
//! (RAW_RPM, ESC_STATUS) and SYS_STATUS voltage in it. Whether they go together: the rank correlation with its interval, see
//! `stats::time_series::rank_correlation`, at 95 % for the three together (2.39 standard errors each); *told* where it
//! leaves out 0 and is 0.3 or more either way. Then the median level of the quarter of the seconds with the highest value is
//! set beside that of the rest. At least 60 seconds that have both. Unit: percent, turns a second, volts; levels as sent.
//! Window: the session. A gap leaves seconds out; duplicates never reach this file; restarts and late ones do not matter.
//! Source: the correlation's, the limits common practice, no source.

use crate::measure::series;
use crate::measure::series::Series;
use crate::stats::sample::quantile;
use crate::stats::time_series::rank_correlation;
use crate::summary::{VibrationAgainst, VibrationDriver};
use crate::units::Nanos;

const FEWEST: usize = 60;
/// 95 % for three at once (Bonferroni).
const DEVIATES: f64 = 2.39;
const LEAST: f64 = 0.3;
/// More seconds than this are thinned evenly.
const MOST: usize = 5_000;

/// A second's newest values, by `VibrationDriver::ALL`; NaN: none.
#[derive(Clone, Copy, Debug)]
struct Second([f32; VibrationDriver::ALL.len()]);

impl series::Cell for Second {
    const EMPTY: Self = Self([f32::NAN; VibrationDriver::ALL.len()]);
}

/// What may drive the vibration, by the second.
#[derive(Clone, Debug, Default)]
pub(super) struct Drivers {
    seconds: Series<Second>,
}

impl Drivers {
    /// `since`: since the first record.
    pub(super) fn put(&mut self, since: Nanos, driver: VibrationDriver, value: f64) {
        if let Some(second) = self.seconds.cell_mut(since.whole_secs()) {
            second.0[driver as usize] = value as f32;
        }
    }

    /// Each that was measured beside levels; `levels`: of each second with one.
    pub(super) fn against(&self, levels: &[(usize, f32)]) -> Vec<VibrationAgainst> {
        VibrationDriver::ALL.into_iter().filter_map(|driver| self.row(driver, levels)).collect()
    }

    fn row(&self, driver: VibrationDriver, levels: &[(usize, f32)]) -> Option<VibrationAgainst> {
        let both = |(second, level): &(usize, f32)| {
            let value = self.seconds.get(*second)?.0[driver as usize];
            (!value.is_nan()).then(|| (f64::from(value), f64::from(*level)))
        };
        let pairs: Vec<(f64, f64)> = levels.iter().filter_map(both).collect();
        if pairs.len() < FEWEST {
            return None;
        }
        let pairs: Vec<(f64, f64)> = pairs.iter().step_by(pairs.len().div_ceil(MOST)).copied().collect();
        let (values, strengths): (Vec<f64>, Vec<f64>) = pairs.iter().copied().unzip();
        let found = rank_correlation::of(&values, &strengths, DEVIATES)?;
        let [low, high] = found.between;
        let above = quantile::of(&values, 0.75)?;
        let of_those = |is_above: bool| {
            let those = pairs.iter().filter(|(value, _)| (*value >= above) == is_above);
            quantile::median(&those.map(|(_, strength)| *strength).collect::<Vec<f64>>())
        };
        Some(VibrationAgainst {
            driver,
            seconds: pairs.len() as u64,
            correlation: found.coefficient,
            ci95: found.between,
            told: (low > 0.0 || high < 0.0) && found.coefficient.abs() >= LEAST,
            above,
            level_above: of_those(true),
            level_below: of_those(false),
        })
    }
}
