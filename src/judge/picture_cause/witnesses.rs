//! One possible cause: its worst in a window around every second, and how bad pictures rank among the instants without.

use statrs::distribution::{ContinuousCDF, Normal};

use crate::stats::sample::quantile;

use super::{AFTER_S, BEFORE_S, BadInstant, WorseBySecond};

/// Fewer instants without a bad picture are nothing to rank among.
const FEWEST_OTHERS: usize = 30;
/// Beside another cause.
const FEWEST_ALIKE: usize = 10;
/// So much lower another cause may rank and is as bad.
const ALIKE: f64 = 0.02;
const MOST_BESIDE: usize = 50;
/// How long a value goes on, s.
const SHORTEST_S: usize = 5;
const LONGEST_S: usize = 60;

/// A cause, weighed.
#[derive(Clone, Debug)]
pub(super) struct Weighing {
    /// Of each instant without a bad picture, in order of time; NaN is absent.
    others: Vec<f32>,
    /// The same by size, the absent left out.
    sorted: Vec<f32>,
    /// Of each bad picture: value, rank.
    at: Vec<Option<(f32, f64)>>,
    /// The witnesses: which bad pictures are one.
    groups: Vec<Vec<usize>>,
}

/// The worst within a window of seconds; NaN where all are absent.
fn worst(values: &[f32], first: usize, end: usize) -> f32 {
    let end = end.min(values.len());
    values[first.min(end)..end].iter().copied().fold(f32::NAN, f32::max)
}

/// The seconds that are looked at around a bad picture.
fn window(bad: &BadInstant) -> (usize, usize) {
    let middle_s = if bad.by_mark { bad.to_s - AFTER_S as f64 } else { bad.from_s };
    let middle = middle_s.max(0.0) as usize;
    (middle.saturating_sub(BEFORE_S), middle + AFTER_S + 1)
}

fn ranked(sorted: &[f32], value: f32) -> f64 {
    let below = sorted.partition_point(|other| *other < value);
    let up_to = sorted.partition_point(|other| *other <= value);
    (below + up_to) as f64 / 2.0 / sorted.len() as f64
}

impl Weighing {
    pub(super) fn new(
        values: &[f32],
        bad: &[BadInstant],
        all: &[BadInstant],
        seconds: &WorseBySecond,
    ) -> Self {
        let mut is_other = seconds.counted.clone();
        for one in all {
            let (first, end) = window(one);
            let end = end.max(one.to_s.max(0.0).ceil() as usize + BEFORE_S + 1);
            // A window that touches it is none without it.
            let (first, end) = (first.saturating_sub(AFTER_S), end.min(is_other.len()));
            is_other[first.min(end)..end].fill(false);
        }
        let instant = |(second, is_other): (usize, &bool)| {
            let (first, end) = (second.saturating_sub(BEFORE_S), second + AFTER_S + 1);
            if *is_other { worst(values, first, end) } else { f32::NAN }
        };
        let others: Vec<f32> = is_other.iter().enumerate().map(instant).collect();
        let mut sorted: Vec<f32> = others.iter().copied().filter(|value| !value.is_nan()).collect();
        sorted.sort_by(f32::total_cmp);
        let of_bad = |bad: &BadInstant| {
            let (first, end) = window(bad);
            let value = worst(values, first, end);
            let is_known = !value.is_nan() && sorted.len() >= FEWEST_OTHERS;
            is_known.then(|| (value, ranked(&sorted, value)))
        };
        let at: Vec<Option<(f32, f64)>> = bad.iter().map(of_bad).collect();
        let groups = groups(bad, &at, goes_on_s(&others) as f64);
        Self { others, sorted, at, groups }
    }

    /// The value at a bad picture, and how high it ranks.
    pub(super) fn found(&self, place: usize) -> Option<(f64, f64)> {
        self.at[place].map(|(value, rank)| (f64::from(value), rank))
    }

    /// How high a bad picture ranks.
    pub(super) fn rank(&self, place: usize) -> Option<f64> {
        self.at[place].map(|(_, rank)| rank)
    }

    /// Mean rank and weight of each witness: the more bad pictures, the less one that came by chance counts among them.
    fn ranks(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let mean = |group: &Vec<usize>| {
            let (ranks, count) = (group.iter().filter_map(|place| self.rank(*place)), group.len() as f64);
            (ranks.sum::<f64>() / count, count.sqrt())
        };
        self.groups.iter().map(mean)
    }

    pub(super) const fn witnesses(&self) -> usize {
        self.groups.len()
    }

    /// The mean rank, and its standard error if ranks are even between 0 and 1 (variance 1/12).
    pub(super) fn mean(&self) -> Option<(f64, f64)> {
        let (sum, weights, squares) =
            self.ranks().fold((0.0, 0.0, 0.0), |(sum, weights, squares), (rank, weight)| {
                (sum + rank * weight, weights + weight, squares + weight * weight)
            });
        (weights > 0.0).then(|| (sum / weights, (squares / 12.0).sqrt() / weights))
    }

    /// The chance that even ranks have such a mean or a higher one. The normal distribution: its tail is longer than that
    /// of a sum of even numbers.
    pub(super) fn chance(&self) -> Option<f64> {
        self.mean().map(|(mean, error)| Normal::standard().sf((mean - 0.5) / error))
    }

    pub(super) fn at_bad(&self) -> Option<f64> {
        let values: Vec<f64> = self.at.iter().flatten().map(|(value, _)| f64::from(*value)).collect();
        quantile::median(&values)
    }

    pub(super) fn otherwise(&self) -> Option<f64> {
        let middle = self.sorted.len() / 2;
        self.sorted.get(middle).map(|value| f64::from(*value))
    }

    /// The same among instants alone at which other causes were as bad as at the bad picture, or worse.
    pub(super) fn beside(&self, others: &[&Self]) -> Self {
        let ranks: Vec<Vec<f64>> = others
            .iter()
            .map(|other| other.others.iter().map(|value| ranked(&other.sorted, *value)).collect())
            .collect();
        let alike = |place: usize, second: usize| {
            others.iter().zip(&ranks).all(|(other, ranks)| {
                let known = !other.others[second].is_nan();
                known && other.rank(place).is_some_and(|rank| ranks[second] >= rank - ALIKE)
            })
        };
        let again = |place: usize| {
            let (value, _) = self.at[place]?;
            let mut among: Vec<f32> = (0..self.others.len())
                .filter(|second| !self.others[*second].is_nan() && alike(place, *second))
                .map(|second| self.others[second])
                .collect();
            among.sort_by(f32::total_cmp);
            (among.len() >= FEWEST_ALIKE).then(|| (value, ranked(&among, value)))
        };
        // One bad picture of a witness is enough, and 50 witnesses are.
        let mut at = vec![None; self.at.len()];
        let mut groups = Vec::new();
        for group in self.groups.iter().step_by(self.groups.len().div_ceil(MOST_BESIDE).max(1)) {
            let place = group[0];
            at[place] = again(place);
            groups.extend(at[place].map(|_| vec![place]));
        }
        Self { others: self.others.clone(), sorted: self.sorted.clone(), at, groups }
    }
}

/// Bad pictures with a value, those nearer than so long as one.
fn groups(bad: &[BadInstant], at: &[Option<(f32, f64)>], apart_s: f64) -> Vec<Vec<usize>> {
    let mut known: Vec<usize> = (0..bad.len()).filter(|place| at[*place].is_some()).collect();
    known.sort_by(|a, b| bad[*a].from_s.total_cmp(&bad[*b].from_s));
    let mut groups: Vec<Vec<usize>> = Vec::new();
    let mut until_s = f64::NEG_INFINITY;
    for place in known {
        match groups.last_mut() {
            Some(group) if bad[place].from_s - until_s < apart_s => group.push(place),
            _ => groups.push(vec![place]),
        }
        until_s = until_s.max(bad[place].to_s);
    }
    groups
}

/// The lag at which the autocorrelation falls under 1/e, s.
fn goes_on_s(values: &[f32]) -> usize {
    let known = || values.iter().filter(|value| !value.is_nan()).map(|value| f64::from(*value));
    let count = known().count() as f64;
    let mean = known().sum::<f64>() / count;
    let spread = known().map(|value| (value - mean).powi(2)).sum::<f64>() / count;
    if spread <= 0.0 {
        return SHORTEST_S;
    }
    let falls = |lag: &usize| {
        let pairs = values.iter().zip(&values[(*lag).min(values.len())..]);
        let both = pairs.filter(|(one, other)| !one.is_nan() && !other.is_nan());
        let (sum, count) = both.fold((0.0, 0.0), |(sum, count), (one, other)| {
            (sum + (f64::from(*one) - mean) * (f64::from(*other) - mean), count + 1.0)
        });
        sum / f64::max(count, 1.0) < spread / std::f64::consts::E
    };
    (SHORTEST_S..LONGEST_S).find(falls).unwrap_or(LONGEST_S)
}

#[cfg(test)]
mod tests {
    use crate::judge::picture_cause::witnesses::*;
    use crate::judge::picture_cause::{CHANCE, is_told, row};
    use crate::summary::PictureCause;

    /// One bad picture of this value and rank among a hundred other instants, 0 to 99 in order of time.
    fn weighing(value: f32, rank: f64) -> Weighing {
        let others: Vec<f32> = (0..100_u8).map(f32::from).collect();
        Weighing { sorted: others.clone(), others, at: vec![Some((value, rank))], groups: vec![vec![0]] }
    }

    /// Instant i ranks at (i + 0.5) / 100.
    #[test]
    fn beside_another_cause_instants_within_two_hundredths_of_its_rank_are_as_bad() {
        // From 0.88 on there are twelve, 88 to 99: seven lie below 95, and the tie counts half.
        let beside = weighing(95.0, 0.955).beside(&[&weighing(90.0, 0.9)]);
        assert_eq!(beside.rank(0), Some(7.5 / 12.0));
        // From 0.9 on there are ten, and from 0.91 on nine: too few.
        assert_eq!(weighing(95.0, 0.955).beside(&[&weighing(92.0, 0.92)]).rank(0), Some(5.5 / 10.0));
        assert_eq!(weighing(95.0, 0.955).beside(&[&weighing(93.0, 0.93)]).rank(0), None);
    }

    /// One bad picture in the first second, that second alone worse, and so many instants without one. The three seconds
    /// from it on touch it.
    #[test]
    fn thirty_instants_without_a_bad_picture_are_something_to_rank_among() {
        let found = |others: usize| {
            let mut values = vec![0.0; others + 3];
            values[0] = 1.0;
            let bad = BadInstant { from_s: 0.0, to_s: 0.0, by_mark: false, certain: None };
            let counted = vec![true; values.len()];
            let seconds = WorseBySecond { counted, ..WorseBySecond::default() };
            Weighing::new(&values, &[bad], &[bad], &seconds).found(0)
        };
        assert_eq!([29, 30].map(found), [None, Some((1.0, 1.0))]);
    }

    /// A hundred witnesses of one rank: the standard error of their mean is the root of 1/1200, so that the interval reaches
    /// 0.0566 up, and even ranks hardly ever have a mean of 0.65.
    #[test]
    fn a_cause_is_told_from_a_mean_rank_of_seven_tenths_on_and_denied_where_its_interval_lies_below() {
        let told = |rank: f64| {
            let (at, groups) = (vec![Some((0.0, rank)); 100], (0..100).map(|place| vec![place]).collect());
            let weighing = Weighing { others: Vec::new(), sorted: Vec::new(), at, groups };
            row(PictureCause::Airframe, &weighing, is_told(&weighing, CHANCE)).told
        };
        assert_eq!([0.64, 0.65, 0.69, 0.71].map(told), [Some(false), None, None, Some(true)]);
    }
}
