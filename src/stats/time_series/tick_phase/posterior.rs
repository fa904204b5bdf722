//! Where ticks and delays likely are, under brackets drawn anew: the posterior of phase and delays.
//!
//! Flat priors over one period of phases and some delays about the mean. The likelihood of every unit (a movement,
//! say) is tabulated once; a bootstrap then sums the units that it drew. Times in ms.

use super::Ticks;
use super::arrivals::{Arrivals, Bracket, log_likelihood, wait};

/// Phases and delays of the posterior with less than e^-this of the best are left out.
const NEGLIGIBLE: f64 = 9.0;
/// The posterior's phases, a period.
const PHASES: i32 = 40;
/// Its delays, ms: how far about the mean, and their steps, at first and at last.
const DELAY_REACH: f64 = 8.0;
const COARSE_STEP: f64 = 1.0;
const DELAY_STEP: f64 = 0.25;

fn greatest(values: impl Iterator<Item = f64>) -> f64 {
    values.fold(f64::NEG_INFINITY, f64::max)
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
