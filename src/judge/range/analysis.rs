//! All links over the distances flown: the path-loss line, the bins, the row of the summary.
//!
//! Only seconds of trips are judged. A silence of the position in a trip that is longer than 10 s fails the bin of the last
//! fix, also where it is not over at the last record. More than 3000 seconds are thinned evenly before the line is fitted.

use std::collections::BTreeMap;
use std::iter::StepBy;

use crate::judge::freeze_evidence;
use crate::measure::context::Context;
use crate::measure::series::Series;
use crate::profile::{LinkProfile, LinkRole};
use crate::stats::curve_fit::path_loss;
use crate::stats::curve_fit::path_loss::PathLoss;
use crate::stats::space::geodesic;
use crate::summary::{ProofEnd, RangeSummary, Threshold};
use crate::units::{LevelUnit, Nanos};

use super::antenna_pattern;
use super::antenna_pattern::Seen;
use super::bins;
use super::bins::{Bin, End, Proof, Rule, Second};
use super::span_share::SpanShare;
use super::{Evidence, predicted_freeze, saturation, theory};
use crate::measure::latency::TimeSpans;
use crate::measure::loss::LinkSeconds;
use crate::measure::position::PositionMeter;
use crate::measure::position::track::LONGEST_BRIDGE;

/// The line is fitted from here on: nearer, antennas and bodies rule.
const NEAREST_FIT_M: f64 = 10.0;
const MOST_FITTED: usize = 3000;
/// Nearer than this in the plane, the vehicle is overhead and its nose tells nothing.
const NEAREST_BEARING_M: f64 = 5.0;
/// As wide as a sector.
const MOST_TURNED_DEG: f64 = 30.0;

/// The session's distances with all that is known at each.
pub(super) struct Analysis<'a> {
    pub(super) meter: &'a PositionMeter,
    pub(super) context: &'a Context,
    pub(super) evidence: Evidence<'a>,
    distances: Series<f32>,
}

/// At most so many points, thinned evenly: one in how many, and those.
pub(super) fn at_most<Points: Iterator<Item = (f64, f64)> + Clone>(
    points: Points,
    most: usize,
) -> (usize, StepBy<Points>) {
    let step = points.clone().count().div_ceil(most).max(1);
    (step, points.step_by(step))
}

/// A line with the replicates of its bootstrap.
struct Line {
    fit: PathLoss,
    replicates: Option<Vec<(f64, f64)>>,
}

impl<'a> Analysis<'a> {
    pub(super) fn of(meter: &'a PositionMeter, context: &'a Context, evidence: Evidence<'a>) -> Self {
        Self { meter, context, evidence, distances: meter.seconds(context) }
    }

    /// Over whole seconds and every fix.
    pub(super) fn farthest(&self) -> Option<f64> {
        let known = self.distances.known(0, usize::MAX).map(|(_, distance)| distance);
        let seconds = known.reduce(f32::max).map(f64::from);
        seconds.into_iter().chain(self.meter.farthest_fix(self.context)).reduce(f64::max)
    }

    pub(super) fn row(&self, index: usize) -> Option<RangeSummary> {
        let link = &self.context.profile.link[index];
        let has_level = link.has_level();
        let max_distance_m = self.farthest();
        if !has_level && max_distance_m.is_none() {
            return None;
        }
        let samples = self.points(index).count();
        let saturated_to_m = self.saturated_to_m(index);
        let points = self.fitted(index, saturated_to_m);
        let saturated_s = samples - points.clone().count();
        let line = line_of(points.clone());
        let in_db = link.unit() == LevelUnit::Dbm;
        let fit = line.as_ref().map(|line| &line.fit);
        let replicates = line.as_ref().and_then(|line| line.replicates.as_deref());
        let threshold = self.threshold(index);
        let flight = self.numbered(index);
        let bins = self.bins(index, &flight);
        let (proof, end) = self.proof(&bins).unzip();
        let seen = self.seen(&flight, saturated_to_m);
        let origin = self.meter.handset.origin(&self.context.profile.handset);
        Some(RangeSummary {
            link: link.name.clone(),
            unit: has_level.then(|| link.unit()),
            origin,
            samples: samples as u64,
            seconds_excluded: self.excluded(index, has_level),
            fixes_left_out: self.meter.fixes_left_out(),
            saturated_to_m,
            saturated_s: saturated_to_m.map(|_| saturated_s as u64),
            path_loss_exponent: fit.filter(|_| in_db).map(|fit| fit.exponent),
            path_loss_exponent_ci95: replicates
                .filter(|_| in_db)
                .and_then(|replicates| path_loss::interval(replicates, |_, exponent| Some(exponent))),
            level_at_1m: fit.map(|fit| fit.level_at_1m),
            shadowing_sigma_db: fit.filter(|_| in_db).map(|fit| fit.sigma),
            max_distance_m,
            proven_m: proof.map(|proof| proof.distance_m),
            proven_s: proof.map(|proof| proof.seconds as f64),
            proven_passes: bins
                .iter()
                .rfind(|bin| {
                    proof.is_some_and(|proof| bin.from_m < proof.distance_m) && bin.passed == Some(true)
                })
                .map(|bin| passes(&flight, bin.from_m, bin.to_m)),
            proof_end: end.map(|end| ProofEnd { from_m: end.from_m, to_m: end.to_m, why: end.why }),
            claimed_m: link.claimed_range_m,
            predicted_freeze_m: fit.zip(threshold).and_then(|(fit, limit)| fit.distance(limit.level_p05)),
            predicted_freeze_ci95_m: replicates
                .zip(threshold)
                .and_then(|(all, limit)| predicted(all, limit, |_, _| 1.0)),
            first_freeze_expected_m: fit
                .zip(threshold)
                .and_then(|(fit, limit)| predicted_freeze::first_freeze(fit, limit)),
            plus_3db_m: fit.zip(threshold).filter(|_| in_db).and_then(|(fit, limit)| {
                Some(fit.distance(limit.level_p05)? * gained(fit.level_at_1m, fit.exponent))
            }),
            plus_3db_ci95_m: replicates
                .zip(threshold)
                .filter(|_| in_db)
                .and_then(|(all, limit)| predicted(all, limit, gained)),
            theory: theory::summary(link, fit.map(|fit| (fit, replicates)), threshold, middle_m(points)),
            heading: antenna_pattern::heading(&seen, link.unit()),
            height: antenna_pattern::height(&seen, link.unit()),
        })
    }

    /// Whole seconds so far that lack a position, or a level where the link has any.
    fn excluded(&self, index: usize, has_level: bool) -> u64 {
        let levels = self.evidence.signal.seconds(index);
        let with_distance = self.distances.known(0, levels.len());
        let known = with_distance.filter(|(second, _)| !has_level || levels.number(*second).is_some());
        (levels.len() - known.count()) as u64
    }

    /// Distance over a second, the one of its level: the middle of both ends, else its end.
    fn over(&self, second: usize) -> Option<f64> {
        let end = f64::from(self.distances.number(second)?);
        let start = second.checked_sub(1).and_then(|before| self.distances.number(before));
        Some(start.map_or(end, |start| f64::midpoint(f64::from(start), end)))
    }

    /// Distance and level over each second from 10 m on.
    pub(super) fn points(&self, index: usize) -> impl Iterator<Item = (f64, f64)> + Clone + '_ {
        let levels = self.evidence.signal.seconds(index).known(0, usize::MAX);
        let points = levels.filter_map(|(second, level)| Some((self.over(second)?, f64::from(level))));
        points.filter(|(distance_m, _)| *distance_m >= NEAREST_FIT_M)
    }

    /// Up to where the link's level tops out; `None`: nowhere.
    fn saturated_to_m(&self, index: usize) -> Option<f64> {
        saturation::end_m(self.points(index), self.evidence.signal.top(index)?)
    }

    /// Those of the points that the line is fitted to: from where the level no longer tops out.
    fn fitted(
        &self,
        index: usize,
        saturated_to_m: Option<f64>,
    ) -> impl Iterator<Item = (f64, f64)> + Clone + '_ {
        let beyond_m = saturated_to_m.unwrap_or(0.0);
        self.points(index).filter(move |(distance_m, _)| *distance_m > beyond_m)
    }

    /// What each second says of a link.
    pub(super) fn numbered(&self, index: usize) -> FlightSeconds<'_> {
        let (context, evidence) = (self.context, self.evidence);
        let link = &context.profile.link[index];
        let in_order = |mut spans: Vec<(Nanos, Nanos)>| {
            spans.sort_unstable();
            spans
        };
        let (failsafe, moved, held) = match link.role {
            LinkRole::Control => (
                in_order(evidence.failsafe.spans(context)),
                Some(evidence.latency.moving_spans()),
                in_order(evidence.holds_apart_from_failsafes(context)),
            ),
            LinkRole::Video | LinkRole::Telemetry => Default::default(),
        };
        FlightSeconds {
            context,
            distances: &self.distances,
            levels: evidence.signal.seconds(index),
            traffic: evidence.loss.link_seconds(context, link),
            left: self.left(),
            frozen: self.frozen(link),
            failsafe,
            moved,
            held,
        }
    }

    /// The seconds that a freeze touches, each with the nearest distance then; `None` where this link's picture is not
    /// watched.
    fn frozen(&self, link: &LinkProfile) -> Option<BTreeMap<usize, f32>> {
        let (context, video) = (self.context, self.evidence.video);
        video.source(context).filter(|_| context.profile.is_video_link(link))?;
        let mut frozen = BTreeMap::new();
        for span in video
            .freezes(context)
            .into_iter()
            .filter(|span| freeze_evidence::of_freeze(context, span).fails())
        {
            let from = context.since_start_s(span.start).max(0.0);
            let to = context.since_start_s(span.end);
            // One that begins and ends at one instant touches nothing.
            let touched = if from < to { from as usize..to.ceil() as usize } else { 0..0 };
            for (second, end_m) in self.distances.known(touched.start, touched.end) {
                let nearest = frozen.entry(second).or_insert(f32::INFINITY);
                *nearest = nearest.min(self.nearest(second, end_m, from, to));
            }
        }
        Some(frozen)
    }

    /// The nearest distance of a second that ends at one, within a span of seconds from the first record.
    fn nearest(&self, second: usize, end_m: f32, from_s: f64, to_s: f64) -> f32 {
        let start_m = second.checked_sub(1).and_then(|before| self.distances.number(before)).unwrap_or(end_m);
        let at =
            |since_s: f64| start_m + (end_m - start_m) * (since_s - second as f64).clamp(0.0, 1.0) as f32;
        at(from_s).min(at(to_s))
    }

    /// The seconds of the last fix before long or unfinished silences, with its distance.
    fn left(&self) -> BTreeMap<usize, f64> {
        let mut left = BTreeMap::new();
        let Some(start) = self.context.start else { return left };
        let silences = self.meter.track.left(self.context.now, LONGEST_BRIDGE);
        for (at, place) in silences.filter(|(at, _)| self.context.life.is_judged(*at)) {
            let second = (at - start).whole_secs().saturating_sub(1);
            if let Some(handset) = self.meter.handset_place(at, self.context) {
                left.entry(second).or_insert_with(|| handset.distance(place).0);
            }
        }
        left
    }

    pub(super) fn rule(&self, index: usize) -> Rule {
        match self.context.profile.link[index].role {
            LinkRole::Video => Rule::Frozen,
            LinkRole::Telemetry => Rule::Loss,
            LinkRole::Control => Rule::Holds,
        }
    }

    pub(super) fn bins(&self, index: usize, flight: &FlightSeconds<'_>) -> Vec<Bin> {
        bins::bins(|| flight.seconds().map(|(_, second)| second), self.rule(index))
    }

    /// How far the link is proven: never beyond the farthest point.
    pub(super) fn proof(&self, bins: &[Bin]) -> Option<(Proof, End)> {
        let farthest = self.farthest().unwrap_or(f64::INFINITY);
        let (proof, end) = bins::proof(bins)?;
        Some((Proof { distance_m: proof.distance_m.min(farthest), ..proof }, end))
    }

    pub(super) fn threshold(&self, index: usize) -> Option<&Threshold> {
        let link = &self.context.profile.link[index];
        self.context.threshold(&link.name).filter(|threshold| threshold.unit == link.unit())
    }

    /// The nose turned so far in this second that its level belongs to no direction.
    fn turning(&self, second: usize) -> bool {
        let heading = |second: usize| self.meter.track.heading(second).map(f64::from);
        let before = second.checked_sub(1).and_then(heading);
        before.zip(heading(second)).is_some_and(|(before, now)| {
            ((now - before + 180.0).rem_euclid(360.0) - 180.0).abs() > MOST_TURNED_DEG
        })
    }

    /// Seconds from 10 m on, or from where the level no longer tops out, with where the handset lay from the vehicle.
    fn seen(&self, flight: &FlightSeconds<'_>, saturated_to_m: Option<f64>) -> Vec<Seen> {
        let track = &self.meter.track;
        let profile = &self.context.profile.handset;
        let nearest_m = saturated_to_m.unwrap_or(0.0).max(NEAREST_FIT_M);
        let far = flight.seconds().filter(|(_, second)| second.distance_m >= nearest_m);
        far.filter_map(|(number, second)| {
            let place = track.place(number)?;
            let handset = self.meter.handset.place(number + 1, profile)?;
            let (north, east) =
                geodesic::north_east_m((place.lat_deg, place.lon_deg), (handset.lat_deg, handset.lon_deg));
            let from_nose = |nose: f32| (east.atan2(north).to_degrees() - f64::from(nose)).rem_euclid(360.0);
            let bearing_deg = track
                .heading(number)
                .filter(|_| north.hypot(east) >= NEAREST_BEARING_M && !self.turning(number))
                .map(from_nose);
            let distance_m = self.over(number).unwrap_or(second.distance_m);
            Some(Seen::new(
                number,
                &Second { distance_m, ..second },
                bearing_deg,
                place.alt_m - handset.alt_m,
            ))
        })
        .collect()
    }
}

/// What each second says of a link, made as it is asked for: a day of them is not to be held.
pub(super) struct FlightSeconds<'a> {
    context: &'a Context,
    distances: &'a Series<f32>,
    levels: &'a Series<f32>,
    traffic: LinkSeconds<'a>,
    /// Where the position was lost for long: these seconds fail their bins.
    left: BTreeMap<usize, f64>,
    /// Where a freeze touches it, of the link whose picture is watched.
    frozen: Option<BTreeMap<usize, f32>>,
    /// Of a control link.
    failsafe: Vec<(Nanos, Nanos)>,
    moved: Option<&'a TimeSpans>,
    held: Vec<(Nanos, Nanos)>,
}

impl FlightSeconds<'_> {
    /// Those with a distance, or with the last one before a silence, in their order: number and distances.
    fn distances(&self) -> impl Iterator<Item = (usize, Option<f32>, Option<f64>)> + '_ {
        let mut known = self.distances.known(0, usize::MAX).peekable();
        let mut left = self.left.iter().peekable();
        std::iter::from_fn(move || {
            let next = [known.peek().map(|one| one.0), left.peek().map(|one| *one.0)];
            let second = next.into_iter().flatten().min()?;
            let distance = known.next_if(|one| one.0 == second).map(|one| one.1);
            Some((second, distance, left.next_if(|one| *one.0 == second).map(|one| *one.1)))
        })
    }

    /// The same with all that each says: number from the first record, and what it was like.
    pub(super) fn seconds(&self) -> impl Iterator<Item = (usize, Second)> + '_ {
        let mut failsafe = SpanShare::new(self.context, self.failsafe.iter().copied());
        let mut moved = SpanShare::new(self.context, self.moved.into_iter().flat_map(TimeSpans::iter));
        let mut held = SpanShare::new(self.context, self.held.iter().copied());
        let start = self.context.start.unwrap_or_default();
        let life = &self.context.life;
        self.distances().filter_map(move |(number, distance, left)| {
            if left.is_none() && !life.is_judged(start + Nanos::from_secs(number as i64 + 1)) {
                return None;
            }
            let Some(distance) = distance else {
                return left
                    .map(|distance_m| (number, Second { distance_m, left: true, ..Second::default() }));
            };
            let frozen_m = self.frozen.as_ref().map(|frozen| frozen.get(&number).copied());
            let second = Second {
                distance_m: f64::from(distance),
                level: self.levels.number(number).map(f64::from),
                traffic: self.traffic.at(number),
                left: left.is_some(),
                frozen: frozen_m.map(|nearest_m| nearest_m.is_some()),
                frozen_m: frozen_m.flatten().map(f64::from),
                failsafe: failsafe.of(number) > 0.0,
                moved_s: moved.of(number),
                held_s: held.of(number),
            };
            Some((number, second))
        })
    }
}

/// How often the vehicle went into a span of distance.
fn passes(flight: &FlightSeconds<'_>, from_m: f64, to_m: f64) -> u64 {
    let mut inside =
        flight.seconds().map(|(_, second)| second.distance_m >= from_m && second.distance_m < to_m);
    let began = inside.next() == Some(true);
    let (mut entered, mut was_inside) = (u64::from(began), began);
    for is_inside in inside {
        entered += u64::from(is_inside && !was_inside);
        was_inside = is_inside;
    }
    entered
}

fn line_of(points: impl Iterator<Item = (f64, f64)> + Clone) -> Option<Line> {
    let (step, thinned) = at_most(points, MOST_FITTED);
    let thinned: Vec<(f64, f64)> = thinned.collect();
    let mut fit = path_loss::fit(&thinned)?;
    let replicates = path_loss::replicates(&thinned, &fit);
    fit.correlation *= step as f64;
    Some(Line { fit, replicates })
}

/// The geometric middle of the distances.
fn middle_m(points: impl Iterator<Item = (f64, f64)>) -> Option<f64> {
    let (seconds, sum) =
        points.fold((0_u32, 0.0), |(seconds, sum), (distance_m, _)| (seconds + 1, sum + distance_m.ln()));
    (seconds > 0).then(|| (sum / f64::from(seconds)).exp())
}

/// By what share of itself a distance grows with 3 dB more level.
fn gained(_: f64, exponent: f64) -> f64 {
    10.0_f64.powf(3.0 / (10.0 * exponent)) - 1.0
}

/// Where the median level meets the threshold, or a share of that distance, with what both are uncertain by.
fn predicted(
    replicates: &[(f64, f64)],
    threshold: &Threshold,
    share: fn(f64, f64) -> f64,
) -> Option<[f64; 2]> {
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
        Some(path_loss::distance_at(level, exponent, threshold.level_p05)? * share(level, exponent))
    })
}
