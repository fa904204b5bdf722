//! The ticks of an unseen clock, from brackets of what waited for them.
//!
//! What happens at an instant goes with the first tick not before it, and arrives a delay after that tick,
//! now and then a tick late; each arrival is known within a bracket alone, by up to two observers with delays of
//! their own. The period is a line in the spectrum of what the brackets say beyond the mean (`periodogram`), its
//! aliases and its phase are told apart by likelihood. The likelihood jumps wherever a tick passes an
//! instant, so that its maximum scatters: phase and delays are posterior means under flat priors, which have the
//! least squared error of all estimates that move with the data (Pitman, Biometrika 30, 1939).

use super::periodogram;

/// One instant, what happened then, and what the two observers say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bracket {
    /// ms.
    pub at: f64,
    /// Which of the independent units it belongs to, from 0.
    pub unit: u32,
    /// It arrived later than the first and no later than the second of these, ms after `at`; `None` where
    /// that says nothing.
    pub seen: [Option<(f64, f64)>; 2],
}

/// What is known without ticks.
#[derive(Clone, Debug, Default)]
pub struct Without {
    /// Of each bracket: its arrival's expected excess over the mean, ms.
    pub excess: Vec<f64>,
    /// Mean time to arrival of each observer, ms.
    pub means: [f64; 2],
    /// Of each bracket, by [`floored`] chances.
    pub log_likelihood: Vec<f64>,
}

/// Arrivals about tick and delay.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Shape {
    /// Scale of the logistic distribution, ms.
    scatter: f64,
    /// Chance of each tick to carry nothing.
    missed: f64,
}

/// A clock's ticks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ticks {
    /// ms.
    pub period: f64,
    /// Half width of the period's 95 % interval, ms.
    pub period_reach: f64,
    /// One of them, about the middle of the brackets, ms.
    pub phase: f64,
    /// Log-likelihood above that without ticks.
    pub gain: f64,
    /// The same of the best other period.
    pub next_gain: f64,
    shapes: [Shape; 2],
}

/// Periods looked for, as Hz.
const BAND_HZ: (f64, f64) = (12.0, 150.0);
/// Lines looked at closely, by so many brackets all together: an even spacing of the instants gives each period a
/// dozen aliases in the band, and with few brackets chance has stronger ones.
const BRACKETS_OF_LINES: usize = 8000;
const LINES: (usize, usize) = (16, 80);
/// The best of them are polished.
const POLISHED: usize = 6;
/// Shapes before they are known, one an observer.
const FIRST: [Shape; 2] = [Shape { scatter: 0.8, missed: 0.02 }, Shape { scatter: 1.5, missed: 0.02 }];
const SCATTERS: [f64; 4] = [0.4, 0.8, 1.6, 3.2];
const MISSED: [f64; 3] = [0.01, 0.03, 0.1];
/// Chance of a bracket to be wrong, and the chance that each then has.
const WRONG: f64 = 0.01;
const WHEN_WRONG: f64 = 0.2;
/// By so much the log-likelihood falls at the ends of the period's interval. It jumps, and so does not follow
/// Wilks's theorem: half of chi-squared's 95 % (1.92) held the truth in 55 to 63 % of invented links. This
/// holds it in 97 to 100 % of those with seeds 1 to 120 (`examples/latency_accuracy.rs`).
const DROP: f64 = 10.0;
/// Where those ends are looked for: steps of the frequency to either side, in parts of one over the span.
const ENDS: (i32, f64) = (32, 0.02);
/// Fewer brackets can be put in order by chance: some period, phase and delays leave none of them wrong.
const FEWEST: usize = 80;
/// Phases and delays of the posterior with less than e^-this of the best are left out.
const NEGLIGIBLE: f64 = 9.0;
/// The posterior's phases, a period.
const PHASES: i32 = 40;
/// Its delays, ms: how far about the mean, and their steps, at first and at last.
const DELAY_REACH: f64 = 8.0;
const COARSE_STEP: f64 = 1.0;
const DELAY_STEP: f64 = 0.25;

/// A bracket's chance, given that now and then one is wrong.
#[must_use]
pub fn floored(chance: f64) -> f64 {
    WHEN_WRONG * WRONG + (1.0 - WRONG) * chance.max(0.0)
}

/// The distribution function of arrivals about tick and delay, tabulated.
struct Arrivals {
    from: f64,
    shares: Vec<f32>,
}

/// Fine enough to be read without interpolation: a step is a sixth of the least scatter.
const STEPS_A_MS: f64 = 16.0;

impl Arrivals {
    fn new(period: f64, shape: Shape) -> Self {
        let reach = 8.0 * shape.scatter;
        let steps = ((2.0 * reach + period) * STEPS_A_MS).ceil() as usize + 1;
        let logistic = |x: f64| 1.0 / (1.0 + (-x / shape.scatter).exp());
        let share = |x: f64| (1.0 - shape.missed) * logistic(x) + shape.missed * logistic(x - period);
        let middle = |step: usize| (step as f64 + 0.5) / STEPS_A_MS - reach;
        let shares = (0..=steps).map(|step| share(middle(step)) as f32).collect();
        Self { from: -reach, shares }
    }

    fn share(&self, x: f64) -> f32 {
        // Below the table it is as good as 0, beyond it 1.
        let step = ((x - self.from) * STEPS_A_MS) as usize;
        self.shares.get(step).copied().unwrap_or(1.0)
    }

    fn chance(&self, (low, high): (f64, f64), from: f64) -> f64 {
        floored(f64::from(self.share(high - from) - self.share(low - from)))
    }
}

/// Time from an instant to the first tick not before it.
fn wait(at: f64, period: f64, phase: f64) -> f64 {
    // Truncation is one instruction, where a floor may be a call.
    let turns = (phase - at) / period;
    let part = turns - turns as i64 as f64;
    (if part < 0.0 { part + 1.0 } else { part }) * period
}

/// Adds up logarithms of chances, one logarithm for several.
struct LogSum {
    product: f64,
    sum: f64,
}

/// Brackets between two looks at whether a sum can still be the best.
const LOOK_EVERY: usize = 16;

impl LogSum {
    const fn new() -> Self {
        Self { product: 1.0, sum: 0.0 }
    }

    fn add(&mut self, chance: f64) {
        self.product *= chance;
        if self.product < 1e-200 {
            self.sum += self.product.ln();
            self.product = 1.0;
        }
    }

    fn total(&self) -> f64 {
        self.sum + self.product.ln()
    }
}

/// Log-likelihood of what one observer says, by phase and delay; given up, as minus infinity, once it cannot
/// come above a floor: every bracket takes from it.
fn log_likelihood(
    brackets: &[Bracket],
    observer: usize,
    arrivals: &Arrivals,
    (period, phase): (f64, f64),
    delay: f64,
    floor: f64,
) -> f64 {
    let mut sum = LogSum::new();
    for some in brackets.chunks(LOOK_EVERY) {
        for bracket in some {
            if let Some(seen) = bracket.seen[observer] {
                sum.add(arrivals.chance(seen, wait(bracket.at, period, phase) + delay));
            }
        }
        if sum.total() < floor {
            return f64::NEG_INFINITY;
        }
    }
    sum.total()
}

/// The greatest of what is given for each of some offsets, each told the greatest so far and a floor.
fn greatest_of(offsets: impl Iterator<Item = f64>, floor: f64, mut of: impl FnMut(f64, f64) -> f64) -> f64 {
    offsets.fold(f64::NEG_INFINITY, |best, offset| best.max(of(offset, best.max(floor))))
}

fn greatest(values: impl Iterator<Item = f64>) -> f64 {
    values.fold(f64::NEG_INFINITY, f64::max)
}

/// One guess at the clock: its log-likelihood, period and phase.
#[derive(Clone, Copy, Debug)]
struct Guess {
    log_likelihood: f64,
    period: f64,
    phase: f64,
}

/// Where to look about a guess: steps to either side, and what one step is.
#[derive(Clone, Copy, Debug)]
struct Around {
    /// Of the frequency; the step in parts of one over the span.
    frequency: (i32, f64),
    /// Of the phase; the step in parts of the period.
    phase: (i32, f64),
    /// Of both delays; the step in ms.
    delay: (i32, f64),
}

/// From the middle outwards: the best are likely there, and what comes later is given up the sooner.
fn steps((count, step): (i32, f64)) -> impl Iterator<Item = f64> {
    (0..=2 * count)
        .map(move |index| f64::from(if index % 2 == 0 { -index / 2 } else { index / 2 + 1 }) * step)
}

/// Brackets under one way of arriving.
struct Fit<'a> {
    brackets: &'a [Bracket],
    means: [f64; 2],
    shapes: [Shape; 2],
}

impl Fit<'_> {
    fn span(&self) -> f64 {
        let ends = self.brackets.first().zip(self.brackets.last());
        ends.map_or(1.0, |(first, last)| (last.at - first.at).max(1.0))
    }

    /// The best of what lies about a guess and above its log-likelihood; the guess itself where nothing does.
    fn best(&self, guess: Guess, around: Around) -> Guess {
        let mut best = guess;
        for off in steps(around.frequency) {
            let period = 1.0 / (1.0 / guess.period + off / self.span());
            let arrivals = self.shapes.map(|shape| Arrivals::new(period, shape));
            for off in steps(around.phase) {
                let phase = guess.phase + off * period;
                let of = |observer: usize, floor: f64| {
                    let about = self.means[observer] - 0.5 * period;
                    greatest_of(steps(around.delay), floor, |off, floor| {
                        let ticks = (period, phase);
                        log_likelihood(
                            self.brackets,
                            observer,
                            &arrivals[observer],
                            ticks,
                            about + off,
                            floor,
                        )
                    })
                };
                let first = of(0, best.log_likelihood);
                let log_likelihood = first + of(1, best.log_likelihood - first);
                if log_likelihood > best.log_likelihood {
                    best = Guess { log_likelihood, period, phase };
                }
            }
        }
        best
    }

    /// The shapes that explain most at a guess.
    fn shaped(&self, guess: Guess) -> [Shape; 2] {
        [0, 1].map(|observer| {
            let about = self.means[observer] - 0.5 * guess.period;
            let mut best = (f64::NEG_INFINITY, FIRST[observer]);
            for shape in SCATTERS.iter().flat_map(|&scatter| MISSED.map(|missed| Shape { scatter, missed })) {
                let arrivals = Arrivals::new(guess.period, shape);
                let fits = greatest_of(steps((6, 1.0)), best.0, |off, floor| {
                    let ticks = (guess.period, guess.phase);
                    log_likelihood(self.brackets, observer, &arrivals, ticks, about + off, floor)
                });
                if fits > best.0 {
                    best = (fits, shape);
                }
            }
            best.1
        })
    }

    /// A guess made as good as it gets, and the shapes with it.
    fn polished(self, guess: Guess) -> (Guess, Self) {
        let rough = Around { frequency: (3, 0.1), phase: (4, 0.04), delay: (1, 2.0) };
        let fine = Around { frequency: (3, 0.025), phase: (4, 0.015), delay: (2, 1.0) };
        let guess = self.best(self.best(guess, rough), fine);
        let shapes = self.shaped(guess);
        let fit = Self { shapes, ..self };
        let anew = Guess { log_likelihood: f64::NEG_INFINITY, ..guess };
        (fit.best(anew, Around { frequency: (2, 0.02), ..fine }), fit)
    }

    /// How far the period may be off, ms: to the farthest that explains nearly as much, and a step beyond.
    fn period_reach(&self, guess: Guess) -> f64 {
        let floor = guess.log_likelihood - DROP;
        let beside = Around { frequency: (0, 0.0), phase: (2, 0.015), delay: (1, 0.5) };
        let at = |off: f64| 1.0 / (1.0 / guess.period + off / self.span());
        let explains = |off: &f64| {
            let beside_it = self.best(Guess { log_likelihood: floor, period: at(*off), ..guess }, beside);
            beside_it.log_likelihood > floor
        };
        let farthest = steps(ENDS).filter(explains).map(f64::abs).fold(0.0, f64::max);
        guess.period - at(farthest + ENDS.1)
    }
}

/// The ticks that explain the brackets best; `None` where there are too few. Brackets are in order of time.
#[must_use]
pub fn find(brackets: &[Bracket], without: &Without) -> Option<Ticks> {
    let (first, last) = (brackets.first()?.at, brackets.last()?.at);
    // The newest first, then ever more of them: the longer they span, the finer is the period known.
    let from = |span: f64| brackets.partition_point(|bracket| bracket.at < last - span);
    let mut span = periodogram::LONGEST_S * 1e3 * 0.99;
    let newest = from(span);
    let near = &brackets[newest..];
    if near.len() < FEWEST {
        return None;
    }
    let fit = |brackets, shapes| Fit { brackets, means: without.means, shapes };
    let start = near[0].at;
    let values: Vec<(f64, f64)> = near
        .iter()
        .zip(&without.excess[newest..])
        .map(|(bracket, &excess)| ((bracket.at - start) / 1e3, excess))
        .collect();
    let lines = (BRACKETS_OF_LINES / near.len()).clamp(LINES.0, LINES.1);
    let mut guesses: Vec<Guess> = Vec::new();
    let mut floor = f64::NEG_INFINITY;
    for line in periodogram::lines(&values, BAND_HZ, lines) {
        let period = 1e3 / line.frequency;
        let guess = Guess { log_likelihood: floor, period, phase: 0.5 * (start + last) };
        let whole = Around { frequency: (1, 0.2), phase: (12, 1.0 / 25.0), delay: (0, 0.0) };
        let best = fit(near, FIRST).best(guess, whole);
        if best.log_likelihood > floor {
            guesses.push(best);
            guesses.sort_by(|a, b| b.log_likelihood.total_cmp(&a.log_likelihood));
            guesses.truncate(POLISHED);
            // Only what is better than the last of those that are polished is of use.
            floor = guesses.get(POLISHED - 1).map_or(f64::NEG_INFINITY, |last| last.log_likelihood);
        }
    }
    let mut polished: Vec<(Guess, Fit<'_>)> =
        guesses.into_iter().map(|guess| fit(near, FIRST).polished(guess)).collect();
    polished.sort_by(|a, b| b.0.log_likelihood.total_cmp(&a.0.log_likelihood));
    let next = polished.get(1).map_or(f64::NEG_INFINITY, |next| next.0.log_likelihood);
    let (mut best, mut fitted) = polished.into_iter().next()?;
    let behind = best.log_likelihood - next;
    while last - span > first {
        span *= 2.0;
        let some = &brackets[from(span)..];
        // The phase is carried to the new middle.
        let middle = 0.5 * (some[0].at + last);
        best.phase = middle + wait(middle, best.period, best.phase);
        best.log_likelihood = f64::NEG_INFINITY;
        (best, fitted) = fit(some, fitted.shapes).polished(best);
    }
    let plain: f64 = without.log_likelihood.iter().sum();
    let gain = best.log_likelihood - plain;
    let (Guess { period, phase, .. }, period_reach) = (best, fitted.period_reach(best));
    Some(Ticks { period, period_reach, phase, gain, next_gain: gain - behind, shapes: fitted.shapes })
}

/// Phases and delays with their likelihoods, unit by unit.
#[derive(Clone, Debug)]
pub struct Posterior {
    /// Phases that can be, ms.
    pub phases: Vec<f64>,
    /// Each observer's chance of a tick to carry nothing.
    pub missed: [f64; 2],
    /// Each observer's delays, ms.
    delays: [Vec<f64>; 2],
    /// Log-likelihoods: observer, then unit by unit, phase by phase, delay by delay.
    tables: [Vec<f32>; 2],
}

impl Posterior {
    /// About ticks that were found; units from 0 to `units`, less one.
    #[must_use]
    pub fn new(brackets: &[Bracket], means: [f64; 2], ticks: Ticks, units: usize) -> Self {
        let Ticks { period, phase, shapes, .. } = ticks;
        let arrivals = shapes.map(|shape| Arrivals::new(period, shape));
        let delays = |observer: usize, step: f64| {
            let about = means[observer] - 0.5 * period;
            let count = (DELAY_REACH / step) as i32;
            (-count..=count).map(move |index| about + f64::from(index) * step)
        };
        // Coarsely over all phases and delays first.
        let all = (-PHASES / 2..PHASES / 2).map(|step| phase + f64::from(step) * period / f64::from(PHASES));
        let mut top = f64::NEG_INFINITY;
        let mut coarse: Vec<(f64, f64, [Vec<f64>; 2])> = Vec::new();
        for phase in all {
            let rows = [0, 1].map(|observer| -> Vec<f64> {
                let of = |delay: f64| {
                    let floor = f64::NEG_INFINITY;
                    log_likelihood(brackets, observer, &arrivals[observer], (period, phase), delay, floor)
                };
                delays(observer, COARSE_STEP).map(of).collect()
            });
            let height = rows.iter().map(|row| greatest(row.iter().copied())).sum::<f64>();
            top = top.max(height);
            coarse.push((phase, height, rows));
        }
        coarse.retain(|(_, height, _)| *height > top - NEGLIGIBLE);
        let phases: Vec<f64> = coarse.iter().map(|kept| kept.0).collect();
        // Then finely where it may matter, with one coarse step to either side.
        let delays = [0, 1].map(|observer| -> Vec<f64> {
            let matters = |(_, height, rows): &(f64, f64, [Vec<f64>; 2]), place: usize| {
                let row = &rows[observer];
                height - greatest(row.iter().copied()) + row[place] > top - NEGLIGIBLE
            };
            let places = 0..coarse[0].2[observer].len();
            let kept: Vec<f64> = places
                .zip(delays(observer, COARSE_STEP))
                .filter(|(place, _)| coarse.iter().any(|phase| matters(phase, *place)))
                .map(|(_, delay)| delay)
                .collect();
            let (low, high) = (kept[0] - COARSE_STEP, kept[kept.len() - 1] + COARSE_STEP);
            delays(observer, DELAY_STEP).filter(|delay| *delay >= low && *delay <= high).collect()
        });
        let tables = [0, 1].map(|observer| {
            let own = &delays[observer];
            let cells = phases.len() * own.len();
            let mut table = vec![0.0_f32; units * cells];
            for bracket in brackets {
                let Some(seen) = bracket.seen[observer] else { continue };
                let rows = &mut table[bracket.unit as usize * cells..][..cells];
                for (row, &phase) in rows.chunks_exact_mut(own.len()).zip(&phases) {
                    let wait = wait(bracket.at, period, phase);
                    for (cell, &delay) in row.iter_mut().zip(own) {
                        *cell += arrivals[observer].chance(seen, wait + delay).ln() as f32;
                    }
                }
            }
            table
        });
        Self { phases, missed: shapes.map(|shape| shape.missed), delays, tables }
    }

    /// Under counts of the units: each phase's weight, all together 1, and each observer's mean delay there.
    #[must_use]
    pub fn under(&self, counts: &[u32]) -> Vec<(f64, [f64; 2])> {
        let of = [0, 1].map(|observer| self.of_observer(observer, &self.sums(observer, counts)));
        let both = of[0].iter().zip(&of[1]);
        weights(&of).into_iter().zip(both).map(|(weight, (one, other))| (weight, [one.1, other.1])).collect()
    }

    /// One draw under counts of the units: the place of its phase, and each observer's delay; from three
    /// numbers between 0 and 1.
    #[must_use]
    pub fn draw(&self, counts: &[u32], chances: [f64; 3]) -> (usize, [f64; 2]) {
        let sums = [0, 1].map(|observer| self.sums(observer, counts));
        let rows = [0, 1].map(|observer| self.of_observer(observer, &sums[observer]));
        let place = drawn(&weights(&rows), chances[0]);
        let delays = [0, 1].map(|observer| {
            let own = &self.delays[observer];
            let sums = &sums[observer];
            let row = &sums[place * own.len()..][..own.len()];
            let top = greatest(row.iter().map(|&cell| f64::from(cell)));
            let weights: Vec<f64> = row.iter().map(|&cell| (f64::from(cell) - top).exp()).collect();
            own[drawn(&weights, chances[1 + observer])]
        });
        (place, delays)
    }

    /// Log-likelihoods under counts, phase by phase, delay by delay.
    fn sums(&self, observer: usize, counts: &[u32]) -> Vec<f32> {
        let table = &self.tables[observer];
        let cells = self.phases.len() * self.delays[observer].len();
        let mut sums = vec![0.0_f32; cells];
        for (unit, &count) in counts.iter().enumerate().filter(|(_, count)| **count > 0) {
            for (sum, cell) in sums.iter_mut().zip(&table[unit * cells..][..cells]) {
                *sum += count as f32 * cell;
            }
        }
        sums
    }

    /// Of each phase: its log-likelihood over all delays, and the mean delay.
    fn of_observer(&self, observer: usize, sums: &[f32]) -> Vec<(f64, f64)> {
        let delays = &self.delays[observer];
        sums.chunks_exact(delays.len())
            .map(|row| {
                let top = greatest(row.iter().map(|&cell| f64::from(cell)));
                let (mut total, mut mean) = (0.0, 0.0);
                for (&cell, delay) in row.iter().zip(delays) {
                    let weight = (f64::from(cell) - top).exp();
                    total += weight;
                    mean += weight * delay;
                }
                (top + total.ln(), mean / total)
            })
            .collect()
    }
}

/// Of each phase, all together 1: from what both observers say of it.
fn weights(rows: &[Vec<(f64, f64)>; 2]) -> Vec<f64> {
    let heights: Vec<f64> = rows[0].iter().zip(&rows[1]).map(|(one, other)| one.0 + other.0).collect();
    let top = greatest(heights.iter().copied());
    let weights: Vec<f64> = heights.iter().map(|height| (height - top).exp()).collect();
    let total: f64 = weights.iter().sum();
    weights.into_iter().map(|weight| weight / total).collect()
}

/// The place that a number from 0 to 1 falls on, by weight.
fn drawn(weights: &[f64], chance: f64) -> usize {
    let mut rest = chance * weights.iter().sum::<f64>();
    weights
        .iter()
        .position(|weight| {
            rest -= weight;
            rest < 0.0
        })
        .unwrap_or(weights.len() - 1)
}

#[cfg(test)]
mod tests {
    use crate::stats::tick_phase::*;
    use rand::rngs::ChaCha8Rng;
    use rand::{RngExt, SeedableRng};

    const PERIOD: f64 = 13.37;
    const DELAY: f64 = 60.0;

    /// Instants every 20 ms in bursts of seven, one burst a second; each arrival is bracketed by looks at
    /// times of their own, 30 ms apart. Ticks are regular, or come evenly spread over twice the period.
    fn brackets(seed: u64, regular: bool) -> (Vec<Bracket>, Without) {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut between = |low: f64, high: f64| low + (high - low) * random.random::<f64>();
        let (mut brackets, mut without) = (Vec::new(), Without::default());
        let mut ticks = vec![between(0.0, PERIOD)];
        while ticks.last().is_some_and(|&tick| tick < 61_000.0) {
            let step = if regular { PERIOD } else { between(0.0, 2.0 * PERIOD) };
            ticks.push(ticks[ticks.len() - 1] + step);
        }
        let arrival = |at: f64| ticks[ticks.partition_point(|&tick| tick < at)] + DELAY;
        for unit in 0..60 {
            let start = f64::from(unit) * 1000.0;
            let look = between(0.0, 30.0);
            for at in (0..7).map(|index| start + 20.0 * f64::from(index)) {
                let arrived = arrival(at) + between(-1.0, 1.0);
                let low = start + look + 30.0 * ((arrived - start - look) / 30.0).floor() - at;
                brackets.push(Bracket { at, unit, seen: [Some((low, low + 30.0)), None] });
                // What an even spread over one period (or two, thinning out) says of the same bracket.
                let most = DELAY + if regular { PERIOD } else { 2.0 * PERIOD };
                let clamped = |x: f64| x.clamp(DELAY, most);
                let share = |x: f64| {
                    let x = clamped(x) - DELAY;
                    if regular { x / PERIOD } else { (x - x * x / (4.0 * PERIOD)) / PERIOD }
                };
                let (a, b) = (clamped(low), clamped(low + 30.0));
                without.excess.push(0.5 * (a + b) - DELAY - 0.5 * PERIOD);
                without.log_likelihood.push(floored(share(b) - share(a)).ln());
            }
        }
        without.means = [DELAY + if regular { 0.5 } else { 2.0 / 3.0 } * PERIOD, 0.0];
        (brackets, without)
    }

    /// Period, phase and delay are those that made the brackets.
    #[test]
    fn the_ticks_that_made_the_brackets_are_found() {
        for seed in 1..=4 {
            let (brackets, without) = brackets(seed, true);
            let found = find(&brackets, &without).unwrap();
            assert!((found.period - PERIOD).abs() < 2e-3, "{found:?}");
            assert!((found.period - PERIOD).abs() <= found.period_reach, "{found:?}");
            assert!(found.period_reach < 4e-3, "{found:?}");
            assert!(found.gain > 30.0, "{found:?}");
            let posterior = Posterior::new(&brackets, without.means, found, 60);
            let all = posterior.under(&[1; 60]);
            assert!((all.iter().map(|phase| phase.0).sum::<f64>() - 1.0).abs() < 1e-9);
            let delay: f64 = all.iter().map(|(weight, delays)| weight * delays[0]).sum();
            assert!((delay - DELAY).abs() < 1.0, "{delay}");
        }
    }

    /// Draws scatter about the mean, and weigh the units that they are given.
    #[test]
    fn draws_follow_the_posterior() {
        let (brackets, without) = brackets(1, true);
        let found = find(&brackets, &without).unwrap();
        let posterior = Posterior::new(&brackets, without.means, found, 60);
        let counts = [1; 60];
        let mean: f64 = posterior.under(&counts).iter().map(|(weight, delays)| weight * delays[0]).sum();
        let drawn = (0..400).map(|index| {
            let chance = |step: f64| ((f64::from(index) + 0.5) * step).fract();
            posterior.draw(&counts, [chance(0.618_034), chance(0.754_878), chance(0.569_84)]).1[0]
        });
        let drawn: f64 = drawn.sum::<f64>() / 400.0;
        assert!((drawn - mean).abs() < 0.1, "{drawn} for {mean}");
    }

    /// Ticks by chance: no period gains what a beat does.
    #[test]
    fn no_beat_is_found_where_there_is_none() {
        for seed in 1..=8 {
            let (brackets, without) = brackets(seed, false);
            let found = find(&brackets, &without).unwrap();
            assert!(found.gain < 14.0, "seed {seed}: {found:?}");
        }
        assert_eq!(find(&[], &Without::default()), None);
    }
}
