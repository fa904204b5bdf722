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

#[cfg(test)]
mod tests {
    use crate::measure::loss::sequence::rate_after::*;
    use crate::measure::loss::sequence::tests::{BEGIN, frame};

    /// A numbering whose first frame comes after a silence that should have taken so many numbers by the rate before it, of
    /// which the next one was told.
    fn after_a_silence(seconds: i64, expected: f64) -> Sequence {
        let mut sequence = Sequence::new(frame(BEGIN, 0), BEGIN);
        let (silence, from) = (Nanos::from_secs(seconds), (BEGIN, sequence.newest()));
        let (expected, told) = (Some(expected), [1, 1]);
        sequence.check = Some(Check { silence, least: 1, expected, gap: None, told, from, is_spread: true });
        sequence
    }

    /// After so many frames at 100 a second behind a silence of 4 s: how many less, and more, may be lost.
    fn by_rate_after(frames: i64, expected: f64) -> [u64; 2] {
        let mut sequence = after_a_silence(4, expected);
        for number in 1..=frames {
            sequence.observe(frame(BEGIN + Nanos::from_millis(10 * number), number as u64));
        }
        sequence.by_rate_after()
    }

    /// By the rate after it, 400 numbers: a round and 144 of the next, which has no room.
    #[test]
    fn rates_that_differ_by_more_than_a_quarter_of_a_round_leave_one_in_doubt() {
        assert_eq!(by_rate_after(100, 336.0), [0, 0]);
        assert_eq!(by_rate_after(100, 335.0), [0, 256]);
        assert_eq!(by_rate_after(100, 464.0), [0, 0]);
        assert_eq!(by_rate_after(100, 465.0), [0, 256]);
        // Less than a second of it tells nothing.
        assert_eq!(by_rate_after(99, 100.0), [0, 0]);
    }

    /// By the rate of 5 s a silence of 3 s took 300 numbers, a round and more; by that of 10 s, 165 and no round.
    #[test]
    fn the_rate_after_a_silence_is_that_of_five_seconds() {
        let mut sequence = after_a_silence(3, 100.0);
        let mut at = BEGIN;
        for number in 1..=600 {
            at += Nanos::from_millis(if number <= 500 { 10 } else { 100 });
            sequence.observe(frame(at, number));
        }
        assert_eq!(sequence.lost_range(), [0, 256]);
    }
}
