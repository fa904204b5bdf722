//! The plain frame: the expected number comes while nothing is pending.
//!
//! Such a frame adds to a few counts and changes nothing else. `PlainFrame` holds the bounds within which that is so: the
//! same second, the same checkpoint of the rate, an ordinary silence. The general way sets the bounds after a number that
//! followed the one before, and takes them back when anything else comes. A frame outside the bounds goes the general
//! way, which gives the same figures for every frame.

use super::{Arriving, Nanos, Passed, SHORT, Sequence};

/// The bounds of the next frames: each is the last that will do.
#[derive(Clone, Copy, Debug)]
pub(super) struct PlainFrame {
    /// Their stamps.
    until: Nanos,
    /// The silences between them.
    silence: Nanos,
    /// Their numbers.
    number: u64,
}

impl PlainFrame {
    /// Nothing will do.
    pub(super) const NONE: Self = Self { until: Nanos(i64::MIN), silence: Nanos(i64::MIN), number: 0 };
}

impl Sequence {
    /// Counts a frame if it is the usual case; else nothing is done.
    #[inline]
    pub(in crate::measure::loss) fn observe_in_order(&mut self, arriving: &Arriving) -> bool {
        let number = self.newest() + 1;
        let is_usual = arriving.sequence == number as u8
            && number <= self.plain.number
            && self.newest_at <= arriving.at
            && arriving.at <= self.plain.until;
        // Both are near each other now, so that this cannot overflow.
        if !is_usual || arriving.at - self.newest_at > self.plain.silence {
            return false;
        }
        if arriving.boot.is_some() {
            let passed = self.boot.compare(arriving.at, arriving.boot);
            if passed == Passed::Restarted {
                return false;
            }
            self.clock_passed(passed);
            self.boot.take(arriving.at, arriving.boot);
        }
        self.numbers.go_on(1, arriving.known());
        self.regular.observe(arriving.at, arriving.message);
        self.silences.observe_plain(arriving.at - self.newest_at);
        self.seconds.add_to_newest();
        self.received += 1;
        self.newest_at = arriving.at;
        self.last_at = arriving.at;
        true
    }

    /// Something else than the usual came.
    pub(super) const fn disturb(&mut self) {
        self.plain = PlainFrame::NONE;
    }

    /// A number followed the one before.
    pub(super) fn expect_plain(&mut self) {
        let (from, to) = self.seconds.newest();
        let is_plain = self.echoes.is_empty()
            && self.doubt.is_none()
            && self.check.is_none()
            && self.last_at == self.newest_at
            && from <= self.newest_at
            && self.newest_at < to;
        if is_plain {
            let (more, short) = self.rate.outlook(self.newest_at, self.newest(), SHORT);
            self.plain = PlainFrame {
                until: to.min(self.rate.due()) - Nanos(1),
                silence: self.silences.plain().min(short),
                number: self.newest() + more,
            };
        }
    }
}
