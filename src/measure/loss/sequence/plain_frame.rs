//! The usual case, kept short: the expected number comes while nothing is pending.
//!
//! Such a frame adds to a few counts and leaves all else as it is, for as long as its second, its
//! checkpoint of the rate and all that waits stay the same. How long that is, `PlainFrame` says: the general
//! way sets it behind a number that followed the one before, and takes it back whenever anything else
//! comes. What is not plain goes the general way, which gives the same figures for every frame.

use super::{Arriving, Nanos, Passed, SHORT, Sequence};

/// What the next frames must keep to: each bound is the last that will do.
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
            && number <= self.calm.number
            && self.newest_at <= arriving.at
            && arriving.at <= self.calm.until;
        // Both are near each other now, so that this cannot overflow.
        if !is_usual || arriving.at.0 - self.newest_at.0 > self.calm.silence.0 {
            return false;
        }
        if arriving.boot.is_some() {
            if self.boot.compare(arriving.at, arriving.boot).0 == Passed::Restarted {
                return false;
            }
            self.boot.take(arriving.at, arriving.boot);
        }
        self.numbers.go_on(1, arriving.known());
        self.silences.observe_plain(Nanos(arriving.at.0 - self.newest_at.0));
        self.seconds.add_to_newest();
        self.received += 1;
        self.newest_at = arriving.at;
        self.last_at = arriving.at;
        true
    }

    /// Something else than the usual came.
    pub(super) const fn disturb(&mut self) {
        self.calm = PlainFrame::NONE;
    }

    /// A number followed the one before.
    pub(super) fn calm_down(&mut self) {
        let (from, to) = self.seconds.newest();
        let is_plain = self.echoes.is_empty()
            && self.doubt.is_none()
            && self.last_at == self.newest_at
            && from <= self.newest_at
            && self.newest_at < to;
        if is_plain {
            let (more, short) = self.rate.outlook(self.newest_at, self.newest(), SHORT);
            self.calm = PlainFrame {
                until: to.min(self.rate.due()) - Nanos(1),
                silence: self.silences.plain().min(short),
                number: self.newest() + more,
            };
        }
    }
}
