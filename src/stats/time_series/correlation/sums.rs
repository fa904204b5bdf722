//! Sums over pairs of a reference and several signals at once, and Pearson's coefficient from them.

/// Signals are summed so many at a time.
pub(super) const LANES: usize = 4;

/// Values of [`LANES`] signals at one time, and 1 where they have one.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Lanes {
    values: [f64; LANES],
    known: [f64; LANES],
}

/// All signals' values, time by time: those of one time lie side by side. Each signal's first value is taken
/// off all of its values, so that sums of squares stay small.
#[derive(Clone, Debug)]
pub(super) struct Rows {
    fours: Vec<Lanes>,
    width: usize,
}

impl Rows {
    pub(super) fn new(signals: &[&[f64]]) -> Self {
        let width = signals.len().div_ceil(LANES);
        let count = signals.first().map_or(0, |signal| signal.len());
        let mut fours = vec![Lanes::default(); width * count];
        for (signal, values) in signals.iter().enumerate() {
            let origin = values.iter().copied().find(|value| !value.is_nan()).unwrap_or(0.0);
            for (row, value) in values.iter().enumerate().filter(|(_, value)| !value.is_nan()) {
                let four = &mut fours[row * width + signal / LANES];
                four.values[signal % LANES] = value - origin;
                four.known[signal % LANES] = 1.0;
            }
        }
        Self { fours, width }
    }

    /// Fours of one time.
    pub(super) const fn width(&self) -> usize {
        self.width
    }

    /// Those of `count` times from the `first` on.
    pub(super) fn of(&self, first: usize, count: usize) -> RowsOf<'_> {
        RowsOf { fours: &self.fours[first * self.width..(first + count) * self.width], width: self.width }
    }
}

/// The rows of one piece; at least one signal.
#[derive(Clone, Copy)]
pub(super) struct RowsOf<'a> {
    fours: &'a [Lanes],
    width: usize,
}

impl<'a> RowsOf<'a> {
    /// The same four signals, time by time.
    pub(super) fn place(self, place: usize) -> impl Iterator<Item = &'a Lanes> {
        self.fours.iter().skip(place).step_by(self.width)
    }

    /// Each row's sums of those before it, and of all.
    pub(super) fn sums_below(self) -> SumsBelow {
        let mut sums = vec![SignalSums::default(); self.width];
        let mut below = Vec::with_capacity(self.fours.len() + self.width);
        below.extend_from_slice(&sums);
        for row in self.fours.chunks_exact(self.width) {
            for (sums, four) in sums.iter_mut().zip(row) {
                sums.add(four);
            }
            below.extend_from_slice(&sums);
        }
        SumsBelow { below, width: self.width }
    }
}

/// Sums of the signals alone, of all rows before each.
pub(super) struct SumsBelow {
    below: Vec<SignalSums>,
    width: usize,
}

impl SumsBelow {
    /// Of all rows before this one.
    pub(super) fn of(&self, row: usize) -> &[SignalSums] {
        &self.below[row * self.width..(row + 1) * self.width]
    }
}

/// Sums of each of [`LANES`] signals y by itself.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct SignalSums {
    count: [f64; LANES],
    y: [f64; LANES],
    yy: [f64; LANES],
}

impl SignalSums {
    fn add(&mut self, four: &Lanes) {
        for lane in 0..LANES {
            let (y, known) = (four.values[lane], four.known[lane]);
            self.count[lane] += known;
            self.y[lane] += y;
            self.yy[lane] += y * y;
        }
    }
}

/// Sums over the pairs of a reference x and each of [`LANES`] signals y.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Sums {
    count: [f64; LANES],
    x: [f64; LANES],
    xx: [f64; LANES],
    y: [f64; LANES],
    yy: [f64; LANES],
    xy: [f64; LANES],
}

impl Sums {
    /// These, and those of further pairs, in their order: a copy stays in registers meanwhile.
    pub(super) fn with<'a>(mut self, pairs: impl Iterator<Item = (&'a Option<f64>, &'a Lanes)>) -> Self {
        for (x, four) in pairs {
            if let Some(x) = *x {
                self.add(x, four);
            }
        }
        self
    }

    #[inline]
    fn add(&mut self, x: f64, four: &Lanes) {
        for lane in 0..LANES {
            let (y, known) = (four.values[lane], four.known[lane]);
            self.count[lane] += known;
            self.x[lane] += known * x;
            self.xx[lane] += known * x * x;
            self.y[lane] += y;
            self.yy[lane] += y * y;
            self.xy[lane] += x * y;
        }
    }

    /// What came between two sums of a piece, beside an x that stayed the same.
    pub(super) fn add_level(&mut self, x: f64, low: &SignalSums, high: &SignalSums) {
        for lane in 0..LANES {
            let (count, y) = (high.count[lane] - low.count[lane], high.y[lane] - low.y[lane]);
            self.count[lane] += count;
            self.x[lane] += count * x;
            self.xx[lane] += count * x * x;
            self.y[lane] += y;
            self.yy[lane] += high.yy[lane] - low.yy[lane];
            self.xy[lane] += x * y;
        }
    }

    /// Pearson's coefficient; 0 where either side does not vary.
    pub(super) fn pearson(&self, lane: usize) -> f64 {
        let count = self.count[lane];
        let spread = |sum: f64, squares: f64| {
            let about = squares - sum * sum / count;
            // What rounding leaves of a side that stands still is not its spread.
            if about > 1e-12 * squares { about } else { 0.0 }
        };
        let (xx, yy) = (spread(self.x[lane], self.xx[lane]), spread(self.y[lane], self.yy[lane]));
        let xy = self.xy[lane] - self.x[lane] * self.y[lane] / count;
        if xx > 0.0 && yy > 0.0 { (xy / (xx * yy).sqrt()).clamp(-1.0, 1.0) } else { 0.0 }
    }
}

#[cfg(test)]
mod tests {
    use crate::stats::time_series::correlation::sums::*;

    /// Anscombe's first quartet (1973): r = 0.816 (0.81642 to five digits, The American Statistician 27).
    #[test]
    fn pearson_matches_anscombe() {
        let x = [10.0, 8.0, 13.0, 9.0, 11.0, 14.0, 6.0, 4.0, 12.0, 7.0, 5.0];
        let y = [8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68];
        let rows = Rows::new(&[&y]);
        let mut sums = Sums::default();
        for (x, row) in x.iter().zip(&rows.fours) {
            sums.add(x - 10.0, row);
        }
        assert!((sums.pearson(0) - 0.81642).abs() < 1e-5);
    }
}
