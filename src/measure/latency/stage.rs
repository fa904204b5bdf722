//! One stage: its movements, what follows what, and the ages they allow.
//!
//! The newest [`MOST_WHOLE`] movements are kept whole and read again with the latest clock
//! fit and mapping; older ones only as the ages they allowed then, thinned evenly over a long session (`older`). The
//! newest ones are thinned like the older ones where figures are made of both, so that each stands for as many.

mod archive;
mod thinning;

use std::collections::VecDeque;
use std::sync::Arc;

use crate::clocks::{Clocks, Timeline};
use crate::summary::LeftOut;
use crate::units::Nanos;

use super::age_intervals;
use super::age_intervals::{Met, Path, Search};
use super::censoring;
use super::censoring::MoveAges;
use super::changes;
use super::changes::MoveChanges;
use super::curve::Curve;
use super::mapping;
use super::mapping::{Follow, Laid, Mapping};
use super::sample_hold::Scan;
use super::samples::{LOOK_BACK, Movement, Output, Track, Values};
use archive::Older;
use thinning::Thinning;

const MOST_WHOLE: usize = 192;
const FOLDED_AT_ONCE: usize = 64;
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

/// Everything that a summary reads of a stage.
#[derive(Clone, Debug, Default)]
pub(super) struct Reading {
    pub(super) moves: Vec<MoveAges>,
    /// The largest lower end of any sample's age, of movements that were thinned out too, ms.
    pub(super) oldest_ms: Option<f64>,
    pub(super) left_out: LeftOut,
    pub(super) follows: Vec<Follow>,
    /// Cross-correlation lags, with the movements behind each.
    pub(super) lags: Vec<(f64, usize)>,
    pub(super) uncertainty_ms: Option<f64>,
    /// What is to be added to the ages' sets where they bound a path's delay.
    pub(super) scan: Option<Scan>,
    /// How the sticks' path was read.
    pub(super) path: Path,
    /// When new positions were first shown, where sticks are held; `None` where older movements are known by
    /// their ages alone.
    pub(super) changes: Option<Vec<MoveChanges>>,
}

impl Reading {
    fn add(&mut self, ages: MoveAges, thinning: Thinning) {
        self.note_oldest(Some(ages.oldest_ms));
        if thinning.keeps(ages.number) {
            self.moves.push(ages);
        } else {
            self.left_out.thinned += 1;
        }
    }

    fn note_oldest(&mut self, oldest_ms: Option<f64>) {
        self.oldest_ms = greater(self.oldest_ms, oldest_ms);
    }
}

/// Of two ages the older, as far as they are known.
fn greater(one: Option<f64>, other: Option<f64>) -> Option<f64> {
    one.into_iter().chain(other).max_by(f64::total_cmp)
}

/// One stage.
#[derive(Clone, Debug, Default)]
pub(super) struct StageMeter {
    pub(super) track: Track,
    clocks: ClockPair,
    /// Half the resolution of the stamps, both ends together, ms.
    blur_ms: f64,
    sender: Option<(u8, u8)>,
    whole: VecDeque<Arc<Movement>>,
    older: Older,
    mapping: Mapping,
    moves: u64,
}

impl StageMeter {
    pub(super) fn new(clocks: ClockPair, blur_ms: f64) -> Self {
        Self { clocks, blur_ms, ..Self::default() }
    }

    pub(super) fn observe_reference(&mut self, at: Nanos, values: Values, clocks: &Clocks) {
        self.track.push_reference(at, values);
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
            self.whole.push_back(Arc::new(movement));
            self.moves += 1;
            self.study(clocks);
            if self.whole.len() >= MOST_WHOLE + FOLDED_AT_ONCE {
                self.fold(clocks);
            }
        }
    }

    /// Finds what follows what: often at first, then whenever the movements have doubled; at intervals too
    /// while a stick that moved has no output yet.
    fn study(&mut self, clocks: &Clocks) {
        let moves = mapping::counts(self.whole.iter().map(|movement| movement.stick));
        let mapped =
            |stick: usize| self.mapping.follows.iter().any(|follow| usize::from(follow.stick) == stick);
        let unmapped = || (0..18).any(|stick| moves[stick] >= mapping::FEWEST_MOVES && !mapped(stick));
        let every = if self.moves <= (MOST_WHOLE + FOLDED_AT_ONCE) as u64 { 32 } else { 128 };
        let at_first = matches!(self.moves, 3..=6 | 8 | 10 | 12 | 16 | 20 | 24);
        let doubled = self.moves >= 32 && self.moves.is_power_of_two();
        if !(at_first || doubled || (self.moves.is_multiple_of(every) && unmapped())) {
            return;
        }
        let timeline = self.timeline(clocks);
        let studied = mapping::spread(self.whole.iter(), |movement| movement.stick);
        let laid: Vec<Laid<'_>> =
            studied.into_iter().map(|movement| Laid::new(movement, timeline.as_ref())).collect();
        self.mapping = mapping::find(&laid, &moves, LOOK_BACK.millis() - 200.0);
    }

    fn timeline(&self, clocks: &Clocks) -> Option<Timeline> {
        let (system, component) = self.sender.filter(|_| self.clocks == ClockPair::HostAndBoot)?;
        clocks.timeline(system, component)
    }

    /// The number of the first movement that is kept whole.
    fn first_whole(&self) -> u64 {
        self.moves - self.whole.len() as u64
    }

    fn fold(&mut self, clocks: &Clocks) {
        self.older.expect(self.first_whole() + FOLDED_AT_ONCE as u64);
        let movements: Vec<Arc<Movement>> = self.whole.iter().cloned().collect();
        let reading = self.read(&movements, clocks, FOLDED_AT_ONCE);
        self.older.take(&reading);
        self.whole.drain(..FOLDED_AT_ONCE);
    }

    /// All movements so far, those that wait for their last outputs included.
    pub(super) fn reading(&self, clocks: &Clocks) -> Reading {
        let (pending, lost) = self.track.pending();
        let movements: Vec<Arc<Movement>> =
            self.whole.iter().cloned().chain(pending.into_iter().map(Arc::new)).collect();
        let mut reading = self.read(&movements, clocks, movements.len());
        let mut moves: Vec<MoveAges> = self.older.iter().collect();
        moves.append(&mut reading.moves);
        reading.moves = moves;
        reading.note_oldest(self.older.oldest_ms);
        reading.left_out += self.older.left_out;
        reading.left_out += self.track.left_out;
        reading.left_out.gap += lost;
        reading
    }

    /// Reads the first `count` movements; curves come from all of them.
    fn read(&self, movements: &[Arc<Movement>], clocks: &Clocks, count: usize) -> Reading {
        let timeline = self.timeline(clocks);
        let laid: Vec<Laid<'_>> =
            movements.iter().map(|movement| Laid::new(movement, timeline.as_ref())).collect();
        let curves: Vec<(Follow, Curve)> = self
            .mapping
            .follows
            .iter()
            .filter_map(|follow| Some((*follow, mapping::curve(&laid, follow)?)))
            .collect();
        let path = self.older.path.unwrap_or_else(|| self.path(&laid, &curves));
        // Folding takes the ages alone.
        let for_figures = count == laid.len();
        let mut reading = Reading {
            scan: if path == Path::Held { scan(&laid) } else { None },
            uncertainty_ms: laid.iter().try_fold(0.0_f64, |most, laid| Some(most.max(laid.uncertainty_ms?))),
            follows: curves.iter().map(|(follow, _)| *follow).collect(),
            path,
            changes: (self.first_whole() == 0).then(Vec::new),
            ..Reading::default()
        };
        for (number, (index, one)) in (self.first_whole()..).zip(laid.iter().enumerate().take(count)) {
            let stick = one.movement.stick;
            let own: Vec<&(Follow, Curve)> =
                curves.iter().filter(|(follow, _)| follow.stick == stick).collect();
            if own.is_empty() {
                let ambiguous = self.mapping.ambiguous & (1 << stick) != 0;
                reading.left_out.ambiguous += u64::from(ambiguous);
                reading.left_out.unmapped += u64::from(!ambiguous);
                continue;
            }
            let next = laid[index + 1..].iter().find(|later| later.movement.stick == stick);
            let until = next.map(|later| (later.movement.start - one.movement.start).millis());
            let (until, search) = (until.unwrap_or(f64::INFINITY), self.search(path));
            if for_figures
                && path == Path::Held
                && let Some(all) = &mut reading.changes
            {
                all.push(changes::of_movement(one, &own, until, search));
            }
            match censoring::of_movement(number, one, &own, until, search) {
                Some(ages) => reading.add(ages, self.older.thinning),
                None => reading.left_out.gap += 1,
            }
        }
        for follow in reading.follows.iter().filter(|_| for_figures) {
            let own = laid.iter().filter(|laid| laid.movement.stick == follow.stick).count();
            if let Some(lag) = mapping::fine_lag(&laid, follow) {
                reading.lags.push((lag, own));
            }
        }
        reading
    }

    /// How the reference goes from sample to sample. Sticks are held where outputs show their very values.
    fn path(&self, laid: &[Laid<'_>], curves: &[(Follow, Curve)]) -> Path {
        let dense = self.track.usual_ms().is_some_and(|usual| usual <= DENSE_MS);
        let otherwise = if dense { Path::Straight } else { Path::Between };
        if self.clocks == ClockPair::Boot {
            return otherwise;
        }
        let search = self.search(Path::Held);
        let (mut values, mut between) = (0_u32, 0_u32);
        for one in mapping::spread(laid.iter(), |laid| laid.movement.stick) {
            for (follow, curve) in curves.iter().filter(|(follow, _)| follow.stick == one.movement.stick) {
                let stick = one.stick(follow.stick);
                for (time, output) in one.outputs(follow.output, f64::INFINITY) {
                    match age_intervals::met(&stick, time, curve.sticks(output), search) {
                        Some(Met::Value) => values += 1,
                        Some(Met::Between) => between += 1,
                        None => {}
                    }
                }
            }
        }
        if values > 0 && between * MOST_BETWEEN <= values { Path::Held } else { otherwise }
    }

    pub(super) fn search(&self, path: Path) -> Search {
        Search {
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
        let laid: Vec<Laid<'_>> =
            self.whole.iter().map(|movement| Laid::new(movement, timeline.as_ref())).collect();
        self.whole.iter().rev().find_map(|movement| {
            let follow = *self.mapping.follows.iter().find(|follow| follow.stick == movement.stick)?;
            let curve = mapping::curve(&laid, &follow)?;
            Some((movement.clone(), timeline.clone(), follow, curve))
        })
    }

    /// The delay by which outputs follow, roughly, as soon as it is known.
    pub(super) fn rough_lag(&self) -> Option<Nanos> {
        self.mapping.follows.first().map(|follow| Nanos::from_secs_f64(follow.lag_ms / 1e3))
    }

    /// Whether outputs show what the sticks do, be it open which stick.
    pub(super) fn shows_sticks(&self) -> bool {
        !self.mapping.follows.is_empty() || self.mapping.ambiguous != 0
    }

    /// Outputs that follow a stick, from 0.
    pub(super) fn following(&self) -> impl Iterator<Item = u8> {
        self.mapping.follows.iter().map(|follow| follow.output)
    }

    /// How far each of them lags behind it.
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

    /// Whether some output could follow two sticks.
    pub(super) const fn is_ambiguous(&self) -> bool {
        self.mapping.ambiguous != 0
    }
}

/// The sticks' spacings while they moved.
fn scan(laid: &[Laid<'_>]) -> Option<Scan> {
    let spacings = laid.iter().flat_map(|laid| {
        let movement = laid.movement;
        let inside = movement.stick_times.windows(2);
        inside
            .filter(|pair| pair[1] > movement.start && pair[0] < movement.end)
            .map(|pair| (pair[1] - pair[0]).millis())
    });
    Scan::new(spacings)
}
