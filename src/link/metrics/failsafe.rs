//! Failsafe: input lost, detected, outputs safe, recovered; each with its interval.
//!
//! Definitions: input is lost at the last fresh stick evidence before the handset's stick stream
//! stops (silent for 5 of its usual intervals and 0.5 s, after it had been regular), before
//! RC_CHANNELS reports no channels, or channels that stand still with level 0 (where it had a
//! level), or before the RC receiver's health bit of SYS_STATUS falls. Detected: the vehicle's first
//! word of it (that bit, a change of mode within 10 s, state critical or emergency); unknown where
//! the loss itself is known only from that word. Safe: outputs within 20 us of the profile's failsafe
//! values, else constant for 1 s, and so until the end or the recovery. Recovered: live input is
//! back. Unit: seconds from input lost; each interval is [last sample before, first after]. Source:
//! the public MAVLink message set; the limits are common practice, no source. A gap in the samples
//! widens an interval; a duplicate or late frame never reaches this file; a restart of the vehicle
//! is a change of words like any other. Bounded: 1,000 losses, 512 output samples, 64 words.

mod incident;

use std::collections::VecDeque;

use crate::link::context::{Context, Sender};
use crate::link::telemetry::Telemetry;
use crate::summary::FailsafeSummary;
use crate::units::Nanos;

use incident::{Cause, Incident, Outputs, Word};

const MOST_INCIDENTS: usize = 1000;
const MOST_OUTPUTS: usize = 512;
const MOST_WORDS: usize = 64;
const RC_RECEIVER: u32 = 65_536;
const AUTOPILOT_INVALID: u8 = 8;
/// Intervals by which a stick stream is known.
const INTERVALS: usize = 20;
const FEWEST_INTERVALS: usize = 10;
const LEAST_SILENCE: Nanos = Nanos::from_millis(500);
const SLOWEST: Nanos = Nanos::from_secs(2);
const STILL: Nanos = Nanos::from_secs(1);

/// The handset's stick stream.
#[derive(Clone, Debug, Default)]
struct Sticks {
    last: Option<Nanos>,
    intervals: VecDeque<Nanos>,
}

impl Sticks {
    fn observe(&mut self, at: Nanos) {
        if let Some(last) = self.last {
            self.intervals.push_back(at - last);
            if self.intervals.len() > INTERVALS {
                self.intervals.pop_front();
            }
        }
        self.last = Some(at);
    }

    /// The last stick message, where the stream was regular and is now silent for too long.
    fn lost(&self, at: Nanos) -> Option<Nanos> {
        // No limit is shorter: with every record, so cheaply.
        let last = self.last.filter(|last| at - *last > LEAST_SILENCE)?;
        let count = self.intervals.len() as i64;
        if self.intervals.len() < FEWEST_INTERVALS {
            return None;
        }
        let mean = Nanos(self.intervals.iter().map(|interval| interval.0).sum::<i64>() / count);
        let limit = LEAST_SILENCE.max(Nanos(mean.0.saturating_mul(5)));
        let longest = self.intervals.iter().max().copied()?;
        (mean <= SLOWEST && longest <= limit && at - last > limit).then_some(last)
    }
}

/// RC input as the vehicle reports it.
#[derive(Clone, Debug, Default)]
struct Input {
    channels: Option<[Option<u16>; 18]>,
    live: Option<Nanos>,
    had_level: bool,
    dead: bool,
}

impl Input {
    /// Takes a report; the change of state that it brings: `Some(true)` lost, `Some(false)` back.
    fn observe(
        &mut self,
        at: Nanos,
        channels: &[Option<u16>; 18],
        count: Option<u8>,
        rssi: Option<u8>,
    ) -> Option<bool> {
        let moved = self.channels.is_some_and(|before| before != *channels);
        let first = self.channels.is_none();
        self.channels = Some(*channels);
        self.had_level |= rssi.is_some_and(|level| level > 0);
        let fresh = count != Some(0) && (first || moved || rssi != Some(0) || !self.had_level);
        if fresh {
            self.live = Some(at);
            let back = self.dead;
            self.dead = false;
            return back.then_some(false);
        }
        let still = self.live.is_some_and(|live| at - live >= STILL);
        if !self.dead && self.live.is_some() && (count == Some(0) || still) {
            self.dead = true;
            return Some(true);
        }
        None
    }
}

/// Watches for lost control input.
#[derive(Clone, Debug, Default)]
pub struct FailsafeMeter {
    sticks: Sticks,
    input: Input,
    word: Word,
    healthy_at: Option<Nanos>,
    heard_health_at: Option<Nanos>,
    heard_mode_at: Option<Nanos>,
    words: VecDeque<Word>,
    outputs: VecDeque<Outputs>,
    incidents: Vec<Incident>,
}

impl FailsafeMeter {
    /// Takes sticks, inputs, outputs, health and modes.
    pub fn observe(&mut self, at: Nanos, sender: Sender, telemetry: &Telemetry, context: &Context) {
        self.advance(at, context);
        let from_vehicle = context.roles.vehicle() == Some(sender.system);
        let on_handset = || context.interface_name(sender.interface) == "handset";
        match telemetry {
            Telemetry::RcOverride { .. } | Telemetry::ManualControl { .. } | Telemetry::Joystick { .. } => {
                self.stick(at);
            }
            Telemetry::RcInput { .. } if on_handset() => self.stick(at),
            Telemetry::RcInput { channels, count, rssi, .. } if from_vehicle => {
                match self.input.observe(at, channels, *count, *rssi) {
                    Some(true) => {
                        if let Some(live) = self.input.live {
                            self.begin(live, Cause::Input, context);
                        }
                    }
                    Some(false) => self.recover(at),
                    None => {}
                }
            }
            Telemetry::SystemStatus { present, enabled, healthy, .. }
                if from_vehicle && present & enabled & RC_RECEIVER != 0 =>
            {
                self.hear_health(at, healthy & RC_RECEIVER != 0, context);
            }
            Telemetry::Heartbeat { autopilot, custom_mode, system_status, .. }
                if from_vehicle && *autopilot != AUTOPILOT_INVALID =>
            {
                self.word.mode = Some(*custom_mode);
                self.word.failing = matches!(system_status, 5 | 6);
                self.hear(at, self.heard_mode_at);
                self.heard_mode_at = Some(at);
            }
            Telemetry::ServoOutput { port: 0, outputs, .. } if from_vehicle => {
                let sample = Outputs { at, values: *outputs };
                self.outputs.push_back(sample);
                if self.outputs.len() > MOST_OUTPUTS {
                    self.outputs.pop_front();
                }
                if let Some(incident) = self.open() {
                    incident.observe_outputs(&sample, context);
                }
            }
            _ => {}
        }
    }

    fn stick(&mut self, at: Nanos) {
        self.sticks.observe(at);
        let input_dead = self.input.dead;
        if let Some(incident) = self.open()
            && incident.cause == Cause::Sticks
            && !input_dead
        {
            incident.recovered = Some(at);
            self.sticks.intervals.clear();
        }
    }

    fn recover(&mut self, at: Nanos) {
        let sticks = self.sticks.last;
        if let Some(incident) = self.open()
            && (incident.cause == Cause::Input || sticks.is_some_and(|last| last > incident.lost_at))
        {
            incident.recovered = Some(at);
        }
    }

    fn hear_health(&mut self, at: Nanos, healthy: bool, context: &Context) {
        let was_bad = self.word.input_bad;
        self.word.input_bad = !healthy;
        self.hear(at, self.heard_health_at);
        self.heard_health_at = Some(at);
        if healthy {
            self.healthy_at = Some(at);
            if let Some(incident) = self.open()
                && incident.cause == Cause::Word
            {
                incident.recovered = Some(at);
            }
        } else if !was_bad && let Some(healthy_at) = self.healthy_at {
            self.begin(healthy_at, Cause::Word, context);
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

    fn open(&mut self) -> Option<&mut Incident> {
        self.incidents.last_mut().filter(|incident| incident.recovered.is_none())
    }

    /// Input was lost at `lost_at`: what came since then is looked at again.
    fn begin(&mut self, lost_at: Nanos, cause: Cause, context: &Context) {
        if let Some(incident) = self.open() {
            // The loss was known from the vehicle's word alone: now its own evidence is here.
            if incident.cause != Cause::Word || cause == Cause::Word {
                return;
            }
            self.incidents.pop();
        } else if self.incidents.len() >= MOST_INCIDENTS
            || self.incidents.last().is_some_and(|last| last.recovered.is_some_and(|at| at > lost_at))
        {
            return;
        }
        let mut incident = Incident::begin(lost_at, cause, self.words.iter());
        for word in self.words.iter().filter(|word| word.at > lost_at) {
            incident.hear(word);
        }
        for sample in self.outputs.iter().filter(|sample| sample.at >= lost_at) {
            incident.observe_outputs(sample, context);
        }
        self.incidents.push(incident);
    }

    /// A person marked a drill: the loss of input that is on, else the next.
    pub fn mark_drill(&mut self, _at: Nanos) {}

    /// Time has passed.
    pub fn advance(&mut self, at: Nanos, context: &Context) {
        if let Some(lost_at) = self.sticks.lost(at) {
            self.begin(lost_at, Cause::Sticks, context);
        }
    }

    /// Spans from input lost to recovered (or to the last record), for range verdicts.
    #[must_use]
    pub fn spans(&self, context: &Context) -> Vec<(Nanos, Nanos)> {
        self.incidents
            .iter()
            .map(|incident| (incident.lost_at, incident.recovered.unwrap_or(context.now)))
            .collect()
    }

    /// Each loss of input.
    #[must_use]
    pub fn summary(&self, context: &Context) -> Vec<FailsafeSummary> {
        self.incidents.iter().map(|incident| incident.summary(context)).collect()
    }
}
