//! Lag of the greatest cross-correlation, with sub-sample interpolation.
//!
//! The signal is sampled at its own, uneven times; the reference is read between its
//! samples by straight lines. Pearson's coefficient is taken at each lag of a grid, and the
//! peak of its magnitude is placed by the parabola through the three points around it
//! (Jacovitti and Scarano, IEEE Trans. Signal Processing 41, 1993, on such interpolation).
//! Times and lag in one unit, any.

/// The lag of the greatest correlation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lag {
    /// By how much the signal is behind the reference.
    pub lag: f64,
    /// Pearson's coefficient there; negative where the signal is reversed.
    pub coefficient: f64,
}

/// A series that is read between its samples.
#[derive(Clone, Copy, Debug)]
pub struct Trace<'a> {
    points: &'a [(f64, f64)],
}

impl<'a> Trace<'a> {
    /// Of samples in order of time.
    #[must_use]
    pub const fn new(points: &'a [(f64, f64)]) -> Self {
        Self { points }
    }

    /// The value by straight lines; `None` outside of the samples.
    #[must_use]
    pub fn at(&self, time: f64) -> Option<f64> {
        Walk { points: self.points, right: self.points.partition_point(|point| point.0 < time) }.at(time)
    }

    /// Where all samples have one value.
    fn level(&self) -> Option<Level> {
        Level::of(self.points.iter().copied())
    }

    /// Reads the value at times that mostly go on from one to the next.
    #[must_use]
    pub const fn walk(&self) -> Walk<'a> {
        Walk { points: self.points, right: 0 }
    }
}

/// A trace that stays at one value over its span.
#[derive(Clone, Copy, Debug)]
pub struct Level {
    /// The value.
    pub value: f64,
    /// Time of the first sample.
    pub from: f64,
    /// Time of the last one.
    pub to: f64,
}

impl Level {
    /// Of samples in order of time; `None` where they differ, and without any.
    pub fn of(mut points: impl Iterator<Item = (f64, f64)>) -> Option<Self> {
        let first = points.next()?;
        let last = points.try_fold(first, |_, point| (point.1 == first.1).then_some(point))?;
        Some(Self { value: first.1, from: first.0, to: last.0 })
    }
}

/// A place in a trace.
#[derive(Clone, Debug)]
pub struct Walk<'a> {
    points: &'a [(f64, f64)],
    /// The first sample that is not before the time read last.
    right: usize,
}

impl Walk<'_> {
    /// As [`Trace::at`].
    pub fn at(&mut self, time: f64) -> Option<f64> {
        while self.right > 0 && self.points[self.right - 1].0 >= time {
            self.right -= 1;
        }
        while self.points.get(self.right).is_some_and(|point| point.0 < time) {
            self.right += 1;
        }
        let after = self.points.get(self.right).filter(|_| !time.is_nan())?;
        if after.0 <= time {
            return Some(after.1);
        }
        let before = self.points.get(self.right.checked_sub(1)?)?;
        Some(before.1 + (after.1 - before.1) * (time - before.0) / (after.0 - before.0))
    }
}

/// Pieces of a reference trace, each with the signal's samples that belong to it.
pub type Piece<'a> = (Trace<'a>, &'a [(f64, f64)]);

/// The lag, searched from `lags.0` to `lags.1` in steps of `lags.2`; `None` where
/// nothing varies or the peak lies on the border of the search.
#[must_use]
pub fn lag(pieces: &[Piece<'_>], lags: (f64, f64, f64)) -> Option<Lag> {
    let times: Vec<Vec<f64>> =
        pieces.iter().map(|(_, signal)| signal.iter().map(|sample| sample.0).collect()).collect();
    let values: Vec<f64> =
        pieces.iter().flat_map(|(_, signal)| signal.iter().map(|sample| sample.1)).collect();
    let timed: Vec<Timed<'_>> =
        pieces.iter().zip(&times).map(|((trace, _), times)| (*trace, times.as_slice())).collect();
    lags_of(&timed, &[&values], lags).pop().flatten()
}

/// Pieces of a reference trace, each with the times of samples that several signals share.
pub type Timed<'a> = (Trace<'a>, &'a [f64]);

/// The lag of each of several signals behind one reference, as [`lag`] finds them one by one. A signal
/// holds its values at all times of all pieces, NaN where it has none; a time that is NaN has none.
#[must_use]
pub fn lags_of(pieces: &[Timed<'_>], signals: &[&[f64]], lags: (f64, f64, f64)) -> Vec<Option<Lag>> {
    if signals.is_empty() {
        return Vec::new();
    }
    let (from, to, step) = lags;
    let steps = ((to - from) / step).round() as usize;
    let rows = Rows::new(signals);
    let origin = pieces.iter().find_map(|(trace, _)| trace.points.first()).map_or(0.0, |point| point.1);
    let mut sums = vec![Sums::default(); (steps + 1) * rows.width];
    let mut first = 0;
    for (trace, times) in pieces {
        let own = rows.of(first, times.len());
        first += times.len();
        let at_lags = sums.chunks_exact_mut(rows.width).enumerate();
        let at_lags = at_lags.map(|(index, sums)| (from + step * index as f64, sums));
        if let (Some(level), true) = (trace.level(), times.is_sorted()) {
            let below = rows.sums_below(own);
            for (lag, sums) in at_lags {
                let past = |edge: f64| times.partition_point(|time| time - lag <= edge);
                let (low, high) = (times.partition_point(|time| time - lag < level.from), past(level.to));
                let part = |row: usize| &below[row * rows.width..(row + 1) * rows.width];
                for ((sums, low), high) in sums.iter_mut().zip(part(low)).zip(part(high.max(low))) {
                    sums.add_level(level.value - origin, low, high);
                }
            }
        } else {
            let mut values = Vec::with_capacity(times.len());
            for (lag, sums) in at_lags {
                let mut walk = trace.walk();
                values.clear();
                values.extend(times.iter().map(|time| walk.at(time - lag).map(|value| value - origin)));
                for (place, sums) in sums.iter_mut().enumerate() {
                    let fours = own.iter().skip(place).step_by(rows.width);
                    *sums = sums.with(values.iter().zip(fours));
                }
            }
        }
    }
    let coefficients = |signal: usize| -> Vec<f64> {
        sums.chunks_exact(rows.width).map(|sums| sums[signal / LANES].pearson(signal % LANES)).collect()
    };
    (0..signals.len()).map(|signal| peak(&coefficients(signal), from, step)).collect()
}

/// Signals are summed so many at a time.
const LANES: usize = 4;

/// Values of [`LANES`] signals at one time, and 1 where they have one.
#[derive(Clone, Copy, Debug, Default)]
struct Four {
    values: [f64; LANES],
    known: [f64; LANES],
}

/// All signals' values, time by time: those of one time lie side by side. Each signal's first value is taken
/// off all of its values, so that sums of squares stay small.
struct Rows {
    fours: Vec<Four>,
    width: usize,
}

impl Rows {
    fn new(signals: &[&[f64]]) -> Self {
        let width = signals.len().div_ceil(LANES);
        let count = signals.first().map_or(0, |signal| signal.len());
        let mut fours = vec![Four::default(); width * count];
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

    fn of(&self, first: usize, count: usize) -> &[Four] {
        &self.fours[first * self.width..(first + count) * self.width]
    }

    /// Of rows: each one's sums of those before it, and of all.
    fn sums_below(&self, rows: &[Four]) -> Vec<Sums> {
        let mut sums = vec![Sums::default(); self.width];
        let mut below = sums.clone();
        for row in rows.chunks_exact(self.width) {
            for (sums, four) in sums.iter_mut().zip(row) {
                sums.add(0.0, four);
            }
            below.extend_from_slice(&sums);
        }
        below
    }
}

/// Sums over the pairs of a reference x and each of [`LANES`] signals y.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    count: [f64; LANES],
    x: [f64; LANES],
    xx: [f64; LANES],
    y: [f64; LANES],
    yy: [f64; LANES],
    xy: [f64; LANES],
}

impl Sums {
    /// These, and those of further pairs, in their order: a copy stays in registers meanwhile.
    fn with<'a>(mut self, pairs: impl Iterator<Item = (&'a Option<f64>, &'a Four)>) -> Self {
        for (x, four) in pairs {
            if let Some(x) = *x {
                self.add(x, four);
            }
        }
        self
    }

    #[inline]
    fn add(&mut self, x: f64, four: &Four) {
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
    fn add_level(&mut self, x: f64, low: &Self, high: &Self) {
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
    fn pearson(&self, lane: usize) -> f64 {
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

/// The lag of the greatest coefficient; `None` on the border.
fn peak(coefficients: &[f64], from: f64, step: f64) -> Option<Lag> {
    let best =
        (0..coefficients.len()).max_by(|&a, &b| coefficients[a].abs().total_cmp(&coefficients[b].abs()))?;
    let peak = coefficients[best].abs();
    if peak == 0.0 || best == 0 || best + 1 == coefficients.len() {
        return None;
    }
    let (before, after) = (coefficients[best - 1].abs(), coefficients[best + 1].abs());
    let bend = before - 2.0 * peak + after;
    let shift = if bend < 0.0 { 0.5 * (before - after) / bend } else { 0.0 };
    Some(Lag { lag: from + step * (best as f64 + shift.clamp(-0.5, 0.5)), coefficient: coefficients[best] })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sine shifted by a known, uneven amount; the oracle is the shift itself.
    #[test]
    fn finds_a_known_shift_between_the_steps() {
        let wave = |time: f64| (time * 0.011).sin() * 300.0 + (time * 0.027).cos() * 100.0;
        let reference: Vec<(f64, f64)> =
            (0..400).map(|i| (f64::from(i) * 10.0, wave(f64::from(i) * 10.0))).collect();
        for shift in [3.3, 41.7, 160.2] {
            let signal: Vec<(f64, f64)> = (0..90)
                .map(|i| f64::from(i) * 41.0 + 300.0)
                .map(|time| (time, 1500.0 - 0.7 * wave(time - shift)))
                .collect();
            let found = lag(&[(Trace::new(&reference), &signal)], (-20.0, 400.0, 10.0)).unwrap();
            assert!((found.lag - shift).abs() < 1.0, "{} for {shift}", found.lag);
            assert!(found.coefficient < -0.99);
        }
    }

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

    /// A vehicle that is not armed: sticks move, and no output does.
    #[test]
    fn without_signals_there_are_no_lags() {
        let points = [(0.0, 1.0), (1.0, 2.0)];
        assert_eq!(lags_of(&[(Trace::new(&points), &[0.5])], &[], (0.0, 20.0, 1.0)), []);
    }

    #[test]
    fn nothing_that_stands_still_correlates() {
        let still: Vec<(f64, f64)> = (0..50).map(|i| (f64::from(i), 5.0)).collect();
        assert_eq!(lag(&[(Trace::new(&still), &still)], (0.0, 20.0, 1.0)), None);
    }

    /// Pieces in which the reference stands still say how far the signal goes by itself: beside a moving piece
    /// they must weigh as they do where every value is looked up (the times told out of order ask for that).
    #[test]
    fn a_reference_that_stands_still_weighs_as_any_other() {
        let moving: Vec<(f64, f64)> = (0..100).map(|k| (f64::from(k), (f64::from(k) * 0.13).sin())).collect();
        let still: Vec<(f64, f64)> = (0..100).map(|k| (f64::from(k), 0.4)).collect();
        let times: Vec<f64> = (0..30).map(|k| 25.0 + 2.3 * f64::from(k)).collect();
        let value = |time: f64| ((time - 7.0) * 0.13).sin();
        let wobble = |time: f64| 0.3 * (time * 0.7).cos();
        let mut signal: Vec<f64> = times.iter().map(|&time| value(time)).collect();
        signal.extend(times.iter().map(|&time| wobble(time)));
        let grid = (-4.0, 24.0, 2.0);
        let ordered =
            lags_of(&[(Trace::new(&moving), &times), (Trace::new(&still), &times)], &[&signal], grid);
        let mut turned = times.clone();
        turned.reverse();
        let mut turned_signal: Vec<f64> = times.iter().map(|&time| value(time)).collect();
        turned_signal.extend(turned.iter().map(|&time| wobble(time)));
        let pieces = [(Trace::new(&moving), times.as_slice()), (Trace::new(&still), turned.as_slice())];
        let looked_up = lags_of(&pieces, &[&turned_signal], grid);
        let (a, b) = (ordered[0].unwrap(), looked_up[0].unwrap());
        assert!((a.lag - b.lag).abs() < 1e-9 && (a.coefficient - b.coefficient).abs() < 1e-12, "{a:?} {b:?}");
        let alone = lags_of(&[(Trace::new(&moving), &times)], &[&signal[..30]], grid)[0].unwrap();
        assert!(alone.coefficient > 0.99 && a.coefficient < 0.98, "{alone:?} {a:?}");
    }

    /// Several signals at shared times give what each gives alone; the oracle is the plain search.
    #[test]
    fn signals_together_lag_as_each_alone() {
        let reference: Vec<(f64, f64)> =
            (0..200).map(|k| (f64::from(k), (f64::from(k) * 0.11).sin())).collect();
        let times: Vec<f64> =
            (0..40).map(|k| 30.0 + 3.7 * f64::from(k) - if k == 7 { 5.0 } else { 0.0 }).collect();
        let value = |time: f64, lag: f64| ((time - lag) * 0.11).sin();
        let one: Vec<f64> = times.iter().map(|&time| value(time, 6.3)).collect();
        let mut other: Vec<f64> = times.iter().map(|&time| -value(time, 11.8)).collect();
        other[5] = f64::NAN;
        let grid = (-4.0, 24.0, 2.0);
        let trace = Trace::new(&reference);
        let together = lags_of(&[(trace, &times)], &[&one, &other], grid);
        for (signal, found) in [&one, &other].into_iter().zip(&together) {
            let known = times.iter().copied().zip(signal.iter().copied());
            let known: Vec<(f64, f64)> = known.filter(|sample| !sample.1.is_nan()).collect();
            assert_eq!(lag(&[(trace, &known)], grid), *found);
        }
        assert!(
            (together[0].unwrap().lag - 6.3).abs() < 0.2 && (together[1].unwrap().lag - 11.8).abs() < 0.2
        );
        assert!(together[1].unwrap().coefficient < -0.99);
    }
}
