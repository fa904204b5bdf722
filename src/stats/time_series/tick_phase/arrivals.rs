//! Arrivals about a clock's ticks: their distribution, and the likelihood of brackets under it.
//!
//! An arrival comes a delay after its tick, with a logistic scatter, now and then one tick late. Now and then a
//! bracket is wrong: its chance never falls to nothing. Times in ms, chances from 0 to 1.

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

/// Arrivals about tick and delay.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Shape {
    /// Scale of the logistic distribution, ms.
    pub(super) scatter: f64,
    /// Chance of each tick to carry nothing.
    pub(super) missed: f64,
}

/// Chance of a bracket to be wrong, and the chance that each then has.
const WRONG: f64 = 0.01;
const WHEN_WRONG: f64 = 0.2;

/// A bracket's chance, given that now and then one is wrong.
#[must_use]
pub fn floored(chance: f64) -> f64 {
    WHEN_WRONG * WRONG + (1.0 - WRONG) * chance.max(0.0)
}

/// The distribution function of arrivals about tick and delay, tabulated.
pub(super) struct Arrivals {
    from: f64,
    shares: Vec<f32>,
}

/// Fine enough to be read without interpolation: a step is a sixth of the least scatter.
const STEPS_A_MS: f64 = 16.0;

impl Arrivals {
    pub(super) fn new(period: f64, shape: Shape) -> Self {
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

    pub(super) fn chance(&self, (low, high): (f64, f64), from: f64) -> f64 {
        floored(f64::from(self.share(high - from) - self.share(low - from)))
    }
}

/// Time from an instant to the first tick not before it.
pub(super) fn wait(at: f64, period: f64, phase: f64) -> f64 {
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
pub(super) fn log_likelihood(
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
