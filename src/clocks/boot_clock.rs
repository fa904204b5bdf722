//! A sender's boot clock, as far as loss needs it: did it restart, did it stand still?
//!
//! Each kind of stamp is compared with the one before of its kind. A fall of more than one second is a restart at
//! once: loss cannot wait for a second stamp, as the alignment of clocks does (`stamps`). The 32 bit microseconds,
//! which wrap after 71.6 min, speak only where no other kind does, and over half a wrap at most.

use crate::units::Nanos;
use crate::wire::telemetry::BootStamp;

use super::stamps::{FALL_US, nearest};

/// Half a wrap of the 32 bit microseconds; longer apart, they say nothing.
const HALF_WRAP: Nanos = Nanos::from_secs(2_147);
/// A clock that stamped nothing for longer shows no restart.
const SPEAKS: Nanos = Nanos::from_secs(5);
/// A fall of the milliseconds by more than this is their wrap after 49.7 days. All ones, which senders write that know
/// no time, are not taken for one.
const WRAP_FALL_US: i64 = 4_000_000_000_000;

/// What a stamp shows beside the one before it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Passed {
    /// Nothing to compare with.
    Unknown,
    /// The clock fell.
    Restarted,
    /// Microseconds of the sender against host time since the stamp before.
    Went { sender_us: i64, host: Nanos },
}

/// The newest stamp of each kind, and when it came.
#[derive(Clone, Debug, Default)]
pub(crate) struct BootClock {
    last: [Option<(i64, Nanos)>; 3],
}

impl BootClock {
    pub(crate) fn known(&self) -> bool {
        self.last.iter().any(Option::is_some)
    }

    /// Whether stamps still came shortly before a frame: the messages that carry them may have ended.
    pub(crate) fn speaks(&self, at: Nanos) -> bool {
        self.last.iter().flatten().any(|&(_, seen)| at - seen <= SPEAKS)
    }

    /// Compares a stamp with the one before of its kind, without taking it.
    #[inline]
    pub(crate) fn compare(&self, at: Nanos, stamp: Option<BootStamp>) -> Passed {
        let before = stamp.and_then(|stamp| Some((stamp, self.last[stamp.kind()]?)));
        let Some((stamp, (before, seen))) = before else { return Passed::Unknown };
        let host = at - seen;
        let mut sender_us = stamp.micros() - before;
        match stamp {
            BootStamp::Millis(_) if sender_us < -WRAP_FALL_US => sender_us += BootStamp::WRAP * 1000,
            BootStamp::Micros32(_) => {
                if self.last[..2].iter().any(Option::is_some) || host > HALF_WRAP {
                    return Passed::Unknown;
                }
                sender_us = nearest(sender_us, BootStamp::WRAP, 0);
            }
            _ => {}
        }
        if sender_us < -FALL_US { Passed::Restarted } else { Passed::Went { sender_us, host } }
    }

    #[inline]
    pub(crate) fn take(&mut self, at: Nanos, stamp: Option<BootStamp>) {
        if let Some(stamp) = stamp {
            self.last[stamp.kind()] = Some((stamp.micros(), at));
        }
    }

    pub(crate) fn clear(&mut self) {
        self.last = [None; 3];
    }
}
