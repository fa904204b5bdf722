//! Freezes by the W3C rule on the intervals between delivered frames.
//!
//! Definition: W3C Identifiers for WebRTC's Statistics API, `freezeCount`: an interval of
//! max(3 x mean, mean + 150 ms) or more; the whole interval is the duration, its start the last
//! delivered frame. The mean is over the 5 to 30 intervals before it, frozen ones
//! included, the interval judged not among them. Unit: ns, compared in whole numbers. An
//! interval still open counts from the moment it passes the limit. What is judged off is listed and not
//! counted. A stream that another one follows in turn hands its interval on. Bounded: 10,000 freezes are
//! listed, all are counted.

use std::collections::VecDeque;

use crate::units::Nanos;

const FEWEST: usize = 5;
const MOST: usize = 30;
const ADDED: i128 = 150_000_000;
const MOST_LISTED: usize = 10_000;

pub use crate::summary::Course;

impl Course {
    /// Says nothing of the radio: left out of a threshold's evidence.
    #[must_use]
    pub const fn is_not_the_radio(self) -> bool {
        !matches!(self, Self::Open | Self::Lost | Self::Late)
    }

    /// Made by this computer: it stood still, lost data, or got packets in heaps. The link did not fail.
    #[must_use]
    pub const fn is_made_here(self) -> bool {
        matches!(self, Self::Stalled | Self::Heap | Self::HostDrops)
    }

    /// Counts among the freezes.
    #[must_use]
    pub const fn is_counted(self) -> bool {
        !matches!(self, Self::Off)
    }
}

/// A freeze that is over, or open until now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Listed {
    /// Last delivered frame.
    pub(super) start: Nanos,
    /// Next delivered frame, or where it ended otherwise.
    pub(super) end: Nanos,
    pub(super) course: Course,
    /// A frame was delivered, or the picture went on elsewhere.
    pub(super) ended: bool,
}

/// Judges intervals as they end.
#[derive(Clone, Debug, Default)]
pub(super) struct FreezeRule {
    recent: VecDeque<i64>,
    sum: i128,
    last: Option<Nanos>,
    /// First frame delivered since the stream began or handed its interval on.
    first: Option<Nanos>,
    listed: Vec<Listed>,
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
                self.list(Listed { start: last, end: at, course, ended: true });
            }
            self.learn(interval);
        }
        self.last = Some(at);
        self.first = self.first.or(self.last);
    }

    fn list(&mut self, freeze: Listed) {
        if freeze.course.is_counted() {
            self.count += 1;
            self.total += freeze.end - freeze.start;
        }
        if self.listed.len() < MOST_LISTED {
            let place = self.listed.partition_point(|other| other.start <= freeze.start);
            self.listed.insert(place, freeze);
        }
    }

    /// The picture of another stream goes on in this one: so does its open interval.
    pub(super) fn take_over(&mut self, other: &mut Self) {
        match (self.first, other.last) {
            (Some(end), Some(start)) if other.is_freeze(end - start) => {
                self.list(Listed { start, end, course: Course::SenderRestarted, ended: true });
            }
            (Some(_), _) => {}
            (None, last) => {
                (self.recent, self.sum) = (other.recent.clone(), other.sum);
                self.last = last;
            }
        }
        (other.last, other.first) = (None, None);
    }

    /// Both go on at once: the other gets the interval from `start` back that it had handed on.
    pub(super) fn give_back(&mut self, start: Nanos, other: &mut Self) {
        if let Some(place) = self.listed.iter().position(|freeze| freeze.start == start) {
            let freeze = self.listed.remove(place);
            self.count -= 1;
            self.total -= freeze.end - freeze.start;
        }
        if self.last == Some(start) {
            self.last = None;
        }
        match other.first {
            None => other.last = Some(start),
            Some(end) if other.is_freeze(end - start) => {
                other.list(Listed { start, end, course: Course::Open, ended: true });
            }
            Some(_) => {}
        }
    }

    /// More frames came under the stamp that ended a freeze: they had waited for each other.
    pub(super) fn heap(&mut self, at: Nanos) {
        if let Some(freeze) = self.listed.last_mut()
            && freeze.end == at
            && freeze.course == Course::Late
        {
            freeze.course = Course::Heap;
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

    pub(super) fn is_freeze(&self, interval: Nanos) -> bool {
        let count = self.recent.len() as i128;
        self.recent.len() >= FEWEST
            && i128::from(interval.0) * count >= (3 * self.sum).max(self.sum + ADDED * count)
    }

    /// The mean that the rule takes now; `None` before five intervals.
    pub(super) fn mean(&self) -> Option<Nanos> {
        let count = self.recent.len();
        (count >= FEWEST).then(|| Nanos((self.sum / count as i128) as i64)).filter(|mean| mean.0 > 0)
    }

    /// The rule's limit now; `None` before five intervals.
    pub(super) fn limit_ms(&self) -> Option<f64> {
        let mean = self.sum as f64 / 1e6 / self.recent.len() as f64;
        (self.recent.len() >= FEWEST).then(|| (3.0 * mean).max(mean + 150.0))
    }

    /// The interval that is open at `now`, where it is a freeze.
    pub(super) fn open(&self, now: Nanos) -> Option<Listed> {
        let start = self.last.filter(|last| self.is_freeze(now - *last))?;
        Some(Listed { start, end: now, course: Course::Open, ended: false })
    }

    /// Ends an open interval without a frame: at `at` the sender said that it stopped.
    pub(super) fn close(&mut self, at: Nanos) {
        if let Some(freeze) = self.open(at) {
            self.list(Listed { ended: true, ..freeze });
        }
        self.last = None;
    }

    /// Ends an open interval where the vehicle was switched off: what began on the ground, from `not_before` on, was
    /// that; what began in a trip never ended by a frame.
    pub(super) fn switch_off(&mut self, at: Nanos, not_before: Nanos) {
        if let Some(freeze) = self.open(at) {
            let course = if freeze.start >= not_before { Course::Off } else { Course::Open };
            self.list(Listed { course, ..freeze });
        }
        self.last = None;
    }

    /// Forgets the open interval: it is no freeze of the link.
    pub(super) fn excuse(&mut self) {
        self.last = None;
    }

    pub(super) fn listed(&self) -> &[Listed] {
        &self.listed
    }

    /// Freezes up to `now` and their durations together, an open one included.
    pub(super) fn totals(&self, now: Nanos) -> (u64, Nanos) {
        match self.open(now) {
            Some(open) => (self.count + 1, self.total + (open.end - open.start)),
            None => (self.count, self.total),
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::video::freeze_rule::*;

    fn vector() -> serde_json::Value {
        serde_json::from_str(include_str!("../../../tests/vectors/freeze.json")).unwrap()
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
        let open = Listed { start: last, end: edge, course: Course::Open, ended: false };
        assert_eq!(rule.open(edge), Some(open));
        assert_eq!(rule.totals(edge), (1, Nanos::from_millis(190)));
    }
}
