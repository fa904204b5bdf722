//! The newest latency estimate, shown again until another one is worth its cost.
//!
//! Its bootstrap is the heaviest part of a summary. While records keep coming it is made on a thread of its
//! own, so that recording does not wait for it, and shown once it is there. One that was made
//! stands until enough movements came (one more of the first 20, then 5 % more) or a minute
//! passed, and until 200 times its cost have passed: at most 5 ms of each second. This is for
//! pictures on the way alone; summaries, seeks and pictures at rest are estimated in full, at once.

use std::thread::JoinHandle;

use crate::clock::SessionClock;
use crate::monitor::LinkMonitor;
use crate::summary::LatencySummary;
use crate::units::Nanos;

/// An estimate that took 5 ms may be made again after a second.
const COST_SHARE: i64 = 200;
/// Up to so many movements each one counts, then so many percent.
const EACH_COUNTS: u64 = 20;
const MORE_PERCENT: u64 = 5;
/// The clocks' fit goes on without movements.
const OLDEST: Nanos = Nanos::from_secs(60);

#[derive(Debug)]
struct Made {
    summary: LatencySummary,
    movements: u64,
    at: Nanos,
    cost: Nanos,
}

impl Made {
    /// Another one is worth its cost.
    fn is_outdated(&self, movements: u64, now: Nanos) -> bool {
        let age = now - self.at;
        // Fewer: the session went back.
        movements < self.movements
            || (age.0 >= self.cost.0.saturating_mul(COST_SHARE)
                && (age >= OLDEST || movements >= self.movements + more(self.movements)))
    }
}

/// How many movements more are enough.
fn more(movements: u64) -> u64 {
    if movements < EACH_COUNTS { 1 } else { (movements * MORE_PERCENT).div_ceil(100) }
}

/// The newest estimate, and the one that is being made.
#[derive(Debug, Default)]
pub(super) struct NewestLatency {
    made: Option<Made>,
    making: Option<JoinHandle<Made>>,
    /// The next one is made at once, whatever it costs.
    at_once: bool,
}

impl NewestLatency {
    /// The next one is of that instant.
    pub(super) fn forget(&mut self) {
        *self = Self { at_once: true, ..Self::default() };
    }

    /// Whether another one is there than was got last.
    pub(super) fn has_news(&self) -> bool {
        self.making.as_ref().is_some_and(JoinHandle::is_finished)
    }

    /// The newest that is there; where another is due, it is begun. Nothing before the first.
    pub(super) fn get(&mut self, monitor: &LinkMonitor, clock: SessionClock) -> LatencySummary {
        if self.has_news()
            && let Some(making) = self.making.take()
        {
            self.made = making.join().ok().or(self.made.take());
        }
        let movements = monitor.movements();
        let due = self.made.as_ref().is_none_or(|made| made.is_outdated(movements, clock.now()));
        if due && self.making.is_none() {
            let parts = monitor.latency_parts();
            let make = move || {
                let begun = clock.now();
                let summary = parts.summary();
                let at = clock.now();
                Made { summary, movements, at, cost: at - begun }
            };
            if std::mem::take(&mut self.at_once) {
                self.made = Some(make());
            } else {
                self.making = std::thread::Builder::new().name("latency".to_owned()).spawn(make).ok();
            }
        }
        self.made.as_ref().map(|made| made.summary.clone()).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use crate::session::picture_pace::latency_estimate::*;

    fn made(movements: u64, cost_ms: i64) -> Made {
        let cost = Nanos::from_millis(cost_ms);
        Made { summary: LatencySummary::default(), movements, at: Nanos::ZERO, cost }
    }

    #[test]
    fn enough_movements_or_a_minute_make_it_old() {
        let after = Nanos::from_secs(10);
        for (before, too_few, enough) in [(0, 0, 1), (7, 7, 8), (19, 19, 20), (20, 20, 21), (400, 419, 420)] {
            assert!(!made(before, 5).is_outdated(too_few, after), "{before}");
            assert!(made(before, 5).is_outdated(enough, after), "{before}");
        }
        assert!(made(400, 5).is_outdated(400, Nanos::from_secs(60)));
        assert!(made(400, 5).is_outdated(399, Nanos::ZERO), "a session that went back");
    }

    /// A movement a second for three hours, at costs from a few to ten thousand movements.
    #[test]
    fn it_never_takes_more_than_five_milliseconds_a_second() {
        for cost_ms in [1, 20, 70, 160, 1000] {
            let (mut newest, mut spent) = (made(0, cost_ms), 0);
            let last = 10_800;
            for second in 1..=last {
                let now = Nanos::from_secs(second);
                if newest.is_outdated(second.unsigned_abs(), now) {
                    newest = Made { at: now, ..made(second.unsigned_abs(), cost_ms) };
                    spent += cost_ms;
                }
            }
            assert!(spent > 0 && spent <= 5 * last, "{spent} ms at {cost_ms} ms each");
        }
    }

    /// What is made beside the session is what it would have made itself; at rest it is made at once.
    #[test]
    fn it_is_made_beside_the_session() {
        let (monitor, clock) = (LinkMonitor::default(), SessionClock::start());
        let mut newest = NewestLatency::default();
        let _ = newest.get(&monitor, clock);
        let made = newest.making.take().unwrap().join().unwrap();
        assert_eq!(made.summary, monitor.latency());
        newest.forget();
        assert_eq!(newest.get(&monitor, clock), monitor.latency());
        assert!(newest.making.is_none() && newest.made.is_some());
    }
}
