//! Control holds: the stick moves and the vehicle's input stands still.
//!
//! Definition: an input that stays within 3 us for longer than 3 times its usual update and
//! 100 ms, while a stick moved that it should have followed by then (the stages' own lag
//! later; 250 ms while that is not known). Unit: seconds, by arrival. Source: none, a
//! definition of this program. A gap in telemetry: not a hold, the time since the last
//! sample is not counted. Bounded: [`MOST_SPANS`].

use crate::summary::ControlHolds;
use crate::units::Nanos;

use super::track::{ABSENT, Values};

const MOST_SPANS: usize = 65_536;
const LEAST: Nanos = Nanos::from_millis(100);
const LAG_UNKNOWN: Nanos = Nanos::from_millis(250);
/// Half us.
const CHANGES: i32 = 6;

/// Watches sticks and inputs.
#[derive(Clone, Debug, Default)]
pub(super) struct HoldMeter {
    pub(super) moving: Vec<(Nanos, Nanos)>,
    pub(super) holds: Vec<(Nanos, Nanos)>,
    /// The stick movement now going on, or the last one.
    since: Option<(Nanos, Nanos)>,
    input: Option<Values>,
    last_sample: Option<Nanos>,
    last_change: Option<Nanos>,
    hold_from: Option<Nanos>,
    usual: Option<Nanos>,
    seen_stick: bool,
}

impl HoldMeter {
    /// Takes whether sticks move at an instant.
    pub(super) fn observe_stick(&mut self, at: Nanos, moving: bool) {
        self.seen_stick = true;
        if !moving {
            return;
        }
        let joins = self.since.is_some_and(|(_, to)| at - to < Nanos::from_millis(150));
        self.since = Some((if joins { self.since.map_or(at, |span| span.0) } else { at }, at));
        let full = self.moving.len() >= MOST_SPANS;
        match self.moving.last_mut() {
            Some(last) if joins => last.1 = at,
            _ if full => {}
            _ => self.moving.push((at, at)),
        }
    }

    /// Takes the input that the vehicle reports.
    pub(super) fn observe_input(&mut self, at: Nanos, values: &Values, lag: Option<Nanos>) {
        let step = self.last_sample.replace(at).map(|last| at - last);
        let changed = self.input.is_none_or(|held| {
            held.iter().zip(values).any(|(&old, &new)| {
                (old == ABSENT) != (new == ABSENT) || (i32::from(old) - i32::from(new)).abs() >= CHANGES
            })
        });
        let limit = self.usual.map_or(LEAST, |usual| Nanos(usual.0 * 3).max(LEAST));
        let gap = step.is_some_and(|step| step > limit);
        if let Some(step) = step.filter(|_| !gap || self.usual.is_none()) {
            self.usual = Some(self.usual.map_or(step, |usual| Nanos(usual.0 + (step - usual).0 / 16)));
        } else if let (Some(step), Some(usual)) = (step, self.usual) {
            self.usual = Some(Nanos(usual.0 + usual.0.min(step.0) / 8));
        }
        if changed || gap {
            self.close(at, limit, changed && !gap);
            self.input = Some(*values);
            self.last_change = Some(at);
            return;
        }
        let lag = lag.unwrap_or(LAG_UNKNOWN);
        let Some((from, to)) = self.since else { return };
        let (from, to) = (from + lag, to + lag);
        if at >= from && at <= to {
            let held = self.last_change.unwrap_or(from).max(from);
            self.hold_from.get_or_insert(held);
        } else if at > to + limit && self.hold_from.is_some() {
            // It never followed: the stick came back to where it was, or the input is gone.
            self.close(to, limit, true);
        }
    }

    fn close(&mut self, at: Nanos, limit: Nanos, whole: bool) {
        if let Some(from) = self.hold_from.take()
            && whole
            && at - from > limit
            && self.holds.len() < MOST_SPANS
        {
            self.holds.push((from, at));
        }
    }

    pub(super) fn summary(&self) -> Option<ControlHolds> {
        if !self.seen_stick || self.input.is_none() {
            return None;
        }
        let lengths = self.holds.iter().map(|(from, to)| (*to - *from).secs());
        Some(ControlHolds {
            count: self.holds.len() as u64,
            longest_s: lengths.clone().fold(0.0, f64::max),
            total_s: lengths.sum(),
            moving_s: self.moving.iter().map(|(from, to)| (*to - *from).secs()).sum(),
        })
    }
}
