//! A sender's own recent rate: numbers a second over its last minute, and how it varies.

use std::collections::VecDeque;

use crate::units::Nanos;

const SPACING: Nanos = Nanos::from_secs(1);
const MOST: usize = 61;
/// Checkpoints in one block of the spread.
const BLOCK: usize = 5;

/// Checkpoints of the numbering, about one a second.
#[derive(Clone, Debug, Default)]
pub(super) struct Rate {
    points: VecDeque<(Nanos, u64)>,
}

impl Rate {
    pub(super) fn observe(&mut self, at: Nanos, number: u64) {
        if self.points.back().is_none_or(|&(last, _)| at - last >= SPACING) {
            if self.points.len() >= MOST {
                self.points.pop_front();
            }
            self.points.push_back((at, number));
        }
    }

    pub(super) fn clear(&mut self) {
        self.points.clear();
    }

    /// Leaves a silence out of the rate: what lies before moves up to its end.
    pub(super) fn skip(&mut self, time: Nanos, numbers: u64) {
        for point in &mut self.points {
            point.0 += time;
            point.1 += numbers;
        }
    }

    /// Numbers a second up to this one; `None` before two seconds and eight numbers.
    pub(super) fn per_second(&self, at: Nanos, number: u64) -> Option<f64> {
        let &(first, from) = self.points.front()?;
        let (span, numbers) = ((at - first).secs(), number.saturating_sub(from));
        (span >= 2.0 && numbers >= 8).then(|| numbers as f64 / span)
    }

    /// Whether fewer numbers than this should pass in a silence, told without a division; where
    /// it is not told, `per_second` decides.
    pub(super) fn is_short(&self, silence: Nanos, at: Nanos, number: u64, numbers: u64) -> bool {
        let Some(&(first, from)) = self.points.front() else { return true };
        let span = (at - first).0.max(0);
        let passed = number.saturating_sub(from);
        silence.0 <= 0 || i128::from(passed) * i128::from(silence.0) < i128::from(numbers) * i128::from(span)
    }

    /// Spread of the rates of blocks of five seconds, relative; 5 % where too few are known.
    pub(super) fn relative_spread(&self) -> f64 {
        const UNKNOWN: f64 = 0.05;
        let points: Vec<_> = self.points.iter().rev().step_by(BLOCK).collect();
        let rates: Vec<f64> = points
            .windows(2)
            .map(|pair| (pair[0].1 - pair[1].1) as f64 / (pair[0].0 - pair[1].0).secs().max(1e-9))
            .collect();
        let count = rates.len() as f64;
        let mean = rates.iter().sum::<f64>() / count;
        if rates.len() < 3 || mean <= 0.0 {
            return UNKNOWN;
        }
        let squares: f64 = rates.iter().map(|rate| (rate / mean - 1.0).powi(2)).sum();
        (squares / (count - 1.0)).sqrt()
    }
}
