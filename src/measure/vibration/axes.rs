//! VIBRATION samples, bounded: exact up to 100,000, then every second, fourth, ... sample; and by the second.

use crate::measure::series;
use crate::measure::series::Series;
use crate::stats::sample::quantile;
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
        Self { kept: Series::new(), stride: 1, seen: 0, largest: [f64::NEG_INFINITY; 3] }
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
                let mut halved = Series::new();
                self.kept.iter().step_by(2).for_each(|levels| halved.push(levels));
                self.kept = halved;
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

/// The strongest levels and the clipping within one second, or several.
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

    /// The largest of any axis; NaN: no sample.
    pub(super) fn strongest(&self) -> f32 {
        self.largest().map_or(f32::NAN, |[x, y, z]| x.max(y).max(z))
    }

    pub(super) fn join(self, other: Self) -> Self {
        let [a, b] = [self.levels, other.levels];
        // The larger of NaN and a number is the number.
        let levels = [a[0].max(b[0]), a[1].max(b[1]), a[2].max(b[2])];
        Self { levels, clipping: self.clipping.saturating_add(other.clipping) }
    }
}

impl series::Cell for Cell {
    const EMPTY: Self = Self::EMPTY;
}

impl series::Cell for [f32; 3] {
    const EMPTY: Self = [0.0; 3];
}

/// The session by the second.
#[derive(Clone, Debug, Default)]
pub(super) struct Cells {
    cells: Series<Cell>,
}

impl Cells {
    /// `since`: time since the first record.
    pub(super) fn put(&mut self, since: Nanos, cell: Cell) {
        if let Some(here) = self.cells.cell_mut(since.whole_secs()) {
            *here = here.join(cell);
        }
    }

    /// The strongest level of any axis within [`WINDOW`] seconds on end, for each second with a sample.
    pub(super) fn strongest(&self) -> impl Iterator<Item = f32> + '_ {
        let with_sample = self.cells.range(0, usize::MAX).filter(|(_, cell)| cell.largest().is_some());
        with_sample.filter_map(|(second, _)| {
            let window = self.cells.range((second + 1).saturating_sub(WINDOW), second + 1);
            window.map(|(_, cell)| cell.strongest()).reduce(f32::max)
        })
    }

    /// What the seconds that a window of time touches held.
    pub(super) fn within(&self, from_s: f64, to_s: f64) -> impl Iterator<Item = (usize, Cell)> {
        let (first, end) = (from_s.max(0.0).floor() as usize, to_s.max(0.0).ceil() as usize);
        self.cells.range(first, end)
    }
}
