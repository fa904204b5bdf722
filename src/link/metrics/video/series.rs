//! Packets and frame intervals by the second, bounded.
//!
//! One cell a second since the first record; when 26 hours are full, pairs are merged and
//! each covers twice the time. A gap is spread evenly over the silence before the packet that
//! showed it; a late packet is taken off the newest cell that still has a loss.

use crate::link::series::{self, MOST_SECONDS};
use crate::units::Nanos;

const EMPTY: Cell = Cell { received: 0, lost: 0, interval_ms: 0.0 };

/// What one span of time held.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Cell {
    pub(super) received: u16,
    pub(super) lost: u16,
    /// Longest interval between delivered frames that ended here, ms; 0: none ended.
    pub(super) interval_ms: f32,
}

/// Cells of one stream.
#[derive(Clone, Debug)]
pub(super) struct Series {
    start: Nanos,
    width: Nanos,
    cells: series::Series<Cell>,
    /// Cells with a packet, and the first of them.
    covered: usize,
    first: Option<usize>,
}

impl Series {
    pub(super) const fn new(start: Nanos) -> Self {
        let cells = series::Series::new(EMPTY, MOST_SECONDS);
        Self { start, width: Nanos::from_secs(1), cells, covered: 0, first: None }
    }

    /// Bytes held that copies do not share, beside the structure itself.
    pub(super) fn own_bytes(&self) -> usize {
        self.cells.own_bytes()
    }

    fn index(&self, at: Nanos) -> usize {
        ((at - self.start).0.max(0) / self.width.0) as usize
    }

    /// The cell of a stamp, in which there is room for it.
    fn place(&mut self, at: Nanos) -> usize {
        while self.index(at) >= MOST_SECONDS {
            self.merge();
        }
        self.index(at)
    }

    fn merge(&mut self) {
        self.cells.join_pairs(|one, other| Cell {
            received: one.received.saturating_add(other.received),
            lost: one.lost.saturating_add(other.lost),
            interval_ms: one.interval_ms.max(other.interval_ms),
        });
        self.width = Nanos(self.width.0 * 2);
        self.covered = self.cells.iter().filter(|cell| cell.received > 0).count();
        self.first = self.first.map(|first| first / 2);
    }

    pub(super) fn receive(&mut self, at: Nanos) {
        let place = self.place(at);
        let cell = self.cells.cell_mut(place);
        cell.received = cell.received.saturating_add(1);
        if cell.received == 1 {
            self.covered += 1;
            self.first = Some(self.first.map_or(place, |first| first.min(place)));
        }
    }

    pub(super) fn lose(&mut self, from: Nanos, to: Nanos, count: u64) {
        let (last, first) = (self.place(to), self.index(from));
        let spans = (last - first + 1) as u64;
        for place in 0..spans {
            let share = count * (place + 1) / spans - count * place / spans;
            if share > 0 {
                let cell = self.cells.cell_mut(first + place as usize);
                cell.lost = cell.lost.saturating_add(share.min(u64::from(u16::MAX)) as u16);
            }
        }
    }

    /// A packet that was counted lost has come after all.
    pub(super) fn find(&mut self) {
        let newest = self.cells.len();
        let with_loss =
            self.cells.range(newest.saturating_sub(60), newest).rev().find(|(_, cell)| cell.lost > 0);
        if let Some((index, _)) = with_loss {
            self.cells.cell_mut(index).lost -= 1;
        }
    }

    pub(super) fn interval(&mut self, at: Nanos, interval: Nanos) {
        let place = self.place(at);
        let cell = self.cells.cell_mut(place);
        cell.interval_ms = cell.interval_ms.max(interval.millis() as f32);
    }

    /// All cells: start and end in seconds from the first record.
    pub(super) fn iter(&self) -> impl Iterator<Item = (f64, f64, Cell)> {
        self.cells_of(0, self.cells.len())
    }

    fn cells_of(&self, first: usize, end: usize) -> impl Iterator<Item = (f64, f64, Cell)> {
        let width = self.width.secs();
        self.cells.range(first, end).map(move |(index, cell)| {
            let from = index as f64 * width;
            (from, from + width, cell)
        })
    }

    /// Those that a window of time touches.
    pub(super) fn within(&self, from_s: f64, to_s: f64) -> impl Iterator<Item = (f64, f64, Cell)> {
        let width = self.width.secs();
        let first = (from_s / width).floor().max(0.0) as usize;
        let count = ((to_s - from_s).max(0.0) / width).ceil() as usize + 2;
        self.cells_of(first, first.saturating_add(count))
    }

    /// Whole cells with a packet, and all of them, from the first with a packet up to `now`.
    pub(super) fn availability(&self, now: Nanos) -> Option<f64> {
        let first = self.first?;
        let whole = self.index(now).max(first + 1);
        let after = self.cells.range(whole, usize::MAX).filter(|(_, cell)| cell.received > 0).count();
        Some((self.covered - after) as f64 / (whole - first) as f64)
    }
}
