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

    /// Reads the value at times that mostly go on from one to the next.
    #[must_use]
    pub const fn walk(&self) -> Walk<'a> {
        Walk { points: self.points, right: 0 }
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

/// Pearson's coefficient of pairs; `None` where either side does not vary.
#[must_use]
pub fn pearson(pairs: impl Iterator<Item = (f64, f64)> + Clone) -> Option<f64> {
    let (mut count, mut mean_x, mut mean_y) = (0.0, 0.0, 0.0);
    for (x, y) in pairs.clone() {
        count += 1.0;
        mean_x += x;
        mean_y += y;
    }
    mean_x /= count;
    mean_y /= count;
    let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
    for (x, y) in pairs {
        xx += (x - mean_x) * (x - mean_x);
        yy += (y - mean_y) * (y - mean_y);
        xy += (x - mean_x) * (y - mean_y);
    }
    (xx > 0.0 && yy > 0.0).then(|| xy / (xx * yy).sqrt())
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
    let (from, to, step) = lags;
    let steps = ((to - from) / step).round() as usize;
    let mut coefficients = vec![Vec::with_capacity(steps + 1); signals.len()];
    let mut reference: Vec<f64> = Vec::new();
    for index in 0..=steps {
        let lag = from + step * index as f64;
        reference.clear();
        for (trace, times) in pieces {
            let mut walk = trace.walk();
            reference.extend(times.iter().map(|&time| walk.at(time - lag).unwrap_or(f64::NAN)));
        }
        for (coefficients, signal) in coefficients.iter_mut().zip(signals) {
            let pairs = reference.iter().copied().zip(signal.iter().copied());
            let known = pairs.filter(|(x, y)| !x.is_nan() && !y.is_nan());
            coefficients.push(pearson(known).unwrap_or(0.0));
        }
    }
    coefficients.iter().map(|coefficients| peak(coefficients, from, step)).collect()
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
        let r = pearson(x.iter().copied().zip(y.iter().copied())).unwrap();
        assert!((r - 0.81642).abs() < 1e-5);
    }

    #[test]
    fn nothing_that_stands_still_correlates() {
        let still: Vec<(f64, f64)> = (0..50).map(|i| (f64::from(i), 5.0)).collect();
        assert_eq!(lag(&[(Trace::new(&still), &still)], (0.0, 20.0, 1.0)), None);
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
