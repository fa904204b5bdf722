//! Received and lost by the second, kept for timelines (see [`crate::measure::series`]).
//!
//! 4 bytes a second; a second holds at most 65,535 of each. Lost frames are spread evenly over the silence in which
//! they went missing.

use crate::measure::series::{Cell, Series};
use crate::units::Nanos;

const SECOND: i64 = 1_000_000_000;
/// Steps over which one silence is spread at most.
const MOST_STEPS: i64 = 1024;

/// What one second held.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Bin {
    received: u16,
    lost: u16,
}

impl Cell for Bin {
    const EMPTY: Self = Self { received: 0, lost: 0 };
}

/// What a second held, of one flow or of several.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Counts {
    pub(super) received: u32,
    pub(super) lost: u32,
}

impl Counts {
    pub(super) const fn plus(self, other: Self) -> Self {
        Self {
            received: self.received.saturating_add(other.received),
            lost: self.lost.saturating_add(other.lost),
        }
    }
}

impl From<Bin> for Counts {
    fn from(bin: Bin) -> Self {
        Self { received: u32::from(bin.received), lost: u32::from(bin.lost) }
    }
}

/// Counts per second since the session's start.
#[derive(Clone, Debug)]
pub(super) struct Seconds {
    base: Nanos,
    bins: Series<Bin>,
    /// The stamps of the last second.
    newest: (Nanos, Nanos),
    /// Seconds in which something was received.
    covered: usize,
}

impl Seconds {
    pub(super) const fn new(base: Nanos) -> Self {
        Self { base, bins: Series::new(), newest: (Nanos::ZERO, Nanos::ZERO), covered: 0 }
    }

    /// Bytes held that copies do not share, beside the structure itself.
    pub(super) fn own_bytes(&self) -> usize {
        self.bins.own_bytes()
    }

    fn index(&self, at: Nanos) -> usize {
        (at - self.base).whole_secs()
    }

    /// A second to write to; `None` where it is no longer kept.
    fn bin(&mut self, index: usize) -> Option<&mut Bin> {
        if index >= self.bins.len() {
            let from = self.base + Nanos(SECOND.saturating_mul(index as i64));
            self.newest = (from, from + Nanos(SECOND));
        }
        self.bins.cell_mut(index)
    }

    /// The stamps that the last second covers, from the first to one past the last.
    pub(super) const fn newest(&self) -> (Nanos, Nanos) {
        self.newest
    }

    /// Counts a frame that lies in the last second.
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
        let index = self.index(at);
        if let Some(bin) = self.bin(index) {
            bin.received = bin.received.saturating_add(1);
            self.covered += usize::from(bin.received == 1);
        }
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
            let index = self.index(before + Nanos(within));
            if let Some(bin) = self.bin(index) {
                bin.lost = bin.lost.saturating_add(share.min(u64::from(u16::MAX)) as u16);
            }
        }
    }

    /// Takes so many off the lost between two stamps, the newest first.
    pub(super) fn take_lost(&mut self, before: Nanos, after: Nanos, mut lost: u64) {
        let (first, mut end) = (self.index(before), self.index(after) + 1);
        while lost > 0 {
            let with_loss = self.bins.range(first, end).rev().find(|(_, bin)| bin.lost > 0);
            let Some((second, bin)) = with_loss else { break };
            let taken = lost.min(u64::from(bin.lost));
            self.bins.set(second, Bin { lost: bin.lost - taken as u16, ..bin });
            lost -= taken;
            end = second;
        }
    }

    /// Nothing is known of what was lost.
    pub(super) fn forget_lost(&mut self) {
        let with_loss: Vec<(usize, Bin)> =
            self.bins.range(0, usize::MAX).filter(|(_, bin)| bin.lost > 0).collect();
        for (second, bin) in with_loss {
            self.bins.set(second, Bin { lost: 0, ..bin });
        }
    }

    /// From now on at most so many blocks of seconds are kept.
    pub(super) fn keep_blocks(&mut self, most: usize) {
        self.bins.keep_blocks(most);
    }

    /// In how many of the first `whole` seconds something was received; `None` where those after are no longer kept.
    pub(super) fn covered(&self, whole: usize) -> Option<usize> {
        let after = self.bins.range(whole, usize::MAX).filter(|(_, bin)| bin.received > 0).count();
        (whole >= self.bins.first()).then(|| self.covered - after)
    }

    /// The seconds with something in them that `[from, to)` touches.
    pub(super) fn within(&self, from: f64, to: f64) -> impl Iterator<Item = (usize, Counts)> + '_ {
        let (first, end) = (from.floor().max(0.0) as usize, to.ceil().max(0.0) as usize);
        let bins = self.bins.range(first, end).filter(|(_, bin)| *bin != Bin::EMPTY);
        bins.map(|(second, bin)| (second, bin.into()))
    }

    /// What a second held; `None` where it is no longer kept.
    pub(super) fn at(&self, second: usize) -> Option<Counts> {
        (second >= self.bins.first()).then(|| self.bins.get(second).unwrap_or(Bin::EMPTY).into())
    }
}
