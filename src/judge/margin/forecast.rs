//! When and where the level will meet the threshold.
//!
//! With a distance: the path-loss line times the radial speed. The line is a running least-squares fit
//! of the levels at whole seconds over log10 distance from 10 m on, old seconds fading over 120 s, and
//! pulled towards an exponent of 2.7 give or take 0.7 (open ground to suburb, Rappaport, Wireless
//! Communications, table 4.2) until the flight itself has said more; in device units there is no such
//! pull. Without a distance: the slope of the mean that shadowing hides, by the levels at whole seconds
//! (see [`local_trend`]): shadowing of 3 dB that stays alike for 3 s, flights that change the level by some
//! 0.5 dB a second (5 m/s at 100 m) and keep at it for 30 s. Where all of a dip may be shadowing, it says
//! nothing. In device units the spread comes from the levels themselves. Units: seconds and metres.
//! Bound: five sums, and a filter of nine numbers.

use crate::stats::curve_fit::local_trend::{LocalTrend, Model};

const NEAREST_M: f64 = 10.0;
const FADE_S: f64 = 120.0;
const USUAL_SLOPE: f64 = -27.0;
const USUAL_SPREAD: f64 = 7.0;
/// Variance of shadowing, and how many correlated seconds say as much as one independent one.
const SHADOWING: f64 = 9.0;
const CORRELATED: f64 = 6.0;
const LEAST_SECONDS: f64 = 3.0;
/// Slower than this, nobody flies outward.
const LEAST_SPEED: f64 = 0.5;
/// The normal law's 95 %: the upper end of a 90 % interval.
const UPPER: f64 = 1.645;
/// Levels at whole seconds that must have been heard where their spread comes from themselves.
const LEAST_HEARD: f64 = 30.0;
const MODEL: Model =
    Model { spread: 3.0, time: 3.0, slope_spread: 0.5, slope_time: 30.0, noise: 0.1, start_spread: 20.0 };

/// A running line of level over log10 distance.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct RunningLine {
    weight: f64,
    x: f64,
    xx: f64,
    y: f64,
    xy: f64,
    taken: f64,
}

impl RunningLine {
    pub(super) fn take(&mut self, distance_m: f64, level: f64) {
        if distance_m < NEAREST_M {
            return;
        }
        let fade = (-1.0 / FADE_S).exp();
        for sum in [&mut self.weight, &mut self.x, &mut self.xx, &mut self.y, &mut self.xy] {
            *sum *= fade;
        }
        let x = distance_m.log10();
        self.weight += 1.0;
        self.x += x;
        self.xx += x * x;
        self.y += level;
        self.xy += x * level;
        self.taken += 1.0;
    }

    /// Intercept and slope per tenfold distance.
    fn line(&self, usual: bool) -> Option<(f64, f64)> {
        if self.taken < LEAST_SECONDS {
            return None;
        }
        let (x, y) = (self.x / self.weight, self.y / self.weight);
        let pull = if usual { SHADOWING * CORRELATED / (USUAL_SPREAD * USUAL_SPREAD) } else { 0.0 };
        let power = self.xx - self.weight * x * x + pull;
        if power <= 1e-6 {
            return None;
        }
        let slope = (self.xy - self.weight * x * y + pull * USUAL_SLOPE) / power;
        (slope < 0.0).then_some((y - slope * x, slope))
    }

    /// Where the line meets the threshold.
    pub(super) fn distance(&self, threshold: f64, usual: bool) -> Option<f64> {
        let (intercept, slope) = self.line(usual)?;
        let distance = 10_f64.powf((threshold - intercept) / slope);
        distance.is_finite().then_some(distance)
    }
}

/// The slope of the level's mean, second by second.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Course(Option<LocalTrend>);

impl Course {
    /// A whole second has passed.
    pub(super) fn take(&mut self, level: Option<f64>) {
        match (&mut self.0, level) {
            (Some(trend), _) => trend.step(),
            (None, Some(level)) => self.0 = Some(LocalTrend::new(MODEL, level)),
            (None, None) => {}
        }
        if let Some((trend, level)) = self.0.as_mut().zip(level) {
            trend.observe(level);
        }
    }

    /// The slope a second, and the upper end of its 90 % interval.
    fn slope(&self, in_db: bool) -> Option<(f64, f64)> {
        let trend = self.0.as_ref()?;
        let (slope, error) = trend.slope();
        let (scale, heard) = trend.scale();
        let error = if in_db { error } else { error * scale };
        (in_db || heard >= LEAST_HEARD).then_some((slope, slope + UPPER * error))
    }
}

/// What is ahead of a link.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Ahead {
    /// Time until the threshold; `None`: it is not being approached, as far as can be told.
    pub(super) seconds: Option<f64>,
    /// The same by the flattest slope that the levels allow: what warns, so that a dip of the shadowing
    /// does not. With a distance no other than `seconds`.
    pub(super) seconds_at_most: Option<f64>,
    /// Distance until the threshold.
    pub(super) metres: Option<f64>,
}

/// From the line and the radial speed.
pub(super) fn by_distance(freeze_m: f64, distance_m: f64, speed: f64) -> Ahead {
    let left = (freeze_m - distance_m).max(0.0);
    if speed < LEAST_SPEED {
        return Ahead::default();
    }
    let seconds = Some(left / speed);
    Ahead { seconds, seconds_at_most: seconds, metres: Some(left) }
}

/// From the levels alone: only where even the upper bound of their slope falls.
pub(super) fn by_course(margin: f64, course: &Course, in_db: bool) -> Ahead {
    let falling = course.slope(in_db).filter(|(_, upper)| *upper < 0.0);
    let until = |per_s: f64| margin.max(0.0) / -per_s;
    Ahead {
        seconds: falling.map(|(slope, _)| until(slope)),
        seconds_at_most: falling.map(|(_, upper)| until(upper)),
        metres: None,
    }
}

#[cfg(test)]
mod tests {
    use crate::judge::margin::forecast::*;

    /// Levels exactly on a line of n = 3: the freeze lies where that line meets the threshold.
    #[test]
    fn the_line_is_found() {
        let mut line = RunningLine::default();
        for step in 0..200 {
            let distance = 10.0 + f64::from(step);
            line.take(distance, -30.0 - 30.0 * distance.log10());
        }
        let found = line.distance(-105.0, false).unwrap();
        assert!((found - 10_f64.powf(2.5)).abs() < 1e-6, "{found}");
        // The pull towards the usual is weak by then.
        let pulled = line.distance(-105.0, true).unwrap();
        assert!((pulled / found - 1.0).abs() < 0.05, "{pulled}");
    }

    #[test]
    fn nearby_levels_say_nothing() {
        let mut line = RunningLine::default();
        for _ in 0..100 {
            line.take(5.0, -60.0);
        }
        assert_eq!(line.distance(-90.0, true), None);
    }

    #[test]
    fn who_does_not_fly_outward_has_no_time_left() {
        assert_eq!(by_distance(300.0, 100.0, 0.1), Ahead::default());
        assert_eq!(by_distance(300.0, 100.0, -5.0), Ahead::default());
        assert_eq!(
            by_distance(300.0, 100.0, 10.0),
            Ahead { seconds: Some(20.0), seconds_at_most: Some(20.0), metres: Some(200.0) }
        );
    }

    fn course(levels: impl Iterator<Item = Option<f64>>) -> Course {
        let mut course = Course::default();
        levels.for_each(|level| course.take(level));
        course
    }

    /// 60 s that stand, then 1 dB a second down: the truth is 1 dB a second and margin over it.
    #[test]
    fn a_steady_fall_has_its_time() {
        let down = (0..40).map(|second| Some(-60.0 - f64::from(second)));
        let found = by_course(12.0, &course((0..60).map(|_| Some(-60.0)).chain(down)), true);
        // A slope of twice the usual spread is believed but for a part.
        assert!((12.0..18.0).contains(&found.seconds.unwrap()), "{found:?}");
        assert!(found.seconds_at_most > found.seconds);
        assert_eq!(found.metres, None);
    }

    /// 6 dB in 4 s out of a minute that stood: two spreads of the shadowing.
    #[test]
    fn a_dip_that_shadowing_explains_is_no_fall() {
        let dip = (1..=4).map(|second| Some(-60.0 - 1.5 * f64::from(second)));
        let dip = course((0..60).map(|_| Some(-60.0)).chain(dip));
        assert_eq!(by_course(6.5, &dip, true), Ahead::default());
    }

    /// Levels in units ten times as fine say the same in the same time, and nothing of seconds unheard.
    #[test]
    fn device_units_find_their_own_spread() {
        let levels = |factor: f64| {
            (0..200).map(move |second| {
                let level = f64::from(second * 7 % 11) - f64::from((second - 120).max(0)) * 2.0;
                (second % 13 != 0).then_some(factor * level)
            })
        };
        let (one, ten) = (course(levels(1.0)), course(levels(10.0)));
        let (one, ten) = (by_course(50.0, &one, false), by_course(500.0, &ten, false));
        assert!((one.seconds.unwrap() / ten.seconds.unwrap() - 1.0).abs() < 1e-3, "{one:?} {ten:?}");
        assert!((one.seconds_at_most.unwrap() / ten.seconds_at_most.unwrap() - 1.0).abs() < 1e-3);
        let few = course((0..20).map(|second| Some(-f64::from(second))));
        assert_eq!(by_course(50.0, &few, false), Ahead::default());
    }
}
