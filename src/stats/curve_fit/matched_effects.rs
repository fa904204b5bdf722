//! How far groups of samples lie apart where they were taken under the same conditions.
//!
//! Model: y = effect of the cell + slope (x - the cell's mean x) + effect of the group + error (two-way additive, least
//! squares with weights). A cell holds like conditions; only cells with samples of both sides count, so that what one side alone went through moves nothing. The difference is the mean
//! effect of the groups of the second side less that of the first.
//!
//! Its error, one group a side: errors are alike within blocks of time of at least 3 correlation times, which end only
//! where the place changed too, since a long stay at one place is one sample of it. The variance is that of the blocks'
//! influences (Liang and Zeger 1986), with what neighbouring blocks still share (see `block_mean`); what the effect of a cell took of a group's own errors there is put back by the root
//! of its leverage (Bell and McCaffrey 2002). Degrees of freedom of Welch and Satterthwaite. Several groups: the scatter of the groups' effects (pooled), Student's t with groups
//! less two; never less than by the blocks. Of what happens now and then, also never less than by the Poisson count of the
//! blocks that it happened in, one at least. Units: those of y and x.

use std::collections::BTreeMap;

use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::stats::curve_fit::path_loss::correlation_of;
use crate::stats::time_series::block_mean::BlockMean;

/// Fewer blocks of a group alone on its side say nothing of how it varies.
pub(crate) const LEAST_BLOCKS: usize = 6;
/// Samples of a side that a cell needs.
const LEAST_IN_CELL: usize = 3;
/// What neighbouring blocks share is estimated too: an error rests on half as many (by the study `compare_coverage`).
const SHARED: f64 = 2.0;
/// A group that has nearly all of a cell shows next to nothing of its error there.
const LEAST_LEFT: f64 = 0.02;
const CORRELATION_TIMES: f64 = 3.0;

/// One sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// From 0.
    pub group: usize,
    /// When, in steps, rising within a group.
    pub step: u32,
    /// Where: it changes with the place.
    pub place: u32,
    /// What it is like.
    pub cell: u32,
    /// What the slope is over.
    pub x: f64,
    /// The figure.
    pub y: f64,
    /// Trials behind it.
    pub weight: f64,
}

/// What kind of figure it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A level, which falls over x.
    Level,
    /// A share of trials that happen now and then.
    Share,
}

/// Two sides held against each other.
#[derive(Clone, Debug, PartialEq)]
pub struct Difference {
    /// The first side, at the mean of the conditions that both had.
    pub before: f64,
    /// The second.
    pub after: f64,
    /// Standard error of the second less the first; `None` with too few blocks.
    pub error: Option<f64>,
    /// Degrees of freedom of that error.
    pub degrees: f64,
    /// Of each group against the mean of all; `None`: it has nothing in common with the others.
    pub effects: Vec<Option<f64>>,
    /// Samples of each side in cells of both.
    pub samples: [usize; 2],
    /// The largest x in cells of both.
    pub largest_x: f64,
}

impl Difference {
    /// The second less the first.
    #[must_use]
    pub fn value(&self) -> f64 {
        self.after - self.before
    }
}

/// Student's point for this many degrees of freedom.
#[must_use]
pub fn student(degrees: f64, share: f64) -> f64 {
    StudentsT::new(0.0, 1.0, degrees.max(1.0)).map_or(f64::INFINITY, |student| student.inverse_cdf(share))
}

/// Chance of a value as far from 0 by its error, two-sided.
#[must_use]
pub fn chance(value: f64, error: f64, degrees: f64) -> f64 {
    if error <= 0.0 {
        return if value == 0.0 { 1.0 } else { 0.0 };
    }
    let student = StudentsT::new(0.0, 1.0, degrees.max(1.0));
    student.map_or(1.0, |student| 2.0 * student.cdf(-(value / error).abs()))
}

/// The second side (`side[group]`) against the first; `None` where they have nothing in common.
#[must_use]
pub fn difference(samples: &[Sample], side: &[bool], kind: Kind) -> Option<Difference> {
    let common = common(samples, side);
    let matched = Matched::of(&common, side.len(), kind)?;
    let present = matched.present.clone();
    let of_side = |after: bool| present.iter().filter(|group| side[**group] == after).count();
    let counts = [of_side(false), of_side(true)];
    if counts.contains(&0) {
        return None;
    }
    let effect = |group: usize| matched.effects[group].unwrap_or_default();
    let mean = |after: bool| {
        let own = present.iter().filter(|group| side[**group] == after);
        own.map(|group| effect(*group)).sum::<f64>() / counts[usize::from(after)] as f64
    };
    let means = [mean(false), mean(true)];
    let value = means[1] - means[0];
    let total: f64 = common.iter().map(|sample| sample.weight).sum();
    let grand = common.iter().map(|sample| sample.weight * sample.y).sum::<f64>() / total;
    let share =
        common.iter().filter(|sample| side[sample.group]).map(|sample| sample.weight).sum::<f64>() / total;
    let before = grand - value * share;
    let (error, degrees) = matched.error(&common, side, counts, kind);
    let samples =
        [false, true].map(|after| common.iter().filter(|sample| side[sample.group] == after).count());
    let middle = present.iter().map(|group| effect(*group)).sum::<f64>() / present.len() as f64;
    Some(Difference {
        before,
        after: before + value,
        error,
        degrees,
        effects: matched.effects.iter().map(|effect| effect.map(|effect| effect - middle)).collect(),
        samples,
        largest_x: common.iter().map(|sample| sample.x).reduce(f64::max)?,
    })
}

/// Each group against the mean of all, where there are no sides: in cells that two groups have at least. `None` where they
/// do not all hang together.
#[must_use]
pub fn effects(samples: &[Sample], groups: usize) -> Option<Vec<Option<f64>>> {
    let mut counts: BTreeMap<u32, BTreeMap<usize, usize>> = BTreeMap::new();
    for sample in samples {
        *counts.entry(sample.cell).or_default().entry(sample.group).or_default() += 1;
    }
    let is_shared = |sample: &&Sample| {
        counts[&sample.cell].values().filter(|count| **count >= LEAST_IN_CELL).count() >= 2
    };
    let shared: Vec<Sample> = samples.iter().filter(is_shared).copied().collect();
    let mut effects = Matched::of(&shared, groups, Kind::Level)?.effects;
    let known = effects.iter().flatten();
    let middle = known.clone().sum::<f64>() / known.count() as f64;
    effects.iter_mut().flatten().for_each(|effect| *effect -= middle);
    Some(effects)
}

/// The samples of cells that both sides have.
fn common(samples: &[Sample], side: &[bool]) -> Vec<Sample> {
    let mut counts: BTreeMap<u32, [usize; 2]> = BTreeMap::new();
    for sample in samples.iter().filter(|sample| sample.weight > 0.0) {
        counts.entry(sample.cell).or_default()[usize::from(side[sample.group])] += 1;
    }
    let is_common = |sample: &&Sample| {
        sample.weight > 0.0 && counts[&sample.cell].iter().all(|count| *count >= LEAST_IN_CELL)
    };
    samples.iter().filter(is_common).copied().collect()
}

/// The fit, and what each sample's error does to it.
struct Matched {
    residuals: Vec<f64>,
    /// Against the first group that is there.
    effects: Vec<Option<f64>>,
    /// Groups in common cells.
    present: Vec<usize>,
    /// The inverse of the normal equations: effects from the second group on, then the slope.
    inverse: Vec<Vec<f64>>,
    has_slope: bool,
    cells: BTreeMap<u32, CellSums>,
}

/// Weighted sums of a cell.
#[derive(Clone, Debug)]
struct CellSums {
    weight: f64,
    x: f64,
    y: f64,
    /// Weight of each group that is there.
    groups: Vec<f64>,
}

impl CellSums {
    /// A sample's x from the cell's mean.
    fn x_of(&self, sample: &Sample) -> f64 {
        sample.x - self.x / self.weight
    }
}

impl Matched {
    fn of(samples: &[Sample], groups: usize, kind: Kind) -> Option<Self> {
        let mut present: Vec<usize> = samples.iter().map(|sample| sample.group).collect();
        present.sort_unstable();
        present.dedup();
        let mut place = vec![None; groups];
        present.iter().enumerate().for_each(|(index, group)| place[*group] = Some(index));
        Self::solve(samples, &present, &place, kind == Kind::Level)
    }

    fn solve(
        samples: &[Sample],
        present: &[usize],
        place: &[Option<usize>],
        wants_slope: bool,
    ) -> Option<Self> {
        let count = present.len();
        let cells = cells_of(samples, place, count)?;
        let power: f64 =
            samples.iter().map(|sample| sample.weight * cells[&sample.cell].x_of(sample).powi(2)).sum();
        let all: f64 = samples.iter().map(|sample| sample.weight).sum();
        let has_slope = wants_slope && power > 1e-9 * all;
        let size = count.checked_sub(1)? + usize::from(has_slope);
        let (normal, right) = equations(samples, &cells, place, (size, has_slope))?;
        let inverse = inverted(normal)?;
        let solved: Vec<f64> =
            inverse.iter().map(|row| row.iter().zip(&right).map(|(a, b)| a * b).sum()).collect();
        let of_group = |group: usize| if group == 0 { 0.0 } else { solved[group - 1] };
        let slope = if has_slope { solved[size - 1] } else { 0.0 };
        let mut fitted = Self {
            residuals: Vec::new(),
            effects: place.iter().map(|place| place.map(of_group)).collect(),
            present: present.to_vec(),
            inverse,
            has_slope,
            cells,
        };
        fitted.residuals = samples
            .iter()
            .map(|sample| {
                let cell = &fitted.cells[&sample.cell];
                let groups = cell.groups.iter().enumerate();
                let shift: f64 = groups.map(|(group, weight)| weight * of_group(group)).sum();
                let own = place[sample.group].map_or(0.0, of_group) - shift / cell.weight;
                sample.y - cell.y / cell.weight - own - slope * cell.x_of(sample)
            })
            .collect();
        Some(fitted)
    }

    /// How much each sample's error moves the difference of the sides.
    fn levers(&self, samples: &[Sample], side: &[bool], counts: [usize; 2]) -> Vec<f64> {
        let size = self.inverse.len();
        let mut wanted = vec![0.0; size];
        for (index, group) in self.present.iter().enumerate().skip(1) {
            let after = side[*group];
            let share = 1.0 / counts[usize::from(after)] as f64;
            wanted[index - 1] = if after { share } else { -share };
        }
        let pull: Vec<f64> =
            self.inverse.iter().map(|row| row.iter().zip(&wanted).map(|(a, b)| a * b).sum()).collect();
        let of_group = |index: usize| if index == 0 { 0.0 } else { pull[index - 1] };
        let slope = if self.has_slope { pull[size - 1] } else { 0.0 };
        let lever = |sample: &Sample| {
            let cell = &self.cells[&sample.cell];
            let groups = cell.groups.iter().enumerate();
            let mean = groups.map(|(group, weight)| weight * of_group(group)).sum::<f64>() / cell.weight;
            let own = self.present.binary_search(&sample.group).map_or(0.0, of_group);
            own - mean + slope * cell.x_of(sample)
        };
        samples.iter().map(lever).collect()
    }

    /// Standard error of the difference, and its degrees of freedom.
    fn error(&self, samples: &[Sample], side: &[bool], counts: [usize; 2], kind: Kind) -> (Option<f64>, f64) {
        let levers = self.levers(samples, side, counts);
        let residuals = self.own_errors(samples);
        let mut within = [(0.0, 0.0), (0.0, 0.0)];
        let mut few = false;
        let mut floor = [(0.0_f64, 0.0_f64, 0.0_f64); 2];
        for group in &self.present {
            let own: Vec<usize> =
                (0..samples.len()).filter(|index| samples[*index].group == *group).collect();
            let blocks = blocks(samples, &residuals, &own);
            let after = usize::from(side[*group]);
            few |= blocks.len() < LEAST_BLOCKS;
            let influence = |at: &usize| samples[*at].weight * levers[*at] * residuals[*at];
            let influences: Vec<f64> = blocks.iter().map(|block| block.iter().map(influence).sum()).collect();
            for block in &blocks {
                let events: f64 = block.iter().map(|at| samples[*at].weight * samples[*at].y).sum();
                floor[after].0 += f64::from(u8::from(events > 0.0));
                floor[after].1 += events;
                floor[after].2 += block.iter().map(|at| samples[*at].weight).sum::<f64>();
            }
            let count = blocks.len() as f64;
            within[after].0 += BlockMean::of(&influences, count).map_or(0.0, |mean| mean.long_run);
            within[after].1 += (count - 1.0).max(0.0) / SHARED;
        }
        let mut variance = within[0].0 + within[1].0;
        if kind == Kind::Share {
            let happened = floor[0].0 + floor[1].0;
            let each = if happened > 0.0 { (floor[0].1 + floor[1].1) / happened } else { 1.0 };
            let least = floor.map(|(blocks, _, trials)| blocks.max(1.0) * (each / trials).powi(2));
            variance = variance.max(least[0] + least[1]);
        }
        if counts[0] + counts[1] > 2 {
            let degrees = (counts[0] + counts[1] - 2) as f64;
            let scatter = self.scatter(side, counts) / degrees;
            let between = scatter * (1.0 / counts[0] as f64 + 1.0 / counts[1] as f64);
            return (Some(variance.max(between).sqrt()), degrees);
        }
        let fourth: f64 = within.iter().map(|(part, degrees)| part * part / degrees.max(1.0)).sum();
        let square = (within[0].0 + within[1].0).powi(2);
        let least = within[0].1.min(within[1].1).max(1.0);
        let degrees = if fourth > 0.0 { (square / fourth).max(least) } else { least };
        ((!few).then(|| variance.sqrt()), degrees)
    }

    /// Sum of squares of the groups about the mean of their side.
    fn scatter(&self, side: &[bool], counts: [usize; 2]) -> f64 {
        let of_side = |after: bool| {
            let own: Vec<f64> = self
                .present
                .iter()
                .filter(|group| side[**group] == after)
                .filter_map(|group| self.effects[*group])
                .collect();
            let mean = own.iter().sum::<f64>() / counts[usize::from(after)] as f64;
            own.iter().map(|effect| (effect - mean).powi(2)).sum::<f64>()
        };
        of_side(false) + of_side(true)
    }

    /// The residuals with what the effects of cells took of the mean error of a group there.
    fn own_errors(&self, samples: &[Sample]) -> Vec<f64> {
        let mut means: BTreeMap<(u32, usize), [f64; 2]> = BTreeMap::new();
        for (sample, residual) in samples.iter().zip(&self.residuals) {
            let mean = means.entry((sample.cell, sample.group)).or_default();
            mean[0] += sample.weight;
            mean[1] += sample.weight * residual;
        }
        let own_error = |(sample, residual): (&Sample, &f64)| {
            let [weight, sum] = means[&(sample.cell, sample.group)];
            let left = (1.0 - weight / self.cells[&sample.cell].weight).max(LEAST_LEFT);
            residual + sum / weight * (left.sqrt().recip() - 1.0)
        };
        samples.iter().zip(&self.residuals).map(own_error).collect()
    }
}

/// The samples of one group in pieces that count as independent.
fn blocks(samples: &[Sample], residuals: &[f64], own: &[usize]) -> Vec<Vec<usize>> {
    let (Some(first), Some(last)) = (own.first(), own.last()) else { return Vec::new() };
    let errors: Vec<f64> = own.iter().map(|at| residuals[*at]).collect();
    let spacing = f64::from(samples[*last].step - samples[*first].step + 1) / own.len() as f64;
    let length = (CORRELATION_TIMES * correlation_of(&errors) * spacing).ceil().max(1.0) as u32;
    let mut blocks: Vec<Vec<usize>> = Vec::new();
    let mut began = samples[*first];
    for at in own {
        let sample = samples[*at];
        let is_over = sample.step - began.step >= length && sample.place != began.place;
        if is_over || blocks.is_empty() {
            blocks.push(Vec::new());
            began = sample;
        }
        if let Some(block) = blocks.last_mut() {
            block.push(*at);
        }
    }
    blocks
}

/// The sums of every cell; `place` gives each group its place among those that are there.
fn cells_of(samples: &[Sample], place: &[Option<usize>], count: usize) -> Option<BTreeMap<u32, CellSums>> {
    let mut cells: BTreeMap<u32, CellSums> = BTreeMap::new();
    let empty = || CellSums { weight: 0.0, x: 0.0, y: 0.0, groups: vec![0.0; count] };
    for sample in samples {
        let cell = cells.entry(sample.cell).or_insert_with(empty);
        cell.weight += sample.weight;
        cell.x += sample.weight * sample.x;
        cell.y += sample.weight * sample.y;
        cell.groups[place[sample.group]?] += sample.weight;
    }
    Some(cells)
}

/// The normal equations of all groups but the first, and of the slope, once each cell's own means are taken out.
fn equations(
    samples: &[Sample],
    cells: &BTreeMap<u32, CellSums>,
    place: &[Option<usize>],
    (size, has_slope): (usize, bool),
) -> Option<(Vec<Vec<f64>>, Vec<f64>)> {
    let mut normal = vec![vec![0.0; size]; size];
    let mut right = vec![0.0; size];
    for cell in cells.values() {
        for one in (1..cell.groups.len()).filter(|one| cell.groups[*one] > 0.0) {
            normal[one - 1][one - 1] += cell.groups[one];
            for other in 1..cell.groups.len() {
                normal[one - 1][other - 1] -= cell.groups[one] * cell.groups[other] / cell.weight;
            }
        }
    }
    for sample in samples {
        let cell = &cells[&sample.cell];
        let (x, y) = (cell.x_of(sample), sample.y - cell.y / cell.weight);
        let group = place[sample.group]?;
        if group > 0 {
            right[group - 1] += sample.weight * y;
            if has_slope {
                normal[group - 1][size - 1] += sample.weight * x;
                normal[size - 1][group - 1] += sample.weight * x;
            }
        }
        if has_slope {
            right[size - 1] += sample.weight * x * y;
            normal[size - 1][size - 1] += sample.weight * x * x;
        }
    }
    Some((normal, right))
}

/// The inverse by Gauss and Jordan, with the largest pivot; `None` where there is none.
fn inverted(mut matrix: Vec<Vec<f64>>) -> Option<Vec<Vec<f64>>> {
    let size = matrix.len();
    let mut inverse: Vec<Vec<f64>> =
        (0..size).map(|row| (0..size).map(|column| f64::from(u8::from(row == column))).collect()).collect();
    let largest = matrix.iter().flatten().fold(0.0_f64, |largest, value| largest.max(value.abs()));
    for column in 0..size {
        let pivot =
            (column..size).max_by(|a, b| matrix[*a][column].abs().total_cmp(&matrix[*b][column].abs()))?;
        if matrix[pivot][column].abs() <= 1e-10 * largest {
            return None;
        }
        matrix.swap(column, pivot);
        inverse.swap(column, pivot);
        let scale = matrix[column][column];
        for value in matrix[column].iter_mut().chain(&mut inverse[column]) {
            *value /= scale;
        }
        for row in (0..size).filter(|row| *row != column) {
            let factor = matrix[row][column];
            for at in 0..size {
                matrix[row][at] -= factor * matrix[column][at];
                inverse[row][at] -= factor * inverse[column][at];
            }
        }
    }
    Some(inverse)
}

#[cfg(test)]
#[path = "matched_effects/tests.rs"]
mod tests;
