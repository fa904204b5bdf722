//! How much more an item needs before its interval lies on one side of its limit.
//!
//! An interval shrinks with the root of what lies behind it: n (reach / distance)^2 in all, where reach goes from the
//! figure to the end of its interval on the limit's side. `None` beyond ten times as much: the figure is at its limit.

use crate::summary::{BenchRow, BenchWord};

const MOST_TIMES: f64 = 10.0;

/// Whether more of the same may still settle it.
pub(super) fn open(row: &BenchRow) -> bool {
    row.word == BenchWord::NotProven
}

/// How much more than the `so_far`.
pub(super) fn more(row: &BenchRow, so_far: f64) -> Option<u64> {
    let (value, [low, high]) = row.value.zip(row.interval)?;
    let reach = if value <= row.limit { high - value } else { value - low };
    let times = (reach / (row.limit - value)).powi(2);
    (times <= MOST_TIMES).then(|| ((times - 1.0) * so_far).ceil().max(1.0) as u64)
}
