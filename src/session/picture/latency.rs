//! The newest latency estimate, shown again until another one is worth its cost.
//!
//! Its bootstrap is the heaviest part of a summary. While records keep coming, one that was made
//! stands until enough movements came (one more of the first 20, then 5 % more) or a minute
//! passed, and until 200 times its cost have passed: at most 5 ms of each second. This is for
//! pictures on the way alone; summaries, seeks and pictures at rest are estimated in full.

use crate::link::LinkMonitor;
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

/// The newest estimate.
#[derive(Debug, Default)]
pub(super) struct NewestLatency(Option<Made>);

impl NewestLatency {
    /// The next one is made anew.
    pub(super) fn forget(&mut self) {
        self.0 = None;
    }

    /// The newest, or a new one where that is due.
    pub(super) fn get(&mut self, monitor: &LinkMonitor, now: impl Fn() -> Nanos) -> LatencySummary {
        let (movements, before) = (monitor.movements(), now());
        if let Some(made) = self.0.as_ref().filter(|made| !made.is_outdated(movements, before)) {
            return made.summary.clone();
        }
        let summary = monitor.latency();
        let at = now();
        self.0 = Some(Made { summary: summary.clone(), movements, at, cost: at - before });
        summary
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
}
