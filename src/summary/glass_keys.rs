//! Part of the machine-readable output, schema 1: keys may be added, none renamed.

use serde::Serialize;

use crate::units::interval::Interval;

/// The delay of the picture, from photographs: what `stopwatch --json` prints.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PictureDelay {
    /// Photographs read.
    pub photographs: usize,
    /// Mean age of the picture.
    pub glass_to_glass_ms: f64,
    /// 95 %, refresh and exposure included; never below 0.
    pub glass_to_glass_ci95_ms: Interval,
    /// Standard deviation of the readings.
    pub scatter_ms: f64,
    /// Half the interval that any number of photographs would leave.
    pub floor_ms: f64,
    /// Photographs, counted from 1, that lie far from the others: to be read again.
    pub photographs_apart: Vec<usize>,
}
