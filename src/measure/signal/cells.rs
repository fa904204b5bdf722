//! Levels in the columns of a window: smallest, mean and largest.

use crate::measure::series::Series;
use crate::snapshot::{LevelCell, View};

#[derive(Clone, Copy)]
struct Column {
    min: f64,
    max: f64,
    sum: f64,
    count: f64,
}

impl Column {
    const NONE: Self = Self { min: f64::INFINITY, max: f64::NEG_INFINITY, sum: 0.0, count: 0.0 };

    fn take(&mut self, level: f64) {
        self.min = self.min.min(level);
        self.max = self.max.max(level);
        self.sum += level;
        self.count += 1.0;
    }

    fn cell(self) -> Option<LevelCell> {
        (self.count > 0.0).then(|| LevelCell { min: self.min, mean: self.sum / self.count, max: self.max })
    }
}

/// Cells of points (seconds from the first record, level).
pub(super) fn of_points(points: impl Iterator<Item = (f64, f64)>, view: View) -> Vec<Option<LevelCell>> {
    let mut columns = vec![Column::NONE; usize::from(view.columns)];
    for (at_s, level) in points {
        if let Some(column) = view.column_of(at_s) {
            columns[column].take(level);
        }
    }
    columns.into_iter().map(Column::cell).collect()
}

/// Cells of levels at whole seconds (index 0: at 1 s). A level speaks for the second before it, so
/// that narrow columns within one second share it.
pub(super) fn of_seconds(seconds: &Series<f32>, view: View) -> Vec<Option<LevelCell>> {
    let mut columns = vec![Column::NONE; usize::from(view.columns)];
    let (from, to) = (view.from_s.max(0.0) as usize, view.to_s.max(0.0).ceil() as usize);
    for (second, level) in seconds.known(from, to) {
        let (start_s, level) = (second as f64, f64::from(level));
        if view.column_s() >= 1.0 {
            if let Some(column) = view.column_of(start_s + 0.5) {
                columns[column].take(level);
            }
        } else {
            let shown = view.columns_showing(start_s, start_s + 1.0);
            columns[shown].iter_mut().for_each(|column| column.take(level));
        }
    }
    columns.into_iter().map(Column::cell).collect()
}
