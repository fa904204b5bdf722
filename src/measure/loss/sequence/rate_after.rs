//! Looks at a long silence again by what came after it.
//!
//! Definition: the rate of the 5 s after a silence says what it took as well as the rate before it. Where they differ by
//! more than a quarter of a round of the numbers, the interval of the lost reaches over both. Regular messages that came
//! in one heap under the stamp after the silence came within it, so that only the rest of it has room for losses. Unit:
//! numbers. A restart, and another long silence, end the look; at the end of what came, 1 s will do.

use super::{JUMP, Nanos, Sequence};

/// The rate after a silence is taken over this time; at the end of what came, over no less than `SHORTEST`.
const AFTER: Nanos = Nanos::from_secs(5);
const SHORTEST: f64 = 1.0;
/// A round that lacks this share of its numbers may still have gone by.
const ROOM: f64 = 0.25;

/// A silence whose rounds are looked at again by the rate after it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Check {
    pub(super) silence: Nanos,
    pub(super) least: u64,
    /// By the rate before, or none known.
    pub(super) expected: Option<f64>,
    /// The first number of its gap; `None` where nothing was counted lost.
    pub(super) gap: Option<u64>,
    /// Numbers that went by at least and at most, as told.
    pub(super) told: [u64; 2],
    /// The first frame after it.
    pub(super) from: (Nanos, u64),
    /// What came in a heap with that frame was looked at.
    pub(super) is_spread: bool,
}

impl Sequence {
    /// Some seconds after a silence: a rate that is not the one before leaves in doubt which of them the silence took.
    pub(super) fn check_rate(&mut self) {
        self.spread_heap();
        if self.check.is_none_or(|check| self.newest_at - check.from.0 < AFTER) {
            return;
        }
        let [less, more] = self.by_rate_after();
        self.less += less;
        self.more += more;
        if let Some(Check { gap: Some(first), .. }) = self.check.take() {
            self.gaps.widen(first, less, more);
        }
    }

    /// Regular messages that came in one heap under the stamp after a silence (bare bytes have one stamp for all that
    /// came since the one before) came within it: what could be lost, could be so in the rest alone.
    fn spread_heap(&mut self) {
        let Some(check) = &mut self.check else { return };
        if check.is_spread || self.newest_at <= check.from.0 {
            return;
        }
        check.is_spread = true;
        let covered = self.regular.covered(check.from.0);
        if covered == Nanos::ZERO {
            return;
        }
        check.silence = (check.silence - covered).max(Nanos::ZERO);
        let Check { silence, least, gap, told: [low, high], .. } = *check;
        let most = least + 256 * rounds_within(self.utmost(silence), least);
        let (less, more) = (low.saturating_sub(most), high.saturating_sub(most.max(low)));
        self.more = self.more.saturating_sub(more);
        let index = gap.and_then(|first| self.gaps.find(first));
        if let (Some(index), 1) = (index, most) {
            // No round has room, and the numbers go on: nothing is lost.
            self.take_back(index);
            self.check = None;
            return;
        }
        if let Some(first) = gap {
            self.less += less;
            self.gaps.widen(first, less, 0);
            self.gaps.narrow(first, more);
        }
        if let Some(check) = &mut self.check {
            check.told = [low - less, high - more];
            check.expected = None;
        }
    }

    /// How much less, or more, may be lost in the last silence by the rate since.
    pub(super) fn by_rate_after(&self) -> [u64; 2] {
        let Some(Check { silence, least, expected, gap, told: [low, high], from, .. }) = self.check else {
            return [0; 2];
        };
        let span = (self.newest_at - from.0).secs();
        let after = (self.newest() - from.1) as f64 / span * silence.secs();
        if span < SHORTEST || expected.is_some_and(|before| (after - before).abs() <= JUMP) {
            return [0; 2];
        }
        let turned = least + 256 * rounds_within(after, least);
        let less = if gap.is_some() { low.saturating_sub(turned) } else { 0 };
        [less, turned.saturating_sub(high)]
    }
}

/// Whole rounds behind those seen that so many numbers have room for, or nearly.
pub(super) fn rounds_within(numbers: f64, least: u64) -> u64 {
    ((numbers - least as f64) / 256.0 + ROOM).floor().max(0.0) as u64
}
