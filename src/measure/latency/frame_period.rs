//! Finds the radio's frame period, and the medians that follow from it.
//!
//! A control radio sends the sticks in frames at a steady period of its own. How long a new stick value waited for
//! the next frame is most of why delays differ from sample to sample. The period is found from the intervals in
//! which each new stick value was first seen (`first_sightings`, `stats::time_series::tick_phase`); then that wait is known for
//! every value and scatters the estimate no longer. Both stages from the sticks share the frames and are read
//! together. Only the distribution's place is taken from the frames, not its shape: frames lost in a row and delays
//! that wander stay as the samples show them. Replicates draw movements anew, and phase and delay from their
//! posterior under those (bagged posteriors: Bühlmann, Statistical Science 29, 2014): the posterior alone
//! would trust its model too much, the bootstrap of its means would not know the jumps of the likelihood.
//!
//! Unit: ms. Absent where older movements are known by their ages alone, and where the period is not clear.

use std::collections::BTreeMap;

use crate::stats::sample::bootstrap::Resampler;
use crate::stats::time_series::tick_phase;
use crate::stats::time_series::tick_phase::posterior::Posterior;
use crate::stats::time_series::tick_phase::{Baseline, Bracket, Ticks};
use crate::summary::Interval;
use crate::units::Nanos;

use super::age_distribution::AgeDistribution;
use super::first_sightings::MovementSightings;
use super::movement_sets::{REPLICATES, SEED};
use super::sample_hold;
use super::stage_evidence::StageEvidence;

/// Log-likelihood that a period must add to move a median. Chance alone adds about the logarithm of what was tried,
/// some 2^16 periods and phases (11). In seeds 1 to 200 of examples/latency_accuracy a period that is not the
/// radio's adds up to 25, but then it is nearly always an alias, which moves the median rightly all the same.
const LEAST_GAIN: f64 = 14.0;
/// What the next best period must stay behind by, for this one to be told: none was wrong there.
const CLEARLY: f64 = 10.0;
/// Brackets with a share less or more than this of the delays say nothing.
const TELLING: (f64, f64) = (1e-6, 0.999);
/// Instants at which ages are read off, ms apart: no whole part of a stick's usual spacing, or ages would come
/// in steps.
const INSTANTS_MS: f64 = 1.2361;

/// The radio's frame period, and the medians that follow from it.
#[derive(Clone, Debug)]
pub(super) struct FramePeriod {
    /// Time between two frames where it is clear, ms, and its 95 % interval.
    pub(super) period_ms: Option<(f64, Interval)>,
    /// Of each stage that took part.
    pub(super) medians: [Option<FrameMedian>; 2],
}

/// A stage's median age, and the same with movements drawn anew.
#[derive(Clone, Debug)]
pub(super) struct FrameMedian {
    pub(super) ms: f64,
    pub(super) replicates: Vec<f64>,
}

/// Delays as they are estimated without frames, summed up.
struct DelayTable {
    from: f64,
    step: f64,
    /// Shares and means up to each edge of the cells.
    up_to: Vec<(f64, f64)>,
}

impl DelayTable {
    fn new(cells: &[(f64, f64, f64)]) -> Option<Self> {
        let first = cells.first()?;
        let mut up_to = vec![(0.0, 0.0)];
        let (mut share, mut mean) = (0.0, 0.0);
        for cell in cells {
            share += cell.2;
            mean += cell.2 * 0.5 * (cell.0 + cell.1);
            up_to.push((share, mean));
        }
        Some(Self { from: first.0, step: first.1 - first.0, up_to })
    }

    fn at(&self, delay: f64) -> (f64, f64) {
        let last = self.up_to.len() - 1;
        let place = ((delay - self.from) / self.step).clamp(0.0, last as f64);
        let edge = (place as usize).min(last - 1);
        let (a, b) = (self.up_to[edge], self.up_to[edge + 1]);
        let part = place - edge as f64;
        (a.0 + (b.0 - a.0) * part, a.1 + (b.1 - a.1) * part)
    }

    fn mean(&self) -> f64 {
        self.up_to.last().map_or(0.0, |all| all.1 / all.0)
    }

    /// A bracket's share, and the mean within it above that of all; `None` where it says nothing.
    fn within(&self, (low, high): (f64, f64)) -> Option<(f64, f64)> {
        let (a, b) = (self.at(low), self.at(high));
        let share = b.0 - a.0;
        (share > TELLING.0 && share < TELLING.1).then(|| (share, (b.1 - a.1) / share - self.mean()))
    }
}

/// A stage from the sticks: what its samples say, and the distribution of their ages.
pub(super) type Stage<'a> = Option<(&'a StageEvidence, &'a AgeDistribution)>;

/// When each new stick value was first seen, by both stages together.
struct JoinedBrackets<'a> {
    brackets: Vec<Bracket>,
    baseline: Baseline,
    movements: Vec<&'a MovementSightings>,
    origin: Nanos,
}

impl<'a> JoinedBrackets<'a> {
    /// `None` where older movements are known by their ages alone. A stick sample seen in two movements counts once.
    fn new(stages: [Stage<'a>; 2]) -> Option<Self> {
        let tables = stages.map(|stage| DelayTable::new(&stage?.1.delays()?.cells()));
        let mut sightings: [&[MovementSightings]; 2] = [&[]; 2];
        for (own, stage) in sightings.iter_mut().zip(stages) {
            if let Some((evidence, _)) = stage {
                *own = evidence.sightings.as_deref()?;
            }
        }
        let by_start = sightings.into_iter().flatten().rev().map(|own| ((own.start, own.stick), own));
        let movements: BTreeMap<(Nanos, u8), &MovementSightings> = by_start.collect();
        let origin = movements.keys().next()?.0;
        let units: BTreeMap<(Nanos, u8), u32> = movements.keys().copied().zip(0..).collect();
        let mut brackets: BTreeMap<i64, Bracket> = BTreeMap::new();
        for (observer, own) in
            sightings.iter().enumerate().flat_map(|(of, all)| all.iter().map(move |own| (of, own)))
        {
            let unit = units[&(own.start, own.stick)];
            for sighting in &own.sightings {
                let at = (own.start - origin).millis() + sighting.at;
                let first = Bracket { at, unit, seen: [None, None] };
                let bracket = brackets.entry((at * 1e3).round() as i64).or_insert(first);
                let seen = bracket.seen[observer].unwrap_or((f64::NEG_INFINITY, f64::INFINITY));
                bracket.seen[observer] = Some((seen.0.max(sighting.low), seen.1.min(sighting.high)));
            }
        }
        let means = [0, 1].map(|of| tables[of].as_ref().map_or(0.0, DelayTable::mean));
        let mut joined = Self {
            brackets: Vec::with_capacity(brackets.len()),
            baseline: Baseline { means, ..Baseline::default() },
            movements: movements.into_values().collect(),
            origin,
        };
        for bracket in brackets.into_values() {
            joined.push(bracket, &tables);
        }
        Some(joined)
    }

    /// Takes a bracket as far as it says anything, and what the delays without frames say of it.
    fn push(&mut self, mut bracket: Bracket, tables: &[Option<DelayTable>; 2]) {
        let (mut excess, mut log_likelihood) = (0.0, 0.0);
        for (seen, table) in bracket.seen.iter_mut().zip(tables) {
            if let Some((share, above)) =
                seen.zip(table.as_ref()).and_then(|(seen, table)| table.within(seen))
            {
                excess += above;
                log_likelihood += tick_phase::floored(share).ln();
            } else {
                *seen = None;
            }
        }
        if bracket.seen.iter().any(Option::is_some) {
            self.baseline.excess.push(excess);
            self.baseline.log_likelihood.push(log_likelihood);
            self.brackets.push(bracket);
        }
    }
}

impl FramePeriod {
    /// Of the stages from stick to servo and from stick to input.
    pub(super) fn new(stages: [Stage<'_>; 2]) -> Option<Self> {
        let joined = JoinedBrackets::new(stages)?;
        let ticks = tick_phase::find(&joined.brackets, &joined.baseline)?;
        if ticks.gain < LEAST_GAIN {
            return None;
        }
        let Ticks { period, period_reach: reach, .. } = ticks;
        let is_clear = ticks.gain - ticks.next_gain >= CLEARLY;
        let period_ms = is_clear.then_some((period, [period - reach, period + reach]));
        Some(Self { period_ms, medians: medians(&joined, ticks) })
    }
}

fn medians(joined: &JoinedBrackets<'_>, ticks: Ticks) -> [Option<FrameMedian>; 2] {
    let means = joined.baseline.means;
    let units = joined.movements.len();
    let posterior = Posterior::new(&joined.brackets, means, ticks, units);
    let about = means.map(|mean| mean - 0.5 * ticks.period);
    let at_phases: Vec<[f64; 2]> = posterior
        .phases
        .iter()
        .map(|&phase| {
            [0, 1].map(|of| {
                let mut ages = ages(joined, (ticks.period, phase), about[of]);
                ages.sort_by(f64::total_cmp);
                median(&ages, ticks.period, posterior.missed[of])
            })
        })
        .collect();
    let mut all = [0.0; 2];
    for ((weight, delays), own) in posterior.under(&vec![1; units]).into_iter().zip(&at_phases) {
        for of in [0, 1] {
            all[of] += weight * (own[of] + delays[of] - about[of]);
        }
    }
    let mut resampler = Resampler::new(SEED);
    let mut counts = vec![0; units];
    let drawn: Vec<[f64; 2]> = (0..REPLICATES)
        .map(|_| {
            resampler.draw(&mut counts);
            let chances = [resampler.chance(), resampler.chance(), resampler.chance()];
            let (place, delays) = posterior.draw(&counts, chances);
            [0, 1].map(|of| at_phases[place][of] + delays[of] - about[of])
        })
        .collect();
    [0, 1].map(|of| {
        // A stage whose sticks are not held says nothing of a delay behind frames.
        let takes_part = joined.brackets.iter().any(|bracket| bracket.seen[of].is_some());
        takes_part
            .then(|| FrameMedian { ms: all[of], replicates: drawn.iter().map(|both| both[of]).collect() })
    })
}

/// The ages at instants of all movements, of a steady delay behind the frames.
fn ages(joined: &JoinedBrackets<'_>, (period, phase): (f64, f64), delay: f64) -> Vec<f64> {
    let mut ages = Vec::new();
    for (index, own) in joined.movements.iter().enumerate() {
        let start = (own.start - joined.origin).millis();
        let mut place = 0;
        // Each movement begins elsewhere within the step (golden section: evenly spread for any number).
        let first = (index as f64 * 0.618_034).fract() * INSTANTS_MS;
        for step in 0..(own.length / INSTANTS_MS) as usize {
            let now = first + step as f64 * INSTANTS_MS;
            let since_frame = (start + now - delay - phase).rem_euclid(period);
            let sent = now - delay - since_frame;
            while own.samples.get(place + 1).is_some_and(|&next| next <= sent) {
                place += 1;
            }
            if let Some(&sample) = own.samples.get(place).filter(|&&sample| sample <= sent) {
                ages.push(now - sample);
            }
        }
    }
    ages
}

/// The median where each frame is missed by chance, which makes what it would have brought a period older.
fn median(sorted: &[f64], period: f64, missed: f64) -> f64 {
    let share = |age: f64| {
        let (mut share, mut weight, mut age) = (0.0, 1.0 - missed, age);
        while weight > 1e-6 {
            share += weight * sorted.partition_point(|&own| own <= age) as f64;
            weight *= missed;
            age -= period;
        }
        share / sorted.len() as f64
    };
    let (Some(&first), Some(&last)) = (sorted.first(), sorted.last()) else { return 0.0 };
    sample_hold::first_age((first, last + period), |age| share(age) >= 0.5)
}

#[cfg(test)]
mod tests {
    use crate::measure::latency::frame_period::*;

    /// A quarter of the delays from 20 to 30 ms, the rest from 30 to 40: their mean is 0.25 x 25 + 0.75 x 35 = 32.5 ms.
    #[test]
    fn a_bracket_says_its_share_and_its_mean_above_that_of_all() {
        let table = DelayTable::new(&[(20.0, 30.0, 0.25), (30.0, 40.0, 0.75)]).unwrap();
        assert_eq!(table.within((20.0, 30.0)), Some((0.25, -7.5)));
        assert_eq!(table.within((30.0, 40.0)), Some((0.75, 2.5)));
        assert_eq!(table.within((35.0, 60.0)).map(|(share, _)| share), Some(0.375), "half of a cell");
        assert_eq!(table.within((0.0, 60.0)), None, "all of them say nothing");
        assert_eq!(table.within((50.0, 60.0)), None, "none of them do");
    }
}
