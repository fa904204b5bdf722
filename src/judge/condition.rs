//! How a link stands now, from the past alone: silent, unknown, failing, alarm, warning, good, heard.
//!
//! Definition: the first rule that holds, of those in [`rule`]. A failure (a standing picture, a hold, a lost input, a
//! second with 30 % of 10 or more lost, a silent far side) decides before any margin. `good` needs a reason: over its limit,
//! or as strong or as near as where it worked. Graver at once, milder after 3 s. Unit: seconds, and the link's levels.
//! Source: a second with 30 % lost is a severely errored second (ITU-T G.826); the other numbers are common practice,
//! no source. Asked at every whole second and at most ten times between. A gap of levels leaves good to the distance;
//! duplicates, wraps, late arrivals and restarts do not reach it. Bounds: a fixed state a link, failures of the last minute.

mod experience;

use std::collections::VecDeque;

use crate::profile::LinkRole;
use crate::stats::sample::proportion::{Z975, wilson};
use crate::summary::{Failure, LinkState, StateReason};
use crate::units::Nanos;

use experience::Experience;
pub use experience::Scale;

/// A state turns milder only after so long.
const MILDER_AFTER: Nanos = Nanos::from_secs(3);
/// States that stay so long, in the order of their gravity.
const GRAVE: [LinkState; 3] = [LinkState::Warning, LinkState::Alarm, LinkState::Failing];
/// Failing for so long, within so long, is an alarm.
pub(super) const FAILING: Nanos = Nanos::from_millis(500);
pub(super) const FAILING_WITHIN: Nanos = Nanos::from_secs(3);
/// So are so many failures within so long.
pub(super) const OFTEN: usize = 3;
pub(super) const OFTEN_WITHIN: Nanos = Nanos::from_secs(30);
/// One failure within this is a warning.
const LATELY: Nanos = Nanos::from_secs(10);
/// Failures are kept for so long, and at most so many.
const KEPT: Nanos = Nanos::from_secs(60);
const MOST: usize = 256;
/// Of the session: so many of its own.
const MOST_PAST: usize = 16_384;
/// A second with so many packets or more, and this share of them lost, is a failure (ITU-T G.826).
const FEWEST: u32 = 10;
const SEVERE: f64 = 0.3;
/// Of a telemetry link only the third on end.
const TELEMETRY_SECONDS: u32 = 3;
/// Surely more than this lost in the last ten seconds is a warning.
const MUCH: f64 = 0.05;
const SECONDS: usize = 10;
/// A far side is silent after five of its usual spacings, within these.
const SPACINGS: f64 = 5.0;
const SILENT: (Nanos, Nanos) = (Nanos::from_secs(2), Nanos::from_secs(5));
/// Data is fresh for two usual spacings, at least a second.
const FRESH_SPACINGS: f64 = 2.0;
const FRESH: Nanos = Nanos::from_secs(1);

/// A span in which a link failed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Failed {
    /// How.
    pub what: Failure,
    /// When it began.
    pub from: Nanos,
    /// When it ended; `None` while it lasts.
    pub to: Option<Nanos>,
}

impl Failed {
    fn end(&self, now: Nanos) -> Nanos {
        self.to.unwrap_or(now)
    }
}

/// What is known of a link at an instant.
#[derive(Clone, Debug)]
#[expect(clippy::struct_excessive_bools, reason = "each is a fact of its own")]
pub struct LinkFacts {
    /// Now.
    pub at: Nanos,
    /// What it is for.
    pub role: LinkRole,
    /// When anything of its far side last came, or a level of it, this computer's own stalls not counted; `None`: never.
    pub heard: Option<Nanos>,
    /// Data of its own came, or the vehicle told of them; else a level alone shows it.
    pub has_data: bool,
    /// Time comes from a clock on this side, so that a silence is one; that of bare bytes is the sender's own.
    pub has_clock: bool,
    /// It is judged: the vehicle is in a trip, or there are none.
    pub in_trip: bool,
    /// Its usual spacing, where it is known.
    pub spacing: Option<Nanos>,
    /// The vehicle is switched off, or not there yet.
    pub is_off: bool,
    /// What brings it, or tells of it, is itself silent or gone.
    pub is_blind: bool,
    /// Pictures that stood, holds and lost inputs of the last minute, in order of time.
    pub failed: Vec<Failed>,
    /// What its margin says in a trip.
    pub margin: LinkState,
    /// It is over the margin that would be a warning.
    pub is_over_limit: bool,
    /// Its level.
    pub level: Option<f64>,
    /// How levels compare.
    pub scale: Scale,
    /// Its distance.
    pub distance_m: Option<f64>,
    /// Share of the last 3 s of pictures that were lost or depend on lost ones.
    pub damaged: Option<f64>,
}

/// What a whole second brought of a link.
#[derive(Clone, Copy, Debug, Default)]
pub struct SecondOfLink {
    /// Received.
    pub received: u32,
    /// Lost.
    pub lost: u32,
}

/// A link's state, with what it rests on.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Now {
    /// In one word.
    pub state: LinkState,
    /// Why.
    pub reason: StateReason,
    /// How often it failed within the last minute, and how long ago the first of them began.
    pub failures: (usize, Nanos),
    /// Lost in the last ten seconds.
    pub loss_ratio: Option<f64>,
    /// The pilot knows.
    pub acknowledged: bool,
}

/// One link's state over time.
#[derive(Clone, Debug, Default)]
pub struct Condition {
    shown: Now,
    /// When the rules last gave a warning, an alarm, a failure, or something graver.
    gave: [Option<Nanos>; 3],
    /// The last ten seconds, the newest last.
    seconds: VecDeque<SecondOfLink>,
    severe_for: u32,
    /// Seconds with much loss and silences, in order of time.
    own: VecDeque<Failed>,
    /// Those of over a minute ago, in order of time.
    past: Vec<Failed>,
    /// Whole seconds of trips in which it worked.
    worked_s: u32,
    /// The failures of the last minute that experience knows of.
    known: Vec<(Failure, Nanos)>,
    experience: Experience,
    acknowledged: bool,
}

impl Condition {
    /// Takes in a whole second that has passed.
    pub fn second(&mut self, second: SecondOfLink, facts: &LinkFacts) {
        self.seconds.push_back(second);
        if self.seconds.len() > SECONDS {
            self.seconds.pop_front();
        }
        let all = second.received + second.lost;
        let is_severe = all >= FEWEST && f64::from(second.lost) >= SEVERE * f64::from(all);
        self.severe_for = if is_severe { self.severe_for + 1 } else { 0 };
        let needed = if facts.role == LinkRole::Telemetry { TELEMETRY_SECONDS } else { 1 };
        self.lasts(self.severe_for >= needed, facts.at - Nanos::from_secs(1), Failure::MuchLost, facts.at);
        self.step(facts);
        let came = facts.heard.is_some_and(|heard| facts.at - heard <= fresh(facts));
        let worked =
            came && facts.has_data && self.failures(facts).all(|failed| failed.end(facts.at) < facts.at);
        self.worked_s += u32::from(worked && facts.in_trip);
        self.experience.second(worked, facts.level, facts.distance_m);
    }

    /// Looks at a link at an instant.
    pub fn step(&mut self, facts: &LinkFacts) {
        let silent_from = silent_from(facts)
            .filter(|_| facts.has_data && facts.has_clock && !facts.is_off && !facts.is_blind);
        self.lasts(silent_from.is_some(), silent_from.unwrap_or_default(), Failure::Silent, facts.at);
        let is_past = |failed: &Failed| failed.end(facts.at) + KEPT <= facts.at;
        while self.own.len() > MOST || self.own.front().is_some_and(is_past) {
            self.past.extend(self.own.pop_front().filter(|_| self.past.len() < MOST_PAST));
        }
        let all: Vec<(Failure, Nanos)> =
            self.failures(facts).map(|failed| (failed.what, failed.from)).collect();
        for (_, from) in all.iter().filter(|failed| !self.known.contains(failed)) {
            self.experience.fail(*from, facts.level, facts.distance_m);
        }
        self.known = all;
        self.show(facts);
    }

    /// A failure of its own begins, goes on or ends.
    fn lasts(&mut self, is_on: bool, from: Nanos, what: Failure, at: Nanos) {
        let open = self.own.iter_mut().rev().find(|failed| failed.what == what && failed.to.is_none());
        match open {
            Some(failed) if !is_on => failed.to = Some(at),
            None if is_on => self.own.push_back(Failed { what, from, to: None }),
            _ => {}
        }
    }

    fn failures<'a>(&'a self, facts: &'a LinkFacts) -> impl Iterator<Item = &'a Failed> {
        self.own.iter().chain(&facts.failed)
    }

    /// Shows the gravest state of the last three seconds, and what is known now.
    fn show(&mut self, facts: &LinkFacts) {
        let now = self.rule(facts);
        let mut state = now.state;
        if matches!(state, LinkState::Silent | LinkState::Unknown) {
            // What cannot be known is no milder state: it is shown at once.
            self.gave = [None; 3];
        } else {
            for (gave, grave) in self.gave.iter_mut().zip(GRAVE) {
                if gravity(now.state) >= gravity(grave) {
                    *gave = Some(facts.at);
                }
                if gave.is_some_and(|at| facts.at - at < MILDER_AFTER) {
                    state = grave;
                }
            }
        }
        if gravity(state) > gravity(self.shown.state) || !state.asks() {
            self.acknowledged = false;
        }
        self.shown = Now { state, acknowledged: self.acknowledged, ..now };
    }

    /// The first rule that holds.
    fn rule(&self, facts: &LinkFacts) -> Now {
        let at = facts.at;
        let within = |span: Nanos| {
            let failures = self.failures(facts).filter(move |failed| failed.end(at) + span >= at);
            failures.copied().collect::<Vec<_>>()
        };
        let (minute, loss) = (spells(&within(KEPT), at), self.loss());
        let (state, reason) = self.state_and_reason(facts, loss, &within);
        Now {
            state,
            reason,
            failures: (minute.len(), minute.first().map_or(Nanos::ZERO, |(from, _)| at - *from)),
            loss_ratio: loss.map(|(lost, all)| lost / all),
            acknowledged: false,
        }
    }

    fn state_and_reason(
        &self,
        facts: &LinkFacts,
        loss: Option<(f64, f64)>,
        within: &dyn Fn(Nanos) -> Vec<Failed>,
    ) -> (LinkState, StateReason) {
        let at = facts.at;
        let Some(heard) = facts.heard else { return (LinkState::Silent, StateReason::NeverHeard) };
        if facts.is_off {
            return (LinkState::Silent, StateReason::Off);
        }
        // A radio that reports seldom shows no level in between.
        let is_dark = !facts.has_data && at - heard > SILENT.1;
        if facts.is_blind || is_dark {
            return (LinkState::Unknown, StateReason::Blind);
        }
        let lately = within(LATELY);
        if let Some(failed) =
            lately.iter().filter(|failed| failed.to.is_none()).max_by_key(|failed| failed.what)
        {
            let for_s = (at - failed.from).secs();
            return (LinkState::Failing, StateReason::Failing { what: failed.what, for_s });
        }
        let margin = facts.margin;
        if margin == LinkState::Alarm {
            return (margin, StateReason::Margin);
        }
        let begin = at - FAILING_WITHIN;
        let failing = spells(&lately, at)
            .iter()
            .fold(Nanos::ZERO, |sum, (from, to)| sum + (*to - (*from).max(begin)).max(Nanos::ZERO));
        let recent = spells(&within(OFTEN_WITHIN), at);
        let often = recent.iter().filter(|(from, _)| *from + OFTEN_WITHIN >= at).count();
        if failing >= FAILING || often >= OFTEN {
            return (LinkState::Alarm, StateReason::OftenFailed);
        }
        if margin == LinkState::Warning {
            return (margin, StateReason::Margin);
        }
        if let Some(failed) = lately.iter().max_by_key(|failed| failed.end(at)) {
            let ago_s = (at - failed.end(at)).secs();
            return (LinkState::Warning, StateReason::FailedLately { what: failed.what, ago_s });
        }
        // The interval's lower end lies below the share itself.
        let is_much = |lost: f64, all: f64| {
            lost > MUCH * all && wilson(lost, all, Z975).is_some_and(|[low, _]| low > MUCH)
        };
        if loss.is_some_and(|(lost, all)| is_much(lost, all)) {
            return (LinkState::Warning, StateReason::LosesMuch);
        }
        if facts.damaged.is_some_and(|share| share > 0.5) {
            return (LinkState::Warning, StateReason::Damaged);
        }
        if at - heard <= fresh(facts) && !self.experience.failed_here(at, facts.level, facts.distance_m) {
            if facts.is_over_limit {
                return (LinkState::Good, StateReason::Margin);
            }
            if let Some(reason) = self.experience.worked_here(facts.level, facts.scale, facts.distance_m) {
                return (LinkState::Good, reason);
            }
        }
        (LinkState::Heard, StateReason::NothingToJudgeBy)
    }

    /// Lost and all of the last ten seconds.
    fn loss(&self) -> Option<(f64, f64)> {
        let sums = self
            .seconds
            .iter()
            .fold((0, 0), |(lost, all), second| (lost + second.lost, all + second.lost + second.received));
        (sums.1 > 0).then(|| (f64::from(sums.0), f64::from(sums.1)))
    }

    /// The pilot acknowledges what stands.
    pub fn acknowledge(&mut self) {
        self.acknowledged |= self.shown.state.asks();
        self.shown.acknowledged = self.acknowledged;
    }

    /// Seconds with much loss and silences of the whole session.
    pub fn own_failures(&self) -> impl Iterator<Item = &Failed> {
        self.past.iter().chain(&self.own)
    }

    /// Whole seconds of trips in which it worked.
    #[must_use]
    pub const fn worked_s(&self) -> u32 {
        self.worked_s
    }

    /// How the link stands, as of the last look.
    #[must_use]
    pub const fn now(&self) -> Now {
        self.shown
    }
}

/// Failures that overlap are one: from when to when.
pub(super) fn spells(failures: &[Failed], now: Nanos) -> Vec<(Nanos, Nanos)> {
    merged(failures.iter().map(|failed| (failed.from, failed.end(now))).collect())
}

/// Spans that overlap or touch as one, in order of time.
pub(crate) fn merged(mut spans: Vec<(Nanos, Nanos)>) -> Vec<(Nanos, Nanos)> {
    spans.sort_unstable();
    spans.dedup_by(|next, before| {
        let overlaps = next.0 <= before.1;
        before.1 = if overlaps { before.1.max(next.1) } else { before.1 };
        overlaps
    });
    spans
}

/// Since when the far side is silent for too long.
fn silent_from(facts: &LinkFacts) -> Option<Nanos> {
    let heard = facts.heard?;
    let (least, most) = SILENT;
    let limit = facts.spacing.map_or(most, |spacing| times(spacing, SPACINGS).clamp(least, most));
    (facts.at - heard > limit).then_some(heard)
}

/// For how long data counts as fresh.
fn fresh(facts: &LinkFacts) -> Nanos {
    facts.spacing.map_or(FRESH, |spacing| times(spacing, FRESH_SPACINGS).max(FRESH))
}

fn times(span: Nanos, factor: f64) -> Nanos {
    Nanos::from_secs_f64(span.secs() * factor)
}

/// What is graver is shown at once.
const fn gravity(state: LinkState) -> u8 {
    match state {
        LinkState::Failing => 4,
        LinkState::Alarm => 3,
        LinkState::Warning => 2,
        LinkState::Good | LinkState::Heard => 1,
        LinkState::Silent | LinkState::Unknown => 0,
    }
}

#[cfg(test)]
#[path = "condition/tests.rs"]
mod tests;
