//! The only reader of the system clocks.
//!
//! A [`SessionClock`] is anchored to wall time once, when a session starts, and is
//! monotonic from then on: its stamps never follow a later step of the wall clock.
//! Such a step is noticed and told, so that it can be recorded as an event.

use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use crate::units::Nanos;

/// A difference that grows by more than this between two looks is a step, not drift.
const SMALLEST_STEP: Nanos = Nanos::from_millis(500);

/// Stamps for one session.
#[derive(Clone, Copy, Debug)]
pub struct SessionClock {
    anchor: Instant,
    wall: Nanos,
}

impl SessionClock {
    /// Anchors a clock to the wall time of now.
    #[must_use]
    pub fn start() -> Self {
        let (anchor, wall) = read_both();
        Self { anchor, wall }
    }

    /// Now: nanoseconds since the Unix epoch by the anchor, never less than before.
    #[must_use]
    pub fn now(&self) -> Nanos {
        self.wall + elapsed(self.anchor, now_monotonic())
    }

    /// By how much the wall clock is ahead of this clock's stamps.
    #[must_use]
    pub fn wall_ahead(&self) -> Nanos {
        let (monotonic, wall) = read_both();
        wall - (self.wall + elapsed(self.anchor, monotonic))
    }
}

/// Notices steps of the wall clock: to be looked at about once a second.
#[derive(Clone, Copy, Debug, Default)]
pub struct StepWatch {
    ahead: Nanos,
}

impl StepWatch {
    /// The step since the last look, where there was one. Slow drift is followed silently.
    pub fn look(&mut self, wall_ahead: Nanos) -> Option<Nanos> {
        let change = wall_ahead - self.ahead;
        self.ahead = wall_ahead;
        (change.0.unsigned_abs() > SMALLEST_STEP.0.unsigned_abs()).then_some(change)
    }
}

#[expect(clippy::disallowed_methods, reason = "this file is the only reader of the clocks")]
fn now_monotonic() -> Instant {
    Instant::now()
}

#[expect(clippy::disallowed_methods, reason = "this file is the only reader of the clocks")]
fn read_both() -> (Instant, Nanos) {
    let wall = match SystemTime::now().duration_since(UNIX_EPOCH) {
        Ok(since) => nanos(since),
        Err(before) => -nanos(before.duration()),
    };
    (Instant::now(), wall)
}

fn elapsed(from: Instant, to: Instant) -> Nanos {
    nanos(to.saturating_duration_since(from))
}

fn nanos(duration: Duration) -> Nanos {
    Nanos(i64::try_from(duration.as_nanos()).unwrap_or(i64::MAX))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stamps_never_run_backwards() {
        let clock = SessionClock::start();
        let mut last = clock.now();
        for _ in 0..1000 {
            let now = clock.now();
            assert!(now >= last);
            last = now;
        }
    }

    #[test]
    fn a_step_is_told_once_and_drift_is_not() {
        let mut watch = StepWatch::default();
        assert_eq!(watch.look(Nanos::from_millis(1)), None);
        assert_eq!(watch.look(Nanos::from_millis(2001)), Some(Nanos::from_millis(2000)));
        assert_eq!(watch.look(Nanos::from_millis(2002)), None);
        for drift in 1..100 {
            assert_eq!(watch.look(Nanos::from_millis(2002 + drift * 400)), None);
        }
        assert_eq!(watch.look(Nanos::from_millis(-5000)).map(|step| step.0 < 0), Some(true));
    }
}
