//! Up to which distance a radio's level tops out, so that it tells no distance.
//!
//! Definition: seconds stand in order of distance; up to the last of them at the radio's top code (see
//! [`crate::measure::signal`]) that lies among ten neighbours of which three or more stand there. Nearer than that no
//! second is fitted: to leave out only those at the top would keep the weak ones of the neighbourhood and bend the line. Five
//! seconds must be at the top, the farthest of them 1.25 times as far off as the nearest, since no level stays the same over
//! that of itself: a vehicle that stood at its strongest is no such radio. Units: metres, seconds. Holds in device units too.
//! Common practice, no source.

const NEIGHBOURS: usize = 10;
const LEAST_OF_THEM: usize = 3;
const LEAST_SECONDS: usize = 5;
const LEAST_REACH: f64 = 1.25;

/// The distance of that second, of points (distance, level); `None`: the level does not top out.
pub(super) fn end_m(points: impl Iterator<Item = (f64, f64)>, top: f64) -> Option<f64> {
    let mut points: Vec<(f64, bool)> = points.map(|(distance_m, level)| (distance_m, level >= top)).collect();
    points.sort_by(|one, other| one.0.total_cmp(&other.0));
    let at_top = |points: &[(f64, bool)]| points.iter().filter(|(_, at_top)| *at_top).count();
    let nearest_m = points.iter().find(|(_, at_top)| *at_top)?.0;
    let among =
        points.windows(NEIGHBOURS.min(points.len())).rfind(|window| at_top(window) >= LEAST_OF_THEM)?;
    let farthest_m = among.iter().rfind(|(_, at_top)| *at_top)?.0;
    let within = points.partition_point(|(distance_m, _)| *distance_m <= farthest_m);
    (farthest_m >= LEAST_REACH * nearest_m && at_top(&points[..within]) >= LEAST_SECONDS)
        .then_some(farthest_m)
}

#[cfg(test)]
mod tests {
    use crate::judge::range::saturation::*;

    /// A level a metre, at the top from one distance to another, and a metre each so far beyond.
    fn end(from_m: u32, to_m: u32, lone_m: &[u32]) -> Option<f64> {
        let level =
            |metre| if (from_m..=to_m).contains(&metre) || lone_m.contains(&metre) { 90.0 } else { 80.0 };
        end_m((10..200).map(|metre| (f64::from(metre), level(metre))), 90.0)
    }

    #[test]
    fn the_last_second_among_others_at_the_top_ends_it() {
        assert_eq!(end(10, 24, &[]), Some(24.0));
        assert_eq!(end(10, 24, &[26, 29]), Some(29.0));
        assert_eq!(end(10, 24, &[100, 105]), Some(24.0), "a fade upward says nothing");
        assert_eq!(end(10, 24, &[100, 105, 109]), Some(109.0));
    }

    #[test]
    fn standing_at_the_strongest_is_no_topping_out() {
        let stands = (0..60).map(|_| (12.0, 90.0)).chain((13..200).map(|metre| (f64::from(metre), 80.0)));
        assert_eq!(end_m(stands, 90.0), None);
        assert_eq!(end(10, 12, &[]), None, "three seconds");
        assert_eq!(end(100, 110, &[]), None, "as far as they are");
        assert_eq!(end(300, 310, &[]), None);
        assert_eq!(end_m(std::iter::empty(), 90.0), None);
    }
    #[test]
    fn five_seconds_at_the_top_are_enough() {
        assert_eq!((end(10, 13, &[]), end(10, 14, &[])), (None, Some(14.0)));
    }
}
