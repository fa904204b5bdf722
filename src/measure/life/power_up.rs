//! The facts of one power-up of the vehicle: motors, ways, strongest levels, where it armed and landed.
//!
//! The strongest level of a link is the greatest median of 10 s, so that fading does not raise it.
//! Unit: metres, metres a second, dB or device units. Bounded: 10 levels a link.

use std::collections::VecDeque;

use crate::stats::sample::quantile;
use crate::stats::space::geodesic;
use crate::units::Nanos;

use super::{FACTS, Facts, NEAR_M, PhaseReason, Spot};

const DISARMED: Nanos = Nanos::from_secs(3);
const SLOW_M_S: f64 = 2.0;
/// Seconds in which it stood before it disarmed.
const STOOD: u32 = 2;
const LEVEL_DB: f64 = 10.0;
const DOWN: u32 = 3;
const BENCH_M: f64 = 10.0;
const BENCH_HEIGHT_M: f64 = 3.0;
/// What stands stays within this.
const STANDS_M: f64 = 5.0;
/// Seconds on end that show that it drove: a lone wrong fix does not.
const DROVE: u32 = 3;
const MEDIAN_OF: usize = 10;

/// One link's level over the power-up.
#[derive(Clone, Debug, Default)]
struct LinkLevel {
    recent: VecDeque<f64>,
    strongest: Option<f64>,
}

/// Where it disarmed after it stood, and the levels then.
#[derive(Clone, Debug)]
struct Landed {
    spot: Spot,
    levels: Vec<Option<f64>>,
}

/// One power-up.
#[derive(Clone, Debug, Default)]
pub(super) struct PowerUp {
    since: Nanos,
    armed: Option<(Nanos, bool)>,
    ever_armed: bool,
    armed_at: Option<Spot>,
    landed: Option<Landed>,
    /// It was faster than 2 m/s or farther than 30 m, for seconds on end.
    drove: bool,
    had_position: bool,
    fast_for: u32,
    slow_for: u32,
    levels: Vec<LinkLevel>,
    down_for: u32,
    /// Where it stands on the ground.
    stands: Option<Spot>,
}

impl PowerUp {
    pub(super) fn begin(at: Nanos) -> Self {
        Self { since: at, ..Self::default() }
    }

    pub(super) const fn since(&self) -> Nanos {
        self.since
    }

    /// It said where it is, and the handset's place is known.
    pub(super) const fn had_position(&self) -> bool {
        self.had_position
    }

    /// Enough time has passed for "disarmed for 3 s".
    pub(super) fn is_settled(&self, at: Nanos) -> bool {
        at - self.since > DISARMED
    }

    /// Takes what is known at a whole second.
    pub(super) fn learn(&mut self, at: Nanos, facts: &Facts) {
        let motion = facts.motion;
        let slow = motion.speed_m_s.is_none_or(|speed| speed < SLOW_M_S);
        let far =
            motion.horizontal_m.is_some_and(|horizontal_m| horizontal_m > NEAR_M) && !motion.handset_moves;
        self.slow_for = if slow { self.slow_for + 1 } else { 0 };
        self.fast_for = if slow && !far { 0 } else { self.fast_for + 1 };
        self.drove |= self.fast_for >= DROVE;
        self.had_position |= motion.horizontal_m.is_some();
        self.learn_levels(facts);
        let Some((when, armed)) = facts.armed.filter(|(when, _)| at - *when <= FACTS) else { return };
        let before = self.armed.map(|(_, armed)| armed);
        if before != Some(armed) {
            match before {
                Some(false) => self.armed_at = motion.spot,
                Some(true) => self.land(facts),
                None => {}
            }
            self.armed = Some((if before.is_none() { self.since } else { when }, armed));
        }
        self.ever_armed |= armed;
        if armed {
            self.landed = None;
        }
        // What falls or is carried off has not landed there.
        let moved = |spot: &Spot| motion.spot.is_some_and(|now| apart(*spot, now).1 > BENCH_HEIGHT_M);
        if self.landed.as_ref().is_some_and(|landed| !slow || moved(&landed.spot)) {
            self.landed = None;
        }
    }

    fn land(&mut self, facts: &Facts) {
        // A place that is not known cannot be stood on.
        let Some(spot) = facts.motion.spot.filter(|_| facts.motion.speed_m_s.is_some()) else { return };
        if self.slow_for > STOOD {
            let levels = facts.levels.iter().map(|level| level.map(|(level, _)| level)).collect();
            self.landed = Some(Landed { spot, levels });
        }
    }

    fn learn_levels(&mut self, facts: &Facts) {
        self.levels.resize(facts.levels.len(), LinkLevel::default());
        for (own, level) in self.levels.iter_mut().zip(&facts.levels) {
            let Some((level, _)) = *level else { continue };
            own.recent.push_back(level);
            if own.recent.len() > MEDIAN_OF {
                own.recent.pop_front();
            }
            let median = quantile::median(own.recent.make_contiguous());
            if let Some(median) = median {
                own.strongest = Some(own.strongest.map_or(median, |strongest| strongest.max(median)));
            }
        }
        self.down_for = if self.further_down(facts, None) { self.down_for + 1 } else { 0 };
    }

    /// Whether any link's level is further down than belongs to the ground: from its strongest, or from what it was
    /// where the vehicle landed.
    fn further_down(&self, facts: &Facts, landed: Option<&Landed>) -> bool {
        self.levels.iter().zip(&facts.levels).enumerate().any(|(link, (own, level))| {
            let then =
                landed.or(self.landed.as_ref()).map(|landed| landed.levels.get(link).copied().flatten());
            let Some((strongest, (level, unit))) = then.unwrap_or(own.strongest).zip(*level) else {
                return false;
            };
            strongest - level > unit.difference(LEVEL_DB, strongest)
        })
    }

    pub(super) const fn is_down(&self) -> bool {
        self.down_for > 0
    }

    /// No armed state to go by: it drove and never armed.
    const fn has_no_arming(&self) -> bool {
        self.drove && !self.ever_armed
    }

    /// Disarmed for 3 s; what has no armed state, standing for as long.
    fn is_disarmed(&self, at: Nanos) -> bool {
        if self.has_no_arming() {
            return self.slow_for > DOWN;
        }
        self.armed.is_some_and(|(since, armed)| !armed && at - since >= DISARMED)
    }

    /// Why the vehicle is on the ground, where it is. What was there already needs no 3 s without arming.
    pub(super) fn grounded(&mut self, at: Nanos, facts: &Facts, was_there: bool) -> Option<PhaseReason> {
        let motion = facts.motion;
        let (_, armed) = self.armed?;
        let slow = self.slow_for > 0;
        let near = match motion.horizontal_m {
            Some(horizontal_m) => horizontal_m <= NEAR_M || self.has_landed(),
            None => !self.further_down(facts, None),
        };
        let why = if armed {
            // What comes back has to stand there: it may as well fall.
            let stands = was_there || self.slow_for > STOOD;
            (stands && self.is_where_it_armed(facts) == Some(true)).then_some(PhaseReason::Bench)
        } else if (was_there || self.is_disarmed(at)) && slow && near {
            match motion.horizontal_m {
                None if facts.levels.iter().all(Option::is_none) => Some(PhaseReason::Disarmed),
                None => Some(PhaseReason::Strong),
                Some(horizontal_m) if horizontal_m <= NEAR_M => Some(PhaseReason::Beside { horizontal_m }),
                Some(_) if self.further_down(facts, None) => None,
                Some(horizontal_m) => Some(PhaseReason::Landed { horizontal_m }),
            }
        } else {
            None
        };
        if why.is_some() {
            self.stands = self.stands.or(motion.spot);
        } else {
            self.stands = None;
        }
        why
    }

    /// Why it is on its way, where it is.
    pub(super) fn leaves(&self, facts: &Facts, armed: bool) -> PhaseReason {
        match self.is_where_it_armed(facts) {
            _ if !armed => PhaseReason::Elsewhere,
            Some(false) => PhaseReason::Away,
            // Nobody knows, or it may as well pass by.
            None | Some(true) => PhaseReason::Armed,
        }
    }

    /// Whether it is near where it armed; `None`: one of the two places is not known.
    fn is_where_it_armed(&self, facts: &Facts) -> Option<bool> {
        let (horizontal_m, height_m) = apart(self.armed_at?, facts.motion.spot?);
        Some(horizontal_m <= BENCH_M && height_m <= BENCH_HEIGHT_M)
    }

    const fn has_landed(&self) -> bool {
        self.landed.is_some()
    }

    /// Why the handset is being carried away from it, where it is. `from_ground`: it was on the ground, or is on such a walk.
    pub(super) fn walks(&self, at: Nanos, facts: &Facts, from_ground: bool) -> Option<PhaseReason> {
        let disarmed = !self.has_no_arming() && self.is_disarmed(at);
        let still = self.slow_for > 0
            && self.stands.zip(facts.motion.spot).is_none_or(|(stood, now)| apart(stood, now).0 <= STANDS_M);
        if !from_ground || !disarmed || !still {
            return None;
        }
        let away = facts.motion.handset_moves
            && facts.motion.horizontal_m.is_some_and(|horizontal_m| horizontal_m > NEAR_M);
        if self.down_for >= DOWN {
            Some(PhaseReason::LevelDown)
        } else if away {
            Some(PhaseReason::CarriedAway)
        } else {
            None
        }
    }
}

/// How far two places lie apart in the plane, and in height.
fn apart(one: Spot, other: Spot) -> (f64, f64) {
    (geodesic::horizontal_m((one.0, one.1), (other.0, other.1)), (one.2 - other.2).abs())
}
