//! The time of bare bytes, which nobody stamped: from the boot clock of the first sender that carries one.
//!
//! Definition: time since the first stamp; unit: ns. Of the clocks that one sender stamps the 32 bit milliseconds
//! come first, then 64 bit microseconds, then the 32 bit microseconds that wrap: mixing them would show their
//! disagreement as time. Gap: time goes on by what the clock did, however much that is; there is no host time to
//! compare it with. Restart: where the clock falls by more than a second, time goes on from where it was; over a
//! smaller fall it stands still.

use crate::units::Nanos;
use crate::wire::telemetry::BootStamp;

use super::stamps::{FALL_US, nearest};

/// Time as the bytes tell it.
#[derive(Clone, Debug, Default)]
pub(crate) struct BareClock {
    keeper: Option<Keeper>,
    at: Nanos,
}

/// The clock that is followed.
#[derive(Clone, Copy, Debug)]
struct Keeper {
    system: u8,
    component: u8,
    /// Its kind: a lower one is better.
    kind: usize,
    /// Its newest stamp, unwrapped.
    boot_us: i64,
}

impl BareClock {
    /// Since the first stamp.
    pub(crate) const fn at(&self) -> Nanos {
        self.at
    }

    /// Whether a sender's clock is the one to follow.
    pub(crate) fn follows(&self, system: u8, component: u8) -> bool {
        self.keeper.is_none_or(|keeper| (keeper.system, keeper.component) == (system, component))
    }

    /// Takes a stamp of that sender; true where time went on, or began.
    pub(crate) fn observe(&mut self, system: u8, component: u8, stamp: BootStamp) -> bool {
        let kind = stamp.kind();
        let Some(keeper) = &mut self.keeper else {
            self.keeper = Some(Keeper { system, component, kind, boot_us: stamp.micros() });
            return true;
        };
        if kind > keeper.kind {
            return false;
        }
        let boot_us = match stamp {
            BootStamp::Micros32(us) => nearest(i64::from(us), BootStamp::WRAP, keeper.boot_us),
            _ => stamp.micros(),
        };
        let passed_us = boot_us - keeper.boot_us;
        let is_better = kind < keeper.kind;
        if is_better || !(-FALL_US..0).contains(&passed_us) {
            (keeper.boot_us, keeper.kind) = (boot_us, kind);
        }
        // A better clock of the same sender may count from elsewhere.
        let goes_on = passed_us > 0 && !(is_better && passed_us > FALL_US);
        if goes_on {
            self.at += Nanos::from_micros(passed_us);
        }
        goes_on
    }
}

#[cfg(test)]
mod tests {
    use crate::clocks::bare_clock::*;

    fn seconds(stamps: impl IntoIterator<Item = BootStamp>) -> Vec<f64> {
        let mut clock = BareClock::default();
        let mut observe = |stamp| {
            clock.observe(1, 1, stamp);
            clock.at().secs()
        };
        stamps.into_iter().map(&mut observe).collect()
    }

    /// 2^32 us are 4294.967296 s, by arithmetic.
    #[test]
    fn the_wrapping_clock_goes_on_over_its_wrap() {
        let micros = [4_293_967_296, 4_294_967_295, 1_000_000].map(BootStamp::Micros32);
        assert_eq!(seconds(micros), [0.0, 0.999_999, 2.0]);
    }

    #[test]
    fn a_restart_takes_no_time_and_a_small_fall_stands_still() {
        let millis = [60_000, 61_000, 2_000, 2_500, 2_400, 2_600].map(BootStamp::Millis);
        assert_eq!(seconds(millis), [0.0, 1.0, 1.0, 1.5, 1.5, 1.6]);
    }

    #[test]
    fn the_best_kind_of_stamp_is_followed() {
        let (narrow, wide, millis) = (BootStamp::Micros32, BootStamp::Micros, BootStamp::Millis);
        let stamps = [
            narrow(5_000_000),
            wide(5_500_000),
            narrow(7_000_000),
            millis(6_000),
            wide(9_000_000),
            millis(6_250),
        ];
        assert_eq!(seconds(stamps), [0.0, 0.5, 0.5, 1.0, 1.0, 1.25]);
        assert_eq!(seconds([narrow(5_000_000), millis(500_000), millis(500_100)]), [0.0, 0.0, 0.1]);
    }
}
