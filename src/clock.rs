//! The only reader of the system clocks.
//!
//! A [`SessionClock`] is anchored to wall time once, when a session starts, and is
//! monotonic from then on: its stamps never follow a later step of the wall clock.
//! Such a step is noticed and told, so that it can be recorded as an event. A [`ReceiveClock`] places the
//! kernel's receive stamps, which are wall time, on the session's clock, whatever steps the wall clock makes.

use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use crate::units::Nanos;

/// A difference that grows by more than this between two looks is a step, not drift.
const SMALLEST_STEP: Nanos = Nanos::from_millis(500);

/// A change of the two clocks' difference by more than this is a step for receive stamps. What is less is the
/// error of reading two clocks: it is not followed, so that stamps of two sockets keep their order.
const SMALLEST_RECEIVE_STEP: Nanos = Nanos::from_millis(1);
/// Receive stamps that are older than this when they are read are not believed.
const OLDEST_RECEIVED: Nanos = Nanos::from_secs(60);
/// Two clocks that were read within this were read together.
const TOGETHER: Duration = Duration::from_micros(100);
/// Tries to read them so: a busy machine may take the processor away in between.
const READINGS: usize = 5;

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
        let (anchor, wall, _) = read_both();
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
        let (now, wall, _) = self.read();
        wall - now
    }

    /// Now by this clock and by the wall clock, and whether both were read together.
    fn read(&self) -> (Nanos, Nanos, bool) {
        let (monotonic, wall, together) = read_both();
        (self.wall + elapsed(self.anchor, monotonic), wall, together)
    }
}

/// Places the kernel's receive stamps of one socket on a session's clock.
///
/// The difference of the two clocks is looked at when a stamp is used. A stamp from before a step of the wall
/// clock, from the future or from over a minute ago is not believed: then it was received now. Stamps never
/// run backwards.
#[derive(Clone, Copy, Debug)]
pub(crate) struct ReceiveClock {
    clock: SessionClock,
    /// By how much the wall clock is ahead since its last step.
    ahead: Nanos,
    /// Stamps before this are of a wall clock that was stepped since.
    from: Nanos,
    newest: Nanos,
}

impl ReceiveClock {
    pub(crate) fn new(clock: SessionClock) -> Self {
        Self { clock, ahead: Nanos::ZERO, from: Nanos(i64::MIN), newest: Nanos(i64::MIN) }
    }

    /// When something that is read now was received; `stamp`: by the kernel.
    pub(crate) fn place(&mut self, stamp: Option<Nanos>) -> Nanos {
        let (now, wall, together) = self.clock.read();
        self.place_at(now, together.then(|| wall - now), stamp)
    }

    fn place_at(&mut self, now: Nanos, ahead: Option<Nanos>, stamp: Option<Nanos>) -> Nanos {
        let is_step = |ahead: &Nanos| Nanos((*ahead - self.ahead).0.saturating_abs()) > SMALLEST_RECEIVE_STEP;
        if let Some(ahead) = ahead.filter(is_step) {
            self.from = now;
            self.ahead = ahead;
        }
        let received = stamp.map(|stamp| stamp - self.ahead).filter(|received| {
            (self.from.max(now - OLDEST_RECEIVED)..=now + SMALLEST_RECEIVE_STEP).contains(received)
        });
        self.newest = received.unwrap_or(now).min(now).max(self.newest);
        self.newest
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

/// Both clocks, the monotonic one first, and whether they were read together. So a receive stamp, which is wall
/// time, never lies in the session clock's future.
#[expect(clippy::disallowed_methods, reason = "this file is the only reader of the clocks")]
fn read_both() -> (Instant, Nanos, bool) {
    let mut last = Instant::now();
    for reading in 1.. {
        let wall = match SystemTime::now().duration_since(UNIX_EPOCH) {
            Ok(since) => nanos(since),
            Err(before) => -nanos(before.duration()),
        };
        let before = std::mem::replace(&mut last, Instant::now());
        let together = last.saturating_duration_since(before) <= TOGETHER;
        if together || reading >= READINGS {
            return (before, wall, together);
        }
    }
    unreachable!("readings end")
}

fn elapsed(from: Instant, to: Instant) -> Nanos {
    nanos(to.saturating_duration_since(from))
}

fn nanos(duration: Duration) -> Nanos {
    Nanos(i64::try_from(duration.as_nanos()).unwrap_or(i64::MAX))
}

#[cfg(test)]
mod tests {
    use crate::clock::*;

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

    fn receiving() -> ReceiveClock {
        ReceiveClock::new(SessionClock::start())
    }

    #[test]
    fn what_waited_was_received_when_the_kernel_says() {
        let mut stamps = receiving();
        let (second, zero) = (Nanos::from_secs, Some(Nanos::ZERO));
        assert_eq!(stamps.place_at(second(100), zero, Some(second(90))), second(90));
        assert_eq!(stamps.place_at(second(100), zero, Some(second(95))), second(95));
        assert_eq!(stamps.place_at(second(101), zero, None), second(101), "no stamp");
        assert_eq!(stamps.place_at(second(102), zero, Some(second(99))), second(101), "never backwards");
        assert_eq!(stamps.place_at(second(103), zero, Some(second(999))), second(103), "the future");
        assert_eq!(stamps.place_at(second(200), zero, Some(second(110))), second(200), "over a minute ago");
    }

    #[test]
    fn a_stamp_from_before_a_step_is_not_believed_and_one_after_it_is() {
        for step_s in [-3600, -2, 2, 3600] {
            let mut stamps = receiving();
            let (second, step) = (Nanos::from_secs, Nanos::from_secs(step_s));
            assert_eq!(stamps.place_at(second(100), Some(Nanos::ZERO), Some(second(100))), second(100));
            // Received at 101 and 102; the clock was set at 103, and is looked at from 105 on.
            assert_eq!(stamps.place_at(second(105), Some(step), Some(second(101))), second(105));
            assert_eq!(stamps.place_at(second(105), Some(step), Some(second(102))), second(105));
            let after = second(106) + step;
            assert_eq!(stamps.place_at(second(107), Some(step), Some(after)), second(106), "{step_s}");
        }
    }

    /// The processor was taken away between the two readings: that is no step.
    #[test]
    fn clocks_that_were_not_read_together_say_nothing_of_a_step() {
        let mut stamps = receiving();
        assert_eq!(
            stamps.place_at(Nanos::from_secs(100), None, Some(Nanos::from_secs(99))),
            Nanos::from_secs(99)
        );
    }
}
