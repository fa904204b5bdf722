//! Received and lost per second, kept for timelines: 26 hours, then pairs are merged.
//!
//! 4 bytes a second; stretches of a quarter of an hour without anything take nothing. When a sender's share of the
//! budget is full, every two neighbouring spans become one, so resolution halves and the
//! memory stays. Lost frames are spread evenly over the silence in which they went missing.

use crate::link::series::{MOST_SECONDS, Series};
use crate::units::Nanos;

const SECOND: i64 = 1_000_000_000;
/// Steps over which one silence is spread at most.
const MOST_STEPS: i64 = 1024;
/// Farther spans than this are merged though little is in them: stamps may jump by years.
const FARTHEST: usize = 1 << 22;

/// What one span of time held.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Bin {
    pub(super) received: u16,
    pub(super) lost: u16,
}

/// Counts per second since the session's start.
#[derive(Clone, Debug)]
pub(super) struct Seconds {
    base: Nanos,
    width: u32,
    bins: Series<Bin>,
    /// The stamps of the last span; empty after a merge.
    newest: (Nanos, Nanos),
    /// Spans in which something was received.
    covered: usize,
}

impl Seconds {
    pub(super) const fn new(base: Nanos) -> Self {
        let bins = Series::new(Bin { received: 0, lost: 0 }, MOST_SECONDS);
        Self { base, width: 1, bins, newest: (Nanos::ZERO, Nanos::ZERO), covered: 0 }
    }

    /// Bytes held that copies do not share, beside the structure itself.
    pub(super) fn own_bytes(&self) -> usize {
        self.bins.own_bytes()
    }

    fn index(&self, at: Nanos) -> usize {
        let second = (at - self.base).0.max(0) / SECOND;
        (second / i64::from(self.width)) as usize
    }

    fn bin(&mut self, at: Nanos) -> &mut Bin {
        while self.index(at) > FARTHEST {
            self.merge();
        }
        let index = self.index(at);
        if index >= self.bins.len() {
            let width = SECOND * i64::from(self.width);
            let from = self.base + Nanos(width.saturating_mul(index as i64));
            self.newest = (from, from + Nanos(width));
        }
        self.bins.cell_mut(index)
    }

    /// The stamps that the last span covers, from the first to one past the last.
    pub(super) const fn newest(&self) -> (Nanos, Nanos) {
        self.newest
    }

    /// Counts a frame that lies in the last span.
    #[inline]
    pub(super) fn add_to_newest(&mut self) {
        if let Some(last) = self.bins.newest_mut() {
            last.received = last.received.saturating_add(1);
            self.covered += usize::from(last.received == 1);
        }
    }

    pub(super) fn add_received(&mut self, at: Nanos) {
        if self.newest.0 <= at && at < self.newest.1 {
            self.add_to_newest();
            return;
        }
        let bin = self.bin(at);
        bin.received = bin.received.saturating_add(1);
        self.covered += usize::from(bin.received == 1);
    }

    /// Spreads lost frames over the time in which they went missing.
    pub(super) fn add_lost(&mut self, before: Nanos, after: Nanos, lost: u64) {
        let seconds =
            (after - self.base).0.div_euclid(SECOND) - (before - self.base).0.div_euclid(SECOND) + 1;
        let steps = seconds.clamp(1, MOST_STEPS);
        for step in 0..steps {
            let share = lost * (step as u64 + 1) / steps as u64 - lost * step as u64 / steps as u64;
            if share == 0 {
                continue;
            }
            let within =
                (i128::from((after - before).0) * i128::from(2 * step + 1) / i128::from(2 * steps)) as i64;
            let bin = self.bin(before + Nanos(within));
            bin.lost = bin.lost.saturating_add(share.min(u64::from(u16::MAX)) as u16);
        }
    }

    /// Takes so many off the lost between two stamps, the newest first.
    pub(super) fn take_lost(&mut self, before: Nanos, after: Nanos, mut lost: u64) {
        let end = self.bins.len().min(self.index(after) + 1);
        for index in (self.index(before)..end).rev() {
            if lost == 0 {
                break;
            }
            let taken = self.bins.get(index).map_or(0, |bin| lost.min(u64::from(bin.lost)));
            if taken > 0 {
                self.bins.cell_mut(index).lost -= taken as u16;
                lost -= taken;
            }
        }
    }

    /// Merges pairs until at most so many are kept; whether there were more.
    pub(super) fn trim(&mut self, most: usize) -> bool {
        self.bins.keep_at_most(most);
        let too_many = self.bins.is_over_full();
        while self.bins.is_over_full() {
            self.merge();
        }
        too_many
    }

    fn merge(&mut self) {
        self.width = self.width.saturating_mul(2);
        self.bins.join_pairs(|one, other| Bin {
            received: one.received.saturating_add(other.received),
            lost: one.lost.saturating_add(other.lost),
        });
        self.newest = (Nanos::ZERO, Nanos::ZERO);
        self.covered = self.bins.iter().filter(|bin| bin.received > 0).count();
    }

    /// In how many of the first `whole` seconds something was received; `None` where seconds are merged by now.
    pub(super) fn covered(&self, whole: usize) -> Option<usize> {
        let after = self.bins.range(whole, usize::MAX).filter(|(_, bin)| bin.received > 0).count();
        (self.width == 1).then_some(self.covered - after)
    }

    /// Spans with something in them that touch `[from, to)` seconds: their start, width and counts.
    pub(super) fn within(&self, from: f64, to: f64) -> impl Iterator<Item = (f64, f64, Bin)> + '_ {
        let width = f64::from(self.width);
        let first = (from / width).floor().max(0.0) as usize;
        let end = (to / width).ceil().max(0.0) as usize;
        self.bins
            .range(first, end)
            .filter(|(_, bin)| *bin != Bin::default())
            .map(move |(index, bin)| (index as f64 * width, width, bin))
    }

    /// One second's counts; `None` where seconds are merged by now.
    pub(super) fn second(&self, second: usize) -> Option<(u32, u32)> {
        let bin = self.bins.get(second).unwrap_or_default();
        (self.width == 1).then(|| (u32::from(bin.received), u32::from(bin.lost)))
    }
}
