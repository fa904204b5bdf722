//! One stage: its movements, which output follows which stick, and what they say.
//!
//! The newest movements, [`MOST_WHOLE`] and some, are kept whole and read again with the latest clock fit and mapping.
//! Older ones stay only as the ages that they allowed then, thinned evenly over a long session (`archive`). The
//! newest ones are thinned like the older ones where figures are made of both, so that each stands for as many.

use std::collections::VecDeque;
use std::sync::Arc;

use crate::clocks::{Clocks, Timeline};
use crate::units::Nanos;

use super::age_intervals;
use super::age_intervals::{AgeSearch, ShownValue, StickPath};
use super::archive::Archive;
use super::censoring::MovementAges;
use super::curve::Curve;
use super::first_sightings::MovementSightings;
use super::mapping;
use super::mapping::{AlignedMovement, Follow, Mapping};
use super::movement_track::{ABSENT, LOOK_BACK, Movement, MovementTrack, Output, Values};
use super::sample_hold::SampleHold;
use super::stage_evidence::StageEvidence;

const MOST_WHOLE: usize = 192;
/// Movements that go to the archive at once.
const ARCHIVED_AT_ONCE: usize = 64;
/// Sticks sampled more slowly than this are not straight between samples.
const DENSE_MS: f64 = 34.0;
/// Sticks are held where at most one output in this many shows a value between two samples.
const MOST_BETWEEN: u32 = 5;

/// How a stage reads its two clocks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum ClockPair {
    /// Sticks on host time, outputs on the vehicle's boot clock.
    #[default]
    HostAndBoot,
    /// Both on the vehicle's boot clock.
    Boot,
}

/// One stage.
#[derive(Clone, Debug, Default)]
pub(super) struct StageMeter {
    pub(super) track: MovementTrack,
    clocks: ClockPair,
    /// Half the resolution of the stamps, both ends together, ms.
    blur_ms: f64,
    sender: Option<(u8, u8)>,
    whole: VecDeque<Arc<Movement>>,
    archive: Archive,
    mapping: Mapping,
    moves: u64,
    /// Of each stick.
    own_moves: [u64; 18],
}

impl StageMeter {
    pub(super) fn new(clocks: ClockPair, blur_ms: f64) -> Self {
        Self { clocks, blur_ms, ..Self::default() }
    }

    pub(super) fn observe_sticks(&mut self, at: Nanos, values: Values, clocks: &Clocks) {
        self.track.push_sticks(at, values);
        self.take_finished(at, clocks);
    }

    pub(super) fn observe_output(&mut self, sender: (u8, u8), output: Output, clocks: &Clocks) {
        if *self.sender.get_or_insert(sender) != sender {
            return;
        }
        self.track.push_output(output);
        self.take_finished(output.order, clocks);
    }

    fn take_finished(&mut self, now: Nanos, clocks: &Clocks) {
        while let Some(movement) = self.track.poll(now) {
            let stick = usize::from(movement.stick);
            self.whole.push_back(Arc::new(movement));
            self.moves += 1;
            self.own_moves[stick] += 1;
            self.study(stick, clocks);
            if self.whole.len() >= MOST_WHOLE + ARCHIVED_AT_ONCE {
                self.archive(clocks);
            }
        }
    }

    /// Finds what follows what: often at first, of all sticks and of each stick that has no output yet, then
    /// whenever the movements have doubled; at intervals too while a stick that moved has no output.
    fn study(&mut self, newest: usize, clocks: &Clocks) {
        let mapped =
            |stick: usize| self.mapping.follows.iter().any(|follow| usize::from(follow.stick) == stick);
        let every = if self.moves <= (MOST_WHOLE + ARCHIVED_AT_ONCE) as u64 { 32 } else { 128 };
        let at_first = |moves: u64| matches!(moves, 3..=6 | 8 | 10 | 12 | 16 | 20 | 24);
        let doubled = self.moves >= 32 && self.moves.is_power_of_two();
        let anew = at_first(self.own_moves[newest]) && !mapped(newest);
        let is_due = at_first(self.moves) || doubled || anew;
        if !is_due && !self.moves.is_multiple_of(every) {
            return;
        }
        let moves = mapping::counts(self.whole.iter().map(|movement| movement.stick));
        if !is_due && (0..18).all(|stick| moves[stick] < mapping::FEWEST_MOVES || mapped(stick)) {
            return;
        }
        let timeline = self.timeline(clocks);
        let studied = mapping::spread(self.whole.iter(), |movement| movement.stick);
        let aligned = align(studied, timeline.as_ref());
        self.mapping = mapping::find(&aligned, &moves, LOOK_BACK.millis() - 200.0, &self.mapping);
    }

    fn timeline(&self, clocks: &Clocks) -> Option<Timeline> {
        let (system, component) = self.sender.filter(|_| self.clocks == ClockPair::HostAndBoot)?;
        clocks.timeline(system, component)
    }

    /// The number of the first movement that is kept whole.
    fn first_whole(&self) -> u64 {
        self.moves - self.whole.len() as u64
    }

    fn archive(&mut self, clocks: &Clocks) {
        self.archive.expect(self.first_whole() + ARCHIVED_AT_ONCE as u64);
        let evidence = self.read(&align(&self.whole, self.timeline(clocks).as_ref()), ARCHIVED_AT_ONCE);
        self.archive.take(evidence);
        self.whole.drain(..ARCHIVED_AT_ONCE);
    }

    /// What all movements so far say, those that wait for their last outputs included.
    pub(super) fn evidence(&self, clocks: &Clocks) -> StageEvidence {
        let (pending, lost) = self.track.pending();
        let pending = pending.into_iter().map(Arc::new);
        let movements: Vec<Arc<Movement>> = self.whole.iter().cloned().chain(pending).collect();
        let aligned = align(&movements, self.timeline(clocks).as_ref());
        let mut evidence = self.read(&aligned, aligned.len());
        self.archive.put_before(&mut evidence);
        evidence.left_out += self.track.left_out;
        evidence.left_out.gap += lost;
        for follower in &evidence.follows {
            let own = aligned.iter().filter(|aligned| aligned.movement.stick == follower.0.stick).count();
            if let Some(lag) = mapping::fine_lag(&aligned, follower) {
                evidence.lags.push((lag, own));
            }
        }
        evidence
    }

    /// What the first `count` movements say; curves come from all of them.
    fn read(&self, aligned: &[AlignedMovement<'_>], count: usize) -> StageEvidence {
        let follows = self.mapping.follows.iter();
        let curves: Vec<(Follow, Curve)> =
            follows.filter_map(|follow| Some((*follow, mapping::curve(aligned, follow)?))).collect();
        let path = self.archive.path.unwrap_or_else(|| self.path(aligned, &curves));
        let held = path == StickPath::Held;
        let mut uncertainties = aligned.iter().map(|aligned| aligned.uncertainty_ms);
        let mut evidence = StageEvidence {
            hold: if held { sample_hold(aligned) } else { None },
            uncertainty_ms: uncertainties.try_fold(0.0, |most, own| Some(f64::max(most, own?))),
            path,
            sightings: (self.first_whole() == 0).then(Vec::new),
            ..StageEvidence::default()
        };
        for (number, (index, one)) in (self.first_whole()..).zip(aligned.iter().enumerate().take(count)) {
            let stick = one.movement.stick;
            let followers: Vec<&(Follow, Curve)> =
                curves.iter().filter(|(follow, _)| follow.stick == stick).collect();
            if followers.is_empty() {
                let ambiguous = self.mapping.ambiguous & (1 << stick) != 0;
                evidence.left_out.ambiguous += u64::from(ambiguous);
                evidence.left_out.unmapped += u64::from(!ambiguous);
                continue;
            }
            let next = aligned[index + 1..].iter().find(|later| later.movement.stick == stick);
            let until = next.map(|later| (later.movement.start - one.movement.start).millis());
            let (until, search) = (until.unwrap_or(f64::INFINITY), self.search(path));
            if let Some(sightings) = evidence.sightings.as_mut().filter(|_| held) {
                sightings.push(MovementSightings::new(one, &followers, until, search));
            }
            match MovementAges::new(number, one, &followers, until, search) {
                Some(ages) => evidence.add(ages, self.archive.thinning),
                // Of the sticks of a mix another moved meanwhile.
                None if followers.iter().all(|(follow, _)| follow.is_mixed()) => {
                    evidence.left_out.ambiguous += 1;
                }
                None => evidence.left_out.gap += 1,
            }
        }
        evidence.follows = curves;
        evidence
    }

    /// How the reference goes from sample to sample. Sticks are held where outputs show their very values.
    fn path(&self, aligned: &[AlignedMovement<'_>], curves: &[(Follow, Curve)]) -> StickPath {
        let dense = self.track.usual_ms().is_some_and(|usual| usual <= DENSE_MS);
        let otherwise = if dense { StickPath::Straight } else { StickPath::Between };
        if self.clocks == ClockPair::Boot {
            return otherwise;
        }
        let search = self.search(StickPath::Held);
        let (mut values, mut between) = (0_u32, 0_u32);
        for one in mapping::spread(aligned.iter(), |aligned| aligned.movement.stick) {
            for follower in curves.iter().filter(|(follow, _)| follow.stick == one.movement.stick) {
                let stick = one.stick(one.movement.stick);
                for (time, output) in one.own_outputs(follower, f64::INFINITY) {
                    match age_intervals::shown_value(&stick, time, follower.1.sticks(output), search) {
                        Some(ShownValue::OfSample) => values += 1,
                        Some(ShownValue::Between) => between += 1,
                        None => {}
                    }
                }
            }
        }
        if values > 0 && between * MOST_BETWEEN <= values { StickPath::Held } else { otherwise }
    }

    pub(super) fn search(&self, path: StickPath) -> AgeSearch {
        AgeSearch {
            path,
            least_ms: match self.clocks {
                ClockPair::HostAndBoot => -30.0,
                ClockPair::Boot => 0.0,
            },
            look_back_ms: LOOK_BACK.millis(),
            blur_ms: self.blur_ms,
        }
    }

    /// The movement read last, and the first output that it was dated by.
    pub(super) fn newest(&self, clocks: &Clocks) -> Option<(Arc<Movement>, Option<Timeline>, Follow, Curve)> {
        let timeline = self.timeline(clocks);
        let aligned = align(&self.whole, timeline.as_ref());
        self.whole.iter().rev().find_map(|movement| {
            let follow = *self.mapping.follows.iter().find(|follow| follow.stick == movement.stick)?;
            let curve = mapping::curve(&aligned, &follow)?;
            Some((movement.clone(), timeline.clone(), follow, curve))
        })
    }

    /// Whether outputs show what the sticks do, be it open which stick.
    pub(super) fn shows_sticks(&self) -> bool {
        !self.mapping.follows.is_empty() || self.mapping.ambiguous != 0
    }

    /// Outputs that follow a stick, from 0.
    pub(super) fn following(&self) -> impl Iterator<Item = u8> {
        self.mapping.follows.iter().map(|follow| follow.output)
    }

    /// How far each of them lags behind it, roughly, as soon as that is known.
    pub(super) fn lags(&self) -> impl Iterator<Item = Nanos> {
        self.mapping.follows.iter().map(|follow| Nanos::from_secs_f64(follow.lag_ms / 1e3))
    }

    /// About how many bytes are held that copies do not share, with the movements since the first `shared`.
    pub(super) fn own_bytes(&self, shared: u64) -> usize {
        let new =
            usize::try_from(self.moves.saturating_sub(shared)).unwrap_or(usize::MAX).min(self.whole.len());
        let movements: usize =
            self.whole.range(self.whole.len() - new..).map(|movement| movement.bytes()).sum();
        size_of::<Self>() + self.whole.len() * size_of::<Arc<Movement>>() + movements + self.track.own_bytes()
    }

    /// Movements taken so far.
    pub(super) const fn moves(&self) -> u64 {
        self.moves
    }

    /// Whether all outputs that follow a stick follow others as well.
    pub(super) fn is_mixed(&self) -> bool {
        let follows = &self.mapping.follows;
        !follows.is_empty() && follows.iter().all(Follow::is_mixed)
    }

    /// Whether some output could follow two sticks.
    pub(super) const fn is_ambiguous(&self) -> bool {
        self.mapping.ambiguous != 0
    }
}

fn align<'a>(
    movements: impl IntoIterator<Item = &'a Arc<Movement>>,
    timeline: Option<&Timeline>,
) -> Vec<AlignedMovement<'a>> {
    movements.into_iter().map(|movement| AlignedMovement::new(movement, timeline)).collect()
}

/// From the sticks' spacings while they moved.
fn sample_hold(aligned: &[AlignedMovement<'_>]) -> Option<SampleHold> {
    let spacings = aligned.iter().flat_map(|aligned| {
        let movement = aligned.movement;
        let samples = movement.stick_times.iter().zip(movement.sticks.column(movement.stick));
        let times: Vec<Nanos> = samples.filter(|(_, value)| *value != ABSENT).map(|(at, _)| *at).collect();
        let inside = |pair: &[Nanos]| {
            (pair[1] > movement.start && pair[0] < movement.end).then(|| (pair[1] - pair[0]).millis())
        };
        times.windows(2).filter_map(inside).collect::<Vec<f64>>()
    });
    SampleHold::new(spacings)
}

#[cfg(test)]
mod tests {
    use crate::measure::latency::movement_track::Columns;
    use crate::measure::latency::stage::*;

    /// The moved stick comes every 20 ms; samples in between are of other sticks and end no hold.
    #[test]
    fn a_hold_is_the_spacing_of_samples_in_which_the_stick_is_there() {
        let samples: Vec<(i64, i16)> = [(5, ABSENT), (12, ABSENT)]
            .into_iter()
            .chain((0..10).map(|step| (20 * step, 3000 + 40 * step as i16)))
            .collect();
        let mut samples: Vec<(Nanos, Values)> = samples
            .into_iter()
            .map(|(ms, value)| (Nanos::from_millis(ms), [value, 3000].repeat(9).try_into().unwrap()))
            .collect();
        samples.sort_by_key(|sample| sample.0);
        let movement = Movement {
            stick: 0,
            start: Nanos::ZERO,
            end: Nanos::from_millis(200),
            stick_times: samples.iter().map(|sample| sample.0).collect(),
            sticks: Columns::new(&samples, |sample| &sample.1),
            output_times: [].into(),
            outputs: Columns::new(&[], |row: &Values| row),
        };
        let hold = sample_hold(&[AlignedMovement::new(&movement, None)]).unwrap();
        assert_eq!((hold.usual_ms(), hold.longest_ms()), (20.0, 20.0));
    }
}
