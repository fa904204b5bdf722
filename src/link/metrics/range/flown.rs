//! All links over the distances flown: the path-loss line, the bins, the row of the summary.
//!
//! A silence of the position that is not over at the last record counts as unfinished once it is
//! longer than 2 s. More than 3000 seconds are thinned evenly before the line is fitted.

use crate::link::context::Context;
use crate::profile::{LinkProfile, LinkRole};
use crate::snapshot::{DistanceBin, RangeView};
use crate::stats::path_loss::{self, PathLoss};
use crate::stats::quantile;
use crate::summary::{RangeSummary, Threshold};
use crate::units::{LevelUnit, Nanos};

use super::bins::{self, Bin, Rule, Second};
use super::freeze;
use super::{Evidence, LATEST_WINDOW, RangeMeter};

/// The line is fitted from here on: nearer, antennas and bodies rule.
const NEAREST_FIT_M: f64 = 10.0;
const MOST_FITTED: usize = 3000;
const MOST_DRAWN: usize = 400;

/// The session's distances with all that is known at each.
pub(super) struct Flown<'a> {
    meter: &'a RangeMeter,
    context: &'a Context,
    evidence: Evidence<'a>,
    distances: Vec<Option<f32>>,
}

/// A line with the replicates of its bootstrap.
struct Line {
    fit: PathLoss,
    replicates: Option<Vec<(f64, f64)>>,
}

impl<'a> Flown<'a> {
    pub(super) fn of(meter: &'a RangeMeter, context: &'a Context, evidence: Evidence<'a>) -> Self {
        Self { meter, context, evidence, distances: meter.seconds(context) }
    }

    fn farthest(&self) -> Option<f64> {
        self.distances.iter().flatten().copied().reduce(f32::max).map(f64::from)
    }

    pub(super) fn row(&self, index: usize) -> Option<RangeSummary> {
        let link = &self.context.profile.link[index];
        let has_level = link.has_level();
        let max_distance_m = self.farthest();
        if !has_level && max_distance_m.is_none() {
            return None;
        }
        let points = self.points(index);
        let line = line_of(&points);
        let in_db = link.unit() == LevelUnit::Dbm;
        let fit = line.as_ref().map(|line| &line.fit);
        let replicates = line.as_ref().and_then(|line| line.replicates.as_deref());
        let threshold = self.context.threshold(&link.name).filter(|threshold| threshold.unit == link.unit());
        let proof = bins::proof(&self.bins(index));
        let origin = self.meter.handset.origin(&self.context.profile.handset);
        Some(RangeSummary {
            link: link.name.clone(),
            unit: has_level.then(|| link.unit()),
            origin: origin.map(|origin| origin.word().to_owned()),
            samples: points.len() as u64,
            seconds_excluded: self.excluded(index, has_level),
            path_loss_exponent: fit.filter(|_| in_db).map(|fit| fit.exponent),
            path_loss_exponent_ci95: replicates
                .filter(|_| in_db)
                .and_then(|replicates| path_loss::interval(replicates, |_, exponent| Some(exponent))),
            level_at_1m: fit.map(|fit| fit.level_at_1m),
            shadowing_sigma_db: fit.filter(|_| in_db).map(|fit| fit.sigma),
            max_distance_m,
            proven_m: proof.map(|proof| proof.distance_m),
            proven_s: proof.map(|proof| proof.seconds as f64),
            claimed_m: link.claimed_range_m,
            predicted_freeze_m: fit.zip(threshold).and_then(|(fit, limit)| fit.distance(limit.level_p05)),
            predicted_freeze_ci95_m: replicates.zip(threshold).and_then(|(all, limit)| predicted(all, limit)),
            first_freeze_expected_m: fit
                .zip(threshold)
                .and_then(|(fit, limit)| freeze::first_freeze(fit, limit)),
        })
    }

    /// Whole seconds so far that lack a position, or a level where the link has any.
    fn excluded(&self, index: usize, has_level: bool) -> u64 {
        let levels = self.evidence.signal.seconds(index);
        let known = |second: usize| {
            let level = !has_level || levels.get(second).copied().flatten().is_some();
            level && self.distances.get(second).copied().flatten().is_some()
        };
        (0..levels.len()).filter(|&second| !known(second)).count() as u64
    }

    /// Distance and level at each second from 10 m on.
    fn points(&self, index: usize) -> Vec<(f64, f64)> {
        let levels = self.evidence.signal.seconds(index);
        self.distances
            .iter()
            .zip(levels)
            .filter_map(|(distance, level)| Some((f64::from((*distance)?), f64::from((*level)?))))
            .filter(|&(distance, _)| distance >= NEAREST_FIT_M)
            .collect()
    }

    /// What each second says of a link.
    fn seconds(&self, index: usize) -> Vec<Second> {
        let link = &self.context.profile.link[index];
        let levels = self.evidence.signal.seconds(index);
        let count = self.distances.len();
        let shares = Shares::of(self, link, count);
        let mut numbered: Vec<(usize, Second)> = Vec::with_capacity(count);
        for (second, distance) in self.distances.iter().enumerate() {
            let Some(distance) = *distance else { continue };
            numbered.push((
                second,
                Second {
                    distance_m: f64::from(distance),
                    level: levels.get(second).copied().flatten().map(f64::from),
                    traffic: self.evidence.loss.link_second(self.context, link, second),
                    left: false,
                    frozen: shares.frozen.get(second).copied(),
                    failsafe: shares.failsafe.get(second).is_some_and(|&share| share > 0.0),
                    moved_s: shares.moved.get(second).copied().unwrap_or(0.0),
                    held_s: shares.held.get(second).copied().unwrap_or(0.0),
                },
            ));
        }
        self.mark_left(&mut numbered);
        numbered.into_iter().map(|(_, second)| second).collect()
    }

    /// The second of the last fix before a long or unfinished silence fails its bin.
    fn mark_left(&self, numbered: &mut Vec<(usize, Second)>) {
        let Some(start) = self.context.start else { return };
        for (at, place) in self.meter.track.left(self.context.now, LATEST_WINDOW) {
            let number = ((at - start).0.div_euclid(1_000_000_000) - 1).max(0) as usize;
            let Some(handset) = self.meter.handset_place(at, self.context) else { continue };
            match numbered.binary_search_by_key(&number, |(number, _)| *number) {
                Ok(found) => numbered[found].1.left = true,
                Err(place_in_order) => {
                    let distance_m = handset.distance(place).0;
                    let lost = Second { distance_m, left: true, ..Second::default() };
                    numbered.insert(place_in_order, (number, lost));
                }
            }
        }
    }

    fn bins(&self, index: usize) -> Vec<Bin> {
        let rule = match self.context.profile.link[index].role {
            LinkRole::Video => Rule::Frozen,
            LinkRole::Telemetry => Rule::Loss,
            LinkRole::Control => Rule::Holds,
        };
        bins::bins(&self.seconds(index), rule)
    }

    pub(super) fn view(&self, index: usize) -> Option<RangeView> {
        let link = &self.context.profile.link[index];
        if !link.has_level() && self.farthest().is_none() {
            return None;
        }
        let points = self.points(index);
        let step = points.len().div_ceil(MOST_DRAWN).max(1);
        let drawn = |bin: &Bin| DistanceBin {
            from_m: bin.from_m,
            to_m: bin.to_m,
            seconds: bin.seconds.len() as f64,
            level: quantile::median(
                &bin.seconds.iter().filter_map(|second| second.level).collect::<Vec<_>>(),
            ),
            loss_ratio: bins::loss_ratio(&bin.seconds),
            passed: bin.passed,
        };
        Some(RangeView {
            link: link.name.clone(),
            bins: self.bins(index).iter().map(drawn).collect(),
            points: points.into_iter().step_by(step).collect(),
            missing: self.missing(),
        })
    }

    fn missing(&self) -> Option<String> {
        if self.farthest().is_some() {
            None
        } else if self.meter.track.seconds().is_empty() {
            Some("no distance: the vehicle sends no position, or has no fix yet".to_owned())
        } else {
            Some(
                "no distance: mark 'the handset is here', or give [handset] lat and lon in the profile"
                    .to_owned(),
            )
        }
    }
}

/// For each second, how much of it lies within spans of some kind.
struct Shares {
    frozen: Vec<bool>,
    failsafe: Vec<f64>,
    moved: Vec<f64>,
    held: Vec<f64>,
}

impl Shares {
    fn of(flown: &Flown<'_>, link: &LinkProfile, count: usize) -> Self {
        let (context, evidence) = (flown.context, flown.evidence);
        let mut shares =
            Self { frozen: Vec::new(), failsafe: Vec::new(), moved: Vec::new(), held: Vec::new() };
        match link.role {
            LinkRole::Video => {
                let watched = context.profile.video_link().is_some_and(|video| video.name == link.name)
                    && evidence.video.source(context).is_some();
                if watched {
                    let freezes = evidence.video.freezes(context);
                    let spans = freezes.iter().map(|span| (span.start, span.end));
                    shares.frozen =
                        within(context, spans, count).into_iter().map(|share| share > 0.0).collect();
                }
            }
            LinkRole::Control => {
                shares.failsafe = within(context, evidence.failsafe.spans(context).into_iter(), count);
                shares.moved = within(context, evidence.latency.moving_spans().iter().copied(), count);
                shares.held = within(context, evidence.latency.hold_spans().iter().copied(), count);
            }
            LinkRole::Telemetry => {}
        }
        shares
    }
}

/// How much of each whole second (index 0: the first) lies within spans.
fn within(context: &Context, spans: impl Iterator<Item = (Nanos, Nanos)>, count: usize) -> Vec<f64> {
    let mut shares = vec![0.0; count];
    for (from, to) in spans {
        let from = context.since_start_s(from).max(0.0);
        let to = context.since_start_s(to).min(count as f64);
        let mut second = from as usize;
        while (second as f64) < to {
            let left = from.max(second as f64);
            let right = to.min(second as f64 + 1.0);
            if let Some(share) = shares.get_mut(second) {
                *share = (*share + (right - left).max(0.0)).min(1.0);
            }
            second += 1;
        }
    }
    shares
}

fn line_of(points: &[(f64, f64)]) -> Option<Line> {
    let step = points.len().div_ceil(MOST_FITTED).max(1);
    let thinned: Vec<(f64, f64)> = points.iter().copied().step_by(step).collect();
    let mut fit = path_loss::fit(&thinned)?;
    let replicates = path_loss::replicates(&thinned, &fit);
    fit.correlation *= step as f64;
    Some(Line { fit, replicates })
}

/// Where the median level meets the threshold, with what both are uncertain by.
fn predicted(replicates: &[(f64, f64)], threshold: &Threshold) -> Option<[f64; 2]> {
    // The threshold's own error goes in as normal quantiles, spread evenly and shuffled by a stride
    // that shares no factor with the count, so that no second source of randomness is needed.
    const STRIDE: usize = 151;
    let half = threshold.level_p05_ci95.map_or(0.0, |ci95| (ci95[1] - ci95[0]) / 2.0);
    let count = replicates.len();
    let normal = statrs::distribution::Normal::standard();
    let shifted: Vec<(f64, f64)> = replicates
        .iter()
        .enumerate()
        .map(|(index, &(level, exponent))| {
            let share = ((index * STRIDE) % count) as f64 + 0.5;
            let z = statrs::distribution::ContinuousCDF::inverse_cdf(&normal, share / count as f64);
            (level - half * z / 1.959_963_984_540_054, exponent)
        })
        .collect();
    path_loss::interval(&shifted, |level, exponent| {
        path_loss::distance_at(level, exponent, threshold.level_p05)
    })
}
