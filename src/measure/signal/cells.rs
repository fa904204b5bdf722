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

    fn take(&mut self, level: LevelCell, count: f64) {
        self.min = self.min.min(level.min);
        self.max = self.max.max(level.max);
        self.sum += level.mean * count;
        self.count += count;
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
            columns[column].take(LevelCell { min: level, mean: level, max: level }, 1.0);
        }
    }
    columns.into_iter().map(Column::cell).collect()
}

/// Cells of levels at whole seconds (index 0: at 1 s). A level speaks for the second before it, so
/// that narrow columns within one second share it; so they do with what is kept of an older span.
pub(super) fn of_seconds(seconds: &Series<f32>, view: View) -> Vec<Option<LevelCell>> {
    let mut columns = vec![Column::NONE; usize::from(view.columns)];
    let (from, to) = (view.from_s.max(0.0) as usize, view.to_s.max(0.0).ceil() as usize);
    for (cell, levels) in seconds.known(from, to) {
        let (start_s, end_s) = (cell.start as f64, cell.end as f64);
        let level = LevelCell {
            min: f64::from(levels.min),
            mean: f64::from(levels.mean),
            max: f64::from(levels.max),
        };
        if view.column_s() >= end_s - start_s {
            if let Some(column) = view.column_of(f64::midpoint(start_s, end_s)) {
                columns[column].take(level, end_s - start_s);
            }
        } else {
            let shown = view.columns_showing(start_s, end_s);
            columns[shown].iter_mut().for_each(|column| column.take(level, 1.0));
        }
    }
    columns.into_iter().map(Column::cell).collect()
}
