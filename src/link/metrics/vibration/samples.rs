//! VIBRATION samples, bounded: exact up to 100,000, then every second, fourth, ... sample.

use crate::stats::quantile;
use crate::summary::VibrationAxis;
use crate::units::Nanos;

const MOST_SAMPLES: usize = 100_000;
const MOST_CELLS: usize = 100_000;
/// As many seconds as a freeze is looked at for.
const WINDOW: usize = 4;

/// Levels of the three axes.
#[derive(Clone, Debug)]
pub(super) struct Samples {
    kept: Vec<[f64; 3]>,
    stride: u64,
    seen: u64,
    largest: [f64; 3],
}

impl Default for Samples {
    fn default() -> Self {
        Self { kept: Vec::new(), stride: 1, seen: 0, largest: [f64::NEG_INFINITY; 3] }
    }
}

impl Samples {
    pub(super) fn push(&mut self, levels: [f64; 3]) {
        for (largest, level) in self.largest.iter_mut().zip(levels) {
            *largest = largest.max(level);
        }
        if self.seen.is_multiple_of(self.stride) {
            if self.kept.len() >= MOST_SAMPLES {
                self.kept = self.kept.iter().step_by(2).copied().collect();
                self.stride *= 2;
            }
            if self.seen.is_multiple_of(self.stride) {
                self.kept.push(levels);
            }
        }
        self.seen += 1;
    }

    pub(super) const fn is_empty(&self) -> bool {
        self.seen == 0
    }

    pub(super) fn axis(&self, axis: usize) -> VibrationAxis {
        let mut sorted: Vec<f64> = self.kept.iter().map(|levels| levels[axis]).collect();
        sorted.sort_by(f64::total_cmp);
        VibrationAxis {
            median: quantile::of_sorted(&sorted, 0.5),
            p95: quantile::of_sorted(&sorted, 0.95),
            max: (!self.is_empty()).then_some(self.largest[axis]),
        }
    }
}

/// The strongest levels and the clipping within one span of time.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Cell {
    pub(super) largest: Option<[f32; 3]>,
    pub(super) clipping: u32,
}

impl Cell {
    pub(super) fn join(self, other: Self) -> Self {
        let largest = match (self.largest, other.largest) {
            (Some(a), Some(b)) => Some([a[0].max(b[0]), a[1].max(b[1]), a[2].max(b[2])]),
            (a, b) => a.or(b),
        };
        Self { largest, clipping: self.clipping.saturating_add(other.clipping) }
    }
}

/// One cell a second; when all are full, pairs are joined and each covers twice the time.
#[derive(Clone, Debug)]
pub(super) struct Cells {
    width: Nanos,
    cells: Vec<Cell>,
}

impl Default for Cells {
    fn default() -> Self {
        Self { width: Nanos::from_secs(1), cells: Vec::new() }
    }
}

impl Cells {
    /// `since`: time since the first record.
    pub(super) fn put(&mut self, since: Nanos, cell: Cell) {
        while (since.0.max(0) / self.width.0) as usize >= MOST_CELLS {
            self.cells = self
                .cells
                .chunks(2)
                .map(|pair| pair.iter().fold(Cell::default(), |sum, cell| sum.join(*cell)))
                .collect();
            self.width = Nanos(self.width.0 * 2);
        }
        let index = (since.0.max(0) / self.width.0) as usize;
        if index >= self.cells.len() {
            self.cells.resize(index + 1, Cell::default());
        }
        self.cells[index] = self.cells[index].join(cell);
    }

    /// The strongest level of any axis within [`WINDOW`] cells on end, for each cell with a sample.
    pub(super) fn strongest(&self) -> impl Iterator<Item = f32> + '_ {
        let largest = |cell: &Cell| cell.largest.map(|[x, y, z]| x.max(y).max(z));
        (0..self.cells.len()).filter_map(move |index| {
            largest(&self.cells[index])?;
            let first = (index + 1).saturating_sub(WINDOW);
            self.cells[first..=index].iter().filter_map(largest).reduce(f32::max)
        })
    }

    /// Cells that a window of time touches, with their start in seconds.
    pub(super) fn within(&self, from_s: f64, to_s: f64) -> impl Iterator<Item = (f64, Cell)> {
        let width = self.width.secs();
        let first = (from_s / width).floor().max(0.0) as usize;
        self.cells
            .iter()
            .enumerate()
            .skip(first)
            .map(move |(index, cell)| (index as f64 * width, *cell))
            .take_while(move |(start_s, _)| *start_s < to_s)
    }
}
