//! Packets and frame intervals by the second, bounded.
//!
//! One cell a second since the first record; when 100,000 cells are full, pairs are merged and
//! each covers twice the time. A gap is spread evenly over the silence before the packet that
//! showed it; a late packet is taken off the newest cell that still has a loss.

use crate::units::Nanos;

const MOST_CELLS: usize = 100_000;

/// What one span of time held.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Cell {
    pub(super) received: u32,
    pub(super) lost: u32,
    /// Longest interval between delivered frames that ended here, ms; 0: none ended.
    pub(super) interval_ms: f32,
}

/// Cells of one stream.
#[derive(Clone, Debug)]
pub(super) struct Series {
    start: Nanos,
    width: Nanos,
    cells: Vec<Cell>,
}

impl Series {
    pub(super) const fn new(start: Nanos) -> Self {
        Self { start, width: Nanos::from_secs(1), cells: Vec::new() }
    }

    fn index(&self, at: Nanos) -> usize {
        ((at - self.start).0.max(0) / self.width.0) as usize
    }

    fn cell(&mut self, at: Nanos) -> &mut Cell {
        while self.index(at) >= MOST_CELLS {
            self.merge();
        }
        let index = self.index(at);
        if index >= self.cells.len() {
            self.cells.resize(index + 1, Cell::default());
        }
        &mut self.cells[index]
    }

    fn merge(&mut self) {
        self.cells = self
            .cells
            .chunks(2)
            .map(|pair| {
                pair.iter().fold(Cell::default(), |sum, cell| Cell {
                    received: sum.received.saturating_add(cell.received),
                    lost: sum.lost.saturating_add(cell.lost),
                    interval_ms: sum.interval_ms.max(cell.interval_ms),
                })
            })
            .collect();
        self.width = Nanos(self.width.0 * 2);
    }

    pub(super) fn receive(&mut self, at: Nanos) {
        let cell = self.cell(at);
        cell.received = cell.received.saturating_add(1);
    }

    pub(super) fn lose(&mut self, from: Nanos, to: Nanos, count: u64) {
        self.cell(to);
        let (first, last) = (self.index(from), self.index(to));
        let spans = (last - first + 1) as u64;
        for (place, cell) in self.cells[first..=last].iter_mut().enumerate() {
            let place = place as u64;
            let share = count * (place + 1) / spans - count * place / spans;
            cell.lost = cell.lost.saturating_add(share.min(u64::from(u32::MAX)) as u32);
        }
    }

    /// A packet that was counted lost has come after all.
    pub(super) fn find(&mut self) {
        if let Some(cell) = self.cells.iter_mut().rev().take(60).find(|cell| cell.lost > 0) {
            cell.lost -= 1;
        }
    }

    pub(super) fn interval(&mut self, at: Nanos, interval: Nanos) {
        let cell = self.cell(at);
        cell.interval_ms = cell.interval_ms.max(interval.millis() as f32);
    }

    /// Cells from the first that held anything: start and end in seconds from the first record.
    pub(super) fn iter(&self) -> impl Iterator<Item = (f64, f64, Cell)> {
        let width = self.width.secs();
        self.cells.iter().enumerate().map(move |(index, cell)| {
            let from = index as f64 * width;
            (from, from + width, *cell)
        })
    }

    /// Those that a window of time touches.
    pub(super) fn within(&self, from_s: f64, to_s: f64) -> impl Iterator<Item = (f64, f64, Cell)> {
        let width = self.width.secs();
        let first = (from_s / width).floor().max(0.0) as usize;
        let count = ((to_s - from_s).max(0.0) / width).ceil() as usize + 2;
        self.iter().skip(first).take(count)
    }

    /// Whole cells with a packet, and all of them, from the first with a packet up to `now`.
    pub(super) fn availability(&self, now: Nanos) -> Option<f64> {
        let first = self.cells.iter().position(|cell| cell.received > 0)?;
        let whole = self.index(now).max(first + 1);
        let with_data = self.cells[first..].iter().take(whole - first).filter(|cell| cell.received > 0);
        Some(with_data.count() as f64 / (whole - first) as f64)
    }
}
