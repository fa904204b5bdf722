//! Finds period and phase of a clock that is not seen, from intervals in which what waited for its ticks arrived.
//!
//! Think of parcels and a bus: what happens at an instant goes with the first tick not before it, and arrives a
//! delay after that tick, now and then a tick late. Each arrival is known within a bracket alone, by up to two
//! observers with delays of their own. The period is a line in the spectrum of what the brackets say beyond the
//! mean (`periodogram`); likelihood tells it from its aliases, and finds the phase. The likelihood jumps wherever a
//! tick passes an instant, so that its maximum scatters: phase and delays are posterior means under flat priors
//! (`posterior`), which have the least squared error of all estimates that move with the data (Pitman,
//! Biometrika 30, 1939). Times in ms.

mod arrivals;
pub mod posterior;

use crate::stats::time_series::periodogram;
use arrivals::{Arrivals, Shape, log_likelihood, wait};
pub use arrivals::{Bracket, floored};

/// What is known of the brackets without ticks.
#[derive(Clone, Debug, Default)]
pub struct Baseline {
    /// Of each bracket: its arrival's expected excess over the mean, ms.
    pub excess: Vec<f64>,
    /// Mean time to arrival of each observer, ms.
    pub means: [f64; 2],
    /// Of each bracket, by [`floored`] chances.
    pub log_likelihood: Vec<f64>,
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
/// By so much the log-likelihood falls at the ends of the period's interval. It jumps, and so does not follow
/// Wilks's theorem: half of chi-squared's 95 % (1.92) held the truth in 55 to 63 % of invented links. This
/// holds it in 97 to 100 % of those with seeds 1 to 120 (`examples/latency_accuracy.rs`).
const DROP: f64 = 10.0;
/// Where those ends are looked for: steps of the frequency to either side, in parts of one over the span.
const ENDS: (i32, f64) = (32, 0.02);
/// Fewer brackets can be put in order by chance: some period, phase and delays leave none of them wrong.
const FEWEST: usize = 80;

/// One guess at the clock: its log-likelihood, period and phase.
#[derive(Clone, Copy, Debug)]
struct Guess {
    log_likelihood: f64,
    period: f64,
    phase: f64,
}

/// Where to look about a guess: steps to either side, and what one step is.
#[derive(Clone, Copy, Debug)]
struct SearchSteps {
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

    /// The greatest log-likelihood of what one observer says, over steps of its delay; minus infinity where none
    /// comes above a floor.
    fn greatest(
        &self,
        observer: usize,
        arrivals: &Arrivals,
        ticks: (f64, f64),
        delays: (i32, f64),
        floor: f64,
    ) -> f64 {
        let about = self.means[observer] - 0.5 * ticks.0;
        steps(delays).fold(f64::NEG_INFINITY, |best, off| {
            let floor = best.max(floor);
            best.max(log_likelihood(self.brackets, observer, arrivals, ticks, about + off, floor))
        })
    }

    /// The best of what lies about a guess and above its log-likelihood; the guess itself where nothing does.
    fn best(&self, guess: Guess, around: SearchSteps) -> Guess {
        let mut best = guess;
        for off in steps(around.frequency) {
            let period = 1.0 / (1.0 / guess.period + off / self.span());
            let arrivals = self.shapes.map(|shape| Arrivals::new(period, shape));
            for off in steps(around.phase) {
                let phase = guess.phase + off * period;
                let of = |observer: usize, floor: f64| {
                    self.greatest(observer, &arrivals[observer], (period, phase), around.delay, floor)
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
            let mut best = (f64::NEG_INFINITY, FIRST[observer]);
            for shape in SCATTERS.iter().flat_map(|&scatter| MISSED.map(|missed| Shape { scatter, missed })) {
                let arrivals = Arrivals::new(guess.period, shape);
                let ticks = (guess.period, guess.phase);
                let fits = self.greatest(observer, &arrivals, ticks, (6, 1.0), best.0);
                if fits > best.0 {
                    best = (fits, shape);
                }
            }
            best.1
        })
    }

    /// A guess made as good as it gets, and the shapes with it.
    fn polished(self, guess: Guess) -> (Guess, Self) {
        let rough = SearchSteps { frequency: (3, 0.1), phase: (4, 0.04), delay: (1, 2.0) };
        let fine = SearchSteps { frequency: (3, 0.025), phase: (4, 0.015), delay: (2, 1.0) };
        let guess = self.best(self.best(guess, rough), fine);
        let shapes = self.shaped(guess);
        let fit = Self { shapes, ..self };
        let anew = Guess { log_likelihood: f64::NEG_INFINITY, ..guess };
        (fit.best(anew, SearchSteps { frequency: (2, 0.02), ..fine }), fit)
    }

    /// How far the period may be off, ms: to the farthest that explains nearly as much, and a step beyond.
    fn period_reach(&self, guess: Guess) -> f64 {
        let floor = guess.log_likelihood - DROP;
        let beside = SearchSteps { frequency: (0, 0.0), phase: (2, 0.015), delay: (1, 0.5) };
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
pub fn find(brackets: &[Bracket], baseline: &Baseline) -> Option<Ticks> {
    let (first, last) = (brackets.first()?.at, brackets.last()?.at);
    // The newest first, then ever more of them: the longer they span, the finer is the period known.
    let from = |span: f64| brackets.partition_point(|bracket| bracket.at < last - span);
    let mut span = periodogram::LONGEST_S * 1e3 * 0.99;
    let newest = from(span);
    let near = &brackets[newest..];
    if near.len() < FEWEST {
        return None;
    }
    let fit = |brackets, shapes| Fit { brackets, means: baseline.means, shapes };
    let start = near[0].at;
    let values: Vec<(f64, f64)> = near
        .iter()
        .zip(&baseline.excess[newest..])
        .map(|(bracket, &excess)| ((bracket.at - start) / 1e3, excess))
        .collect();
    let lines = (BRACKETS_OF_LINES / near.len()).clamp(LINES.0, LINES.1);
    let mut guesses: Vec<Guess> = Vec::new();
    let mut floor = f64::NEG_INFINITY;
    for line in periodogram::lines(&values, BAND_HZ, lines) {
        let period = 1e3 / line.frequency;
        let guess = Guess { log_likelihood: floor, period, phase: 0.5 * (start + last) };
        let whole = SearchSteps { frequency: (1, 0.2), phase: (12, 1.0 / 25.0), delay: (0, 0.0) };
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
    let plain: f64 = baseline.log_likelihood.iter().sum();
    let gain = best.log_likelihood - plain;
    let (Guess { period, phase, .. }, period_reach) = (best, fitted.period_reach(best));
    Some(Ticks { period, period_reach, phase, gain, next_gain: gain - behind, shapes: fitted.shapes })
}

#[cfg(test)]
mod tests {
    use crate::stats::time_series::tick_phase::posterior::Posterior;
    use crate::stats::time_series::tick_phase::*;
    use rand::rngs::ChaCha8Rng;
    use rand::{RngExt, SeedableRng};

    const PERIOD: f64 = 13.37;
    const DELAY: f64 = 60.0;

    /// Instants every 20 ms in bursts of seven, one burst a second; each arrival is bracketed by looks at
    /// times of their own, 30 ms apart. Ticks are regular, or come evenly spread over twice the period.
    fn brackets(seed: u64, regular: bool) -> (Vec<Bracket>, Baseline) {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut between = |low: f64, high: f64| low + (high - low) * random.random::<f64>();
        let (mut brackets, mut baseline) = (Vec::new(), Baseline::default());
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
                baseline.excess.push(0.5 * (a + b) - DELAY - 0.5 * PERIOD);
                baseline.log_likelihood.push(floored(share(b) - share(a)).ln());
            }
        }
        baseline.means = [DELAY + if regular { 0.5 } else { 2.0 / 3.0 } * PERIOD, 0.0];
        (brackets, baseline)
    }

    /// Period, phase and delay are those that made the brackets.
    #[test]
    fn the_ticks_that_made_the_brackets_are_found() {
        for seed in 1..=4 {
            let (brackets, baseline) = brackets(seed, true);
            let found = find(&brackets, &baseline).unwrap();
            assert!((found.period - PERIOD).abs() < 2e-3, "{found:?}");
            assert!((found.period - PERIOD).abs() <= found.period_reach, "{found:?}");
            assert!(found.period_reach < 4e-3, "{found:?}");
            assert!(found.gain > 30.0, "{found:?}");
            let posterior = Posterior::new(&brackets, baseline.means, found, 60);
            let all = posterior.under(&[1; 60]);
            assert!((all.iter().map(|phase| phase.0).sum::<f64>() - 1.0).abs() < 1e-9);
            let delay: f64 = all.iter().map(|(weight, delays)| weight * delays[0]).sum();
            assert!((delay - DELAY).abs() < 1.0, "{delay}");
        }
    }

    /// Draws scatter about the mean, and weigh the units that they are given.
    #[test]
    fn draws_follow_the_posterior() {
        let (brackets, baseline) = brackets(1, true);
        let found = find(&brackets, &baseline).unwrap();
        let posterior = Posterior::new(&brackets, baseline.means, found, 60);
        let counts = [1; 60];
        let mean: f64 = posterior.under(&counts).iter().map(|(weight, delays)| weight * delays[0]).sum();
        let drawn = (0..400).map(|index| {
            let chance = |step: f64| ((f64::from(index) + 0.5) * step).fract();
            posterior.draw(&counts, [chance(0.618_034), chance(0.754_878), chance(0.569_84)]).1[0]
        });
        let drawn: f64 = drawn.sum::<f64>() / 400.0;
        assert!((drawn - mean).abs() < 0.1, "{drawn} for {mean}");
    }

    /// Ticks by chance: no period gains what a regular one does.
    #[test]
    fn no_period_is_found_where_there_is_none() {
        for seed in 1..=8 {
            let (brackets, baseline) = brackets(seed, false);
            let found = find(&brackets, &baseline).unwrap();
            assert!(found.gain < 14.0, "seed {seed}: {found:?}");
        }
        assert_eq!(find(&[], &Baseline::default()), None);
    }
}
