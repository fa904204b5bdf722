//! What the latency page draws, and the sentences on what is missing.

use crate::clocks::Clocks;
use crate::measure::context::Context;
use crate::snapshot::{LatencyLimit, LatencyView, StageView, usual_end};
use crate::summary::{Bound, LatencyDrawing, LatencyMovement, LatencyStage, LatencySummary, Reason};

use super::age_distribution::{AgeDistribution, LOOSE};
use super::age_intervals;
use super::age_intervals::StickPath;
use super::mapping::AlignedMovement;
use super::stage::StageMeter;
use super::stage_estimate;
use super::stage_estimate::StageEstimate;
use super::stage_evidence::StageEvidence;
use super::{LatencyMeter, Source};

/// Columns of a histogram, at most.
const MOST_BINS: usize = 60;
/// Points of the drift line, at most, and movements behind each.
const MOST_DRIFT: usize = 24;
const FEWEST_BEHIND: usize = 8;
const MOST_BEHIND: usize = 32;
/// Narrower pieces are no one's concern, ms.
const LEAST_UNLOCATED_MS: f64 = 4.0;

/// The three stages' meters: stick to servo, stick to input, input to servo.
fn stages(meter: &LatencyMeter) -> [Option<&StageMeter>; 3] {
    let source = meter.source();
    [source.map(|source| &source.servo), source.map(|source| &source.input), Some(&meter.onboard)]
}

/// Their figures.
const fn rows(summary: &LatencySummary) -> [Option<&LatencyStage>; 3] {
    [summary.stick_to_servo.as_ref(), summary.stick_to_input.as_ref(), summary.input_to_servo.as_ref()]
}

pub(super) fn view(meter: &LatencyMeter, context: &Context, summary: &LatencySummary) -> LatencyView {
    let (stages, rows) = (stages(meter), rows(summary));
    let mut views: [StageView; 3] = Default::default();
    for (index, view) in views.iter_mut().enumerate() {
        let unlocated_ms = summary.drawing.unlocated_ms[index];
        *view = StageView {
            bins: rows[index].map_or_else(Vec::new, |row| bins(&row.distribution)),
            drift: summary.drawing.drift[index].clone(),
            limited_by: rows[index].map(|row| limited_by(row, stages[index], unlocated_ms)),
            missing: summary.drawing.missing[index],
        };
    }
    LatencyView {
        stages: views,
        movement: summary.drawing.movement.clone(),
        glass_to_glass_ms: context.profile.glass_to_glass_ms,
        glass_to_glass_ci95_ms: context.profile.glass_to_glass_ci95_ms,
    }
}

/// What is drawn beside the figures: made with them, since it reads the same movements.
pub(super) fn drawing(
    source: Option<&Source>,
    estimates: [Option<&StageEstimate>; 2],
    clocks: &Clocks,
    context: &Context,
) -> LatencyDrawing {
    // Movements on the boot clock are not drawn over time: this session's start is not known on it.
    let drifts = estimates
        .map(|estimate| estimate.map_or_else(Vec::new, |estimate| drift(estimate.evidence(), context)));
    let [servo, input] = estimates.map(|estimate| estimate.and_then(StageEstimate::unlocated_ms));
    let on_board = estimates[0]
        .zip(estimates[1])
        .and_then(|(servo, input)| stage_estimate::unlocated_between(servo, input));
    let [servo_drift, input_drift] = drifts;
    let movement = source.and_then(|source| {
        let drawn = |estimate: Option<&StageEstimate>, stage: &StageMeter, is_input: bool| {
            movement(stage, estimate?.evidence().path, is_input, clocks, context)
        };
        drawn(estimates[0], &source.servo, false).or_else(|| drawn(estimates[1], &source.input, true))
    });
    LatencyDrawing {
        drift: [servo_drift, input_drift, Vec::new()],
        unlocated_ms: [servo, input, on_board],
        movement,
        missing: Default::default(),
    }
}

/// Equal bins over the bounded part of the distribution up to its 99th percentile, and one for the rest.
fn bins(distribution: &[(f64, f64, f64)]) -> Vec<(f64, f64, f64)> {
    let known: Vec<(f64, f64, f64)> =
        distribution.iter().filter(|cell| cell.1.is_finite()).copied().collect();
    let (Some(first), Some(last)) = (known.first(), known.last()) else { return Vec::new() };
    let usual_end = usual_end(&known).unwrap_or(last.1);
    let span = (usual_end - first.0).max(1.0);
    let width =
        [1.0, 2.0, 5.0, 10.0, 20.0, 50.0].into_iter().find(|width| span / width <= MOST_BINS as f64 - 2.0);
    let width = width.unwrap_or(50.0);
    let from = (first.0 / width).floor() * width;
    let count = (((usual_end - from) / width).ceil() as usize).min(MOST_BINS);
    let end = from + width * count as f64;
    let edges = (0..count).map(|index| {
        let low = from + width * index as f64;
        (low, low + width)
    });
    let rest = (last.1 > end).then_some((end, last.1));
    let bin = |(low, high): (f64, f64)| {
        let share = known.iter().map(|cell| {
            let overlap = (cell.1.min(high) - cell.0.max(low)).max(0.0);
            cell.2 * overlap / (cell.1 - cell.0)
        });
        (low, high, share.sum())
    };
    edges.chain(rest).map(bin).collect()
}

/// The median of each stretch of the session.
fn drift(evidence: &StageEvidence, context: &Context) -> Vec<(f64, f64)> {
    let size = evidence.movements.len().div_ceil(MOST_DRIFT).max(FEWEST_BEHIND);
    evidence
        .movements
        .chunks(size)
        .filter(|chunk| chunk.len() >= FEWEST_BEHIND.min(size))
        .filter_map(|chunk| {
            let some = chunk.iter().step_by(chunk.len().div_ceil(MOST_BEHIND));
            let median = AgeDistribution::new(some, evidence.hold.as_ref(), None, LOOSE)?.quantile(0.5)?;
            Some((context.since_start_s(chunk[chunk.len() / 2].start), median))
        })
        .collect()
}

fn limited_by(row: &LatencyStage, stage: Option<&StageMeter>, in_step_ms: Option<f64>) -> LatencyLimit {
    if row.bound == Bound::None {
        return LatencyLimit::NoClock;
    }
    if row.bound == Bound::Upper {
        return LatencyLimit::OneWayClock;
    }
    if let Some(unlocated_ms) = in_step_ms {
        return LatencyLimit::InStep { unlocated_ms };
    }
    if let Some(lag) = row.cross_correlation_ms.zip(row.p50_ms).zip(row.p50_ci95_ms) {
        let ((lag_ms, p50), [low, high]) = lag;
        let allowed = (high - low) / 2.0 + 10.0;
        if (lag_ms - p50).abs() > allowed {
            return LatencyLimit::SecondMethod { lag_ms };
        }
    }
    if let Some(unlocated_ms) = unlocated(row) {
        return LatencyLimit::Schedule { unlocated_ms };
    }
    let width = row.p50_ci95_ms.map(|[low, high]| (high - low) / 2.0);
    match (width, row.clock_uncertainty_ms) {
        (None, _) => LatencyLimit::FewMoves { needed: row.moves_needed.p50 },
        (Some(width), Some(clock_ms)) if clock_ms > width.max(2.0) => LatencyLimit::RoundTrip { clock_ms },
        (Some(width), _)
            if stage.is_some_and(|stage| stage.track.seen.1 < 4 * stage.track.seen.0) && width > 2.0 =>
        {
            LatencyLimit::Rate
        }
        (Some(width_ms), _) => LatencyLimit::Moves { events: row.events, width_ms },
    }
}

/// The width of the piece in which the median lies, where it makes most of the median's interval:
/// samples that always fall at the same moments of a movement never divide it, however many come.
fn unlocated(row: &LatencyStage) -> Option<f64> {
    let [low, high] = row.p50_ci95_ms?;
    let mut below = 0.0;
    let all: f64 = row.distribution.iter().map(|piece| piece.2).sum();
    let piece = row.distribution.iter().find(|piece| {
        below += piece.2;
        below >= 0.5 * all
    })?;
    let width = piece.1 - piece.0;
    (width >= LEAST_UNLOCATED_MS && width >= 0.7 * (high - low)).then_some(width)
}

/// Of each stage that is not measured: why.
pub(super) fn all_missing(
    meter: &LatencyMeter,
    summary: &LatencySummary,
    withdrawn: [bool; 3],
) -> [Option<Reason>; 3] {
    let (stages, rows) = (stages(meter), rows(summary));
    let why = |index: usize| {
        if withdrawn[index] { Reason::Contradicted } else { missing(meter, index, stages[index]) }
    };
    [0, 1, 2].map(|index| rows[index].is_none().then(|| why(index)))
}

fn missing(meter: &LatencyMeter, index: usize, stage: Option<&StageMeter>) -> Reason {
    let no_sticks = index < 2 && meter.sources.is_empty();
    let no_input = index > 0 && !meter.seen_input;
    let no_servo = index != 1 && !meter.seen_servo;
    if no_sticks {
        Reason::NoSticks
    } else if no_input {
        Reason::NoInput
    } else if no_servo {
        Reason::NoServo
    } else if stage.is_some_and(StageMeter::is_mixed) {
        Reason::MixedOutputs
    } else if stage.is_some_and(StageMeter::is_ambiguous) {
        Reason::SticksTogether
    } else if stage.is_some_and(|stage| stage.moves() < 3) {
        Reason::FewMoves
    } else {
        Reason::NothingFollows
    }
}

fn movement(
    stage: &StageMeter,
    path: StickPath,
    is_input: bool,
    clocks: &Clocks,
    context: &Context,
) -> Option<LatencyMovement> {
    let (movement, timeline, follow, curve) = stage.newest(clocks)?;
    let aligned = AlignedMovement::new(&movement, timeline.as_ref());
    let to = (movement.end - movement.start).millis() + 800.0;
    let from = -100.0;
    let stick = aligned.stick(follow.stick);
    let output: Vec<(f64, f64)> = aligned.own_output(&follow, &curve).collect();
    let near = |point: &&(f64, f64)| point.0 >= from && point.0 <= to;
    // The narrowest of its samples' ages is what dated it. A held stick's path is drawn as the line that it is
    // held from: at a sample's value that line gives the sample's own age.
    let search = stage.search(if path == StickPath::Between { path } else { StickPath::Straight });
    let ages =
        output.iter().filter(|sample| sample.0 >= 0.0 && sample.0 <= to).filter_map(|&(time, value)| {
            age_intervals::allowed(&stick, time, curve.sticks(value), search).first().copied()
        });
    let narrowest = ages.min_by(|a, b| (a.1 - a.0).total_cmp(&(b.1 - b.0)))?;
    Some(LatencyMovement {
        at_s: context.since_start_s(movement.start),
        stick: follow.stick + 1,
        output: follow.output + 1,
        output_is_input: is_input,
        stick_points: stick.iter().filter(near).map(|point| (point.0, point.1 / 2.0)).collect(),
        output_points: output
            .iter()
            .filter(near)
            .map(|point| (point.0, curve.stick(point.1) / 2.0))
            .collect(),
        age_ms: (narrowest.0.max(0.0), narrowest.1.is_finite().then_some(narrowest.1)),
    })
}

#[cfg(test)]
mod tests {
    use crate::measure::latency::drawing::*;

    /// One of 200 ages is ten times as long: the bins stay fine, and the last one holds it.
    #[test]
    fn one_long_age_does_not_make_the_bins_coarse() {
        let mut pieces: Vec<(f64, f64, f64)> =
            (0..40).map(|index| (40.0 + f64::from(index), 41.0 + f64::from(index), 0.024_875)).collect();
        pieces.push((699.0, 701.0, 0.005));
        let bins = bins(&pieces);
        assert_eq!(bins[0].1 - bins[0].0, 1.0);
        let last = bins.last().unwrap();
        assert_eq!((last.0, last.1), (80.0, 701.0));
        assert!((last.2 - 0.005).abs() < 1e-12);
    }
}
