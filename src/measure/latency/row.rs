//! A stage's row: percentiles, their intervals, and the movements still needed.

use crate::stats::bootstrap::percentile_interval;
use crate::summary::{Interval, LatencyChannel, LatencyStage, MovesNeeded};

use super::estimate::{Estimate, Replicates, SHARES};
use super::frame_period::Median;
use super::stage::Reading;

/// Fewer movements say nothing even of the median.
const FEWEST: u64 = 5;
/// Replicates of a smooth estimate scatter less than the estimate does, since they know no delays but those
/// that were seen: their intervals are stretched by this about it. Found on seeds 1 to 200 of
/// examples/latency_accuracy; the coverage over 1,000 stands in benches/README.md.
const STRETCH: f64 = 1.2;
/// A beat that moves the median by more than this many half widths of its interval contradicts the samples.
const CONTRADICTS: f64 = 1.5;

/// A stage that was estimated.
pub(super) struct Fit {
    reading: Reading,
    estimate: Estimate,
    replicates: Replicates,
    pairs: Vec<OfPair>,
    /// The median by the radio's beat less that of the samples alone, ms; `None` where it stands as it was.
    pinned_ms: Option<f64>,
}

/// The median of one stick and the output that follows it, both counted from zero.
struct OfPair {
    stick: u8,
    output: u8,
    events: u64,
    p50_ms: Option<f64>,
}

impl Fit {
    /// `None` where no movement could be used.
    pub(super) fn new(reading: Reading) -> Option<Self> {
        let estimate = Estimate::new(reading.moves.iter(), reading.scan.as_ref(), None)?;
        let replicates =
            if estimate.events() >= FEWEST { estimate.replicates() } else { Replicates::default() };
        let pairs = of_pairs(&reading, &estimate);
        Some(Self { reading, estimate, replicates, pairs, pinned_ms: None })
    }

    /// Moves everything to where the radio's beat puts the median; not where that contradicts the samples.
    pub(super) fn pin(&mut self, median: &Median) {
        let Some((own, interval)) = self.quantile(0.5).zip(self.interval(0)) else { return };
        let reach = CONTRADICTS * 0.5 * (interval[1] - interval[0]);
        let moved = median.ms - own;
        if self.unlocated_ms().is_some() || moved.abs() > reach {
            return;
        }
        let [firsts, others @ ..] = &mut self.replicates;
        let shifts: Vec<Option<f64>> =
            firsts[0].iter().zip(&median.replicates).map(|(own, drawn)| own.map(|own| drawn - own)).collect();
        for ends in std::iter::once(firsts).chain(others).flatten() {
            for (age, shift) in ends.iter_mut().zip(&shifts) {
                *age = age.zip(*shift).map(|(age, shift)| age + shift);
            }
        }
        for pair in &mut self.pairs {
            pair.p50_ms = pair.p50_ms.map(|p50| p50 + moved);
        }
        self.pinned_ms = Some(moved);
    }

    /// Draws of the beat's median scatter as much as it does; what is beside the median is the samples' alone.
    const fn stretch(&self, index: usize) -> f64 {
        if self.pinned_ms.is_some() && index == 0 { 1.0 } else { STRETCH }
    }

    fn moved_ms(&self) -> f64 {
        self.pinned_ms.unwrap_or(0.0)
    }

    fn ages(&self) -> Vec<(f64, f64, f64)> {
        let moved = self.moved_ms();
        self.estimate
            .ages()
            .into_iter()
            .map(|(low, high, share)| (low + moved, high + moved, share))
            .collect()
    }

    fn quantile(&self, share: f64) -> Option<f64> {
        self.estimate.quantile(share).map(|age| age + self.moved_ms())
    }

    /// The delays behind the ages, where sticks are held: low, high, share.
    pub(super) fn delays(&self) -> Option<Vec<(f64, f64, f64)>> {
        self.estimate.delays()
    }

    pub(super) const fn reading(&self) -> &Reading {
        &self.reading
    }

    /// What the samples' schedule leaves unknown, ms.
    pub(super) fn unlocated_ms(&self) -> Option<f64> {
        self.estimate.unlocated_ms()
    }

    fn interval(&self, index: usize) -> Option<Interval> {
        let own = self.estimate.quantile_ends(SHARES[index])?;
        let own = (own.0 + self.moved_ms(), own.1 + self.moved_ms());
        let [lows, highs] = &self.replicates[index];
        let (low, _) = percentile_interval(lows, 0.95)?;
        let (_, high) = percentile_interval(highs, 0.95)?;
        let stretch = if self.reading.scan.is_some() { self.stretch(index) } else { 1.0 };
        let unlocated = self.unlocated_ms().unwrap_or(0.0) / 2.0;
        Some([
            (own.0 - stretch * (own.0 - low)).min(own.0) - unlocated,
            (own.1 + stretch * (high - own.1)).max(own.1) + unlocated,
        ])
    }

    /// The stage's row.
    pub(super) fn row(&self, bound: &str, numbered: impl Fn(u8, u8) -> LatencyChannel) -> LatencyStage {
        let (reading, events) = (&self.reading, self.estimate.events());
        let supported =
            |index: usize| self.quantile(SHARES[index]).filter(|_| events >= needed(SHARES[index]));
        let missing = |index: usize, known: Option<f64>| match known {
            Some(_) => 0,
            // Enough by number, but open-ended: as many again.
            None => {
                needed(SHARES[index]).checked_sub(events).filter(|&more| more > 0).unwrap_or(events.max(1))
            }
        };
        let [p50, p90, p99] = [0, 1, 2].map(supported);
        let interval = |index: usize, known: Option<f64>| known.and_then(|_| self.interval(index));
        LatencyStage {
            method: "interval-censored".to_owned(),
            events,
            left_out: reading.left_out,
            p50_ms: p50,
            p50_ci95_ms: interval(0, p50),
            p90_ms: p90,
            p90_ci95_ms: interval(1, p90),
            p99_ms: p99,
            p99_ci95_ms: interval(2, p99),
            moves_needed: MovesNeeded { p50: missing(0, p50), p90: missing(1, p90), p99: missing(2, p99) },
            max_ms: greatest_lower_end(reading),
            clock_uncertainty_ms: reading.uncertainty_ms.filter(|_| bound == "two-sided"),
            bound: bound.to_owned(),
            cross_correlation_ms: cross_correlation(reading),
            channels: self
                .pairs
                .iter()
                .map(|own| LatencyChannel {
                    events: own.events,
                    p50_ms: own.p50_ms,
                    ..numbered(own.stick, own.output)
                })
                .collect(),
            distribution: self.ages(),
        }
    }
}

/// In the order of the sticks.
fn of_pairs(reading: &Reading, whole: &Estimate) -> Vec<OfPair> {
    let mut pairs: Vec<(u8, u8)> =
        reading.follows.iter().map(|follow| (follow.stick, follow.output)).collect();
    pairs.sort_unstable();
    let alone = pairs.len() == 1;
    let of_pair = |(stick, output)| {
        let own = (!alone)
            .then(|| Estimate::new(reading.moves.iter(), reading.scan.as_ref(), Some((stick, output))));
        let estimate = own.as_ref().map_or(Some(whole), Option::as_ref)?;
        let events = estimate.events();
        let p50_ms = estimate.quantile(0.5).filter(|_| events >= FEWEST);
        Some(OfPair { stick, output, events, p50_ms })
    };
    pairs.into_iter().filter_map(of_pair).collect()
}

/// What the samples' schedules leave unknown between the two ends, ms; `None` where the sticks do not date both,
/// or nothing is left.
pub(super) fn unlocated_between(servo: &Fit, input: &Fit) -> Option<f64> {
    if servo.reading.scan.is_none() || input.reading.scan.is_none() {
        return None;
    }
    servo.unlocated_ms().into_iter().chain(input.unlocated_ms()).reduce(f64::max)
}

/// The stage on board by way of the sticks. Both its ends are sampled slowly, which leaves the input's hold
/// between radio frames in sets of their own; dated against the sticks, on one clock, the difference of the two
/// medians is the stage's (its spread is small beside theirs; the clock's error and the sticks' path fall out).
/// Upper percentiles are no figure here. `None` where the sticks do not date both ends.
pub(super) fn by_sticks(
    reading: &Reading,
    (servo, input): (&Fit, &Fit),
    numbered: impl Fn(u8, u8) -> LatencyChannel,
) -> Option<LatencyStage> {
    if servo.reading.scan.is_none() || input.reading.scan.is_none() {
        return None;
    }
    let events = servo.estimate.events().min(input.estimate.events());
    let between = servo.quantile(0.5)? - input.quantile(0.5)?;
    let mut inputs = input.replicates[0][0].clone();
    let stretch = servo.stretch(0).max(input.stretch(0));
    // By a beat both are drawn at once. Else the replicates are drawn alike, and another order joins them at random.
    if servo.pinned_ms.is_none() || input.pinned_ms.is_none() {
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
            ..numbered(input.output, servo.output)
        })
    });
    let p50_ms = Some(between.max(0.0)).filter(|_| events >= FEWEST);
    Some(LatencyStage {
        method: "difference".to_owned(),
        events,
        left_out: reading.left_out,
        p50_ms,
        p50_ci95_ms: p50_ms.and(Some(interval)),
        p90_ms: None,
        p90_ci95_ms: None,
        p99_ms: None,
        p99_ci95_ms: None,
        moves_needed: MovesNeeded { p50: FEWEST.saturating_sub(events), ..MovesNeeded::default() },
        max_ms: greatest_lower_end(reading),
        clock_uncertainty_ms: Some(0.0),
        bound: "two-sided".to_owned(),
        cross_correlation_ms: cross_correlation(reading),
        channels: joined.collect(),
        distribution: Vec::new(),
    })
}

/// Where no stick dates the two ends: no number of movements takes the input's hold out of the upper tail
/// (examples/latency_accuracy shows it), so that only the median is a figure.
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

fn cross_correlation(reading: &Reading) -> Option<f64> {
    let weight: usize = reading.lags.iter().map(|lag| lag.1).sum();
    let sum = reading.lags.iter().map(|&(lag, weight)| lag * weight as f64).sum::<f64>();
    (weight > 0).then(|| sum / weight as f64)
}

/// Movements before a percentile is given: at least one is expected beyond it.
fn needed(share: f64) -> u64 {
    ((1.0 / (1.0 - share)).round() as u64).max(FEWEST)
}

fn greatest_lower_end(reading: &Reading) -> Option<f64> {
    reading.oldest_ms.map(|low| low.max(0.0))
}
