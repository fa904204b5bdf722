//! Freezes by the W3C rule on the intervals between delivered frames.
//!
//! Definition: W3C Identifiers for WebRTC's Statistics API, `freezeCount`: an interval of
//! max(3 x mean, mean + 150 ms) or more; the whole interval is the duration, its start the last
//! delivered frame. The mean is over the 5 to 30 intervals before it, frozen ones
//! included, the interval judged not among them. Unit: ns, compared in whole numbers. An
//! interval still open counts from the moment it passes the limit. Bounded: 10,000 freezes are
//! listed, all are counted.

use std::collections::VecDeque;

use crate::units::Nanos;

const FEWEST: usize = 5;
const MOST: usize = 30;
const ADDED: i128 = 150_000_000;
const MOST_LISTED: usize = 10_000;

/// What the packets say of an interval, judged at the frame that ended it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Course {
    /// Not over yet, set by hand, or ended without a frame of its stream.
    #[default]
    Open,
    /// Packets went missing.
    Lost,
    /// Nothing went missing and the frames' own stamps lie close together: the packets came late.
    Late,
    /// Nothing went missing, and the sender's clock went on over the interval between neighbouring frames:
    /// it sent nothing.
    SenderPaused,
    /// The packets were handed on in a heap: their stamps are not those of their arrival.
    Heap,
    /// This computer lost data of the stream itself.
    HostDrops,
}

impl Course {
    /// Says nothing of the radio: left out of a threshold's evidence.
    #[must_use]
    pub const fn is_not_the_radio(self) -> bool {
        matches!(self, Self::SenderPaused | Self::Heap | Self::HostDrops)
    }

    /// As in the summary.
    #[must_use]
    pub const fn word(self) -> Option<&'static str> {
        Some(match self {
            Self::Open => return None,
            Self::Lost => "lost",
            Self::Late => "late",
            Self::SenderPaused => "sender-paused",
            Self::Heap => "heap",
            Self::HostDrops => "host-drops",
        })
    }
}

/// One finished or open freeze: last delivered frame, next delivered frame (or now).
pub(super) type Interval = (Nanos, Nanos);

/// Judges intervals as they end.
#[derive(Clone, Debug, Default)]
pub(super) struct FreezeRule {
    recent: VecDeque<i64>,
    sum: i128,
    last: Option<Nanos>,
    listed: Vec<(Interval, Course)>,
    count: u64,
    total: Nanos,
}

impl FreezeRule {
    /// Bytes held beside the structure itself.
    pub(super) fn own_bytes(&self) -> usize {
        size_of_val(self.listed.as_slice())
    }

    /// The last delivered frame.
    pub(super) const fn last(&self) -> Option<Nanos> {
        self.last
    }

    /// A frame was delivered; `course` says how the interval that it ends went.
    pub(super) fn deliver(&mut self, at: Nanos, course: Course) {
        if let Some(last) = self.last {
            let interval = at - last;
            if self.is_freeze(interval) {
                self.list(last, at, course);
            }
            self.learn(interval);
        }
        self.last = Some(at);
    }

    fn list(&mut self, start: Nanos, end: Nanos, course: Course) {
        self.count += 1;
        self.total += end - start;
        if self.listed.len() < MOST_LISTED {
            self.listed.push(((start, end), course));
        }
    }

    /// More frames came under the stamp that ended a freeze: they had waited for each other.
    pub(super) fn heap(&mut self, at: Nanos) {
        if let Some((interval, course)) = self.listed.last_mut()
            && interval.1 == at
            && *course == Course::Late
        {
            *course = Course::Heap;
        }
    }

    fn learn(&mut self, interval: Nanos) {
        self.recent.push_back(interval.0);
        self.sum += i128::from(interval.0);
        if self.recent.len() > MOST
            && let Some(oldest) = self.recent.pop_front()
        {
            self.sum -= i128::from(oldest);
        }
    }

    fn is_freeze(&self, interval: Nanos) -> bool {
        let count = self.recent.len() as i128;
        self.recent.len() >= FEWEST
            && i128::from(interval.0) * count >= (3 * self.sum).max(self.sum + ADDED * count)
    }

    /// The rule's limit now; `None` before five intervals.
    pub(super) fn limit_ms(&self) -> Option<f64> {
        let mean = self.sum as f64 / 1e6 / self.recent.len() as f64;
        (self.recent.len() >= FEWEST).then(|| (3.0 * mean).max(mean + 150.0))
    }

    /// The interval that is open at `now`, where it is a freeze.
    pub(super) fn open(&self, now: Nanos) -> Option<Interval> {
        self.last.filter(|last| self.is_freeze(now - *last)).map(|last| (last, now))
    }

    /// Ends an open interval without a frame of this stream: `at` is where the picture went on
    /// elsewhere, or where the sender said that it stopped.
    pub(super) fn close(&mut self, at: Nanos) {
        if let Some((start, end)) = self.open(at) {
            self.list(start, end, Course::Open);
        }
        self.last = None;
    }

    /// Forgets the open interval: it is no freeze of the link.
    pub(super) fn excuse(&mut self) {
        self.last = None;
    }

    pub(super) fn listed(&self) -> &[(Interval, Course)] {
        &self.listed
    }

    /// Freezes up to `now` and their durations together, an open one included.
    pub(super) fn totals(&self, now: Nanos) -> (u64, Nanos) {
        match self.open(now) {
            Some((start, end)) => (self.count + 1, self.total + (end - start)),
            None => (self.count, self.total),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn vector() -> serde_json::Value {
        serde_json::from_str(include_str!("../../../../tests/vectors/freeze.json")).unwrap()
    }

    /// tests/vectors/freeze.json: the W3C text transcribed, reading `prior30_exact`.
    #[test]
    fn the_published_rule_is_followed() {
        let vector = vector();
        let expected = &vector["variants"]["prior30_exact"];
        let mut rule = FreezeRule::default();
        let mut at = Nanos::ZERO;
        rule.deliver(at, Course::Late);
        for (index, duration) in vector["durations_ms"].as_array().unwrap().iter().enumerate() {
            let before = rule.totals(at).0;
            let limit = rule.limit_ms();
            at += Nanos::from_millis(duration.as_i64().unwrap());
            rule.deliver(at, Course::Late);
            for row in expected["rows"].as_array().unwrap() {
                if row["i"].as_u64() == Some(index as u64) && !row["avg_ms"].is_null() {
                    let limit = limit.unwrap();
                    assert!((limit - row["threshold_ms"].as_f64().unwrap()).abs() < 1e-9, "{row}");
                    assert_eq!(rule.totals(at).0 > before, row["freeze"].as_bool().unwrap(), "{row}");
                }
            }
        }
        let (count, total) = rule.totals(at);
        assert_eq!(Some(count), expected["freezeCount"].as_u64());
        assert_eq!(Some(total.secs()), expected["totalFreezesDuration_s"].as_f64());
    }

    /// The same file's table of limits at a steady frame rate; at 90 kHz sampling not all are whole ns.
    #[test]
    fn the_limit_at_a_steady_rate_is_the_published_one() {
        for row in vector()["steady_threshold_table"].as_array().unwrap() {
            let mut rule = FreezeRule::default();
            let frame = Nanos((row["frame_ms"].as_f64().unwrap() * 1e6).round() as i64);
            for number in 0..40 {
                rule.deliver(Nanos(frame.0 * number), Course::Late);
            }
            let limit = rule.limit_ms().unwrap();
            assert!((limit - row["threshold"].as_f64().unwrap()).abs() < 1e-5, "{row}: {limit}");
        }
    }

    #[test]
    fn an_open_interval_freezes_at_the_limit() {
        let mut rule = FreezeRule::default();
        for number in 0..10 {
            rule.deliver(Nanos::from_millis(40 * number), Course::Late);
        }
        let last = Nanos::from_millis(360);
        assert_eq!(rule.open(last + Nanos(189_999_999)), None);
        let edge = last + Nanos::from_millis(190);
        assert_eq!(rule.open(edge), Some((last, edge)));
        assert_eq!(rule.totals(edge), (1, Nanos::from_millis(190)));
    }
}
