//! Outputs that follow more than one stick: elevons, skid steering.
//!
//! What each stick adds is found by least squares over samples at which all of them stood still for as long as an age
//! can be. For one stick the others then are an offset: it is taken off the output wherever they stand, and samples at
//! which another moved count not. An output mixes sticks where straight lines fit and it answers to each of them
//! (`response`). Where they do not fit, but it answers to each that moves while the others stand, it is left out.
//! Values in half us, lags in ms.

use crate::stats::curve_fit::symmetric;
use crate::stats::sample::quantile;
use crate::stats::time_series::correlation::Lag;

use super::super::curve::{Curve, Pair};
use super::response::Response;
use super::stick_course::{MovingStick, Near, StickCourse, stands_since, travel};
use super::{AlignedMovement, Follow, VARIES};

/// Others stand within this (half us), or within this share of the stick's own travel.
const NEARLY: (f64, f64) = (12.0, 0.05);
/// A stick of a mix explains at least this share of each of its own movements.
const LEAST_SHARE: f64 = 0.5;
/// Samples further off the straight lines than this many times the usual are looked past.
const OUTLIES: f64 = 4.0;
/// A law that leaves more than this half width unexplained is none (half us).
const MOST_OFF: f64 = 16.0;
/// Movements for each unknown of a law, at least.
const FEWEST_EACH: usize = 2;
/// A lag of a weaker correlation is no lag.
const LEAST_COEFFICIENT: f64 = 0.3;

/// The sticks that an output mixes, each as it follows it; none where it follows fewer than two. `about`: the lag
/// behind the stick that explains most of it; `known`: whether a pair was found before.
pub(super) fn mixed(
    studied: &[&AlignedMovement<'_>],
    sticks: &[u8],
    output: u8,
    (about, longest_ms): (Option<Lag>, f64),
    known: impl Fn(u8) -> bool,
) -> Vec<Follow> {
    let about = about.filter(|lag| sticks.len() > 1 && lag.coefficient.abs() >= LEAST_COEFFICIENT);
    let Some(Lag { lag, .. }) = about else { return Vec::new() };
    let first = Follow { stick: sticks[0], output, lag_ms: lag, coefficient: 1.0, others: 0 };
    let adding = adding(studied, sticks, &first);
    let of_law = |stick: u8| {
        let own = Follow { stick, others: bits(&adding) & !(1 << stick), ..first };
        let curve = law(studied.iter().copied(), &own)?;
        let output = |aligned: &AlignedMovement<'_>| {
            aligned.own_outputs(&(own, curve.clone()), f64::INFINITY).collect()
        };
        Response::new(studied, stick, (longest_ms, true), output)
    };
    let alone = |stick: u8| {
        let alone = |aligned: &AlignedMovement<'_>| alone(aligned, sticks, (stick, &first));
        Response::new(studied, stick, (longest_ms, false), alone)
    };
    let answers = |stick: u8, response: Option<Response>| {
        let response = response.filter(|response| response.share() >= LEAST_SHARE)?;
        (known(stick) || response.follows()).then(|| Follow {
            stick,
            lag_ms: response.lag_ms(),
            coefficient: response.share().sqrt().copysign(response.slope()),
            ..first
        })
    };
    let mut follows: Vec<Follow> = adding.iter().filter_map(|&stick| answers(stick, of_law(stick))).collect();
    if follows.len() < 2 {
        follows = sticks.iter().filter_map(|&stick| answers(stick, alone(stick))).collect();
    }
    let all = bits(&follows.iter().map(|follow| follow.stick).collect::<Vec<u8>>());
    for follow in &mut follows {
        follow.others = all & !(1 << follow.stick);
    }
    if follows.len() < 2 { Vec::new() } else { follows }
}

fn bits(sticks: &[u8]) -> u32 {
    sticks.iter().fold(0, |all, stick| all | 1 << stick)
}

/// The sticks that add to an output where straight lines fit; none where that is one alone.
fn adding(studied: &[&AlignedMovement<'_>], sticks: &[u8], follow: &Follow) -> Vec<u8> {
    let fewest = FEWEST_EACH * (sticks.len() + 1);
    if studied.len() < fewest {
        return Vec::new();
    }
    let mut rows = Rows::of(sticks.len());
    let movements = studied.iter().filter(|aligned| rows.add(aligned, follow, sticks)).count();
    if movements < fewest {
        return Vec::new();
    }
    let Some((slopes, usual)) = robust_fit(&rows).filter(|(_, usual)| 2.0 * usual <= MOST_OFF) else {
        return Vec::new();
    };
    let adds = |place: usize| {
        let stick = || rows.iter().map(|(row, _)| row[place]);
        let span = stick().fold(f64::MIN, f64::max) - stick().fold(f64::MAX, f64::min);
        (slopes[place + 1] * span).abs() >= f64::from(VARIES).max(4.0 * usual)
    };
    let adding: Vec<u8> = (0..sticks.len()).filter(|&place| adds(place)).map(|place| sticks[place]).collect();
    if adding.len() < 2 { Vec::new() } else { adding }
}

/// The samples of a movement before which all other sticks stood.
fn alone(aligned: &AlignedMovement<'_>, sticks: &[u8], (stick, about): (u8, &Follow)) -> Vec<(f64, f64)> {
    let own = aligned.stick(stick);
    let nearly = NEARLY.0.max(NEARLY.1 * travel(&own, f64::NEG_INFINITY, f64::INFINITY));
    let moving = |&other: &u8| match aligned.course(other) {
        StickCourse::Moving(other) => Some((other, stands_since(&other.samples, nearly), Near::default())),
        StickCourse::Standing(_) => None,
    };
    let others = sticks.iter().filter(|&&other| other != stick).filter_map(moving);
    let mut others: Vec<(&MovingStick, Vec<u32>, Near)> = others.collect();
    let reach = about.reach_ms();
    let mut stand = |time: f64| {
        let span = (time - reach, time);
        others.iter_mut().all(|(other, since, near)| other.stood(since, span, near).is_some())
    };
    aligned.outputs(about.output, f64::INFINITY).filter(|&(time, _)| stand(time)).collect()
}

/// Samples of an output at which all sticks stood as long as an age can be: where each stood, then the output.
struct Rows {
    sticks: usize,
    /// Row by row; of like ones that follow each other the first.
    values: Vec<f64>,
    /// How many samples each row stands for.
    times: Vec<u32>,
}

impl Rows {
    const fn of(sticks: usize) -> Self {
        Self { sticks, values: Vec::new(), times: Vec::new() }
    }

    /// With the samples that each stands for.
    fn iter(&self) -> impl Iterator<Item = (&[f64], usize)> {
        let times = self.times.iter().map(|&times| times as usize);
        self.values.chunks_exact(self.sticks + 1).zip(times)
    }

    /// Adds those of a movement; whether there are any.
    fn add(&mut self, aligned: &AlignedMovement<'_>, follow: &Follow, sticks: &[u8]) -> bool {
        let (mut added, reach) = (false, follow.reach_ms());
        let mut row = vec![0.0; sticks.len() + 1];
        let (mut from, mut to) = (f64::NEG_INFINITY, f64::INFINITY);
        let mut moving: Vec<(usize, &StickCourse, Near)> = Vec::new();
        for (place, &stick) in sticks.iter().enumerate() {
            match aligned.course(stick) {
                StickCourse::Standing(level) => {
                    row[place] = level.value;
                    (from, to) = (from.max(level.from), to.min(level.to));
                }
                course @ StickCourse::Moving(_) => moving.push((place, course, Near::default())),
            }
        }
        let shown = aligned.output(follow.output).filter(|&(time, _)| from <= time && time <= to);
        for (time, output) in shown {
            let mut stand = moving.iter_mut().map(|(place, course, near)| {
                let stood = course.stood((time - reach, time), near);
                row[*place] = stood.unwrap_or_default();
                stood.is_some()
            });
            if !stand.all(|stands| stands) {
                continue;
            }
            row[sticks.len()] = output;
            added = true;
            if let Some(times) = self.times.last_mut().filter(|_| self.values.ends_with(&row)) {
                *times += 1;
            } else {
                self.values.extend_from_slice(&row);
                self.times.push(1);
            }
        }
        added
    }
}

/// The curve by which an output follows one of the sticks that it mixes, and what the others add.
pub(super) fn law<'a>(
    aligned: impl Iterator<Item = &'a AlignedMovement<'a>>,
    follow: &Follow,
) -> Option<Curve> {
    let others = (0..18).filter(|stick| follow.others >> stick & 1 != 0);
    let sticks: Vec<u8> = std::iter::once(follow.stick).chain(others).collect();
    let mut rows = Rows::of(sticks.len());
    for aligned in aligned {
        rows.add(aligned, follow, &sticks);
    }
    let (slopes, _) = robust_fit(&rows)?;
    let pairs = rows.iter().flat_map(|(row, times)| {
        let added: f64 =
            row[1..sticks.len()].iter().zip(&slopes[2..]).map(|(stick, slope)| stick * slope).sum();
        std::iter::repeat_n((row[0], row[sticks.len()] - added), times)
    });
    let pairs: Vec<Pair> = pairs.collect();
    let all: Vec<(Pair, f64)> = pairs.iter().map(|&pair| (pair, 1.0)).collect();
    let curve = Curve::fit(&pairs, &all, slopes[1])?;
    let added = sticks[1..].iter().copied().zip(slopes[2..].iter().copied());
    (curve.tolerance <= MOST_OFF).then(|| curve.with_others(added.collect()))
}

/// The constant and slopes, and how far off the samples usually are: outliers are looked past.
fn robust_fit(rows: &Rows) -> Option<(Vec<f64>, f64)> {
    let mut off = Vec::new();
    let mut usual = |slopes: &[f64]| {
        off.clear();
        off.extend(rows.iter().flat_map(|(row, times)| std::iter::repeat_n(residual(row, slopes), times)));
        quantile::select(&mut off, 0.7)
    };
    let first = fit(rows.iter())?;
    let limit = OUTLIES * usual(&first)?.max(1.0);
    let slopes = fit(rows.iter().filter(|(row, _)| residual(row, &first) <= limit))?;
    let usual = usual(&slopes)?;
    Some((slopes, usual))
}

/// How far an output is from its law.
fn residual(row: &[f64], slopes: &[f64]) -> f64 {
    let (sticks, output) = row.split_at(row.len() - 1);
    let sum: f64 = sticks.iter().zip(&slopes[1..]).map(|(stick, slope)| stick * slope).sum();
    (output[0] - (slopes[0] + sum)).abs()
}

/// Least squares: the constant, then a slope for each stick; `None` where the rows do not tell them apart. Values are
/// whole half us, so that the sums are exact.
fn fit<'a>(rows: impl Iterator<Item = (&'a [f64], usize)>) -> Option<Vec<f64>> {
    // About a stick's middle and in its own size, for the digits.
    const MIDDLE: f64 = 3000.0;
    const SIZE: f64 = 1000.0;
    // Terms are a one, the sticks and the output; of their products those with the terms before.
    let (mut terms, mut sums): (Vec<f64>, Vec<f64>) = Default::default();
    for (row, times) in rows {
        let (sticks, output) = row.split_at(row.len() - 1);
        terms.clear();
        terms.push(1.0);
        terms.extend(sticks.iter().map(|stick| stick - MIDDLE));
        terms.push(output[0]);
        sums.resize(terms.len() * terms.len(), 0.0);
        for (place, (term, sums)) in terms.iter().zip(sums.chunks_exact_mut(terms.len())).enumerate() {
            let weight = times as f64 * term;
            for (sum, other) in sums.iter_mut().zip(&terms[..=place]) {
                *sum += weight * other;
            }
        }
    }
    let unknowns = terms.len().checked_sub(1)?;
    let size = |place: usize| if place == 0 { 1.0 } else { SIZE };
    let sum = |a: usize, b: usize| sums[a.max(b) * terms.len() + a.min(b)];
    let cell = |a: usize, b: usize| sum(a, b) / (size(a) * size(b));
    let matrix: Vec<Vec<f64>> = (0..unknowns).map(|a| (0..unknowns).map(|b| cell(a, b)).collect()).collect();
    let right: Vec<f64> = (0..unknowns).map(|a| sum(a, unknowns) / size(a)).collect();
    let mut slopes = symmetric::multiply(&symmetric::inverse(&matrix)?, &right);
    for slope in &mut slopes[1..] {
        *slope /= SIZE;
    }
    slopes[0] -= MIDDLE * slopes[1..].iter().sum::<f64>();
    Some(slopes)
}

#[cfg(test)]
mod tests {
    use crate::measure::latency::mapping::mixing::*;
    use crate::measure::latency::mapping::tests::movement;
    use crate::measure::latency::movement_track::{ABSENT, Movement};

    /// The rule that made the rows is the oracle.
    #[test]
    fn straight_lines_are_found_where_the_sticks_tell_them_apart() {
        let row = |a: f64, b: f64| [a, b, 700.0 + 0.5 * a - 0.25 * b];
        let rows = [row(2000.0, 3000.0), row(4000.0, 3000.0), row(2500.0, 2000.0), row(3100.0, 3900.0)];
        let found = fit(rows.iter().map(|row| (&row[..], 1))).unwrap();
        for (found, expected) in found.iter().zip([700.0, 0.5, -0.25]) {
            assert!((found - expected).abs() < 1e-6, "{found} for {expected}");
        }
        let together = [2000.0, 2500.0, 4000.0].map(|stick| row(stick, stick));
        assert_eq!(fit(together.iter().map(|row| (&row[..], 1))), None);
        assert_eq!(fit(std::iter::empty()), None);
    }

    /// Writing the samples out is the oracle; an outlier among them is looked past in both.
    #[test]
    fn rows_that_stand_for_many_samples_count_as_often() {
        let sample = |stick: i16| {
            let (a, b) = (2800.0 + 40.0 * f64::from(stick % 9), 3100.0 - 70.0 * f64::from(stick % 7));
            let off = if stick == 31 { 900.0 } else { f64::from(stick % 4) };
            [a, b, (0.4 * a + 0.3 * b + off).round()]
        };
        let (mut counted, mut written) = (Rows::of(2), Rows::of(2));
        for stick in 0..60 {
            let times = 1 + stick as u32 % 5;
            counted.values.extend(sample(stick));
            counted.times.push(times);
            for _ in 0..times {
                written.values.extend(sample(stick));
                written.times.push(1);
            }
        }
        let (found, expected) = (robust_fit(&counted).unwrap(), robust_fit(&written).unwrap());
        assert_eq!(found, expected);
        assert!((found.0[1] - 0.4).abs() < 0.01 && (found.0[2] - 0.3).abs() < 0.01, "{found:?}");
    }

    /// Samples that are alike and follow each other are one row, those of the next movement too.
    #[test]
    fn like_samples_are_counted() {
        let movement = of_a_mix(2, 0, true);
        let aligned = AlignedMovement::new(&movement, None);
        let follow = Follow { stick: 0, output: 7, lag_ms: 0.0, coefficient: 1.0, others: 2 };
        let mut rows = Rows::of(2);
        assert!(rows.add(&aligned, &follow, &[0, 1]) && rows.add(&aligned, &follow, &[0, 1]));
        // Down, up, down, and once more, where the first down goes on from the last.
        let levels: Vec<f64> = rows.iter().map(|(row, _)| row[0]).collect();
        assert_eq!(levels, [3000.0, 3400.0, 3000.0, 3400.0, 3000.0]);
        let times: Vec<usize> = rows.iter().map(|(_, times)| times).collect();
        assert_eq!(times[2], times[0] + times[4]);
        assert_eq!(times.iter().sum::<usize>() % 2, 0);
    }

    /// A stick that stands, and comes late and goes early, says nothing before and after.
    #[test]
    fn samples_count_only_while_every_stick_is_known() {
        let stick = |step: i16, stick: usize| {
            if stick == 1 && !(20..80).contains(&step) { ABSENT } else { 3000 }
        };
        let movement = movement(0, |step| std::array::from_fn(|own| stick(step, own)), |_| [3000; 18]);
        let aligned = AlignedMovement::new(&movement, None);
        let follow = Follow { stick: 0, output: 7, lag_ms: 0.0, coefficient: 1.0, others: 2 };
        let mut rows = Rows::of(2);
        assert!(rows.add(&aligned, &follow, &[0, 1]));
        assert_eq!(rows.times, [60]);
    }

    /// A movement of one of so many sticks, which goes up and comes back, or never stands. Output 7 adds a quarter of each.
    fn of_a_mix(sticks: usize, moves: usize, stands: bool) -> Movement {
        let stick = |step: i16, stick: usize| match stick == moves {
            true if !stands => 3000 + 20 * step,
            true if (30..60).contains(&step) => 3400,
            _ => 3000,
        };
        let output = |step: i16| (0..sticks).map(|own| stick(step, own) / 4).sum();
        let outputs = |step| std::array::from_fn(|channel| if channel == 7 { output(step) } else { 3000 });
        movement(moves as u8, |step| std::array::from_fn(|own| stick(step, own)), outputs)
    }

    /// The unknowns are a constant and a slope for each stick.
    #[test]
    fn a_law_asks_for_two_movements_for_each_of_its_unknowns() {
        let follow = Follow { stick: 0, output: 7, lag_ms: 0.0, coefficient: 1.0, others: 0 };
        for (count, fewest) in [(2, 6), (3, 8)] {
            let sticks: Vec<u8> = (0..count as u8).collect();
            let found = |stand: usize, never_stand: usize| {
                let movements: Vec<Movement> = (0..stand + never_stand)
                    .map(|number| of_a_mix(count, number % count, number < stand))
                    .collect();
                let aligned: Vec<AlignedMovement<'_>> =
                    movements.iter().map(|movement| AlignedMovement::new(movement, None)).collect();
                adding(&aligned.iter().collect::<Vec<_>>(), &sticks, &follow)
            };
            assert_eq!(found(fewest, 0), sticks);
            assert_eq!(found(fewest - 1, 0), Vec::<u8>::new());
            // A movement whose stick never stood says nothing of the law.
            assert_eq!(found(fewest - 1, 1), Vec::<u8>::new());
            assert_eq!(found(fewest, 1), sticks);
        }
    }

    /// An output that adds two sticks follows each of them, and the other as well.
    #[test]
    fn each_stick_of_a_mix_names_the_others() {
        let movements: Vec<Movement> = (0..6).map(|number| of_a_mix(2, number % 2, true)).collect();
        let aligned: Vec<AlignedMovement<'_>> =
            movements.iter().map(|movement| AlignedMovement::new(movement, None)).collect();
        let about = Some(Lag { lag: 0.0, coefficient: 0.9 });
        let follows = mixed(&aligned.iter().collect::<Vec<_>>(), &[0, 1], 7, (about, 400.0), |_| true);
        let named: Vec<(u8, u32)> = follows.iter().map(|follow| (follow.stick, follow.others)).collect();
        assert_eq!(named, [(0, 0b10), (1, 0b01)]);
    }
}
