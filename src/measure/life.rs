//! The life of a session: waiting, on the ground, walk, out, back, off.
//!
//! Definition, looked at once a second, from the past alone; facts count only from the vehicle's autopilot, and for 5 s:
//! - `ground`: disarmed for 3 s, slower than 2 m/s, within 30 m of the handset in the plane (without a position: every
//!   link's level within 10 dB, or a tenth in device units, of its strongest of this power-up); or armed within 10 m and
//!   3 m of height of where it armed (in a bench test always); or, after a trip, where it stood for 2 s and then disarmed, while levels stay so.
//! - `walk`: from `ground`, still disarmed and standing, a level further down than that for 3 s.
//! - `out`, `back`: anything else; the word changes after 20 m the other way.
//! - `off`: from `ground`, all of the vehicle silent for 5 s while sources here are alive.
//!
//! A strong level never explains a silence. Any other silence of 10 s is told once: lost from here on where the vehicle was
//! armed last or farther than 30 m, else of unknown cause. What drove and never armed has no armed state to go by.
//! Source: the 10 s are unavailable time, ITU-T G.826; the rest is this program's own, common practice, no source.
//!
//! A gap of up to 5 s leaves the phase as it is. A restart begins a new power-up and keeps the phase. What this computer
//! itself missed is no silence. Bounded: 4,096 phases.

mod power_up;
mod telling;
#[cfg(test)]
mod tests;

use crate::units::{LevelUnit, Nanos};

pub use crate::summary::Phase;
pub(crate) use crate::summary::Spot;
use crate::summary::{LastPlace, PhaseReason};

use power_up::PowerUp;
pub(crate) use telling::phases;

/// What a fact counts for.
const FACTS: Nanos = Nanos::from_secs(5);
/// A silence of the autopilot up to this leaves everything open.
const HEARD: Nanos = Nanos::from_secs(2);
const OFF: Nanos = Nanos::from_secs(5);
/// Unavailable time, ITU-T G.826.
const LOST: Nanos = Nanos::from_secs(10);
/// Seconds on end that end a stay on the ground.
const LEAVES: i64 = 3;
const TURN_M: f64 = 20.0;
pub(super) const NEAR_M: f64 = 30.0;
const MOST_PHASES: usize = 4096;

/// How the vehicle stands or moves, by positions of the last 5 s.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Motion {
    pub(crate) spot: Option<Spot>,
    /// When it was there.
    pub(crate) at: Option<Nanos>,
    /// From the handset, in the plane.
    pub(crate) horizontal_m: Option<f64>,
    /// The same along the line of sight.
    pub(crate) distance_m: Option<f64>,
    /// By its own word and by the way that its fixes went, the larger.
    pub(crate) speed_m_s: Option<f64>,
    /// The handset has fixes of its own.
    pub(crate) handset_moves: bool,
}

/// What is known at a whole second.
#[derive(Clone, Debug, Default)]
pub(crate) struct Facts {
    /// When the autopilot was last heard.
    pub(crate) autopilot: Option<Nanos>,
    /// The same of anything of the vehicle, pictures included.
    pub(crate) vehicle: Option<Nanos>,
    /// Silence before this was this computer's own: it stood still, or the source was gone.
    pub(crate) listens_since: Option<Nanos>,
    /// Sources here are alive, silent or not.
    pub(crate) alive: bool,
    /// The autopilot's latest word on its motors.
    pub(crate) armed: Option<(Nanos, bool)>,
    pub(crate) motion: Motion,
    /// Of each link: level and unit.
    pub(crate) levels: Vec<Option<(f64, LevelUnit)>>,
    /// A telemetry link's margin is under its alarm's limit; `None` where no margin is known now.
    pub(crate) telemetry_alarm: Option<bool>,
}

/// A phase with its beginning.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Began {
    pub(crate) from: Nanos,
    pub(crate) phase: Phase,
    pub(crate) why: PhaseReason,
}

/// What a second brought.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Told {
    /// A phase began.
    Phase(Began),
    /// The vehicle is lost from here on: when it was last heard, and where.
    Lost { at: Nanos, place: LastPlace },
    /// Silent, and nothing tells why.
    Silent { at: Nanos },
    /// The autopilot alone is silent.
    AutopilotSilent { at: Nanos },
}

/// What was told of the silence that is on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Silence {
    /// Nothing, or it is heard.
    #[default]
    None,
    /// The autopilot alone is silent.
    Autopilot,
    /// All of the vehicle is silent, and nothing tells why.
    Unknown,
    /// The vehicle is lost.
    Lost,
}

/// The phases of a session.
#[derive(Clone, Debug, Default)]
pub struct Life {
    phases: Vec<Began>,
    power_up: PowerUp,
    silence: Silence,
    /// When the autopilot was last heard at the last look.
    looked: Option<Nanos>,
    /// The autopilot's restarts, by its boot clock.
    restarts: Vec<Nanos>,
    /// The autopilot's silences of over 2 s: when it was last heard, and when again.
    silences: Vec<(Nanos, Option<Nanos>)>,
    /// Since when nothing says any more that it stands on the ground.
    leaving: Option<Nanos>,
    /// The farthest of an out, the nearest of a back.
    turn_m: Option<f64>,
    last_motion: Motion,
    alarm_before: bool,
    /// In a bench test what is armed stands on the ground.
    is_bench: bool,
}

impl Life {
    /// Of a bench test.
    pub(crate) fn on_bench() -> Self {
        Self { is_bench: true, ..Self::default() }
    }

    /// The recording says that it is of one.
    pub(crate) const fn note_bench(&mut self) {
        self.is_bench = true;
    }

    /// The phase at an instant; `None` where no autopilot is heard in the session: it is judged whole.
    #[must_use]
    pub fn phase_at(&self, at: Nanos) -> Option<Phase> {
        let next = self.phases.partition_point(|began| began.from <= at);
        Some(self.phases.get(next.saturating_sub(1))?.phase)
    }

    /// Whether the way that is on at an instant was seen: from where it armed, or by its distance.
    pub(crate) fn is_seen_away(&self, at: Nanos) -> bool {
        let next = self.phases.partition_point(|began| began.from <= at);
        let way = self.phases[..next].iter().rev();
        way.take_while(|began| matches!(began.phase, Phase::Out | Phase::Back))
            .any(|began| matches!(began.why, PhaseReason::Away | PhaseReason::Turned { .. }))
    }

    /// Whether an instant is judged: it lies in a trip, or there are no phases.
    #[must_use]
    pub fn is_judged(&self, at: Nanos) -> bool {
        self.phase_at(at).is_none_or(Phase::is_trip)
    }

    /// The phase now.
    #[must_use]
    pub fn now(&self) -> Option<Phase> {
        self.phases.last().map(|began| began.phase)
    }

    /// When the phase of now began.
    pub(crate) fn since(&self) -> Option<Nanos> {
        self.phases.last().map(|began| began.from)
    }

    /// All phases in order.
    pub(crate) fn phases(&self) -> &[Began] {
        &self.phases
    }

    /// What was told of the silence that is on.
    pub(crate) const fn silence(&self) -> Silence {
        self.silence
    }

    /// Where the vehicle was when it last said so.
    pub(crate) fn last_place(&self) -> LastPlace {
        let Motion { distance_m, spot, at, .. } = self.last_motion;
        // A vehicle goes on without a fix: an old place is not where it was lost.
        let before = self.looked.zip(at).map(|(looked, at)| looked - at).filter(|before| *before > FACTS);
        LastPlace { distance_m, spot, before_s: before.map(Nanos::secs) }
    }

    /// Whether warnings may ring: not on the ground, nor before or after.
    #[must_use]
    pub fn is_quiet(&self) -> bool {
        self.now().is_some_and(|phase| !phase.is_trip())
    }

    /// Spans of one phase that touch a span of time, cut at `to`.
    pub(crate) fn spans(&self, wanted: Phase, to: Nanos) -> impl Iterator<Item = (Nanos, Nanos)> + '_ {
        let ends = self.phases.iter().skip(1).map(|began| began.from).chain([to]);
        self.phases
            .iter()
            .zip(ends)
            .filter(move |(began, _)| began.phase == wanted)
            .map(|(began, end)| (began.from, end))
    }

    /// Whole seconds of a span of time, in seconds from `start`, in which the vehicle was switched off so far.
    pub(crate) fn off_seconds(&self, start: Nanos, now: Nanos, (from_s, to_s): (f64, f64)) -> f64 {
        let off = self.spans(Phase::Off, now).map(|(begin, end)| {
            let (begin, end) = ((begin - start).secs().max(from_s), (end - start).secs().min(to_s));
            (end.floor() - begin.ceil()).max(0.0)
        });
        off.sum()
    }

    /// Whether the vehicle was switched off somewhere within a span of time.
    pub(crate) fn was_off(&self, from: Nanos, to: Nanos) -> bool {
        self.spans(Phase::Off, Nanos::MAX).any(|(begin, end)| begin < to && from < end)
    }

    /// How long the autopilot was heard in trips within a span of time.
    pub(crate) fn heard_in_trips(&self, from: Nanos, to: Nanos) -> Nanos {
        let within = |(begin, end): (Nanos, Nanos)| (end.min(to) - begin.max(from)).max(Nanos::ZERO);
        let trips =
            [Phase::Walk, Phase::Out, Phase::Back].into_iter().flat_map(|phase| self.spans(phase, to));
        trips.fold(Nanos::ZERO, |sum, trip| {
            let silences = self
                .silences
                .iter()
                .map(|&(last, again)| (last.max(trip.0), again.unwrap_or(to).min(trip.1)));
            let silent = silences.map(within).fold(Nanos::ZERO, |sum, silent| sum + silent);
            sum + (within(trip) - silent).max(Nanos::ZERO)
        })
    }

    /// Whether the autopilot restarted within a span of time, by its boot clock.
    pub(crate) fn restarted_within(&self, from: Nanos, to: Nanos) -> bool {
        let first = self.restarts.partition_point(|at| *at < from);
        self.restarts.get(first).is_some_and(|at| *at <= to)
    }

    /// The autopilot's boot clock fell: what this power-up showed is over.
    pub(crate) fn restart(&mut self, at: Nanos) {
        if self.restarts.len() < MOST_PHASES {
            self.restarts.push(at);
        }
        if !self.phases.is_empty() {
            self.power_up = PowerUp::begin(at);
        }
    }

    /// A whole second since the first record has passed.
    pub(crate) fn second(&mut self, start: Nanos, at: Nanos, facts: &Facts) -> Vec<Told> {
        let mut told = Vec::new();
        let Some(heard) = facts.autopilot else { return told };
        if self.phases.is_empty() {
            self.enter(Began { from: start, phase: Phase::Waiting, why: PhaseReason::NotHeard }, &mut told);
            self.power_up = PowerUp::begin(heard);
        }
        let listened = facts.listens_since.map_or(heard, |since| since.max(heard));
        if at - heard > HEARD {
            if self.silences.last().is_none_or(|(last, _)| *last < heard) && self.silences.len() < MOST_PHASES
            {
                self.silences.push((heard, None));
            }
            self.note_silence(at, listened, facts, &mut told);
            return told;
        }
        self.silence = Silence::None;
        if let Some((_, again @ None)) = self.silences.last_mut() {
            *again = Some(heard);
        }
        // Once a second at most, and only where something new was heard.
        if self.looked.is_some_and(|looked| heard <= looked) {
            return told;
        }
        self.looked = Some(heard);
        if self.now() == Some(Phase::Off) && self.since().is_some_and(|off| self.power_up.since() <= off) {
            self.power_up = PowerUp::begin(heard);
        }
        self.alarm_before = facts.telemetry_alarm.unwrap_or(self.alarm_before);
        self.power_up.learn(at, facts);
        if facts.motion.spot.is_some() {
            self.last_motion = facts.motion;
        }
        self.decide(heard, facts, &mut told);
        told
    }

    fn enter(&mut self, began: Began, told: &mut Vec<Told>) {
        if self.phases.len() >= MOST_PHASES {
            return;
        }
        // A phase that began before the one that it follows follows it at once.
        let from = self.since().map_or(began.from, |since| since.max(began.from));
        let began = Began { from, ..began };
        self.phases.push(began);
        self.leaving = None;
        self.turn_m = None;
        told.push(Told::Phase(began));
    }

    fn decide(&mut self, at: Nanos, facts: &Facts, told: &mut Vec<Told>) {
        let Some(phase) = self.now() else { return };
        // What had a position and lost it stays what it was.
        if facts.motion.spot.is_none() && self.power_up.had_position() {
            return;
        }
        let Some(armed) = facts.armed.filter(|(when, _)| at - *when <= FACTS).map(|(_, armed)| armed) else {
            // Without a word on its motors for so long after it was first heard, nothing else can be shown.
            if matches!(phase, Phase::Waiting | Phase::Off) && at - self.power_up.since() > FACTS {
                let from = self.power_up.since();
                self.enter(Began { from, phase: Phase::Out, why: PhaseReason::Unsaid }, told);
            }
            return;
        };
        if let Some(why) = self.power_up.walks(at, facts, matches!(phase, Phase::Ground | Phase::Walk)) {
            if phase != Phase::Walk {
                let from = at - Nanos::from_secs(LEAVES - 1);
                self.enter(Began { from, phase: Phase::Walk, why }, told);
            }
            return;
        }
        if let Some(why) = self.grounded(at, facts, phase) {
            self.leaving = None;
            if phase == Phase::Walk && self.power_up.is_down() {
                return;
            }
            if phase != Phase::Ground {
                let begins = matches!(phase, Phase::Waiting | Phase::Off);
                let from = if begins { self.power_up.since() } else { at };
                self.enter(Began { from, phase: Phase::Ground, why }, told);
            }
            return;
        }
        match phase {
            // On a walk it restarted: it cannot be disarmed for 3 s of this power-up yet.
            Phase::Waiting | Phase::Off | Phase::Walk if !armed && !self.power_up.is_settled(at) => {}
            Phase::Waiting | Phase::Off => {
                let (from, why) = (self.power_up.since(), self.power_up.leaves(facts, armed));
                self.enter(Began { from, phase: Phase::Out, why }, told);
            }
            Phase::Ground | Phase::Walk => {
                let since = *self.leaving.get_or_insert(at);
                if at - since >= Nanos::from_secs(LEAVES - 1) {
                    let why = self.power_up.leaves(facts, armed);
                    self.enter(Began { from: since, phase: Phase::Out, why }, told);
                }
            }
            Phase::Out | Phase::Back => self.turn(at, phase, facts.motion.distance_m, told),
        }
    }

    fn grounded(&mut self, at: Nanos, facts: &Facts, phase: Phase) -> Option<PhaseReason> {
        let why = self.power_up.grounded(at, facts, phase == Phase::Ground);
        let armed = facts.armed.is_some_and(|(_, armed)| armed);
        why.or_else(|| (self.is_bench && armed).then_some(PhaseReason::Bench))
    }

    fn turn(&mut self, at: Nanos, phase: Phase, distance_m: Option<f64>, told: &mut Vec<Told>) {
        let Some(distance_m) = distance_m else { return };
        let out = phase == Phase::Out;
        let extreme = self
            .turn_m
            .map_or(distance_m, |turn| if out { turn.max(distance_m) } else { turn.min(distance_m) });
        self.turn_m = Some(extreme);
        if (distance_m - extreme).abs() > TURN_M {
            let phase = if out { Phase::Back } else { Phase::Out };
            self.enter(Began { from: at, phase, why: PhaseReason::Turned { distance_m } }, told);
            self.turn_m = Some(distance_m);
        }
    }

    /// The autopilot is silent; `listened`: since when that would have been heard.
    fn note_silence(&mut self, at: Nanos, listened: Nanos, facts: &Facts, told: &mut Vec<Told>) {
        let (Some(heard), Some(phase)) = (facts.autopilot, self.now()) else { return };
        if !facts.alive || phase == Phase::Off {
            return;
        }
        let any = facts.vehicle.map_or(heard, |any| any.max(heard));
        let silent = at - any.max(listened);
        if phase == Phase::Ground && silent >= OFF && !self.alarm_before {
            let ground = self.since().unwrap_or(any);
            self.enter(
                Began { from: any, phase: Phase::Off, why: PhaseReason::SwitchedOff { ground } },
                told,
            );
            return;
        }
        let armed = facts.armed.is_some_and(|(_, armed)| armed);
        let far = self.last_motion.horizontal_m.is_some_and(|horizontal_m| horizontal_m > NEAR_M);
        if silent >= LOST && self.silence < Silence::Unknown {
            self.silence = if armed || far { Silence::Lost } else { Silence::Unknown };
            if self.silence == Silence::Lost {
                told.push(Told::Lost { at: any, place: self.last_place() });
            } else {
                told.push(Told::Silent { at: any });
            }
        } else if silent < HEARD && at - listened >= LOST && self.silence < Silence::Autopilot {
            self.silence = Silence::Autopilot;
            told.push(Told::AutopilotSilent { at: heard });
        }
    }
}
