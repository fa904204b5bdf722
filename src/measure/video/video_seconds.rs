//! Packets and frame intervals: the last day by the second, what is older by spans (see [`crate::measure::series`]).
//!
//! One cell a second since the first record; spans keep the sums, the longest interval, and in how many of their
//! seconds a packet came. A gap is spread evenly over the silence before the packet that
//! showed it; a late packet is taken off the newest cell that still has a loss.

use crate::measure::context::Context;
use crate::measure::series;
use crate::units::Nanos;

/// What one second held.
#[derive(Clone, Copy, Debug)]
struct Cell {
    received: u16,
    lost: u16,
    interval_ms: f32,
}

/// What a span of seconds held.
#[derive(Clone, Copy, Debug)]
pub(super) struct Counts {
    pub(super) received: u32,
    pub(super) lost: u32,
    /// Longest interval between delivered frames that ended here, ms; 0: none ended.
    pub(super) interval_ms: f32,
}

impl series::Cell for Cell {
    type Span = Counts;
    const EMPTY: Self = Self { received: 0, lost: 0, interval_ms: 0.0 };
    const NOTHING: Counts = Counts { received: 0, lost: 0, interval_ms: 0.0 };

    fn put(self, span: &mut Counts, _: usize) {
        let (received, lost) = (u32::from(self.received), u32::from(self.lost));
        *span = Self::join(*span, Counts { received, lost, interval_ms: self.interval_ms });
    }

    fn join(one: Counts, other: Counts) -> Counts {
        Counts {
            received: one.received.saturating_add(other.received),
            lost: one.lost.saturating_add(other.lost),
            interval_ms: one.interval_ms.max(other.interval_ms),
        }
    }
}

/// Cells of one stream.
#[derive(Clone, Debug)]
pub(super) struct Series {
    start: Nanos,
    cells: series::Series<Cell>,
    /// Seconds with a packet, and the first of them.
    covered: usize,
    first: Option<usize>,
}

impl Series {
    pub(super) const fn new(start: Nanos) -> Self {
        Self { start, cells: series::Series::new(), covered: 0, first: None }
    }

    /// Bytes held that copies do not share, beside the structure itself.
    pub(super) fn own_bytes(&self) -> usize {
        self.cells.own_bytes()
    }

    fn index(&self, at: Nanos) -> usize {
        (at - self.start).whole_secs()
    }

    pub(super) fn receive(&mut self, at: Nanos) {
        let second = self.index(at);
        let Some(cell) = self.cells.second_mut(second) else { return };
        cell.received = cell.received.saturating_add(1);
        if cell.received == 1 {
            self.covered += 1;
            self.first = Some(self.first.map_or(second, |first| first.min(second)));
        }
    }

    pub(super) fn lose(&mut self, from: Nanos, to: Nanos, count: u64) {
        let (last, first) = (self.index(to), self.index(from));
        let (mut spread, steps) = (0, (last - first + 1) as u64);
        // So that all of them are there, and what is older is joined.
        let _ = self.cells.second_mut(last);
        for cell in self.cells.grid().cells(first, last + 1) {
            let until = (cell.end.min(last + 1) - first) as u64;
            let share = (u128::from(count) * u128::from(until) / u128::from(steps)) as u64 - spread;
            spread += share;
            if let Some(span) = self.cells.span_mut(cell.start) {
                span.lost = span.lost.saturating_add(share.min(u64::from(u32::MAX)) as u32);
            } else if share > 0
                && let Some(second) = self.cells.second_mut(cell.start)
            {
                second.lost = second.lost.saturating_add(share.min(u64::from(u16::MAX)) as u16);
            }
        }
    }

    /// A packet that was counted lost has come after all.
    pub(super) fn find(&mut self) {
        let newest = self.cells.len();
        let with_loss =
            self.cells.range(newest.saturating_sub(60), newest).rev().find(|(_, cell)| cell.lost > 0);
        if let Some(cell) = with_loss.and_then(|(second, _)| self.cells.second_mut(second)) {
            cell.lost -= 1;
        }
    }

    pub(super) fn interval(&mut self, at: Nanos, interval: Nanos) {
        let second = self.index(at);
        if let Some(cell) = self.cells.second_mut(second) {
            cell.interval_ms = cell.interval_ms.max(interval.millis() as f32);
        }
    }

    /// All cells: start and end in seconds from the first record.
    pub(super) fn iter(&self) -> impl Iterator<Item = (f64, f64, Counts)> {
        self.within(0.0, f64::MAX)
    }

    /// Those that a window of time touches.
    pub(super) fn within(&self, from_s: f64, to_s: f64) -> impl Iterator<Item = (f64, f64, Counts)> {
        let (from, to) = (from_s.floor().max(0.0) as usize, to_s.ceil().max(0.0) as usize);
        self.cells.spans(from, to).map(|(seconds, counts)| (seconds.start as f64, seconds.end as f64, counts))
    }

    /// Share of the whole seconds with a packet, from the first with one up to `now`, of streams in turn.
    pub(super) fn availability(streams: &[&Self], context: &Context) -> Option<f64> {
        let first = streams.iter().filter_map(|one| one.first).min()?;
        let whole = streams.iter().map(|one| one.index(context.now)).max()?.max(first + 1);
        let covered = |one: &&Self| {
            let after = one.cells.range(whole, usize::MAX).filter(|(_, cell)| cell.received > 0).count();
            one.covered - after
        };
        // Two that meet within a second both hold it.
        let shared = streams.iter().filter(|one| {
            let meets = |other: &&Self| {
                one.first.is_some_and(|first| {
                    other.first.is_some_and(|its| its < first)
                        && other.cells.range(first, first + 1).any(|(_, cell)| cell.received > 0)
                })
            };
            streams.iter().any(meets)
        });
        let seconds = streams.iter().map(covered).sum::<usize>().saturating_sub(shared.count());
        let off = context.off_seconds((first as f64, whole as f64));
        Some((seconds as f64 / ((whole - first) as f64 - off).max(1.0)).min(1.0))
    }
}
