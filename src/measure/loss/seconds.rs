//! Received and lost by the second, kept for timelines: the last day so, what is older by spans (see
//! [`crate::measure::series`]).
//!
//! 4 bytes a second; stretches of a quarter of an hour without anything take nothing. Spans keep the sums, and in
//! how many of their seconds something was received. Lost frames are spread evenly over the silence in which they
//! went missing.

use std::ops::Range;

use crate::measure::series::{Cell, Room, Series};
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

/// What a span of seconds held.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Counts {
    pub(super) received: u32,
    pub(super) lost: u32,
    /// Seconds in which something was received.
    pub(super) covered: u32,
}

impl Counts {
    pub(super) const fn plus(self, other: Self) -> Self {
        Self {
            received: self.received.saturating_add(other.received),
            lost: self.lost.saturating_add(other.lost),
            covered: self.covered + other.covered,
        }
    }
}

impl Cell for Bin {
    type Span = Counts;
    const EMPTY: Self = Self { received: 0, lost: 0 };
    const NOTHING: Counts = Counts { received: 0, lost: 0, covered: 0 };

    fn put(self, span: &mut Counts, _: usize) {
        let (received, lost) = (u32::from(self.received), u32::from(self.lost));
        *span = span.plus(Counts { received, lost, covered: u32::from(received > 0) });
    }

    fn join(one: Counts, other: Counts) -> Counts {
        one.plus(other)
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

    /// A second to write to; `None` where it is joined to others.
    fn bin(&mut self, index: usize) -> Option<&mut Bin> {
        if index >= self.bins.len() {
            let from = self.base + Nanos(SECOND.saturating_mul(index as i64));
            self.newest = (from, from + Nanos(SECOND));
        }
        self.bins.second_mut(index)
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
        if let Some(span) = self.bins.span_mut(index) {
            span.received = span.received.saturating_add(1);
        } else if let Some(bin) = self.bin(index) {
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
            if let Some(span) = self.bins.span_mut(index) {
                span.lost = span.lost.saturating_add(share.min(u64::from(u32::MAX)) as u32);
            } else if let Some(bin) = self.bin(index) {
                bin.lost = bin.lost.saturating_add(share.min(u64::from(u16::MAX)) as u16);
            }
        }
    }

    /// Takes so many off the lost between two stamps, the newest first.
    pub(super) fn take_lost(&mut self, before: Nanos, after: Nanos, mut lost: u64) {
        let end = self.bins.len().min(self.index(after) + 1);
        for cell in self.bins.grid().cells(self.index(before), end).rev() {
            if lost == 0 {
                break;
            }
            if let Some(span) = self.bins.span_mut(cell.start) {
                let taken = lost.min(u64::from(span.lost));
                span.lost -= taken as u32;
                lost -= taken;
            } else if self.bins.get(cell.start).is_some_and(|bin| bin.lost > 0)
                && let Some(bin) = self.bins.second_mut(cell.start)
            {
                let taken = lost.min(u64::from(bin.lost));
                bin.lost -= taken as u16;
                lost -= taken;
            }
        }
    }

    /// From now on there is so much room.
    pub(super) fn keep(&mut self, room: Room) {
        self.bins.keep(room);
    }

    /// In how many of the first `whole` seconds something was received; `None` where that was joined to spans.
    pub(super) fn covered(&self, whole: usize) -> Option<usize> {
        let after = self.bins.range(whole, usize::MAX).filter(|(_, bin)| bin.received > 0).count();
        (whole >= self.bins.grid().first()).then(|| self.covered - after)
    }

    /// Spans with something in them that touch `[from, to)` seconds: their start, width and counts.
    pub(super) fn within(&self, from: f64, to: f64) -> impl Iterator<Item = (f64, f64, Counts)> + '_ {
        let (first, end) = (from.floor().max(0.0) as usize, to.ceil().max(0.0) as usize);
        let spans = self.bins.spans(first, end).filter(|(_, counts)| *counts != Counts::default());
        spans.map(|(seconds, counts)| (seconds.start as f64, seconds.len() as f64, counts))
    }

    /// The counts of a cell of the session's grid, which is never finer than what is kept; `None` where it is (see
    /// [`Room::SHORT`]).
    pub(super) fn over(&self, cell: &Range<usize>) -> Option<Counts> {
        let first = self.bins.grid().around(cell.start);
        let fits = cell.start <= first.start && first.end <= cell.end;
        fits.then(|| {
            let spans = self.bins.spans(cell.start, cell.end);
            spans.fold(Counts::default(), |sum, (_, counts)| sum.plus(counts))
        })
    }
}
