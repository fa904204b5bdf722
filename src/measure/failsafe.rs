//! Failsafe: input lost, detected, outputs safe, recovered; each with its interval.
//!
//! Definitions: input is lost at the last fresh stick evidence before the handset's stick stream stops (`sticks`), or
//! before the vehicle's RC input or its health bit falls (`input`). Detected: the vehicle's first
//! word of it (that bit, a change of mode within 10 s, state critical or emergency); unknown where
//! the loss itself is known only from that word. Safe: see `outputs`. Recovered: live input is back.
//! Unit: seconds from input lost; each interval is [last sample before, first after], and 50 ms earlier for the way
//! here; its middle is given. Source: the public MAVLink message set; the limits are common practice, no source.
//! A gap in the samples widens an interval, a stall of this computer leaves it open; a duplicate never reaches this file;
//! a restart of the vehicle is no loss and ends what is known of one. Bounded: 1,000 losses, 512 output samples, 64 words.

mod incident;
mod input;
mod outputs;
pub(in crate::measure) mod sticks;

use std::collections::VecDeque;

use super::context::{Context, Sender};
use crate::clocks::Clocks;
use crate::summary::FailsafeSummary;
use crate::units::Nanos;
use crate::wire::telemetry::Telemetry;

use super::latency;
use super::latency::Followed;

use incident::{Cause, Incident, MARK_BEFORE, Word};
use input::{Change, Fall, Input, Report, Sign};
use outputs::{Outputs, Rule};
use sticks::Sticks;

const MOST_INCIDENTS: usize = 1000;
const MOST_OUTPUTS: usize = 512;
const MOST_WORDS: usize = 64;
const RC_RECEIVER: u32 = 65_536;
/// Evidence so close to a boot is of the boot.
const NEAR_BOOT: Nanos = Nanos::from_secs(2);
/// The input moves on though the stick stream stopped: from so long after it on, so often.
const MOVES_AFTER: Nanos = Nanos::from_secs(1);
const MOVES: u32 = 3;

/// Watches for lost control input.
#[derive(Clone, Debug, Default)]
pub struct FailsafeMeter {
    sticks: Sticks,
    input: Input,
    health: Sign,
    word: Word,
    epoch: Option<u32>,
    heard_at: Option<Nanos>,
    /// When a report last showed a live input.
    live_at: Option<Nanos>,
    heard_health_at: Option<Nanos>,
    heard_mode_at: Option<Nanos>,
    words: VecDeque<Word>,
    outputs: VecDeque<Outputs>,
    incidents: Vec<Incident>,
    /// A drill was marked, and no loss came yet.
    mark: Option<Nanos>,
}

impl FailsafeMeter {
    /// Takes sticks, inputs, outputs, health and modes.
    pub fn observe(&mut self, at: Nanos, sender: Sender, telemetry: &Telemetry, context: &Context) {
        self.advance(at, context);
        if let Some(key) = latency::stick_source(sender, telemetry, context) {
            let after_loss = self.open().is_some_and(|incident| incident.by_sticks());
            if self.sticks.observe(at, key, after_loss, context) {
                self.stick(at);
            }
            return;
        }
        if !context.is_autopilot(sender) {
            return;
        }
        self.heard_at = Some(at);
        if let Some(incident) = self.open() {
            incident.heard = Some(at);
        }
        match telemetry {
            Telemetry::RcInput { channels, count, rssi, older, .. } => {
                let (interface, older) = (sender.interface, *older);
                let report = Report { interface, older, channels, count: *count, rssi: *rssi };
                self.hear_input(at, &report, context);
            }
            Telemetry::SystemStatus { present, enabled, healthy, .. }
                if present & enabled & RC_RECEIVER != 0 =>
            {
                self.hear_health(at, healthy & RC_RECEIVER != 0, context);
            }
            Telemetry::Heartbeat { custom_mode, system_status, .. } => {
                self.word.mode = Some(*custom_mode);
                self.word.failing = matches!(system_status, 5 | 6);
                self.hear(at, self.heard_mode_at);
                self.heard_mode_at = Some(at);
            }
            Telemetry::ServoOutput { port: 0, outputs, .. } => self.hear_outputs(at, *outputs, context),
            _ => {}
        }
    }

    /// Takes what is known to follow the sticks by now.
    pub fn follow(&mut self, followed: Followed) {
        self.sticks.follow(followed);
    }

    /// Looks at the boot clock of a message's sender, which `clocks` has seen already.
    pub fn observe_clock(&mut self, at: Nanos, sender: Sender, clocks: &Clocks, context: &Context) {
        if !context.is_autopilot(sender) {
            return;
        }
        let Some(boot) = clocks.newest(sender) else { return };
        if self.epoch.replace(boot.epoch).is_some_and(|before| before < boot.epoch) {
            self.restart(at - boot.since_boot);
        }
    }

    /// The vehicle booted at this instant: all that its boot before had shown is over.
    fn restart(&mut self, booted: Nanos) {
        (self.input, self.health, self.word) = (Input::default(), Sign::default(), Word::default());
        (self.heard_health_at, self.heard_mode_at) = (None, None);
        self.words.clear();
        self.outputs.clear();
        let Some(incident) = self.open() else { return };
        incident.restarted = true;
        if !incident.by_sticks() {
            if incident.dead_at > booted - NEAR_BOOT {
                self.incidents.pop();
            } else {
                incident.recovered = Some(booted.max(incident.lost_at));
            }
        }
    }

    fn stick(&mut self, at: Nanos) {
        let input_dead = self.input.is_dead();
        if let Some(incident) = self.open()
            && incident.by_sticks()
            && !input_dead
        {
            incident.recovered = Some(at);
        }
    }

    fn hear_input(&mut self, at: Nanos, report: &Report<'_>, context: &Context) {
        match self.input.observe(at, report) {
            Some(Change::Fell(fall)) => self.begin(fall, Cause::Input, context),
            Some(Change::StaysDown) => {
                if let Some(incident) = self.open() {
                    incident.still_lost(at);
                }
            }
            Some(Change::Back) => {
                let sticks = self.sticks.last();
                if let Some(incident) = self.open()
                    && (incident.cause == Cause::Input || sticks.is_some_and(|last| last > incident.lost_at))
                {
                    incident.recovered = Some(at);
                }
            }
            None if self.input.moved && !self.input.is_dead() => self.input_moves(at),
            None => {}
        }
        if !self.input.is_dead() && report.count != Some(0) {
            self.live_at = Some(at);
        }
    }

    /// The input moves: where it does so again and again after the stick stream stopped, it is live.
    fn input_moves(&mut self, at: Nanos) {
        let Some(incident) = self.open().filter(|incident| incident.by_sticks()) else { return };
        if at - incident.lost_at < MOVES_AFTER {
            return;
        }
        let (moves, first) = incident.moves.map_or((1, at), |(moves, first)| (moves + 1, first));
        incident.moves = Some((moves, first));
        if moves < MOVES {
            return;
        }
        if first - incident.lost_at < MOVES_AFTER + MOVES_AFTER {
            // It never stopped: the sticks are others.
            self.incidents.pop();
            self.sticks.dismiss();
        } else {
            incident.recovered = Some(first);
        }
    }

    fn hear_health(&mut self, at: Nanos, healthy: bool, context: &Context) {
        self.word.input_bad = !healthy;
        self.hear(at, self.heard_health_at);
        self.heard_health_at = Some(at);
        let change = if healthy { self.health.good(at) } else { self.health.bad(at, Nanos::ZERO) };
        match change {
            Some(Change::Fell(fall)) => self.begin(fall, Cause::Word, context),
            Some(change) => {
                if let Some(incident) = self.open()
                    && incident.cause == Cause::Word
                {
                    match change {
                        Change::Back => incident.recovered = Some(at),
                        _ => incident.still_lost(at),
                    }
                }
            }
            None => {}
        }
    }

    /// A word of the vehicle; `before`: its last report of the same kind.
    fn hear(&mut self, at: Nanos, before: Option<Nanos>) {
        let word = Word { at, before, ..self.word };
        self.words.push_back(word);
        if self.words.len() > MOST_WORDS {
            self.words.pop_front();
        }
        if let Some(incident) = self.open() {
            incident.hear(&word);
        }
    }

    fn hear_outputs(&mut self, at: Nanos, values: [u16; 16], context: &Context) {
        let sample = Outputs { at, values };
        self.outputs.push_back(sample);
        if self.outputs.len() > MOST_OUTPUTS {
            self.outputs.pop_front();
        }
        let rule = self.rule(context);
        if let Some(incident) = self.incidents.last_mut().filter(|incident| incident.recovered.is_none()) {
            incident.observe_outputs(&sample, &rule);
            if incident.by_sticks() {
                incident.still_lost(at);
            }
        }
    }

    fn rule<'a>(&self, context: &'a Context) -> Rule<'a> {
        let followed = self.sticks.followed();
        let wanted = &context.profile.vehicle.failsafe_servo_us;
        Rule { wanted, following: followed.outputs, lag: followed.lag }
    }

    fn open(&mut self) -> Option<&mut Incident> {
        self.incidents.last_mut().filter(|incident| incident.recovered.is_none())
    }

    /// Input was lost: what came since then is looked at again.
    fn begin(&mut self, fall: Fall, cause: Cause, context: &Context) {
        let mut marked = false;
        if let Some(incident) = self.open() {
            // What stopped before the vehicle missed it says more than the vehicle does.
            if cause.rank() <= incident.cause.rank() || fall.live > incident.dead_at {
                return;
            }
            marked = incident.marked;
            self.incidents.pop();
        } else if self.incidents.len() >= MOST_INCIDENTS
            || self.incidents.last().is_some_and(|last| last.recovered.is_some_and(|at| at > fall.live))
        {
            return;
        }
        let mut incident = Incident::begin(fall.live, fall.dead, cause, self.words.iter());
        let marked_before = self.mark.take().is_some_and(|mark| mark >= fall.live - MARK_BEFORE);
        incident.marked = marked || marked_before;
        incident.heard = self.heard_at;
        for word in self.words.iter().filter(|word| word.at > fall.live) {
            incident.hear(word);
        }
        let rule = self.rule(context);
        for sample in &self.outputs {
            incident.observe_outputs(sample, &rule);
        }
        self.incidents.push(incident);
    }

    /// A person marked a drill: the loss of input that is on, else the next.
    pub fn mark_drill(&mut self, at: Nanos) {
        match self.open() {
            Some(incident) => incident.marked = true,
            None => self.mark = Some(at),
        }
    }

    /// Time has passed.
    pub fn advance(&mut self, at: Nanos, context: &Context) {
        if let Some(stop) = self.sticks.stopped(at) {
            let fall = Fall { live: stop.last, dead: stop.last };
            self.begin(fall, Cause::Sticks { limit: stop.limit }, context);
        }
    }

    fn told<'a>(&'a self, context: &'a Context) -> impl Iterator<Item = &'a Incident> {
        self.incidents.iter().filter(|incident| incident.is_told(context))
    }

    /// Spans from input lost to recovered (or to the last record) that end a proof: losses of the link in
    /// judged time; no drills, and none that the handset's own stream began.
    #[must_use]
    pub fn spans(&self, context: &Context) -> Vec<(Nanos, Nanos)> {
        let real = self.told(context).filter(|incident| incident.fails_proof(context));
        real.map(|incident| (incident.lost_at, incident.end(context))).collect()
    }

    /// All spans without input, drills too.
    #[must_use]
    pub fn all_spans(&self, context: &Context) -> Vec<(Nanos, Nanos)> {
        self.told(context).map(|incident| (incident.lost_at, incident.end(context))).collect()
    }

    /// Spans without input that were not over before an instant; `None`: it is not back yet.
    pub(crate) fn spans_since(&self, since: Nanos, context: &Context) -> Vec<(Nanos, Option<Nanos>)> {
        let incidents = self.told(context).map(|incident| (incident.lost_at, incident.recovered));
        incidents.filter(|(_, recovered)| recovered.is_none_or(|at| at >= since)).collect()
    }

    /// When the vehicle last told of an input that is live.
    pub(crate) const fn input_heard(&self) -> Option<Nanos> {
        self.live_at
    }

    /// Each loss of input.
    #[must_use]
    pub fn summary(&self, context: &Context) -> Vec<FailsafeSummary> {
        self.told(context).map(|incident| incident.summary(context)).collect()
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::failsafe::*;
    use crate::record::InterfaceId;

    /// An input without channels is not live, whether it was before or not, and before it is told as lost.
    #[test]
    fn an_input_is_heard_while_it_is_live() {
        let (mut meter, context) = (FailsafeMeter::default(), Context::default());
        let channels = [Some(1500); 18];
        let mut heard_s = |second: i64, count: u8, rssi: u8| {
            let report = Report {
                interface: InterfaceId(0),
                older: false,
                channels: &channels,
                count: Some(count),
                rssi: Some(rssi),
            };
            meter.hear_input(Nanos::from_secs(second), &report, &context);
            meter.input_heard().map(Nanos::secs)
        };
        assert_eq!([1, 2, 3].map(|second| heard_s(second, 0, 90)), [None; 3]);
        for second in 4..=20 {
            assert_eq!(heard_s(second, 8, 90), Some(second as f64));
        }
        assert_eq!([21, 22, 23].map(|second| heard_s(second, 0, 90)), [Some(20.0); 3]);
        for second in 24..=40 {
            assert_eq!(heard_s(second, 8, 90), Some(second as f64));
        }
        // Channels that stand still at a level of 0 for long are lost too.
        for second in 41..=60 {
            heard_s(second, 8, 0);
        }
        assert!(heard_s(61, 8, 0).is_some_and(|last| last < 55.0));
    }
}
