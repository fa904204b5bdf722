//! Control holds: the stick moves and the vehicle's input stands still.
//!
//! Definition: an input that stays within 3 us for longer than 3 times its usual update and
//! 100 ms, though the stick went 20 us or more after the input's last change, and the input should
//! have shown it by then (the stage's own lag; 250 ms while that is not known). Unit: seconds, by arrival. Source: none, a
//! definition of this program. A gap in telemetry: not a hold, and it ends one without counting
//! it. Bounded: [`MOST_SPANS`] spans, [`RING`] stick positions.

use std::collections::VecDeque;

use crate::summary::ControlHolds;
use crate::units::Nanos;

use super::track::{ABSENT, Values};

const MOST_SPANS: usize = 65_536;
const LEAST: Nanos = Nanos::from_millis(100);
const LAG_UNKNOWN: Nanos = Nanos::from_millis(250);
/// Half us.
const CHANGES: i32 = 6;
const GOES: i32 = 40;
/// Sticks move where they changed within this.
const STEP: Nanos = Nanos::from_millis(35);
const RING: usize = 512;

/// Watches sticks and inputs.
#[derive(Clone, Debug, Default)]
pub(super) struct HoldMeter {
    pub(super) moving: Vec<(Nanos, Nanos)>,
    pub(super) holds: Vec<(Nanos, Nanos)>,
    sticks: VecDeque<(Nanos, Values)>,
    input: Option<Values>,
    last_sample: Option<Nanos>,
    last_change: Option<Nanos>,
    hold_from: Option<Nanos>,
    usual: Option<Nanos>,
}

impl HoldMeter {
    /// Bytes held beside the structure itself.
    pub(super) fn own_bytes(&self) -> usize {
        let spans = size_of_val(self.moving.as_slice()) + size_of_val(self.holds.as_slice());
        spans + self.sticks.len() * size_of::<(Nanos, Values)>()
    }

    /// Takes the sticks' positions.
    pub(super) fn observe_stick(&mut self, at: Nanos, values: &Values) {
        let earlier = self.sticks.iter().rev().find(|(then, _)| at - *then >= STEP);
        let moves = earlier
            .is_some_and(|(then, old)| at - *then <= Nanos(STEP.0 * 5) && apart(old, values) >= CHANGES);
        if self.sticks.len() >= RING {
            self.sticks.pop_front();
        }
        self.sticks.push_back((at, *values));
        if !moves {
            return;
        }
        let full = self.moving.len() >= MOST_SPANS;
        match self.moving.last_mut() {
            Some(last) if at - last.1 <= Nanos(STEP.0 * 2) => last.1 = at,
            _ if full => {}
            _ => self.moving.push((at - STEP, at)),
        }
    }

    fn position(&self, at: Nanos) -> Option<Values> {
        self.sticks.iter().rev().find(|(then, _)| *then <= at).map(|(_, values)| *values)
    }

    /// When the sticks left the place that they had at an instant, at the latest at `to`.
    fn departure(&self, from: Nanos, to: Nanos) -> Option<Nanos> {
        let base = self.position(from)?;
        let first = self.sticks.partition_point(|(at, _)| *at <= from);
        let mut during = self.sticks.range(first..).take_while(|(at, _)| *at <= to);
        during.find(|(_, now)| apart(&base, now) >= GOES).map(|(at, _)| *at)
    }

    /// Takes the input that the vehicle reports.
    pub(super) fn observe_input(&mut self, at: Nanos, values: &Values, lag: Option<Nanos>) {
        let step = self.last_sample.replace(at).map(|last| at - last);
        let limit = self.usual.map_or(LEAST, |usual| Nanos(usual.0 * 3).max(LEAST));
        let gap = step.is_some_and(|step| self.usual.is_some() && step > limit);
        if let Some(step) = step {
            let usual = self.usual.unwrap_or(step);
            self.usual = Some(Nanos(usual.0 + (step.min(Nanos(usual.0 * 3)) - usual).0 / 16));
        }
        let changed = self.input.is_none_or(|held| apart(&held, values) >= CHANGES);
        if changed || gap {
            self.close(at, limit, changed && !gap);
            self.input = Some(*values);
            self.last_change = Some(at);
            return;
        }
        let lag = lag.unwrap_or(LAG_UNKNOWN);
        if let (None, Some(change)) = (self.hold_from, self.last_change) {
            self.hold_from = self.departure(change, at - lag).map(|departed| departed + lag);
        }
        // The stick came back to where it was, and the input never went: the hold ends with the movement.
        let base = self.last_change.and_then(|change| self.position(change));
        let back = self.sticks.back().zip(base).is_some_and(|((_, now), base)| apart(now, &base) < GOES);
        let ended = self.moving.last().map(|span| span.1 + lag);
        if let Some(ended) = ended
            && back
            && at > ended
        {
            self.close(ended, limit, true);
            self.last_change = Some(at);
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
        if self.sticks.is_empty() || self.input.is_none() {
            return None;
        }
        let lengths = self.holds.iter().map(|(from, to)| (*to - *from).secs());
        Some(ControlHolds {
            count: self.holds.len() as u64,
            longest_s: lengths.clone().fold(0.0, f64::max),
            // The sum of nothing is -0.
            total_s: lengths.fold(0.0, |sum, length| sum + length),
            moving_s: self.moving.iter().fold(0.0, |sum, (from, to)| sum + (*to - *from).secs()),
        })
    }
}

/// The greatest difference of any channel that both have.
fn apart(a: &Values, b: &Values) -> i32 {
    let known = a.iter().zip(b).filter(|&(&a, &b)| a != ABSENT && b != ABSENT);
    known.map(|(&a, &b)| (i32::from(a) - i32::from(b)).abs()).max().unwrap_or(0)
}
