//! VIBRATION samples, bounded: exact up to 100,000, then every second, fourth, ... sample.

use crate::link::series::{MOST_SECONDS, Series};
use crate::stats::quantile;
use crate::summary::VibrationAxis;
use crate::units::Nanos;

const MOST_SAMPLES: usize = 100_000;
/// As many seconds as a freeze is looked at for.
const WINDOW: usize = 4;

/// Levels of the three axes.
#[derive(Clone, Debug)]
pub(super) struct Samples {
    kept: Series<[f32; 3]>,
    stride: u64,
    seen: u64,
    largest: [f64; 3],
}

impl Default for Samples {
    fn default() -> Self {
        Self {
            kept: Series::new([0.0; 3], MOST_SAMPLES),
            stride: 1,
            seen: 0,
            largest: [f64::NEG_INFINITY; 3],
        }
    }
}

impl Samples {
    /// Levels are sent as 32 bit floats.
    pub(super) fn push(&mut self, levels: [f64; 3]) {
        for (largest, level) in self.largest.iter_mut().zip(levels) {
            *largest = largest.max(level);
        }
        if self.seen.is_multiple_of(self.stride) {
            if self.kept.len() >= MOST_SAMPLES {
                self.kept.join_pairs(|first, _| first);
                self.stride *= 2;
            }
            if self.seen.is_multiple_of(self.stride) {
                self.kept.push(levels.map(|level| level as f32));
            }
        }
        self.seen += 1;
    }

    pub(super) const fn is_empty(&self) -> bool {
        self.seen == 0
    }

    pub(super) fn axis(&self, axis: usize) -> VibrationAxis {
        let mut levels: Vec<f64> = self.kept.iter().map(|levels| f64::from(levels[axis])).collect();
        VibrationAxis {
            median: quantile::select(&mut levels, 0.5),
            p95: quantile::select(&mut levels, 0.95),
            max: (!self.is_empty()).then_some(self.largest[axis]),
        }
    }
}

/// The strongest levels and the clipping within one span of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Cell {
    /// NaN: no sample.
    levels: [f32; 3],
    pub(super) clipping: u32,
}

impl Cell {
    pub(super) const EMPTY: Self = Self { levels: [f32::NAN; 3], clipping: 0 };

    pub(super) const fn new(levels: [f32; 3], clipping: u32) -> Self {
        Self { levels, clipping }
    }

    /// The largest level of each axis.
    pub(super) fn largest(&self) -> Option<[f32; 3]> {
        (!self.levels[0].is_nan()).then_some(self.levels)
    }

    pub(super) fn join(self, other: Self) -> Self {
        let [a, b] = [self.levels, other.levels];
        // The larger of NaN and a number is the number.
        let levels = [a[0].max(b[0]), a[1].max(b[1]), a[2].max(b[2])];
        Self { levels, clipping: self.clipping.saturating_add(other.clipping) }
    }
}

/// One cell a second; when all are full, pairs are joined and each covers twice the time.
#[derive(Clone, Debug)]
pub(super) struct Cells {
    width: Nanos,
    cells: Series<Cell>,
}

impl Default for Cells {
    fn default() -> Self {
        Self { width: Nanos::from_secs(1), cells: Series::new(Cell::EMPTY, MOST_SECONDS) }
    }
}

impl Cells {
    /// `since`: time since the first record.
    pub(super) fn put(&mut self, since: Nanos, cell: Cell) {
        while (since.0.max(0) / self.width.0) as usize >= MOST_SECONDS {
            self.cells.join_pairs(Cell::join);
            self.width = Nanos(self.width.0 * 2);
        }
        let here = self.cells.cell_mut((since.0.max(0) / self.width.0) as usize);
        *here = here.join(cell);
    }

    /// The strongest level of any axis within [`WINDOW`] cells on end, for each cell with a sample.
    pub(super) fn strongest(&self) -> impl Iterator<Item = f32> + '_ {
        let mut recent = [f32::NAN; WINDOW];
        self.cells.iter().enumerate().filter_map(move |(index, cell)| {
            let largest = cell.largest().map(|[x, y, z]| x.max(y).max(z));
            recent[index % WINDOW] = largest.unwrap_or(f32::NAN);
            largest?;
            recent.into_iter().reduce(f32::max)
        })
    }

    /// The width of a cell, in seconds.
    pub(super) fn width_s(&self) -> f64 {
        self.width.secs()
    }

    /// Cells that a window of time touches, with their start in seconds.
    pub(super) fn within(&self, from_s: f64, to_s: f64) -> impl Iterator<Item = (f64, Cell)> {
        let width = self.width.secs();
        let index = |at_s: f64| (at_s / width).max(0.0);
        let (first, end) = (index(from_s).floor() as usize, index(to_s).ceil() as usize);
        self.cells.range(first, end).map(move |(index, cell)| (index as f64 * width, cell))
    }
}
