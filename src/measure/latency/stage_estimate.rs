//! A stage's figures: percentiles of the ages, their intervals, and the movements still needed.
//!
//! Where the radio's frame period is known, the median by it is an input (`frame_period`): it moves the whole
//! distribution, whose shape stays as the samples show it. Unit: ms.

use crate::stats::sample::bootstrap::percentile_interval;
use crate::summary::{Bound, Interval, LatencyChannel, LatencyStage, MovesNeeded, StageMethod};

use super::age_distribution::{AgeDistribution, Replicates, SHARES, TIGHT};
use super::frame_period::FrameMedian;
use super::stage_evidence::StageEvidence;

/// Fewer movements say nothing even of the median.
const FEWEST: u64 = 5;
/// Replicates of a smooth estimate scatter less than the estimate does, since they know no delays but those
/// that were seen: their intervals are stretched by this about it. Found on seeds 1 to 200 of
/// examples/latency_accuracy, judged on seeds from 10,001 on.
const STRETCH: f64 = 1.2;
/// A second method may be this far off beside its own error: it gives a mean, not a median, ms.
const OF_ANOTHER_KIND_MS: f64 = 10.0;
/// A mean lies between these percentiles of nearly any ages.
const MIDDLE: [f64; 2] = [0.2, 0.8];
/// A frame period that moves the median by more than this many half widths of its interval contradicts the samples.
const CONTRADICTS: f64 = 1.5;

/// A stage that was estimated.
pub(super) struct StageEstimate {
    evidence: StageEvidence,
    ages: AgeDistribution,
    replicates: Replicates,
    pairs: Vec<PairMedian>,
    /// The median by the radio's frames less that of the samples alone, ms; `None` where that stands.
    shift_ms: Option<f64>,
}

/// The median of one stick and the output that follows it, both counted from zero.
struct PairMedian {
    stick: u8,
    output: u8,
    events: u64,
    p50_ms: Option<f64>,
}

impl StageEstimate {
    /// From what the samples say, and the median by the radio's frames where there is one.
    pub(super) fn new(evidence: StageEvidence, ages: AgeDistribution, median: Option<&FrameMedian>) -> Self {
        let replicates = if ages.events() >= FEWEST { ages.replicates() } else { Replicates::default() };
        let pairs = pair_medians(&evidence, &ages);
        let mut estimate = Self { evidence, ages, replicates, pairs, shift_ms: None };
        if let Some(median) = median {
            estimate.shift_to(median);
        }
        estimate
    }

    /// Moves everything to the median by the radio's frames; not where that contradicts the samples.
    fn shift_to(&mut self, median: &FrameMedian) {
        let Some((own, interval)) = self.quantile(0.5).zip(self.interval(0)) else { return };
        let reach = CONTRADICTS * 0.5 * (interval[1] - interval[0]);
        let shift = median.ms - own;
        if self.unlocated_ms().is_some() || shift.abs() > reach {
            return;
        }
        let medians = self.replicates[0][0].iter().zip(&median.replicates);
        let shifts: Vec<Option<f64>> = medians.map(|(own, drawn)| own.map(|own| drawn - own)).collect();
        for ends in self.replicates.iter_mut().flatten() {
            for (age, shift) in ends.iter_mut().zip(&shifts) {
                *age = age.zip(*shift).map(|(age, shift)| age + shift);
            }
        }
        for pair in &mut self.pairs {
            pair.p50_ms = pair.p50_ms.map(|p50| p50 + shift);
        }
        self.shift_ms = Some(shift);
    }

    /// A median by the radio's frames scatters as much as its draws do; what is beside it is the samples' alone.
    const fn stretch(&self, index: usize) -> f64 {
        if self.shift_ms.is_some() && index == 0 { 1.0 } else { STRETCH }
    }

    fn shift(&self) -> f64 {
        self.shift_ms.unwrap_or(0.0)
    }

    fn quantile(&self, share: f64) -> Option<f64> {
        self.ages.quantile(share).map(|age| age + self.shift())
    }

    pub(super) const fn evidence(&self) -> &StageEvidence {
        &self.evidence
    }

    pub(super) const fn ages(&self) -> &AgeDistribution {
        &self.ages
    }

    /// Whether sticks are held, and so date this end.
    const fn is_held(&self) -> bool {
        self.ages.delays().is_some()
    }

    /// The median with its interval.
    pub(super) fn median(&self) -> Option<(f64, Interval)> {
        self.quantile(0.5).zip(self.interval(0))
    }

    /// What the samples' schedule leaves unknown, ms.
    pub(super) fn unlocated_ms(&self) -> Option<f64> {
        self.ages.delays()?.unlocated_ms()
    }

    fn interval(&self, index: usize) -> Option<Interval> {
        let own = self.ages.quantile_ends(SHARES[index])?;
        let own = (own.0 + self.shift(), own.1 + self.shift());
        let [lows, highs] = &self.replicates[index];
        let (low, _) = percentile_interval(lows, 0.95)?;
        let (_, high) = percentile_interval(highs, 0.95)?;
        let stretch = if self.is_held() { self.stretch(index) } else { 1.0 };
        let unlocated = self.unlocated_ms().unwrap_or(0.0) / 2.0;
        Some([
            (own.0 - stretch * (own.0 - low)).min(own.0) - unlocated,
            (own.1 + stretch * (high - own.1)).max(own.1) + unlocated,
        ])
    }

    /// Whether its own movements or the second method contradict the median: then it is no figure. `is_dated`: whether
    /// both ends are on clocks that know of each other.
    pub(super) fn is_contradicted(&self, is_dated: bool) -> bool {
        let Some([low, high]) = self.interval(0).filter(|_| self.ages.events() >= FEWEST) else {
            return false;
        };
        let clock = self.evidence.uncertainty_ms.unwrap_or(0.0);
        // No output comes before its stick.
        (is_dated && low < -clock) || self.disagrees(low, high)
    }

    fn disagrees(&self, low: f64, high: f64) -> bool {
        let lag = self.evidence.mean_lag_ms().zip(self.evidence.lag_error_ms());
        let Some((lag, error)) = lag else { return false };
        let reach = 2.0 * error + OF_ANOTHER_KIND_MS;
        let [first, last] = MIDDLE.map(|share| self.quantile(share));
        let low = first.map_or(low, |first| first.min(low)) - reach;
        last.is_some_and(|last| lag > last.max(high) + reach) || lag < low
    }

    /// The stage's part of the summary.
    pub(super) fn summary(&self, bound: Bound, numbered: impl Fn(u8, u8) -> LatencyChannel) -> LatencyStage {
        let events = self.ages.events();
        let [p50, p90, p99] = SHARES.map(|share| self.quantile(share).filter(|_| events >= needed(share)));
        let interval = |index: usize, known: Option<f64>| known.and_then(|_| self.interval(index));
        let missing = |index: usize, known: Option<f64>| {
            let more = needed(SHARES[index]).saturating_sub(events);
            // Enough by number, but open-ended: as many again.
            if known.is_some() {
                0
            } else if more > 0 {
                more
            } else {
                events.max(1)
            }
        };
        let distribution = self
            .ages
            .cells()
            .into_iter()
            .map(|(low, high, share)| (low + self.shift(), high + self.shift(), share));
        let channels = self.pairs.iter().map(|own| LatencyChannel {
            events: own.events,
            p50_ms: own.p50_ms,
            ..self.evidence.answer((own.stick, own.output), &numbered(own.stick, own.output))
        });
        LatencyStage {
            method: StageMethod::IntervalCensored,
            events,
            left_out: self.evidence.left_out,
            p50_ms: p50,
            p50_ci95_ms: interval(0, p50),
            p90_ms: p90,
            p90_ci95_ms: interval(1, p90),
            p99_ms: p99,
            p99_ci95_ms: interval(2, p99),
            moves_needed: MovesNeeded { p50: missing(0, p50), p90: missing(1, p90), p99: missing(2, p99) },
            max_ms: self.evidence.max_ms(),
            clock_uncertainty_ms: self.evidence.uncertainty_ms.filter(|_| bound == Bound::TwoSided),
            bound,
            cross_correlation_ms: self.evidence.mean_lag_ms(),
            channels: channels.collect(),
            change: None,
            distribution: distribution.collect(),
        }
    }
}

/// In the order of the sticks.
fn pair_medians(evidence: &StageEvidence, whole: &AgeDistribution) -> Vec<PairMedian> {
    let mut pairs: Vec<(u8, u8)> =
        evidence.follows.iter().map(|(follow, _)| (follow.stick, follow.output)).collect();
    pairs.sort_unstable();
    let alone = pairs.len() == 1;
    let of_pair = |(stick, output)| {
        let own = if alone { None } else { evidence.distribution(Some((stick, output)), TIGHT) };
        let ages = if alone { whole } else { own.as_ref()? };
        let events = ages.events();
        Some(PairMedian { stick, output, events, p50_ms: ages.quantile(0.5).filter(|_| events >= FEWEST) })
    };
    pairs.into_iter().filter_map(of_pair).collect()
}

/// What the samples' schedules leave unknown between the two ends, ms; `None` where the sticks do not date both,
/// or nothing is left.
pub(super) fn unlocated_between(servo: &StageEstimate, input: &StageEstimate) -> Option<f64> {
    let both = servo.is_held() && input.is_held();
    servo.unlocated_ms().into_iter().chain(input.unlocated_ms()).reduce(f64::max).filter(|_| both)
}

/// The stage on board as the difference of the two stages from the sticks.
///
/// Both its ends are sampled slowly, which leaves the input's hold between radio frames in its sets. Dated
/// against the sticks, on one clock, the difference of the two medians is the stage's: its spread is small beside
/// theirs, and the clock's error and the sticks' path fall out. Upper percentiles are no figure here. `None`
/// where the sticks do not date both ends.
pub(super) fn difference(
    evidence: &StageEvidence,
    (servo, input): (&StageEstimate, &StageEstimate),
    numbered: impl Fn(u8, u8) -> LatencyChannel,
) -> Option<LatencyStage> {
    if !(servo.is_held() && input.is_held()) {
        return None;
    }
    let events = servo.ages.events().min(input.ages.events());
    let between = servo.quantile(0.5)? - input.quantile(0.5)?;
    let mut inputs = input.replicates[0][0].clone();
    let stretch = servo.stretch(0).max(input.stretch(0));
    // By a frame period both are drawn at once. Else the replicates are drawn alike, and another order joins them
    // at random.
    if servo.shift_ms.is_none() || input.shift_ms.is_none() {
        inputs.reverse();
    }
    let pairs = servo.replicates[0][0].iter().zip(inputs);
    let differences: Vec<Option<f64>> = pairs.map(|(servo, input)| Some((*servo)? - input?)).collect();
    let (low, high) = percentile_interval(&differences, 0.95)?;
    let unlocated = unlocated_between(servo, input).unwrap_or(0.0);
    let ends =
        [between - stretch * (between - low) - unlocated, between + stretch * (high - between) + unlocated];
    // An output cannot come before its input.
    let interval = [ends[0].min(between).max(0.0), ends[1].max(between).max(0.0)];
    let joined = servo.pairs.iter().filter_map(|servo| {
        let input = input.pairs.iter().find(|input| input.stick == servo.stick)?;
        Some(LatencyChannel {
            events: servo.events.min(input.events),
            p50_ms: servo.p50_ms.zip(input.p50_ms).map(|(servo, input)| (servo - input).max(0.0)),
            ..evidence.answer((input.output, servo.output), &numbered(input.output, servo.output))
        })
    });
    let p50_ms = Some(between.max(0.0)).filter(|_| events >= FEWEST);
    Some(LatencyStage {
        method: StageMethod::Difference,
        events,
        left_out: evidence.left_out,
        p50_ms,
        p50_ci95_ms: p50_ms.and(Some(interval)),
        p90_ms: None,
        p90_ci95_ms: None,
        p99_ms: None,
        p99_ci95_ms: None,
        moves_needed: MovesNeeded { p50: FEWEST.saturating_sub(events), ..MovesNeeded::default() },
        max_ms: evidence.max_ms(),
        clock_uncertainty_ms: Some(0.0),
        bound: Bound::TwoSided,
        cross_correlation_ms: evidence.mean_lag_ms(),
        channels: joined.collect(),
        change: None,
        distribution: Vec::new(),
    })
}

/// The stage on board where no stick dates its two ends: no number of movements takes the input's hold out of the
/// upper tail (examples/latency_accuracy shows it), so that only the median is a figure.
pub(super) fn without_tails(stage: LatencyStage) -> LatencyStage {
    LatencyStage {
        p90_ms: None,
        p90_ci95_ms: None,
        p99_ms: None,
        p99_ci95_ms: None,
        moves_needed: MovesNeeded { p50: stage.moves_needed.p50, ..MovesNeeded::default() },
        ..stage
    }
}

/// Movements before a percentile is given: at least one is expected beyond it.
fn needed(share: f64) -> u64 {
    ((1.0 / (1.0 - share)).round() as u64).max(FEWEST)
}

#[cfg(test)]
mod tests {
    use crate::measure::latency::censoring::{AgeRange, MovementAges};
    use crate::measure::latency::mapping::FineLag;
    use crate::measure::latency::sample_hold::SampleHold;
    use crate::measure::latency::stage_estimate::*;
    use crate::units::Nanos;

    /// How long a stick position stands, ms.
    const HOLD_MS: f32 = 20.0;

    /// Ten movements of a sample each, in step with the sticks or spread over their hold, from so late on.
    fn stage(from_ms: f32, is_held: bool, is_in_step: bool) -> StageEstimate {
        let movement = |number: u8| {
            let low = if is_in_step { from_ms } else { from_ms + 0.1 * HOLD_MS * f32::from(number) };
            let range = AgeRange { output: 0, more: false, low, high: low + HOLD_MS };
            let (start, oldest_ms) = (Nanos::from_secs(number.into()), low.into());
            MovementAges { number: number.into(), stick: 0, start, oldest_ms, ranges: [range].into() }
        };
        let hold = SampleHold::new(std::iter::repeat_n(HOLD_MS.into(), 50)).filter(|_| is_held);
        let movements = (0..10).map(movement).collect();
        let evidence = StageEvidence { movements, hold, ..StageEvidence::default() };
        let ages = evidence.distribution(None, TIGHT).unwrap();
        StageEstimate::new(evidence, ages, None)
    }

    fn row(_: u8, servo: u8) -> LatencyChannel {
        LatencyChannel {
            stick: None,
            input: None,
            servo: Some(servo),
            events: 0,
            p50_ms: None,
            reversed: None,
            dead_band_us: None,
        }
    }

    /// The stage's median and interval where a tenth of the servo's replicates lie 4 ms lower, a tenth 2 ms higher.
    fn between(servo: &mut StageEstimate, input: &mut StageEstimate) -> Option<(f64, Interval)> {
        for (stage, [lower, higher]) in [(&mut *servo, [-4.0, 2.0]), (&mut *input, [0.0, 0.0])] {
            let median = stage.quantile(0.5).unwrap();
            let replicates = (0..40).map(|number| match number {
                0..4 => median + lower,
                4..8 => median + higher,
                _ => median,
            });
            stage.replicates[0][0] = replicates.map(Some).collect();
        }
        let stage = difference(&StageEvidence::default(), (servo, input), row)?;
        stage.p50_ms.zip(stage.p50_ci95_ms)
    }

    /// By hand: both stages are alike, but one is so much later. Replicates scatter too little and are stretched; samples
    /// in step with the sticks leave the place within a hold unknown, on both sides.
    #[test]
    fn the_stage_on_board_is_as_uncertain_as_its_replicates_and_its_schedules() {
        for (in_step, unlocated) in [([false, false], 0.0), ([true, true], 20.0)] {
            let mut servo = stage(100.0, true, in_step[0]);
            let mut input = stage(20.0, true, in_step[1]);
            let (p50, interval) = between(&mut servo, &mut input).unwrap();
            assert!((p50 - 80.0).abs() < 0.01, "{p50}");
            let expected = [80.0 - STRETCH * 4.0 - unlocated, 80.0 + STRETCH * 2.0 + unlocated];
            for (found, expected) in interval.iter().zip(expected) {
                assert!((found - expected).abs() < 0.01, "{found} for {expected}, {in_step:?}");
            }
        }
        // No output comes before its input.
        let (p50, [low, high]) = between(&mut stage(30.0, true, true), &mut stage(20.0, true, true)).unwrap();
        assert!((p50 - 10.0).abs() < 0.01 && low == 0.0 && (high - 32.4).abs() < 0.01, "{low} to {high}");
    }

    /// By the definition: the sticks must date both ends.
    #[test]
    fn one_end_that_no_stick_dates_leaves_no_difference() {
        for (servo, input, is_known) in
            [(true, true, true), (true, false, false), (false, true, false), (false, false, false)]
        {
            let found = between(&mut stage(100.0, servo, false), &mut stage(20.0, input, false));
            assert_eq!(found.is_some(), is_known, "{servo} {input}");
        }
    }

    /// By hand: twice its error of 8 ms, and 10 ms as it is of another kind, are 26 ms beyond the interval or the
    /// percentiles that a mean lies between.
    #[test]
    fn a_second_method_withdraws_the_figure_only_beyond_both_uncertainties() {
        let mut stage = stage(100.0, true, false);
        let first = stage.quantile(0.2).unwrap().min(110.0);
        let last = stage.quantile(0.8).unwrap().max(130.0);
        for (lag_ms, expected) in
            [(last + 27.0, true), (last + 25.0, false), (first - 25.0, false), (first - 27.0, true)]
        {
            stage.evidence.lags = vec![(FineLag { ms: lag_ms, error_ms: Some(8.0) }, 10)];
            assert_eq!(stage.disagrees(110.0, 130.0), expected, "{lag_ms} beside {first} to {last}");
        }
    }

    /// By hand: a tenth of the replicates lie 4 ms lower, a tenth 2 ms higher; half of what the samples' schedule leaves
    /// unknown is on either side.
    #[test]
    fn the_interval_is_the_stretched_replicates_and_half_of_what_the_schedule_leaves_unknown() {
        for (is_in_step, unlocated) in [(false, 0.0), (true, 20.0)] {
            let mut stage = stage(100.0, true, is_in_step);
            let (low, high) = stage.ages.quantile_ends(0.5).unwrap();
            let off = |number: u8| match number {
                0..4 => -4.0,
                4..8 => 2.0,
                _ => 0.0,
            };
            stage.replicates[0] =
                [low, high].map(|end| (0..40).map(|number| Some(end + off(number))).collect());
            let expected = [low - STRETCH * 4.0 - 0.5 * unlocated, high + STRETCH * 2.0 + 0.5 * unlocated];
            let found = stage.interval(0).unwrap();
            for (found, expected) in found.iter().zip(expected) {
                assert!((found - expected).abs() < 0.01, "{found} for {expected}, {is_in_step}");
            }
        }
    }
}
