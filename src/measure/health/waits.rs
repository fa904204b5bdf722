//! How much of the time tasks waited, from the kernel's running total of microseconds (accounting/psi.rst).

use std::collections::VecDeque;

use crate::units::Nanos;

/// How far the mean of [`Waits::mean_of_ten`] looks back.
const TEN: Nanos = Nanos::from_secs(10);
/// Totals kept; they come a second apart.
const MOST: usize = 32;

#[derive(Clone, Debug, Default)]
pub(super) struct Waits {
    /// Totals, from the newest at least 10 s old on; no gap and no fall lies between them.
    recent: VecDeque<(Nanos, i64)>,
    waited_us: f64,
    elapsed_us: f64,
}

impl Waits {
    pub(super) fn observe(&mut self, at: Nanos, total_us: Option<i64>) {
        let Some(total_us) = total_us.filter(|total| *total >= 0) else {
            self.recent.clear();
            return;
        };
        if let Some((before, total_before)) = self.recent.back().copied() {
            if total_us < total_before || at - before > super::GAP {
                self.recent.clear();
            } else {
                let elapsed_us = (at - before).secs() * 1e6;
                self.waited_us += ((total_us - total_before) as f64).min(elapsed_us);
                self.elapsed_us += elapsed_us;
            }
        }
        self.recent.push_back((at, total_us));
        while self.recent.len() > MOST || self.recent.get(1).is_some_and(|(second, _)| at - *second >= TEN) {
            self.recent.pop_front();
        }
    }

    fn since(&self, back: usize) -> Option<f64> {
        let (to, last) = self.recent.back()?;
        let (from, first) = self.recent.get(self.recent.len().checked_sub(back)?)?;
        let elapsed_us = (*to - *from).secs() * 1e6;
        (elapsed_us > 0.0).then(|| ((last - first) as f64 / elapsed_us).min(1.0))
    }

    /// Its share of the time since the reading before.
    pub(super) fn newest(&self) -> Option<f64> {
        self.since(2)
    }

    /// Its share of the last 10 s; `None` before that.
    pub(super) fn mean_of_ten(&self) -> Option<f64> {
        let (first, last) = (self.recent.front()?.0, self.recent.back()?.0);
        if last - first < TEN { None } else { self.since(self.recent.len()) }
    }

    /// Its share of the session.
    pub(super) fn mean(&self) -> Option<f64> {
        (self.elapsed_us > 0.0).then(|| self.waited_us / self.elapsed_us)
    }
}
