//! Levels in the columns of a window: smallest, mean and largest.

use crate::link::series::Series;
use crate::snapshot::{LevelCell, View};

#[derive(Clone, Copy)]
struct Column {
    min: f64,
    max: f64,
    sum: f64,
    count: f64,
}

/// Cells of points (seconds from the first record, level).
pub(super) fn of_points(points: impl Iterator<Item = (f64, f64)>, view: View) -> Vec<Option<LevelCell>> {
    let mut columns: Vec<Option<Column>> = vec![None; usize::from(view.columns)];
    for (at_s, level) in points {
        let Some(index) = view.column_of(at_s) else { continue };
        let column = columns[index].get_or_insert(Column { min: level, max: level, sum: 0.0, count: 0.0 });
        column.min = column.min.min(level);
        column.max = column.max.max(level);
        column.sum += level;
        column.count += 1.0;
    }
    let cell =
        |column: Column| LevelCell { min: column.min, mean: column.sum / column.count, max: column.max };
    columns.into_iter().map(|column| column.map(cell)).collect()
}

/// Cells of levels at whole seconds (index 0: at 1 s). A level speaks for the second before it, so
/// that narrow columns within one second share it.
pub(super) fn of_seconds(seconds: &Series<f32>, view: View) -> Vec<Option<LevelCell>> {
    let width = view.column_s();
    if width >= 1.0 {
        let first = view.from_s.max(0.0) as usize;
        let last = (view.to_s.max(0.0).ceil() as usize).min(seconds.len());
        let points = (first..last.max(first))
            .filter_map(|index| Some((index as f64 + 0.5, f64::from(seconds.number(index)?))));
        return of_points(points, view);
    }
    (0..usize::from(view.columns))
        .map(|column| {
            let middle = view.from_s + width * (column as f64 + 0.5);
            if middle < 0.0 {
                return None;
            }
            let level = f64::from(seconds.number(middle as usize)?);
            Some(LevelCell { min: level, mean: level, max: level })
        })
        .collect()
}
