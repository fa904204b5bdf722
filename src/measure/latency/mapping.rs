//! Finds which output follows which stick, from the movements themselves.
//!
//! Every stick that moved is correlated with every output that varied, over all lags that can be. An output follows
//! the stick that explains it best. It follows none where no stick explains it, where that may be chance (`response`),
//! or where two do equally well: those moved together, and more movements are awaited. One that answers to each of
//! several sticks alone follows all of them (`mixing`). At most [`STUDIED`] movements are looked at. Lags in ms.

mod mixing;
mod response;
mod stick_course;

use std::cell::OnceCell;

use crate::clocks::Timeline;
use crate::stats::time_series::correlation::{Course, Lag, Level, Search, Trace};
use crate::units::Nanos;

use super::curve::{Curve, Pair};
use super::movement_track::{ABSENT, AFTER, Movement};
use response::Response;
use stick_course::{MovingStick, Near, StickCourse, travel};

/// Movements studied, spread over those that are kept.
const STUDIED: usize = 32;
/// Outputs of one movement that are studied: more, and only every second, third, ... is.
const MOST_SAMPLES: usize = 64;
/// A stick must have moved this often before an output is said to follow it.
pub(super) const FEWEST_MOVES: usize = 3;
const LEAST_COEFFICIENT: f64 = 0.8;
/// The runner-up must leave at least this many times as much unexplained.
const CLEARER: f64 = 1.5;
/// Outputs that vary by less than this (half us) stand still.
const VARIES: i32 = 30;
/// Groups of movements, of which each in turn is left out for a lag's error.
const LAG_GROUPS: usize = 6;

/// An output that follows a stick; both from 0.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Follow {
    pub(super) stick: u8,
    pub(super) output: u8,
    pub(super) lag_ms: f64,
    pub(super) coefficient: f64,
    /// Other sticks that it follows as well, a bit each.
    pub(super) others: u32,
}

impl Follow {
    /// Where sticks stood for so long, the output shows where: nearly all ages are less, ms.
    fn reach_ms(&self) -> f64 {
        (2.0 * self.lag_ms).max(self.lag_ms + 150.0)
    }

    pub(super) const fn is_mixed(&self) -> bool {
        self.others != 0
    }
}

/// What follows what.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Mapping {
    pub(super) follows: Vec<Follow>,
    /// Sticks that some output may follow, were it not for another stick.
    pub(super) ambiguous: u32,
    /// Pairs that follow more than by chance, and the stick's movements by then.
    proven: Vec<(u8, u8, usize)>,
}

impl Mapping {
    /// Whether a pair was proven, and less than as many movements came since.
    fn has_proven(&self, stick: u8, output: u8, moves: &[usize; 18]) -> bool {
        let is_recent = |then: usize| moves[usize::from(stick)] < 2 * then;
        self.proven.iter().any(|&(own, other, then)| (own, other) == (stick, output) && is_recent(then))
    }
}

/// One movement with its outputs on the sticks' clock, in ms since its start.
pub(super) struct AlignedMovement<'a> {
    pub(super) movement: &'a Movement,
    /// Times of its output samples in ms since its start; `None` where the clock cannot say.
    pub(super) times: Vec<Option<f64>>,
    pub(super) uncertainty_ms: Option<f64>,
    /// Of each stick that was asked for.
    courses: [OnceCell<StickCourse>; 18],
}

impl<'a> AlignedMovement<'a> {
    /// With the vehicle's clock, or without where both sides are on it.
    pub(super) fn new(movement: &'a Movement, timeline: Option<&Timeline>) -> Self {
        let mut uncertainty_ms = Some(0.0_f64);
        let times = movement
            .output_times
            .iter()
            .map(|&boot| match timeline {
                None => Some((boot.since_boot - movement.start).millis()),
                Some(timeline) => timeline.to_host(boot).map(|host| {
                    uncertainty_ms = uncertainty_ms.zip(host.uncertainty_ms).map(|(a, b)| a.max(b));
                    (host.at - movement.start).millis()
                }),
            })
            .collect();
        Self { movement, times, uncertainty_ms, courses: Default::default() }
    }

    pub(super) fn stick(&self, stick: u8) -> Vec<(f64, f64)> {
        let mut positions = Vec::with_capacity(self.movement.stick_times.len());
        positions.extend(self.positions(stick));
        positions
    }

    fn course(&self, stick: u8) -> &StickCourse {
        let moving = || StickCourse::Moving(MovingStick::new(self.stick(stick)));
        self.courses[usize::from(stick)]
            .get_or_init(|| self.level(stick).map_or_else(moving, StickCourse::Standing))
    }

    /// Where the stick stood, if it did all the time.
    fn level(&self, stick: u8) -> Option<Level> {
        let Some(value) = self.movement.sticks.standing(stick).filter(|value| *value != ABSENT) else {
            return Level::of(self.positions(stick));
        };
        let times = &self.movement.stick_times;
        let ms = |at: &Nanos| (*at - self.movement.start).millis();
        Some(Level { value: f64::from(value), from: ms(times.first()?), to: ms(times.last()?) })
    }

    fn positions(&self, stick: u8) -> impl Iterator<Item = (f64, f64)> {
        let samples = self.movement.stick_times.iter().zip(self.movement.sticks.column(stick));
        samples
            .filter(|(_, value)| *value != ABSENT)
            .map(|(&at, value)| ((at - self.movement.start).millis(), f64::from(value)))
    }

    /// Whether a time belongs to the movement's outputs: from its start on, until [`AFTER`] its end or until `until` ms.
    fn belongs(&self, until: f64) -> impl Fn(&(f64, f64)) -> bool {
        let last = (self.movement.end - self.movement.start + AFTER).millis().min(until);
        move |&(time, _)| time >= 0.0 && time <= last
    }

    fn outputs(&self, output: u8, until: f64) -> impl Iterator<Item = (f64, f64)> {
        self.output(output).filter(self.belongs(until))
    }

    fn output(&self, output: u8) -> impl Iterator<Item = (f64, f64)> {
        self.movement
            .outputs
            .column(output)
            .zip(&self.times)
            .filter_map(|(value, time)| (value != ABSENT).then_some(((*time)?, f64::from(value))))
    }

    /// What its stick alone makes of an output: less what others add to it, and not where those moved.
    pub(super) fn own_output(&self, follow: &Follow, curve: &Curve) -> impl Iterator<Item = (f64, f64)> {
        let others =
            curve.others().iter().map(|&(stick, slope)| (self.course(stick), slope, Near::default()));
        let mut others: Vec<(&StickCourse, f64, Near)> = others.collect();
        let reach = follow.reach_ms();
        self.output(follow.output).filter_map(move |(time, output)| {
            let added = others.iter_mut().map(|(course, slope, near)| {
                course.stood((time - reach, time), near).map(|value| *slope * value)
            });
            Some((time, output - added.sum::<Option<f64>>()?))
        })
    }

    /// The same, as far as it belongs to the movement.
    pub(super) fn own_outputs(
        &self,
        (follow, curve): &(Follow, Curve),
        until: f64,
    ) -> impl Iterator<Item = (f64, f64)> {
        self.own_output(follow, curve).filter(self.belongs(until))
    }
}

/// Up to [`STUDIED`] of the movements, each stick's evenly spread. Every stick has the same share (what
/// one does not use goes to the others): taken from the whole row, sticks that are moved in turns fall out.
pub(super) fn spread<'a, T>(
    all: impl Iterator<Item = &'a T> + Clone,
    stick: impl Fn(&T) -> u8,
) -> Vec<&'a T> {
    let counts = counts(all.clone().map(&stick));
    let taken = |share: usize| counts.iter().map(|&count| count.min(share)).sum::<usize>();
    let share = (2..=STUDIED).take_while(|&share| taken(share) <= STUDIED).last().unwrap_or(1);
    let mut seen = [0_usize; 18];
    all.filter(|one| {
        let stick = usize::from(stick(one));
        let place = seen[stick];
        seen[stick] += 1;
        // The first movement of each of `share` equal parts.
        (place * share) % counts[stick] < share
    })
    .collect()
}

/// Movements of each stick.
pub(super) fn counts(sticks: impl Iterator<Item = u8>) -> [usize; 18] {
    let mut counts = [0_usize; 18];
    for stick in sticks {
        counts[usize::from(stick)] += 1;
    }
    counts
}

fn varying(aligned: &[AlignedMovement<'_>]) -> Vec<u8> {
    (0..18_u8)
        .filter(|&output| {
            let values = aligned.iter().flat_map(|aligned| aligned.movement.outputs.column(output));
            let known = values.filter(|&value| value != ABSENT);
            let (low, high) = known.fold((i32::MAX, i32::MIN), |(low, high), value| {
                (low.min(i32::from(value)), high.max(i32::from(value)))
            });
            high > low && high - low >= VARIES
        })
        .collect()
}

/// For each stick the lag of each of these outputs behind it, all at once: they share their times. A movement with
/// more samples than `most` gives only every second, third, ... of them.
fn best_lags(
    aligned: &[&AlignedMovement<'_>],
    sticks: &[u8],
    outputs: &[u8],
    lags: (f64, f64, f64),
    most: usize,
) -> Vec<Vec<Option<Lag>>> {
    let step = |aligned: &AlignedMovement<'_>| aligned.times.len().div_ceil(most).max(1);
    let value = |value: i16| if value == ABSENT { f64::NAN } else { f64::from(value) };
    let signals: Vec<Vec<f64>> = outputs
        .iter()
        .map(|&output| {
            let samples = aligned
                .iter()
                .flat_map(|aligned| aligned.movement.outputs.column(output).step_by(step(aligned)));
            let mut values = Vec::with_capacity(aligned.iter().map(|aligned| aligned.times.len()).sum());
            values.extend(samples.map(value));
            values
        })
        .collect();
    let signals: Vec<&[f64]> = signals.iter().map(Vec::as_slice).collect();
    let mut search = Search::new(sticks.len(), &signals, lags);
    for aligned in aligned {
        let times: Vec<f64> =
            aligned.times.iter().step_by(step(aligned)).map(|time| time.unwrap_or(f64::NAN)).collect();
        let courses = sticks.iter().map(|&stick| match aligned.course(stick) {
            StickCourse::Standing(level) => Course::Standing(*level),
            StickCourse::Moving(stick) => Course::Moving(Trace::new(&stick.samples)),
        });
        search.add_piece(&times, courses);
    }
    search.lags()
}

/// Sticks none of which shows the same as another in all movements, and the place among them that each
/// stick has itself or shares with the one like it.
fn distinct(aligned: &[AlignedMovement<'_>], sticks: &[u8]) -> (Vec<u8>, Vec<usize>) {
    let mut distinct: Vec<u8> = Vec::new();
    let places = sticks.iter().map(|&stick| {
        let alike =
            |&other: &u8| aligned.iter().all(|aligned| aligned.movement.sticks.are_alike(other, stick));
        distinct.iter().position(alike).unwrap_or_else(|| {
            distinct.push(stick);
            distinct.len() - 1
        })
    });
    let places = places.collect();
    (distinct, places)
}

/// Finds what follows what in movements that were chosen for it, for sticks that moved often enough, with
/// lags up to `longest_ms`; `before`: what was found earlier.
pub(super) fn find(
    studied: &[AlignedMovement<'_>],
    moves: &[usize; 18],
    longest_ms: f64,
    before: &Mapping,
) -> Mapping {
    let mut mapping = Mapping::default();
    let sticks: Vec<u8> = (0..18).filter(|&stick| moves[usize::from(stick)] >= FEWEST_MOVES).collect();
    let outputs = varying(studied);
    // Handsets that send a stick on two channels are the ones that are studied again and again.
    let (distinct, places) = distinct(studied, &sticks);
    let studied: Vec<&AlignedMovement<'_>> = studied.iter().collect();
    let all = best_lags(&studied, &distinct, &outputs, (-40.0, longest_ms, 20.0), MOST_SAMPLES);
    for (place, &output) in outputs.iter().enumerate() {
        let known = |stick| before.has_proven(stick, output, moves);
        let weight = |lag: &Lag| lag.coefficient.abs();
        let about = all.iter().filter_map(|lags| lags[place]).max_by(|a, b| weight(a).total_cmp(&weight(b)));
        let mixed = mixing::mixed(&studied, &sticks, output, (about, longest_ms), known);
        if !mixed.is_empty() {
            mapping.ambiguous |= mixed.iter().fold(0, |all, follow| all | 1 << follow.stick);
            mapping.follows.extend(mixed);
            continue;
        }
        let mut found: Vec<(u8, Lag)> = sticks
            .iter()
            .zip(&places)
            .filter_map(|(stick, &own)| Some((*stick, all[own][place]?)))
            .filter(|(_, lag)| lag.coefficient.abs() >= LEAST_COEFFICIENT)
            .collect();
        found.sort_by(|a, b| b.1.coefficient.abs().total_cmp(&a.1.coefficient.abs()));
        let Some(&(stick, lag)) = found.first() else { continue };
        let whole = |aligned: &AlignedMovement<'_>| aligned.outputs(output, f64::INFINITY).collect();
        let follows = || Response::new(&studied, stick, (longest_ms, true), whole)?.follows().then_some(());
        if !known(stick) && follows().is_none() {
            continue;
        }
        let unexplained = |lag: &Lag| 1.0 - lag.coefficient * lag.coefficient;
        if found.get(1).is_some_and(|second| unexplained(&second.1) < CLEARER * unexplained(&lag) + 0.005) {
            mapping.ambiguous |= found.iter().fold(0, |all, (stick, _)| all | 1 << stick);
            continue;
        }
        let (lag_ms, coefficient) = (lag.lag, lag.coefficient);
        mapping.follows.push(Follow { stick, output, lag_ms, coefficient, others: 0 });
    }
    mapping.proven.clone_from(&before.proven);
    mapping.proven.retain(|&(stick, output, _)| before.has_proven(stick, output, moves));
    for follow in &mapping.follows {
        if !before.has_proven(follow.stick, follow.output, moves) {
            mapping.proven.push((follow.stick, follow.output, moves[usize::from(follow.stick)]));
        }
    }
    mapping
}

/// A cross-correlation lag, and its standard error where it is known, ms.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct FineLag {
    pub(super) ms: f64,
    pub(super) error_ms: Option<f64>,
}

/// The lag of the greatest cross-correlation, finely. Its error: the jackknife over groups of movements
/// (Miller, Biometrika 61, 1974); absent with fewer movements than groups.
pub(super) fn fine_lag(
    aligned: &[AlignedMovement<'_>],
    (follow, curve): &(Follow, Curve),
) -> Option<FineLag> {
    let own: Vec<&AlignedMovement<'_>> =
        aligned.iter().filter(|aligned| aligned.movement.stick == follow.stick).collect();
    let step = own.len().div_ceil(2 * STUDIED).max(1);
    let own: Vec<&AlignedMovement<'_>> = own.into_iter().step_by(step).collect();
    let ms = lag_of(own.iter().copied(), follow, curve)?;
    let without = |group: usize| {
        let rest = own.iter().enumerate().filter(move |(place, _)| place % LAG_GROUPS != group);
        lag_of(rest.map(|(_, aligned)| *aligned), follow, curve)
    };
    let lags = (0..LAG_GROUPS).map(without).collect::<Option<Vec<f64>>>().filter(|_| own.len() >= LAG_GROUPS);
    let error_ms = lags.map(|lags| {
        let groups = LAG_GROUPS as f64;
        let mean = lags.iter().sum::<f64>() / groups;
        let squares: f64 = lags.iter().map(|lag| (lag - mean) * (lag - mean)).sum();
        ((groups - 1.0) / groups * squares).sqrt()
    });
    Some(FineLag { ms, error_ms })
}

/// Of what the stick alone makes of the output, over some of its movements.
fn lag_of<'a>(
    own: impl Iterator<Item = &'a AlignedMovement<'a>>,
    follow: &Follow,
    curve: &Curve,
) -> Option<f64> {
    let own: Vec<(&AlignedMovement<'_>, Vec<(f64, f64)>)> =
        own.map(|aligned| (aligned, aligned.own_output(follow, curve).collect())).collect();
    let values: Vec<f64> = own.iter().flat_map(|(_, output)| output.iter().map(|sample| sample.1)).collect();
    let lags = (follow.lag_ms - 60.0, follow.lag_ms + 60.0, 4.0);
    let mut search = Search::new(1, &[&values], lags);
    for (aligned, output) in &own {
        let times: Vec<f64> = output.iter().map(|sample| sample.0).collect();
        let stick = aligned.stick(follow.stick);
        search.add_piece(&times, [Course::Moving(Trace::new(&stick))]);
    }
    Some(search.lags().first()?.first()?.as_ref()?.lag)
}

/// The curve by which an output follows its stick.
pub(super) fn curve(aligned: &[AlignedMovement<'_>], follow: &Follow) -> Option<Curve> {
    if follow.is_mixed() {
        return mixing::law(aligned.iter(), follow);
    }
    let samples = aligned.iter().map(|aligned| aligned.times.len()).sum();
    let (mut still, mut all) = (Vec::with_capacity(samples), Vec::with_capacity(samples));
    for aligned in aligned {
        for (pair, weight, stood) in pairs(aligned, follow) {
            all.push((pair, weight));
            still.extend(stood.then_some(pair));
        }
    }
    Curve::fit(&still, &all, follow.coefficient)
}

/// Each output of a movement beside the stick position that it shows; its weight, 1 for a stick that stood still and
/// the less the faster it moved; and whether it stood still over all ages that can be.
fn pairs(aligned: &AlignedMovement<'_>, follow: &Follow) -> Vec<(Pair, f64, bool)> {
    let reach = follow.reach_ms();
    let outputs = aligned.output(follow.output).map(|(time, output)| (time, time - follow.lag_ms, output));
    let stick = match aligned.course(follow.stick) {
        StickCourse::Standing(level) => {
            let shown = outputs.filter(|&(_, then, _)| then >= level.from && then <= level.to);
            return shown
                .map(|(time, _, output)| ((level.value, output), 1.0, level.from <= time - reach))
                .collect();
        }
        StickCourse::Moving(stick) => stick,
    };
    let samples = &stick.samples;
    let (mut walk, mut near) = (Trace::new(samples).walk(), Near::default());
    let first = samples.first().map_or(f64::INFINITY, |first| first.0);
    let pair = |(time, then, output): (f64, f64, f64)| {
        let still = first <= time - reach && stick.is_still((time - reach, time), &mut near);
        let rate = || travel(samples, then - 25.0, then + 25.0) / 50.0;
        let weight = if still { 1.0 } else { 1.0 / (1.0 + (10.0 * rate()).powi(2)) };
        Some(((walk.at(then)?, output), weight, still))
    };
    outputs.filter_map(pair).collect()
}

#[cfg(test)]
mod tests {
    use super::super::movement_track::{Columns, Values};
    use crate::clocks::BootTime;
    use crate::measure::latency::mapping::*;

    /// A movement of 2 s with a sample of both sides every 20 ms, from their values at each step.
    pub(super) fn movement(
        stick: u8,
        sticks: impl Fn(i16) -> Values,
        outputs: impl Fn(i16) -> Values,
    ) -> Movement {
        let at = |step: i64| Nanos::from_millis(20 * step);
        let rows =
            |of: &dyn Fn(i16) -> Values| Columns::new(&(0..100).map(of).collect::<Vec<Values>>(), |row| row);
        Movement {
            stick,
            start: at(0),
            end: at(99),
            stick_times: (0..100).map(at).collect(),
            sticks: rows(&sticks),
            output_times: (0..100).map(|step| BootTime { epoch: 0, since_boot: at(step) }).collect(),
            outputs: rows(&outputs),
        }
    }

    /// A vehicle that is not armed: a stick moves, and no output does.
    #[test]
    fn where_no_output_moves_none_follows() {
        let row = |step| std::array::from_fn(|stick| if stick == 0 { 3000 + 8 * step } else { 3000 });
        let movement = movement(0, row, |_| [3000; 18]);
        let aligned: Vec<AlignedMovement<'_>> =
            (0..3).map(|_| AlignedMovement::new(&movement, None)).collect();
        let moves = std::array::from_fn(|stick| if stick == 0 { aligned.len() } else { 0 });
        assert_eq!(find(&aligned, &moves, 1000.0, &Mapping::default()), Mapping::default());
    }

    /// A handset that sends its stick on two channels: both are behind the output, and neither is chosen.
    #[test]
    fn sticks_that_show_the_same_are_ambiguous_together() {
        let ramp = |step: i16| 3000 + 8 * step.clamp(20, 40);
        let row = |step: i16, behind: i16| -> [i16; 18] {
            std::array::from_fn(|channel| if matches!(channel, 2 | 9) { ramp(step - behind) } else { 3000 })
        };
        let movement = movement(2, |step| row(step, 0), |step| row(step, 10));
        let aligned: Vec<AlignedMovement<'_>> =
            (0..3).map(|_| AlignedMovement::new(&movement, None)).collect();
        assert_eq!(distinct(&aligned, &[2, 5, 9, 11]), (vec![2, 5], vec![0, 1, 0, 1]));
        let moves = |sticks: &[usize]| std::array::from_fn(|stick| 3 * usize::from(sticks.contains(&stick)));
        let both = find(&aligned, &moves(&[2, 9]), 1000.0, &Mapping::default());
        assert_eq!((both.follows, both.ambiguous), (vec![], 1 << 2 | 1 << 9));
        let alone = find(&aligned, &moves(&[2]), 1000.0, &Mapping::default()).follows;
        assert!(alone.iter().all(|follow| follow.stick == 2 && (follow.lag_ms - 200.0).abs() < 10.0));
        assert_eq!(alone.iter().map(|follow| follow.output).collect::<Vec<_>>(), [2, 9]);
    }

    /// Miller's formula over six groups, to which the movements belong in turn; each movement has a lag of its own.
    #[test]
    fn a_lags_error_is_the_jackknife_over_six_groups_of_movements() {
        let row = |step: i16| std::array::from_fn(|channel| if channel == 0 { step } else { 3000 });
        let ramp = |step: i16| row(3000 + 8 * step.clamp(20, 40));
        let lags = [10, 8, 11, 12, 9, 10, 13, 9, 10, 12, 8, 9, 11, 10];
        let movements: Vec<Movement> =
            lags.iter().map(|lag| movement(0, ramp, |step| ramp(step - lag))).collect();
        let aligned = |belongs: &dyn Fn(usize) -> bool| -> Vec<AlignedMovement<'_>> {
            let chosen = movements.iter().enumerate().filter(|(place, _)| belongs(*place));
            chosen.map(|(_, movement)| AlignedMovement::new(movement, None)).collect()
        };
        let follow = Follow { stick: 0, output: 0, lag_ms: 200.0, coefficient: 1.0, others: 0 };
        let follower = (follow, curve(&aligned(&|_| true), &follow).unwrap());
        let lag = |belongs: &dyn Fn(usize) -> bool| fine_lag(&aligned(belongs), &follower).unwrap();
        let without: Vec<f64> = (0..6).map(|group| lag(&|place| place % 6 != group).ms).collect();
        let mean = without.iter().sum::<f64>() / 6.0;
        let squares: f64 = without.iter().map(|lag| (lag - mean).powi(2)).sum();
        let expected = (5.0 / 6.0 * squares).sqrt();
        let found = lag(&|_| true).error_ms.unwrap();
        assert!(expected > 1.0 && (found - expected).abs() < 1e-9, "{found} for {expected}");
        assert!(lag(&|place| place < 6).error_ms.is_some());
        assert_eq!(lag(&|place| place < 5).error_ms, None);
    }
}
