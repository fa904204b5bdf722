//! The control radio's frames, found from afar, and what they add to the medians.
//!
//! A radio sends the sticks at a steady beat of its own. How long a new position waited for the next frame
//! is most of why delays differ from sample to sample; where the beat is found (`stats::lattice`), that wait is
//! known for every position and scatters the estimate no longer. Both stages from the sticks share the beat
//! and are read together. Only the place of the distribution is taken from it, not its shape: frames lost in a row
//! and delays that wander stay as the samples show them. Replicates draw movements anew, and phase and delay from
//! their posterior under those (bagged posteriors: Bühlmann, Statistical Science 29, 2014): the posterior alone
//! would trust its model too much, the bootstrap of its means would not know the jumps of the likelihood.
//!
//! Not used where older movements are known by their ages alone, where the beat is not clear, or
//! where it contradicts the samples (`Fit::pin`).

use std::collections::BTreeMap;

use crate::stats::bootstrap::Resampler;
use crate::stats::tick_phase;
use crate::stats::tick_phase::{Bracket, Posterior, Ticks, Without};
use crate::summary::Interval;
use crate::units::Nanos;

use super::changes::MoveChanges;
use super::estimate::{REPLICATES, SEED};
use super::row::Fit;
use super::sample_hold;

/// Log-likelihood that a beat must add to move a median. Chance alone adds about the logarithm of what was tried,
/// some 2^16 periods and phases (11). In seeds 1 to 200 of examples/latency_accuracy a period that is not the
/// radio's adds up to 25, but then it is nearly always an alias, which moves the median rightly all the same.
const LEAST_GAIN: f64 = 14.0;
/// What the next best period must stay behind by, for this one to be told: none was wrong there.
const CLEARLY: f64 = 10.0;
/// Brackets with less or more than this under the plain estimate say nothing.
const TELLING: (f64, f64) = (1e-6, 0.999);
/// Instants at which ages are read off, ms apart: no whole part of a stick's usual spacing, or ages would come
/// in steps.
const INSTANTS_MS: f64 = 1.2361;

/// A beat, and the medians that follow from it.
#[derive(Clone, Debug)]
pub(super) struct Cadence {
    /// Time between two frames where it is clear, ms, and its 95 % interval.
    pub(super) period_ms: Option<(f64, Interval)>,
    /// Of each stage that took part.
    pub(super) medians: [Option<Median>; 2],
}

/// A stage's median age, and the same with movements drawn anew.
#[derive(Clone, Debug)]
pub(super) struct Median {
    pub(super) ms: f64,
    pub(super) replicates: Vec<f64>,
}

/// The plain estimate's delays, summed up.
struct Plain {
    from: f64,
    step: f64,
    /// Shares and means up to each edge of the cells.
    up_to: Vec<(f64, f64)>,
}

impl Plain {
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

/// Both stages' brackets of one session, joined.
struct Evidence<'a> {
    brackets: Vec<Bracket>,
    without: Without,
    moves: Vec<&'a MoveChanges>,
    origin: Nanos,
}

/// Puts the two stages' brackets together; `None` where movements are folded. The same stick sample, seen in two
/// movements, counts once.
fn evidence(fits: [Option<&Fit>; 2]) -> Option<Evidence<'_>> {
    let plain = fits.map(|fit| Plain::new(&fit?.delays()?));
    let mut changes: [&[MoveChanges]; 2] = [&[]; 2];
    for (own, fit) in changes.iter_mut().zip(fits) {
        if let Some(fit) = fit {
            *own = fit.reading().changes.as_deref()?;
        }
    }
    let mut moves: BTreeMap<(Nanos, u8), (u32, &MoveChanges)> = BTreeMap::new();
    for own in changes.into_iter().flatten() {
        moves.entry((own.start, own.stick)).or_insert((0, own));
    }
    for (number, (unit, _)) in (0..).zip(moves.values_mut()) {
        *unit = number;
    }
    let origin = moves.keys().next()?.0;
    let mut joined: BTreeMap<i64, Bracket> = BTreeMap::new();
    for (observer, changes) in changes.into_iter().enumerate() {
        for own in changes {
            let (unit, _) = moves[&(own.start, own.stick)];
            let start = (own.start - origin).millis();
            for change in &own.changes {
                let at = start + change.at;
                let bracket = joined.entry((at * 1e3).round() as i64).or_insert(Bracket {
                    at,
                    unit,
                    seen: [None, None],
                });
                let seen = bracket.seen[observer].unwrap_or((f64::NEG_INFINITY, f64::INFINITY));
                bracket.seen[observer] = Some((seen.0.max(change.low), seen.1.min(change.high)));
            }
        }
    }
    let mut without =
        Without { means: [0, 1].map(|of| plain[of].as_ref().map_or(0.0, Plain::mean)), ..Without::default() };
    let mut brackets = Vec::with_capacity(joined.len());
    for mut bracket in joined.into_values() {
        let (mut excess, mut log_likelihood) = (0.0, 0.0);
        for (seen, plain) in bracket.seen.iter_mut().zip(&plain) {
            let within = seen.zip(plain.as_ref()).and_then(|(seen, plain)| plain.within(seen));
            match within {
                Some((share, above)) => {
                    excess += above;
                    log_likelihood += tick_phase::floored(share).ln();
                }
                None => *seen = None,
            }
        }
        if bracket.seen.iter().any(Option::is_some) {
            without.excess.push(excess);
            without.log_likelihood.push(log_likelihood);
            brackets.push(bracket);
        }
    }
    let moves = moves.into_values().map(|(_, own)| own).collect();
    Some(Evidence { brackets, without, moves, origin })
}

impl Cadence {
    /// Of the stages from stick to servo and from stick to input.
    pub(super) fn new(fits: [Option<&Fit>; 2]) -> Option<Self> {
        let evidence = evidence(fits)?;
        let ticks = tick_phase::find(&evidence.brackets, &evidence.without)?;
        if ticks.gain < LEAST_GAIN {
            return None;
        }
        let Ticks { period, period_reach: reach, .. } = ticks;
        let is_clear = ticks.gain - ticks.next_gain >= CLEARLY;
        let period_ms = is_clear.then_some((period, [period - reach, period + reach]));
        Some(Self { period_ms, medians: medians(&evidence, ticks) })
    }
}

fn medians(evidence: &Evidence<'_>, ticks: Ticks) -> [Option<Median>; 2] {
    let means = evidence.without.means;
    let units = evidence.moves.len();
    let posterior = Posterior::new(&evidence.brackets, means, ticks, units);
    let about = means.map(|mean| mean - 0.5 * ticks.period);
    let at_phases: Vec<[f64; 2]> = posterior
        .phases
        .iter()
        .map(|&phase| {
            [0, 1].map(|of| {
                let mut ages = ages(evidence, (ticks.period, phase), about[of]);
                ages.sort_by(f64::total_cmp);
                median(&ages, ticks.period, posterior.missed[of])
            })
        })
        .collect();
    let under = |counts: &[u32]| {
        let mut sums = [0.0; 2];
        for ((weight, delays), own) in posterior.under(counts).into_iter().zip(&at_phases) {
            for of in [0, 1] {
                sums[of] += weight * (own[of] + delays[of] - about[of]);
            }
        }
        sums
    };
    let all = under(&vec![1; units]);
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
        let takes_part = evidence.brackets.iter().any(|bracket| bracket.seen[of].is_some());
        takes_part.then(|| Median { ms: all[of], replicates: drawn.iter().map(|both| both[of]).collect() })
    })
}

/// The ages at instants of all movements, of a steady delay behind the frames.
fn ages(evidence: &Evidence<'_>, (period, phase): (f64, f64), delay: f64) -> Vec<f64> {
    let mut ages = Vec::new();
    for (index, own) in evidence.moves.iter().enumerate() {
        let start = (own.start - evidence.origin).millis();
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
