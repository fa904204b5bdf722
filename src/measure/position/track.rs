//! The vehicle's way: its place at each whole second, and lately.
//!
//! A whole second's place lies on the line between the fix before and the fix after, if they are
//! no more than 10 s apart; until the fix after has come, it is absent. Bounds: see [`crate::measure::series`]; 6 s of
//! recent fixes at no more than 20 a second, 1024 long silences.

use std::collections::VecDeque;

use crate::measure::series::{Cell, Series};
use crate::stats::space::geodesic;
use crate::units::{Metres, Nanos};

/// Longest silence that is interpolated across.
pub(crate) const LONGEST_BRIDGE: Nanos = Nanos::from_secs(10);
/// A heading is the one of a whole second if it comes no later than this.
const NOSE_AGE: Nanos = Nanos::from_secs(1);
const RECENT_SPAN: Nanos = Nanos::from_secs(6);
const MOST_SILENCES: usize = 1024;
const RECENT_STEP: Nanos = Nanos::from_millis(50);

/// A place on or above the ground.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Place {
    pub(crate) lat_deg: f64,
    pub(crate) lon_deg: f64,
    /// Above mean sea level.
    pub(crate) alt_m: f64,
}

impl Place {
    /// A place that can be one: finite, on the globe, and not the 0, 0 of a receiver without a fix.
    pub(crate) fn new(lat_deg: f64, lon_deg: f64, alt_m: f64) -> Option<Self> {
        let on_globe = lat_deg.abs() <= 90.0 && lon_deg.abs() <= 180.0 && alt_m.is_finite();
        (on_globe && (lat_deg != 0.0 || lon_deg != 0.0)).then_some(Self { lat_deg, lon_deg, alt_m })
    }

    /// Slant distance to another place.
    pub(crate) fn distance(self, other: Self) -> Metres {
        let level = geodesic::horizontal_m((self.lat_deg, self.lon_deg), (other.lat_deg, other.lon_deg));
        Metres(geodesic::slant_m(level, other.alt_m - self.alt_m))
    }

    /// `None` where nothing was put.
    pub(crate) fn known(self) -> Option<Self> {
        (!self.lat_deg.is_nan()).then_some(self)
    }

    fn between(self, other: Self, share: f64) -> Self {
        let mut east = other.lon_deg - self.lon_deg;
        if east.abs() > 180.0 {
            east -= 360.0_f64.copysign(east);
        }
        Self {
            lat_deg: self.lat_deg + share * (other.lat_deg - self.lat_deg),
            lon_deg: self.lon_deg + share * east,
            alt_m: self.alt_m + share * (other.alt_m - self.alt_m),
        }
    }
}

impl Cell for Place {
    const EMPTY: Self = Self { lat_deg: f64::NAN, lon_deg: f64::NAN, alt_m: f64::NAN };
}

/// The vehicle's places.
#[derive(Clone, Debug, Default)]
pub(crate) struct Track {
    recent: VecDeque<(Nanos, Place)>,
    last: Option<(Nanos, Place)>,
    /// Without a latitude where there is none.
    seconds: Series<Place>,
    /// Where its nose pointed at each, degrees.
    headings: Series<f32>,
    /// Last fixes before silences that were too long to bridge.
    left: Vec<(Nanos, Place)>,
}

impl Track {
    pub(crate) fn take(&mut self, at: Nanos, place: Place, nose_deg: Option<f64>, start: Nanos) {
        if let Some((before, from)) = self.last
            && at > before
            && at - before <= LONGEST_BRIDGE
        {
            let first = (before - start).0.div_euclid(1_000_000_000) + 1;
            let last = (at - start).0.div_euclid(1_000_000_000);
            for second in first..=last {
                let share = ((start + Nanos::from_secs(second)) - before).secs() / (at - before).secs();
                let second_at = start + Nanos::from_secs(second);
                let nose = nose_deg.filter(|_| at - second_at <= NOSE_AGE).map(|nose| nose as f32);
                self.keep(second, from.between(place, share), nose);
            }
        }
        if let Some(last) = self.last
            && at - last.0 > LONGEST_BRIDGE
            && self.left.len() < MOST_SILENCES
        {
            self.left.push(last);
        }
        self.last = Some((at, place));
        while self.recent.front().is_some_and(|&(first, _)| first + RECENT_SPAN < at) {
            self.recent.pop_front();
        }
        if self.recent.back().is_none_or(|&(newest, _)| at - newest >= RECENT_STEP) {
            self.recent.push_back((at, place));
        }
    }

    fn keep(&mut self, second: i64, place: Place, nose_deg: Option<f32>) {
        let Some(index) = usize::try_from(second).ok().and_then(|count| count.checked_sub(1)) else { return };
        self.seconds.set(index, place);
        self.headings.set(index, nose_deg.unwrap_or(f32::NAN));
    }

    /// The newest fix, if it is no older than this.
    pub(crate) fn latest(&self, at: Nanos, age: Nanos) -> Option<Place> {
        self.newest(at, age).map(|(_, place)| place)
    }

    /// The same with its time.
    pub(crate) fn newest(&self, at: Nanos, age: Nanos) -> Option<(Nanos, Place)> {
        self.last.filter(|&(when, _)| at - when <= age)
    }

    /// Last fixes before long silences, and before one that is not over yet if it is longer than `open`.
    pub(crate) fn left(&self, now: Nanos, open: Nanos) -> impl Iterator<Item = (Nanos, Place)> + '_ {
        self.left.iter().copied().chain(self.last.filter(move |&(at, _)| now - at > open))
    }

    /// Fixes of the last few seconds.
    pub(crate) fn recent(
        &self,
        from: Nanos,
        to: Nanos,
    ) -> impl DoubleEndedIterator<Item = (Nanos, Place)> + '_ {
        self.recent.iter().copied().filter(move |&(at, _)| at >= from && at <= to)
    }

    /// Where the nose pointed at a whole second.
    pub(crate) fn heading(&self, index: usize) -> Option<f32> {
        self.headings.number(index)
    }

    /// Whole seconds up to the last fix.
    pub(crate) const fn count(&self) -> usize {
        self.seconds.len()
    }

    /// The place at a whole second (index 0: at 1 s).
    pub(crate) fn place(&self, index: usize) -> Option<Place> {
        self.seconds.get(index).and_then(Place::known)
    }

    /// Whole seconds from one to another that have a place.
    pub(crate) fn places(&self, from: usize, to: usize) -> impl Iterator<Item = (usize, Place)> + '_ {
        self.seconds.range(from, to).filter_map(|(second, place)| Some((second, place.known()?)))
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::position::track::*;

    fn place(north: f64) -> Place {
        Place::new(54.0 + north, 10.0, 20.0).unwrap()
    }

    #[test]
    fn a_silence_of_ten_seconds_is_bridged_a_longer_one_is_not() {
        let start = Nanos::from_secs(100);
        let mut track = Track::default();
        track.take(start + Nanos::from_millis(500), place(0.0), None, start);
        track.take(start + Nanos::from_millis(10_500), place(0.001), None, start);
        track.take(start + Nanos::from_millis(20_501), place(0.0), None, start);
        assert_eq!(track.count(), 10);
        assert!((track.place(4).unwrap().lat_deg - 54.000_45).abs() < 1e-9);
        assert_eq!(track.places(0, 10).count(), 10);
    }

    #[test]
    fn no_place_without_a_fix() {
        assert_eq!(Place::new(0.0, 0.0, 5.0), None);
        assert_eq!(Place::new(f64::NAN, 10.0, 5.0), None);
        assert_eq!(Place::new(54.0, 181.0, 5.0), None);
    }

    #[test]
    fn the_antimeridian_is_crossed_the_short_way() {
        let from = Place::new(1.0, 179.9, 0.0).unwrap();
        let to = Place::new(1.0, -179.9, 0.0).unwrap();
        assert!((from.between(to, 0.5).lon_deg - 180.0).abs() < 1e-9);
    }
}
