//! How fast the motors turned of late, by RAW_RPM or ESC_STATUS.
//!
//! Definition: in each quarter of a second the newest speed of each of the first eight motors, in turns a second; of the
//! last 30 s. One that stands still counts for nothing. A gap leaves its quarters empty; order and restarts do not matter.

use std::collections::VecDeque;

use crate::units::Nanos;

const MOTORS: usize = 8;
const QUARTER: Nanos = Nanos::from_millis(250);
const MOST_QUARTERS: usize = 120;
/// Below one turn a second a motor stands still.
const STANDS_HZ: f32 = 1.0;

/// Turns a second of the motors over a span of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Turning {
    /// Of the slowest motor.
    pub(super) low: f64,
    pub(super) mean: f64,
    /// Of the fastest.
    pub(super) high: f64,
}

#[derive(Clone, Debug, Default)]
pub(super) struct MotorSpeeds {
    quarters: VecDeque<(Nanos, [f32; MOTORS])>,
}

impl MotorSpeeds {
    pub(super) fn observe(&mut self, at: Nanos, first: u8, rpm: &[Option<f32>; 4]) {
        if self.quarters.back().is_none_or(|(from, _)| at - *from >= QUARTER) {
            if self.quarters.len() >= MOST_QUARTERS {
                self.quarters.pop_front();
            }
            self.quarters.push_back((at, [0.0; MOTORS]));
        }
        let Some((_, newest)) = self.quarters.back_mut() else { return };
        for (place, rpm) in rpm.iter().enumerate() {
            if let (Some(rpm), Some(motor)) = (rpm, newest.get_mut(usize::from(first) + place)) {
                *motor = rpm / 60.0;
            }
        }
    }

    /// `None` where no motor turned in the quarters of a second that the span touches.
    pub(super) fn over(&self, from: Nanos, to: Nanos) -> Option<Turning> {
        let within = self.quarters.iter().filter(|(at, _)| (from - QUARTER..=to).contains(at));
        let mut sums = [(0.0, 0_u32); MOTORS];
        for (sum, hz) in within.flat_map(|(_, motors)| (0..MOTORS).zip(motors)) {
            if *hz >= STANDS_HZ {
                sums[sum].0 += f64::from(*hz);
                sums[sum].1 += 1;
            }
        }
        let means = sums.iter().filter(|(_, count)| *count > 0).map(|(sum, count)| sum / f64::from(*count));
        let (low, high) = (means.clone().reduce(f64::min)?, means.clone().reduce(f64::max)?);
        let count = means.clone().count() as f64;
        Some(Turning { low, mean: means.sum::<f64>() / count, high })
    }
}
