//! Frames whose number was passed already: late ones, second ones under one number, those from before the first.

use super::{Arriving, FEW_BACK, Gap, Known, Sequence};
use crate::units::Nanos;

impl Sequence {
    /// Counts a second frame under one number, a late one, or one before the first.
    pub(super) fn is_behind(&mut self, arriving: Arriving, back: u64) -> bool {
        let number = self.newest() - back;
        let half_wrap_s = self.half_wrap_s();
        let known = self.numbers.get_mut(number);
        let lost_at = known.as_ref().filter(|known| known.hashes.is_none()).map(|known| known.at);
        // After a silence a number from long before it is one that is ahead.
        let goes_on = back <= FEW_BACK || arriving.at - self.newest_at <= self.recent;
        if let Some(Known { at, hashes: Some(hashes) }) = known
            && (arriving.at - *at).secs() < half_wrap_s
            && goes_on
        {
            // Two frames under one number: both are there.
            hashes[1] = arriving.hash;
            self.arrive(arriving.at);
            self.boot.take(arriving.at, arriving.boot.filter(|_| back == 0));
            self.echo(arriving);
            return true;
        }
        let ahead = self.expected(arriving.at).unwrap_or(0.0);
        if ahead >= (256 - back) as f64 / 2.0 {
            return false;
        }
        let is_late = lost_at.is_some_and(|at| arriving.at - at <= self.recent);
        let is_before = back >= 1 && number < self.epoch && arriving.at - self.newest_at <= self.recent;
        if is_before && self.is_joined && self.restarts == 0 {
            return true;
        }
        if is_late {
            self.late(number);
        } else if is_before {
            self.begin_before(number, arriving.at);
        }
        if is_late || is_before {
            self.out_of_order += 1;
            self.receive(arriving, number);
            return true;
        }
        // Too late for its number, which stays lost, in a stream that goes on.
        let is_straggler =
            lost_at.is_some() && number >= self.epoch && arriving.at - self.newest_at <= self.recent;
        if is_straggler {
            self.arrive(arriving.at);
            self.echo(arriving);
        }
        is_straggler
    }

    /// The first frame came late itself: what lies between it and the one that came first may be lost. Whether it is of
    /// the same count cannot be told.
    fn begin_before(&mut self, number: u64, at: Nanos) {
        let between = self.epoch - number - 1;
        if at - self.began_at <= self.recent && between > 0 {
            let gap = Gap { doubted: true, ..Gap::new(number + 1, between, self.began_at, at) };
            self.mark_lost(&gap);
            self.gaps.put_back(gap);
        }
        self.epoch = number;
    }

    /// Takes a number off the lost again.
    pub(super) fn late(&mut self, number: u64) {
        let gap = self.gaps.find(number).map(|index| self.gaps.split(index, number));
        if gap.is_some_and(|gap| gap.doubted) {
            self.more = self.more.saturating_sub(1);
            return;
        }
        self.lost = self.lost.saturating_sub(1);
        if let Some(gap) = gap {
            self.seconds.take_lost(gap.before, gap.after, 1);
        }
    }
}
