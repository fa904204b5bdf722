//! How the vehicle stood at each whole second: heading, height, and where the handset lay from its nose.
//!
//! Definition: heading from GLOBAL_POSITION_INT, else ATTITUDE's yaw, in degrees from north; height
//! above home; bearing of the handset from the vehicle less heading, degrees clockwise. Each is the
//! latest of the last 2 s, else absent. Late arrivals and restarts change nothing already kept;
//! duplicates never get here. 8 bytes a second (see [`super::series`]).

use super::context::{Context, Sender};
use super::series::{Cell, Series};
use crate::units::Nanos;
use crate::wire::telemetry::Telemetry;

use super::position::PositionMeter;

const LATEST: Nanos = Nanos::from_secs(2);
const ABSENT: i16 = i16::MIN;

/// One second, in tenths of a degree and in metres.
#[derive(Clone, Copy, Debug)]
struct Second {
    heading: i16,
    off_nose: i16,
    height_m: f32,
}

impl Cell for Second {
    const EMPTY: Self = Self { heading: ABSENT, off_nose: ABSENT, height_m: f32::NAN };
}

/// Medians or means over a span.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Pose {
    /// Degrees from north, 0 to 360.
    pub heading_deg: Option<f64>,
    /// Degrees clockwise from the nose, 0 to 360.
    pub handset_off_nose_deg: Option<f64>,
    /// Above home.
    pub height_m: Option<f64>,
}

/// The vehicle's attitude over the session.
#[derive(Clone, Debug, Default)]
pub struct AttitudeMeter {
    heading: Option<(Nanos, f64)>,
    yaw: Option<(Nanos, f64)>,
    height: Option<(Nanos, f64)>,
    seconds: Series<Second>,
}

impl AttitudeMeter {
    /// Takes headings and heights of the vehicle.
    pub fn observe(&mut self, at: Nanos, sender: Sender, telemetry: &Telemetry, context: &Context) {
        if context.roles.vehicle() != Some(sender.system) {
            return;
        }
        match *telemetry {
            Telemetry::Position { heading_deg, relative_alt_m, .. } => {
                self.heading = heading_deg.map(|heading| (at, heading)).or(self.heading);
                self.height = Some((at, relative_alt_m));
            }
            Telemetry::Attitude { roll_pitch_yaw, .. } => {
                self.yaw = Some((at, roll_pitch_yaw[2].to_degrees().rem_euclid(360.0)));
            }
            _ => {}
        }
    }

    /// A whole second since the first record has passed.
    pub fn second(&mut self, at: Nanos, range: &PositionMeter, context: &Context) {
        let Some(start) = context.start else { return };
        let Some(second) = (at - start).whole_secs().checked_sub(1) else { return };
        let latest =
            |kept: Option<(Nanos, f64)>| kept.filter(|kept| at - kept.0 <= LATEST).map(|kept| kept.1);
        let heading = latest(self.heading).or_else(|| latest(self.yaw));
        let off_nose = heading
            .zip(range.bearing_of_handset(at, context))
            .map(|(heading, bearing)| (bearing - heading).rem_euclid(360.0));
        let tenths = |angle: Option<f64>| angle.map_or(ABSENT, |angle| (10.0 * angle).round() as i16);
        // A hole that was jumped over leaves nothing behind.
        let pose = Second {
            heading: tenths(heading),
            off_nose: tenths(off_nose),
            height_m: latest(self.height).map_or(f32::NAN, |height| height as f32),
        };
        self.seconds.set(second, pose);
    }

    /// The pose over whole seconds `[from, to)`: mean directions, median height.
    #[must_use]
    pub fn over(&self, from_s: f64, to_s: f64) -> Pose {
        let (from, to) = (from_s.max(0.0) as usize, to_s.max(0.0) as usize);
        let seconds = || self.seconds.range(from, to).map(|(_, second)| second);
        let mut heights: Vec<f32> =
            seconds().map(|second| second.height_m).filter(|height| height.is_finite()).collect();
        heights.sort_by(f32::total_cmp);
        Pose {
            heading_deg: mean_direction(seconds().map(|second| second.heading)),
            handset_off_nose_deg: mean_direction(seconds().map(|second| second.off_nose)),
            height_m: heights.get(heights.len() / 2).map(|&height| f64::from(height)),
        }
    }
}

/// The direction of the sum of unit vectors (Mardia and Jupp 2000, 2.2.1); `None` where they cancel.
fn mean_direction(tenths: impl Iterator<Item = i16>) -> Option<f64> {
    let (mut north, mut east, mut count) = (0.0, 0.0, 0.0);
    for angle in tenths.filter(|&angle| angle != ABSENT) {
        let radians = (f64::from(angle) / 10.0).to_radians();
        north += radians.cos();
        east += radians.sin();
        count += 1.0;
    }
    // Directions spread over more than about a third of the circle have no useful mean.
    (count > 0.0 && f64::hypot(north, east) > 0.5 * count)
        .then(|| east.atan2(north).to_degrees().rem_euclid(360.0))
}

#[cfg(test)]
mod tests {
    use crate::measure::attitude::*;

    /// Mardia and Jupp's rule by hand: 350 and 10 degrees mean 0; opposite directions have no mean.
    #[test]
    fn directions_are_averaged_around_the_circle() {
        let mean = mean_direction([3500, 100].into_iter()).unwrap();
        assert!(mean.min(360.0 - mean) < 1e-9);
        assert!((mean_direction([900, ABSENT, 1100].into_iter()).unwrap() - 100.0).abs() < 1e-9);
        assert_eq!(mean_direction([0, 1800].into_iter()), None);
        assert_eq!(mean_direction([ABSENT].into_iter()), None);
    }
}
