//! Lag of the greatest cross-correlation, with sub-sample interpolation.
//!
//! The signal is sampled at its own, uneven times; the reference is read between its samples by straight lines.
//! Pearson's coefficient is taken at each lag of a grid. The peak of its magnitude is placed by the parabola through
//! the three points around it (Jacovitti and Scarano, IEEE Trans. Signal Processing 41, 1993, on such
//! interpolation). Times and lag in one unit, any.

mod sums;

use sums::{LANES, Rows, RowsOf, Sums, SumsBelow};

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
    /// The value by straight lines; `None` outside of the samples.
    pub fn at(&mut self, time: f64) -> Option<f64> {
        self.go_to(time);
        let after = self.points.get(self.right).filter(|_| !time.is_nan())?;
        if after.0 <= time {
            return Some(after.1);
        }
        let before = self.points.get(self.right.checked_sub(1)?)?;
        if before.1 == after.1 {
            return Some(before.1);
        }
        Some(before.1 + (after.1 - before.1) * (time - before.0) / (after.0 - before.0))
    }

    fn go_to(&mut self, time: f64) {
        while self.right > 0 && self.points[self.right - 1].0 >= time {
            self.right -= 1;
        }
        while self.points.get(self.right).is_some_and(|point| point.0 < time) {
            self.right += 1;
        }
    }
}

/// What a reference does over a piece.
#[derive(Clone, Copy, Debug)]
pub enum Course<'a> {
    /// It stays at one value.
    Standing(Level),
    /// It is read between its samples.
    Moving(Trace<'a>),
}

/// The lags of several signals behind several references: what is the same for all references is looked at once.
#[derive(Clone, Debug)]
pub struct Search {
    from: f64,
    step: f64,
    /// Lags of the grid.
    count: usize,
    signals: usize,
    rows: Rows,
    /// Samples of the pieces so far.
    taken: usize,
    references: Vec<ReferenceSums>,
}

/// One reference with all signals, over the pieces so far.
#[derive(Clone, Debug)]
struct ReferenceSums {
    /// Its first value, which is taken off all, so that sums of squares stay small.
    origin: Option<f64>,
    /// Those of one lag lie side by side.
    sums: Vec<Sums>,
}

impl Search {
    /// Over lags from the first to the second in steps of the third. A signal holds its values at all times of all pieces, NaN where it has none.
    #[must_use]
    pub fn new(references: usize, signals: &[&[f64]], (from, to, step): (f64, f64, f64)) -> Self {
        let count = ((to - from) / step).round() as usize + 1;
        let rows = Rows::new(signals);
        let sums = vec![Sums::default(); count * rows.width()];
        let references = vec![ReferenceSums { origin: None, sums }; references];
        Self { from, step, count, signals: signals.len(), rows, taken: 0, references }
    }

    /// Takes the next piece: the times of its samples, of which one that is NaN has none, and what each
    /// reference does over it.
    pub fn add_piece<'a>(&mut self, times: &[f64], courses: impl IntoIterator<Item = Course<'a>>) {
        let own = self.rows.of(self.taken, times.len());
        self.taken += times.len();
        let width = self.rows.width();
        if width == 0 {
            return;
        }
        let below = times.is_sorted().then(|| own.sums_below());
        let lags = (0..self.count).map(|index| self.from + self.step * index as f64);
        for (course, reference) in courses.into_iter().zip(&mut self.references) {
            let at_lags = lags.clone().zip(reference.sums.chunks_exact_mut(width));
            match (course, &below) {
                (Course::Standing(level), Some(below)) => {
                    let x = level.value - *reference.origin.get_or_insert(level.value);
                    add_standing(at_lags, (level, x), times, below);
                }
                (Course::Standing(level), None) => {
                    let ends = [(level.from, level.value), (level.to, level.value)];
                    let origin = *reference.origin.get_or_insert(level.value);
                    add_moving(at_lags, Trace::new(&ends), origin, times, own);
                }
                (Course::Moving(trace), _) => {
                    let Some(first) = trace.points.first() else { continue };
                    let origin = *reference.origin.get_or_insert(first.1);
                    add_moving(at_lags, trace, origin, times, own);
                }
            }
        }
    }

    /// For each reference the lag of each signal behind it; `None` where nothing varies or the peak lies on the border
    /// of the search.
    #[must_use]
    pub fn lags(&self) -> Vec<Vec<Option<Lag>>> {
        let coefficients = |sums: &[Sums], signal: usize| -> Vec<f64> {
            let of_lags = sums.chunks_exact(self.rows.width());
            of_lags.map(|sums| sums[signal / LANES].pearson(signal % LANES)).collect()
        };
        let peak = |sums: &[Sums], signal| peak(&coefficients(sums, signal), self.from, self.step);
        self.references
            .iter()
            .map(|reference| (0..self.signals).map(|signal| peak(&reference.sums, signal)).collect())
            .collect()
    }
}

/// A piece, its times in order, over which a reference stands at `x` off its origin.
fn add_standing<'a>(
    at_lags: impl Iterator<Item = (f64, &'a mut [Sums])>,
    (level, x): (Level, f64),
    times: &[f64],
    below: &SumsBelow,
) {
    // The later the lag, the later the samples that fall within the level.
    let (mut low, mut past) = (0, 0);
    for (lag, sums) in at_lags {
        while times.get(low).is_some_and(|time| time - lag < level.from) {
            low += 1;
        }
        while times.get(past).is_some_and(|time| time - lag <= level.to) {
            past += 1;
        }
        for ((sums, low), high) in sums.iter_mut().zip(below.of(low)).zip(below.of(past.max(low))) {
            sums.add_level(x, low, high);
        }
    }
}

/// A piece over which a reference is read between its samples.
fn add_moving<'a>(
    at_lags: impl Iterator<Item = (f64, &'a mut [Sums])>,
    trace: Trace<'_>,
    origin: f64,
    times: &[f64],
    own: RowsOf<'_>,
) {
    let mut values = Vec::with_capacity(times.len());
    let mut first = trace.walk();
    for (lag, sums) in at_lags {
        // Each lag begins near where the one before it began.
        first.go_to(times.first().map_or(f64::NAN, |time| time - lag));
        let mut walk = first.clone();
        values.clear();
        values.extend(times.iter().map(|time| walk.at(time - lag).map(|value| value - origin)));
        for (place, sums) in sums.iter_mut().enumerate() {
            *sums = sums.with(values.iter().zip(own.place(place)));
        }
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
    use crate::stats::time_series::correlation::*;

    fn course(points: &[(f64, f64)]) -> Course<'_> {
        Level::of(points.iter().copied()).map_or(Course::Moving(Trace::new(points)), Course::Standing)
    }

    /// The lag of one signal, whose samples are given piece by piece, behind one reference.
    fn lag(pieces: &[(Trace<'_>, &[(f64, f64)])], lags: (f64, f64, f64)) -> Option<Lag> {
        let split = |samples: &[(f64, f64)]| -> (Vec<f64>, Vec<f64>) { samples.iter().copied().unzip() };
        let values: Vec<f64> = pieces.iter().flat_map(|(_, samples)| split(samples).1).collect();
        let mut search = Search::new(1, &[&values], lags);
        for (trace, samples) in pieces {
            search.add_piece(&split(samples).0, [course(trace.points)]);
        }
        search.lags()[0][0]
    }

    /// All signals behind one reference.
    fn lags_of(
        pieces: &[(Trace<'_>, &[f64])],
        signals: &[&[f64]],
        lags: (f64, f64, f64),
    ) -> Vec<Option<Lag>> {
        let mut search = Search::new(1, signals, lags);
        for (trace, times) in pieces {
            search.add_piece(times, [course(trace.points)]);
        }
        search.lags().remove(0)
    }

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

    /// Several references together give what each gives alone, one that is there for a piece only too.
    #[test]
    fn references_together_lag_as_each_alone() {
        let wave = |rate: f64| move |k: i32| (f64::from(k), (f64::from(k) * rate).sin());
        let fast: Vec<(f64, f64)> = (0..200).map(wave(0.23)).collect();
        let slow: Vec<(f64, f64)> = (0..200).map(wave(0.11)).collect();
        let still: Vec<(f64, f64)> = (0..200).map(|k| (f64::from(k), 0.3)).collect();
        let times: Vec<f64> = (0..40).map(|k| 30.0 + 3.7 * f64::from(k)).collect();
        let signal: Vec<f64> = [0.23, 0.11]
            .into_iter()
            .flat_map(|rate| times.iter().map(move |time| ((time - 6.3) * rate).sin()))
            .collect();
        let references = [[&fast[..], &still[..]], [&still[..], &slow[..]], [&[], &slow[..]]];
        let grid = (-4.0, 24.0, 2.0);
        let mut together = Search::new(references.len(), &[&signal], grid);
        for piece in 0..2 {
            together.add_piece(&times, references.iter().map(|reference| course(reference[piece])));
        }
        for (reference, found) in references.iter().zip(together.lags()) {
            let pieces = reference.map(|points| (Trace::new(points), times.as_slice()));
            assert_eq!(lags_of(&pieces, &[&signal], grid), found);
            assert!(found[0].is_some());
        }
    }
}
