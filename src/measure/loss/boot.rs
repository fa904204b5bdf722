//! A sender's boot clock, as far as loss needs it: did it restart, did it stand still?
//!
//! Each kind of stamp is compared with the one before of its kind. A fall of more than one
//! second is a restart; the 32 bit microseconds, which wrap, speak only where no other does.

use crate::units::Nanos;
use crate::wire::telemetry::BootStamp;

/// A fall of more than this is a restart.
const FALL_US: i64 = 1_000_000;
/// Half a wrap of the 32 bit microseconds; longer apart, they say nothing.
const HALF_WRAP: Nanos = Nanos::from_secs(2_147);

/// What a stamp shows beside the one before it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Passed {
    /// Nothing to compare with.
    Unknown,
    /// The clock fell.
    Restarted,
    /// Microseconds of the sender against host time since the stamp before.
    Went { sender_us: i64, host: Nanos },
}

#[derive(Clone, Debug, Default)]
pub(super) struct BootClock {
    last: [Option<(i64, Nanos)>; 3],
}

const fn kind_and_value(stamp: BootStamp) -> (usize, i64) {
    match stamp {
        BootStamp::Millis(ms) => (0, ms as i64 * 1000),
        BootStamp::Micros(us) => (1, us as i64),
        BootStamp::Micros32(us) => (2, us as i64),
    }
}

impl BootClock {
    pub(super) fn known(&self) -> bool {
        self.last.iter().any(Option::is_some)
    }

    /// Compares a stamp with the one before of its kind, without taking it.
    #[inline]
    pub(super) fn compare(&self, at: Nanos, stamp: Option<BootStamp>) -> (Passed, Nanos) {
        let Some(stamp) = stamp else { return (Passed::Unknown, at) };
        let (kind, value) = kind_and_value(stamp);
        let Some((before, seen)) = self.last[kind] else { return (Passed::Unknown, at) };
        let host = at - seen;
        let mut sender_us = value - before;
        match stamp {
            // Milliseconds wrap after 49.7 days.
            BootStamp::Millis(_) if sender_us < -4_000_000_000_000 => sender_us += (1 << 32) * 1000,
            BootStamp::Micros32(_) => {
                if self.last[0].is_some() || self.last[1].is_some() || host > HALF_WRAP {
                    return (Passed::Unknown, at);
                }
                sender_us = i64::from(sender_us as i32);
            }
            _ => {}
        }
        let passed = if sender_us < -FALL_US { Passed::Restarted } else { Passed::Went { sender_us, host } };
        (passed, seen)
    }

    #[inline]
    pub(super) fn take(&mut self, at: Nanos, stamp: Option<BootStamp>) {
        if let Some(stamp) = stamp {
            let (kind, value) = kind_and_value(stamp);
            self.last[kind] = Some((value, at));
        }
    }

    pub(super) fn clear(&mut self) {
        self.last = [None; 3];
    }
}
