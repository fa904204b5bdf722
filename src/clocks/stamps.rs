//! Boot stamps as one running clock a sender: wraps undone, restarts told apart.
//!
//! A 32-bit stamp is the value nearest to what the time since the last stamp makes
//! likely (modulo 2^32). A fall of more than 1 s, or a leap ahead of the time that passed
//! by more than a minute, is a restart as soon as a second stamp agrees with the
//! first; a lone odd stamp (a late or damaged frame) is passed over. What loss and bare bytes make of the same stamps
//! stands in `boot_clock` and `bare_clock`; what a fall is, and how a wrap is undone, they take from here.

use crate::units::Nanos;
use crate::wire::telemetry::BootStamp;

/// A fall of more than this is a restart.
pub(super) const FALL_US: i64 = 1_000_000;
/// A leap ahead of the elapsed time by this much is one too.
const LEAP_US: i64 = 60_000_000;
/// Two odd stamps agree within this.
const AGREE_US: i64 = 1_000_000;

/// A boot stamp on the running clock of its sender.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct BootTime {
    /// Restarts seen before it.
    pub epoch: u32,
    /// Since boot, or since a multiple of 2^32 us after it where only 32 bits were seen.
    /// A stamp of whole milliseconds is its lower end.
    pub since_boot: Nanos,
}

/// Undoes wraps and finds restarts.
#[derive(Clone, Debug, Default)]
pub(super) struct Unwrapper {
    epoch: u32,
    last: Option<(Nanos, i64)>,
    /// Only 32-bit microseconds were seen so far in this epoch.
    narrow_only: bool,
    /// What a wide stamp is ahead of the running clock.
    shift_us: i64,
    odd: Option<(Nanos, i64)>,
}

impl Unwrapper {
    /// The stamp on the running clock; `None` while it is odd and alone.
    pub(super) fn unwrap(&mut self, at: Nanos, stamp: BootStamp) -> Option<BootTime> {
        let raw = stamp.micros();
        let (period, narrow) = match stamp {
            BootStamp::Millis(_) => (Some(BootStamp::WRAP * 1000), false),
            BootStamp::Micros(_) => (None, false),
            BootStamp::Micros32(_) => (Some(BootStamp::WRAP), true),
        };
        let Some((last_at, last)) = self.last else {
            self.narrow_only = narrow;
            return Some(self.accept(at, raw));
        };
        let expected = last + (at - last_at).0 / 1000;
        if !narrow && self.narrow_only {
            self.shift_us = nearest(0, BootStamp::WRAP, raw - expected);
            self.narrow_only = false;
        }
        let value = if narrow { raw } else { raw - self.shift_us };
        let value = period.map_or(value, |period| nearest(value, period, expected));
        if value >= last - FALL_US && value <= expected + LEAP_US {
            self.odd = None;
            return Some(self.accept(at, value.max(0)));
        }
        let agrees = |(odd_at, odd): (Nanos, i64)| ((raw - odd) - (at - odd_at).0 / 1000).abs() < AGREE_US;
        if self.odd.take().is_some_and(agrees) {
            self.epoch += 1;
            self.last = None;
            self.shift_us = 0;
            self.narrow_only = narrow;
            return Some(self.accept(at, raw));
        }
        self.odd = Some((at, raw));
        None
    }

    fn accept(&mut self, at: Nanos, value: i64) -> BootTime {
        // A stamp a little older than the newest (another message's) does not turn the clock back.
        if self.last.is_none_or(|(_, last)| value >= last) {
            self.last = Some((at, value));
        }
        BootTime { epoch: self.epoch, since_boot: Nanos::from_micros(value) }
    }

    /// What is to be added for the time since boot, where a wide stamp told it.
    pub(super) const fn shift(&self) -> Nanos {
        Nanos::from_micros(self.shift_us)
    }
}

/// The value congruent to `value` modulo `period` that is nearest to `expected`.
pub(super) const fn nearest(value: i64, period: i64, expected: i64) -> i64 {
    let past = expected - value + period / 2;
    // Nearly always it is near already: a division less for each stamp.
    if past >= 0 && past < period { value } else { value + past.div_euclid(period) * period }
}

#[cfg(test)]
mod tests {
    use crate::clocks::stamps::*;

    fn secs(secs: f64) -> Nanos {
        Nanos::from_secs_f64(secs)
    }

    /// 2^32 us = 4294.967296 s, by arithmetic.
    #[test]
    fn narrow_stamps_run_on_over_their_wrap() {
        let mut clock = Unwrapper::default();
        for step in 0..2000 {
            let true_us = 4_290_000_000 + u64::from(step as u32) * 10_000;
            let got =
                clock.unwrap(secs(f64::from(step) * 0.01), BootStamp::Micros32(true_us as u32)).unwrap();
            assert_eq!(got, BootTime { epoch: 0, since_boot: Nanos::from_micros(true_us as i64) });
        }
    }

    #[test]
    fn narrow_and_wide_stamps_share_one_clock_in_either_order() {
        let up_us = 9_000_000_000_u64;
        for narrow_first in [true, false] {
            let mut clock = Unwrapper::default();
            let narrow = |us: u64| BootStamp::Micros32(us as u32);
            let wide = |us: u64| BootStamp::Millis((us / 1000) as u32);
            let mut got = Vec::new();
            for step in 0..20_u64 {
                let us = up_us + step * 20_000;
                let stamp = if (step % 2 == 0) == narrow_first { narrow(us) } else { wide(us) };
                got.push(clock.unwrap(secs(step as f64 * 0.02), stamp).unwrap().since_boot + clock.shift());
            }
            for (step, value) in got.iter().enumerate().skip(1) {
                assert_eq!(*value, Nanos::from_micros((up_us + step as u64 * 20_000) as i64));
            }
        }
    }

    #[test]
    fn a_fall_is_a_restart_and_a_lone_odd_stamp_is_not() {
        let mut clock = Unwrapper::default();
        let mut at = 0.0;
        let mut feed = |millis: u32, step: f64| {
            at += step;
            clock.unwrap(secs(at), BootStamp::Millis(millis))
        };
        assert_eq!(feed(500_000, 0.1).unwrap().epoch, 0);
        assert_eq!(feed(20, 0.1), None);
        assert_eq!(feed(500_200, 0.1).unwrap().epoch, 0);
        assert_eq!(feed(499_500, 0.1).unwrap().epoch, 0);
        assert_eq!(feed(3_000, 5.0), None);
        let restarted = feed(3_100, 0.1).unwrap();
        assert_eq!(restarted, BootTime { epoch: 1, since_boot: Nanos::from_millis(3_100) });
        assert_eq!(feed(3_200, 0.1).unwrap().epoch, 1);
    }
}
