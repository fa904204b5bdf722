//! Does the handset move? Stretches in which the vehicle stands and the level changes all the same.
//!
//! Definition: the vehicle's position stays within 5 m while medians of 10 s of one link's level span over 20 dB (in
//! device units two tenths of the strongest), and the handset has no fix of its own: distances from where it was
//! are not true there. Unit: whole seconds from the first record. Common practice, no source.
//! A gap of position or level changes nothing. Bounded: 1,024 stretches, 10 levels a link.

use std::collections::VecDeque;
use std::ops::Range;

use crate::stats::sample::quantile;
use crate::units::LevelUnit;

use super::track::Place;

const STANDS_M: f64 = 5.0;
const MOST_DB: f64 = 20.0;
const MEDIAN_OF: usize = 10;
const MOST_STRETCHES: usize = 1024;

/// One link's medians over the stretch.
#[derive(Clone, Debug, Default)]
struct Spread {
    recent: VecDeque<f64>,
    /// Lowest and highest median.
    span: Option<(f64, f64)>,
}

impl Spread {
    /// Takes a level; whether the medians span too much by now.
    fn take(&mut self, (level, unit): (f64, LevelUnit)) -> bool {
        self.recent.push_back(level);
        if self.recent.len() < MEDIAN_OF {
            return false;
        }
        let median = quantile::median(self.recent.make_contiguous()).unwrap_or(level);
        self.recent.pop_front();
        let (low, high) =
            self.span.map_or((median, median), |(low, high)| (low.min(median), high.max(median)));
        self.span = Some((low, high));
        high - low > unit.difference(MOST_DB, high)
    }
}

/// Where the vehicle stands, since when, and where that contradicted the levels.
#[derive(Clone, Debug, Default)]
pub(super) struct HandsetWalk {
    anchor: Option<(usize, Place)>,
    links: Vec<Spread>,
    /// The newest of the stretches is the one that is on.
    is_open: bool,
    stretches: Vec<Range<usize>>,
}

impl HandsetWalk {
    /// A whole second has passed; true where it shows that the handset moves, once a stretch.
    pub(super) fn second(
        &mut self,
        second: usize,
        place: Option<Place>,
        levels: &[Option<(f64, LevelUnit)>],
    ) -> bool {
        let left = |anchor: Place, now: Place| {
            let moved = Place { alt_m: anchor.alt_m, ..now };
            anchor.distance(moved).0 > STANDS_M
        };
        if let Some(place) = place
            && self.anchor.is_none_or(|(_, anchor)| left(anchor, place))
        {
            self.begin_anew();
            self.anchor = Some((second, place));
        }
        let Some((from, _)) = self.anchor else { return false };
        self.links.resize(levels.len(), Spread::default());
        let mut moves = false;
        for (spread, level) in self.links.iter_mut().zip(levels) {
            moves |= level.is_some_and(|level| spread.take(level));
        }
        if self.is_open {
            if let Some(stretch) = self.stretches.last_mut() {
                stretch.end = second + 1;
            }
            return false;
        }
        self.is_open = moves && self.stretches.len() < MOST_STRETCHES;
        if self.is_open {
            self.stretches.push(from..second + 1);
        }
        self.is_open
    }

    /// Forgets where the vehicle stands.
    pub(super) fn begin_anew(&mut self) {
        *self = Self { stretches: std::mem::take(&mut self.stretches), ..Self::default() };
    }

    pub(super) fn stretches(&self) -> &[Range<usize>] {
        &self.stretches
    }

    /// The handset moves now.
    pub(super) const fn is_on(&self) -> bool {
        self.is_open
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::position::handset_walk::*;

    fn run(
        levels: impl Fn(usize) -> f64,
        north: impl Fn(usize) -> f64,
        unit: LevelUnit,
    ) -> (usize, Vec<(usize, usize)>) {
        let mut standing = HandsetWalk::default();
        let mut told = 0;
        for second in 0..120 {
            let place = Place::new(54.0 + north(second) / 111_200.0, 8.0, 5.0);
            told += usize::from(standing.second(second, place, &[Some((levels(second), unit)), None]));
        }
        (told, standing.stretches().iter().map(|stretch| (stretch.start, stretch.end)).collect())
    }

    #[test]
    fn a_vehicle_that_stands_while_its_level_falls_shows_that_the_handset_moves() {
        // 25 dB down over 80 s, then as it was: one stretch, told once, to the end.
        let falls = |second: usize| -50.0 - (second as f64 / 80.0 * 25.0).min(25.0);
        assert_eq!(run(falls, |_| 0.0, LevelUnit::Dbm), (1, vec![(0, 120)]));
        // 18 dB are not enough, nor are 25 dB over a vehicle that drives off at 1 m/s.
        assert_eq!(run(|second| -50.0 - second as f64 * 0.15, |_| 0.0, LevelUnit::Dbm), (0, vec![]));
        assert_eq!(run(falls, |second| second as f64, LevelUnit::Dbm), (0, vec![]));
        // A lone dip of 5 s is hidden by the medians.
        let dip = |second: usize| if (50..54).contains(&second) { -90.0 } else { -50.0 };
        assert_eq!(run(dip, |_| 0.0, LevelUnit::Dbm), (0, vec![]));
        // Device units: from 200 to 150 is a quarter.
        let units = |second: usize| 200.0 - (second as f64).min(50.0);
        assert_eq!(run(units, |_| 0.0, LevelUnit::Raw).0, 1);
    }
}
