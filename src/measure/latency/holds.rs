//! Control holds: the stick moves and the vehicle's input stands still.
//!
//! Definition: an input that stays within 3 us for longer than 100 ms and 3 times its usual update, though the stick
//! went 20 us or more after the input's last change and the input should have shown it by then (the stage's own lag;
//! 250 ms while that is not known). The sticks: of all sources that the input follows. Unit:
//! seconds, by arrival. Source: none, a definition of this program. Gap in telemetry: no hold, and it ends one without
//! counting it. Stall of this computer within: likewise, counted apart. Bounded: the newest 65,000 spans (figures of
//! the session are of all), [`RING`] stick positions of each source.

use std::collections::{BTreeMap, VecDeque};

use crate::measure::series::{Cell, Series};
use crate::summary::ControlHolds;
use crate::units::Nanos;

use super::SourceKey;
use super::movement_track::{ABSENT, Values};

/// Blocks of spans: about 65,000.
const MOST_BLOCKS: usize = 65;
const LEAST: Nanos = Nanos::from_millis(100);
const LAG_UNKNOWN: Nanos = Nanos::from_millis(250);
/// Half us.
const CHANGES: i32 = 6;
const GOES: i32 = 40;
/// Sticks move where they changed within this.
const STEP: Nanos = Nanos::from_millis(35);
const RING: usize = 512;

/// Spans of time in order, the newest of them, in blocks that copies share.
pub(crate) type TimeSpans = Series<(Nanos, Nanos)>;

impl Cell for (Nanos, Nanos) {
    const EMPTY: Self = (Nanos::ZERO, Nanos::ZERO);
}

/// Spans, and what all of them come to.
#[derive(Clone, Debug)]
pub(super) struct Spans {
    pub(super) kept: TimeSpans,
    /// Lengths of all but the newest, in seconds, summed and at most.
    earlier_s: f64,
    longest_s: f64,
}

impl Default for Spans {
    fn default() -> Self {
        Self { kept: Series::of_blocks(MOST_BLOCKS), earlier_s: 0.0, longest_s: 0.0 }
    }
}

impl Spans {
    fn push(&mut self, from: Nanos, to: Nanos) {
        self.earlier_s = self.total_s();
        self.longest_s = self.longest_s();
        self.kept.push((from, to));
    }

    fn newest(&self) -> Option<(Nanos, Nanos)> {
        self.kept.newest()
    }

    fn newest_s(&self) -> f64 {
        self.newest().map_or(0.0, |(from, to)| (to - from).secs())
    }

    fn total_s(&self) -> f64 {
        self.earlier_s + self.newest_s()
    }

    fn longest_s(&self) -> f64 {
        self.longest_s.max(self.newest_s())
    }
}

/// The newest stick positions of one source.
#[derive(Clone, Debug, Default)]
pub(super) struct StickRing(VecDeque<(Nanos, Values)>);

impl StickRing {
    fn position(&self, at: Nanos) -> Option<Values> {
        self.0.iter().rev().find(|(then, _)| *then <= at).map(|(_, values)| *values)
    }

    /// When the sticks left the place that they had at an instant, at the latest at `to`.
    fn departure(&self, from: Nanos, to: Nanos) -> Option<Nanos> {
        let base = self.position(from)?;
        let first = self.0.partition_point(|(at, _)| *at <= from);
        let mut during = self.0.range(first..).take_while(|(at, _)| *at <= to);
        during.find(|(_, now)| apart(&base, now) >= GOES).map(|(at, _)| *at)
    }

    /// Whether the sticks are back at the place that they had at an instant; those of a newcomer are.
    fn is_back(&self, since: Nanos) -> bool {
        let Some((_, now)) = self.0.back() else { return true };
        self.position(since).map_or(self.0.len() < RING, |base| apart(now, &base) < GOES)
    }

    /// Takes a position; whether the sticks move.
    fn push(&mut self, at: Nanos, values: &Values) -> bool {
        let earlier = self.0.iter().rev().find(|(then, _)| at - *then >= STEP);
        let moves = earlier
            .is_some_and(|(then, old)| at - *then <= Nanos(STEP.0 * 5) && apart(old, values) >= CHANGES);
        if self.0.len() >= RING {
            self.0.pop_front();
        }
        self.0.push_back((at, *values));
        moves
    }
}

/// A source of sticks whose movements the input may show.
#[derive(Clone, Copy, Debug)]
pub(super) struct WatchedSource {
    pub(super) key: SourceKey,
    /// By how much the input lags behind it, where that is known.
    pub(super) lag: Option<Nanos>,
}

/// Watches sticks and inputs.
#[derive(Clone, Debug, Default)]
pub(super) struct HoldMeter {
    pub(super) moving: Spans,
    pub(super) holds: Spans,
    sticks: BTreeMap<SourceKey, StickRing>,
    input: Option<Values>,
    last_sample: Option<Nanos>,
    last_change: Option<Nanos>,
    hold_from: Option<Nanos>,
    usual: Option<Nanos>,
    left_out: u64,
}

impl HoldMeter {
    /// Bytes held beside the structure itself.
    pub(super) fn own_bytes(&self) -> usize {
        let spans = self.moving.kept.own_bytes() + self.holds.kept.own_bytes();
        let positions: usize = self.sticks.values().map(|sticks| sticks.0.len()).sum();
        spans + positions * size_of::<(Nanos, Values)>()
    }

    /// Takes the sticks' positions; `watched`: whether the input may follow this source.
    pub(super) fn observe_stick(&mut self, at: Nanos, source: SourceKey, values: &Values, watched: bool) {
        let moves = self.sticks.entry(source).or_default().push(at, values);
        if !moves || !watched {
            return;
        }
        match self.moving.kept.newest_mut() {
            Some(last) if at - last.1 <= Nanos(STEP.0 * 2) => last.1 = at,
            _ => self.moving.push(at - STEP, at),
        }
    }

    /// Takes the input that the vehicle reports; `stalled`: whether this computer stood still within a span.
    pub(super) fn observe_input(
        &mut self,
        at: Nanos,
        values: &Values,
        watched: &[WatchedSource],
        stalled: impl Fn(Nanos, Nanos) -> bool,
    ) {
        let step = self.last_sample.replace(at).map(|last| at - last);
        let limit = self.usual.map_or(LEAST, |usual| usual.times(3).max(LEAST));
        let gap = step.is_some_and(|step| self.usual.is_some() && step > limit);
        if let Some(step) = step {
            let usual = self.usual.unwrap_or(step);
            self.usual = Some(Nanos(usual.0 + (step.min(usual.times(3)) - usual).0 / 16));
        }
        let changed = self.input.is_none_or(|held| apart(&held, values) >= CHANGES);
        if changed || gap {
            self.close(at, limit, changed && !gap, &stalled);
            self.input = Some(*values);
            self.last_change = Some(at);
            return;
        }
        let lags = watched.iter().map(|source| (source.key, source.lag.unwrap_or(LAG_UNKNOWN)));
        if let (None, Some(change)) = (self.hold_from, self.last_change) {
            let departed = |(key, lag)| Some(self.sticks.get(&key)?.departure(change, at - lag)? + lag);
            self.hold_from = lags.clone().filter_map(departed).min();
        }
        // The sticks came back to where they were, and the input never went: the hold ends with the movement.
        let mut rings = lags.clone().filter_map(|(key, _)| self.sticks.get(&key));
        let back = self.last_change.is_some_and(|change| rings.all(|sticks| sticks.is_back(change)));
        let lag = lags.map(|(_, lag)| lag).max().unwrap_or(LAG_UNKNOWN);
        let ended = self.moving.newest().map(|span| span.1 + lag);
        if let Some(ended) = ended
            && back
            && at > ended
        {
            self.close(ended, limit, true, &stalled);
            self.last_change = Some(at);
        }
    }

    fn close(&mut self, at: Nanos, limit: Nanos, whole: bool, stalled: &impl Fn(Nanos, Nanos) -> bool) {
        if let Some(from) = self.hold_from.take()
            && whole
            && at - from > limit
        {
            if stalled(from, at) {
                self.left_out += 1;
            } else {
                self.holds.push(from, at);
            }
        }
    }

    pub(super) fn summary(&self) -> Option<ControlHolds> {
        if self.sticks.is_empty() || self.input.is_none() {
            return None;
        }
        Some(ControlHolds {
            count: self.holds.kept.len() as u64,
            longest_s: self.holds.longest_s(),
            total_s: self.holds.total_s(),
            moving_s: self.moving.total_s(),
            left_out: self.left_out,
        })
    }
}

/// The greatest difference of any channel that both have.
fn apart(a: &Values, b: &Values) -> i32 {
    let known = a.iter().zip(b).filter(|&(&a, &b)| a != ABSENT && b != ABSENT);
    known.map(|(&a, &b)| (i32::from(a) - i32::from(b)).abs()).max().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use crate::measure::latency::holds::*;

    /// A plain list is the oracle: figures are of all spans, the newest are kept.
    #[test]
    fn spans_that_are_let_go_still_count() {
        let (mut spans, mut plain) = (Spans::default(), Vec::new());
        for number in 0..70_000_i64 {
            let from = Nanos::from_millis(1000 * number);
            let to = from + Nanos::from_millis(1 + number * 7919 % 900);
            spans.push(from, to);
            plain.push((from, to));
            if number % 50 == 7 || number == 50_000 {
                let later = to + Nanos::from_millis(if number == 50_000 { 5000 } else { 20 });
                spans.kept.newest_mut().unwrap().1 = later;
                plain.last_mut().unwrap().1 = later;
            }
        }
        let lengths = plain.iter().map(|(from, to)| (*to - *from).secs());
        assert_eq!(spans.total_s(), lengths.clone().fold(0.0, |sum, length| sum + length));
        assert_eq!(spans.longest_s(), lengths.fold(0.0, f64::max));
        assert_eq!(spans.kept.len(), plain.len());
        let kept: Vec<(Nanos, Nanos)> = spans.kept.iter().collect();
        assert!((64 * 1024..=65 * 1024).contains(&kept.len()), "{}", kept.len());
        assert_eq!(kept, plain[plain.len() - kept.len()..]);
    }

    const fn source(system: u8) -> SourceKey {
        SourceKey { rank: 1, interface: 0, system, component: 0, kind: 1 }
    }

    const fn watched(system: u8) -> WatchedSource {
        WatchedSource { key: source(system), lag: None }
    }

    /// Two sources, of which the second alone moves, at 1 s, and the input follows at 2 s.
    #[test]
    fn a_source_that_stands_still_hides_no_hold_of_another() {
        let millis = Nanos::from_millis;
        for (sources, expected) in
            [(vec![watched(0), watched(1)], 1), (vec![watched(1)], 1), (vec![watched(0)], 0)]
        {
            let is_watched = |own: u8| sources.iter().any(|watched| watched.key == source(own));
            let mut meter = HoldMeter::default();
            for at in (0..3000_i64).step_by(20) {
                let mut values = [ABSENT; 18];
                values[0] = 0;
                meter.observe_stick(millis(at), source(0), &values, is_watched(0));
                values[0] = (at - 1000).clamp(0, 400) as i16;
                meter.observe_stick(millis(at + 3), source(1), &values, is_watched(1));
                if at % 100 == 0 {
                    values[0] = if at < 2000 { 0 } else { 400 };
                    meter.observe_input(millis(at + 5), &values, &sources, |_, _| false);
                }
            }
            let holds = meter.summary().unwrap();
            assert_eq!(holds.count, expected, "{sources:?}");
            assert_eq!(holds.moving_s > 0.3, expected > 0, "{holds:?}");
        }
    }

    /// The stick goes at 1 s, the input follows at 2 s; this computer stood still for 0.2 s at some instant.
    #[test]
    fn a_hold_that_touches_a_stall_is_left_out_and_counted() {
        let millis = Nanos::from_millis;
        for (stalled_at, expected) in
            [(None, (1, 0)), (Some(500), (1, 0)), (Some(1600), (0, 1)), (Some(2500), (1, 0))]
        {
            let mut meter = HoldMeter::default();
            let stalled = |from: Nanos, to: Nanos| {
                stalled_at.is_some_and(|at| from < millis(at + 200) && millis(at) < to)
            };
            for at in (0..3000_i64).step_by(20) {
                let mut values = [ABSENT; 18];
                values[0] = (at - 1000).clamp(0, 400) as i16;
                meter.observe_stick(millis(at), source(0), &values, true);
                if at % 100 == 0 {
                    values[0] = if at < 2000 { 0 } else { 400 };
                    meter.observe_input(millis(at), &values, &[watched(0)], stalled);
                }
            }
            let holds = meter.summary().unwrap();
            assert_eq!((holds.count, holds.left_out), expected, "{stalled_at:?}");
        }
    }
    /// The stick goes out from 1 s on and is back at 2 s, and the input never moves. It is 20 us away from 1.04 s on:
    /// with the lag at both ends the hold lasts from then to the end of the movement.
    #[test]
    fn a_hold_that_the_sticks_come_back_from_ends_with_the_movement() {
        let millis = Nanos::from_millis;
        for lag in [None, Some(millis(60))] {
            let mut meter = HoldMeter::default();
            for at in (0..4000_i64).step_by(20) {
                let mut values = [ABSENT; 18];
                values[0] = (at - 1000).min(2000 - at).max(0) as i16;
                meter.observe_stick(millis(at), source(0), &values, true);
                if at % 100 == 0 {
                    values[0] = 0;
                    let watched = [WatchedSource { key: source(0), lag }];
                    meter.observe_input(millis(at), &values, &watched, |_, _| false);
                }
            }
            let holds = meter.summary().unwrap();
            assert!(holds.count == 1 && (holds.total_s - 0.96).abs() < 0.05, "{lag:?} {holds:?}");
        }
    }
}
