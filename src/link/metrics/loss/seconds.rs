//! Received and lost per second, kept for timelines: 26 hours, then pairs are merged.
//!
//! Only spans with something in them are kept, 8 bytes each. When a sender's share of the
//! budget is full, every two neighbouring spans become one, so resolution halves and the
//! memory stays. Lost frames are spread evenly over the silence in which they went missing.

use crate::units::Nanos;

const SECOND: i64 = 1_000_000_000;
/// Steps over which one silence is spread at most.
const MOST_STEPS: i64 = 1024;

#[derive(Clone, Copy, Debug)]
pub(super) struct Bin {
    index: u32,
    pub(super) received: u16,
    pub(super) lost: u16,
}

/// Counts per second since the session's start.
#[derive(Clone, Debug)]
pub(super) struct Seconds {
    base: Nanos,
    width: u32,
    bins: Vec<Bin>,
    /// The stamps of the last span; empty after a merge.
    newest: (Nanos, Nanos),
}

impl Seconds {
    pub(super) const fn new(base: Nanos) -> Self {
        Self { base, width: 1, bins: Vec::new(), newest: (Nanos::ZERO, Nanos::ZERO) }
    }

    fn index(&self, at: Nanos) -> u32 {
        let second = (at - self.base).0.max(0) / SECOND;
        (second / i64::from(self.width)).min(i64::from(u32::MAX)) as u32
    }

    fn bin(&mut self, index: u32) -> &mut Bin {
        let place = match self.bins.last() {
            Some(last) if last.index == index => self.bins.len() - 1,
            Some(last) if last.index > index => match self.bins.binary_search_by_key(&index, |bin| bin.index)
            {
                Ok(place) => place,
                Err(place) => {
                    self.bins.insert(place, Bin { index, received: 0, lost: 0 });
                    place
                }
            },
            _ => {
                self.bins.push(Bin { index, received: 0, lost: 0 });
                let width = SECOND * i64::from(self.width);
                let from = self.base + Nanos(width.saturating_mul(i64::from(index)));
                self.newest = (from, from + Nanos(width));
                self.bins.len() - 1
            }
        };
        &mut self.bins[place]
    }

    pub(super) fn add_received(&mut self, at: Nanos) {
        if self.newest.0 <= at
            && at < self.newest.1
            && let Some(last) = self.bins.last_mut()
        {
            last.received = last.received.saturating_add(1);
            return;
        }
        let index = self.index(at);
        let bin = self.bin(index);
        bin.received = bin.received.saturating_add(1);
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
            let bin = self.bin(index);
            bin.lost = bin.lost.saturating_add(share.min(u64::from(u16::MAX)) as u16);
        }
    }

    /// Takes so many off the lost between two stamps, the newest first.
    pub(super) fn take_lost(&mut self, before: Nanos, after: Nanos, mut lost: u64) {
        let (first, last) = (self.index(before), self.index(after));
        for bin in self.bins.iter_mut().rev() {
            if lost == 0 || bin.index < first {
                break;
            }
            if bin.index <= last {
                let taken = lost.min(u64::from(bin.lost));
                bin.lost -= taken as u16;
                lost -= taken;
            }
        }
    }

    /// Merges pairs until at most so many are kept.
    pub(super) fn trim(&mut self, most: usize) {
        while self.bins.len() > most {
            self.width = self.width.saturating_mul(2);
            let mut merged: Vec<Bin> = Vec::with_capacity(self.bins.len() / 2 + 1);
            for bin in &self.bins {
                let index = bin.index / 2;
                match merged.last_mut().filter(|last| last.index == index) {
                    Some(last) => {
                        last.received = last.received.saturating_add(bin.received);
                        last.lost = last.lost.saturating_add(bin.lost);
                    }
                    None => merged.push(Bin { index, ..*bin }),
                }
            }
            self.bins = merged;
            self.newest = (Nanos::ZERO, Nanos::ZERO);
        }
    }

    /// Spans that touch `[from, to)` seconds: their start, width and counts.
    pub(super) fn within(&self, from: f64, to: f64) -> impl Iterator<Item = (f64, f64, Bin)> + '_ {
        let width = f64::from(self.width);
        let first = (from / width).floor().max(0.0) as u32;
        let start = self.bins.partition_point(|bin| bin.index < first);
        self.bins[start..]
            .iter()
            .map(move |bin| (f64::from(bin.index) * width, width, *bin))
            .take_while(move |(begin, ..)| *begin < to)
    }

    /// One second's counts; `None` where seconds are merged by now.
    pub(super) fn second(&self, second: usize) -> Option<(u32, u32)> {
        let index = u32::try_from(second).ok().filter(|_| self.width == 1)?;
        let found = self.bins.binary_search_by_key(&index, |bin| bin.index).ok();
        Some(
            found.map_or((0, 0), |place| {
                (u32::from(self.bins[place].received), u32::from(self.bins[place].lost))
            }),
        )
    }
}
