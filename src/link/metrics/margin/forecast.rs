//! When and where the level will meet the threshold.
//!
//! With a distance: the path-loss line times the radial speed. The line is a running least-squares fit
//! of the levels at whole seconds over log10 distance from 10 m on, old seconds fading over 120 s, and
//! pulled towards an exponent of 2.7 give or take 0.7 (open ground to suburb, Rappaport, Wireless
//! Communications, table 4.2) until the flight itself has said more; in device units there is no such
//! pull. Without a distance: the trend of the last 10 s. Units: seconds and metres. Bound: five sums.

use super::super::signal::Trend;

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

/// What is ahead of a link.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Ahead {
    /// Time until the threshold; `None`: it is not being approached, as far as can be told.
    pub(super) seconds: Option<f64>,
    /// The same by the flattest line that the trend allows: what warns, so that a dip of the shadowing,
    /// whose slope no one knows well, does not. With a distance no other than `seconds`.
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

/// From the trend alone: only where even its upper bound falls.
pub(super) fn by_trend(margin: f64, trend: Option<Trend>) -> Ahead {
    let falling = trend.filter(|trend| trend.ci90[1] < 0.0);
    let until = |per_s: f64| margin.max(0.0) / -per_s;
    Ahead {
        seconds: falling.map(|trend| until(trend.per_s)),
        seconds_at_most: falling.map(|trend| until(trend.ci90[1])),
        metres: None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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

    #[test]
    fn a_trend_that_may_rise_is_none() {
        let trend = |high| Some(Trend { per_s: -1.0, ci90: [-2.0, high], samples: 20 });
        assert_eq!(by_trend(10.0, trend(0.1)).seconds, None);
        let falling = by_trend(10.0, trend(-0.5));
        assert_eq!((falling.seconds, falling.seconds_at_most), (Some(10.0), Some(20.0)));
    }
}
