//! Copies of the core, kept on the way so that a seek is quick.
//!
//! Bounded by what they hold themselves, [`MOST_BYTES`] in all, and spread evenly: when they hold more, every second
//! one is dropped and the distance between them doubles.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use crate::units::Nanos;

use super::State;

/// What all of them hold beside what the newest shares with them, about.
const MOST_BYTES: usize = 32 << 20;
/// Distance between the first ones.
pub(super) const FIRST_SPACING: Nanos = Nanos::from_secs(1);

/// Saved states, in order; copies share them.
#[derive(Clone, Debug)]
pub(super) struct Checkpoints(Arc<Mutex<Saved>>);

#[derive(Debug)]
struct Saved {
    spacing: Nanos,
    states: Vec<State>,
    /// The farthest that anybody has come.
    farthest: Nanos,
}

impl Saved {
    fn last(&self) -> Nanos {
        self.states.last().map_or(Nanos::ZERO, State::elapsed)
    }

    fn bytes(&self) -> usize {
        let befores = std::iter::once(None).chain(self.states.iter().map(Some));
        self.states.iter().zip(befores).map(|(state, before)| state.own_bytes(before)).sum()
    }

    fn thin(&mut self) {
        let mut odd = false;
        self.states.retain(|_| {
            odd = !odd;
            !odd
        });
        self.spacing = self.spacing + self.spacing;
    }
}

impl Default for Checkpoints {
    fn default() -> Self {
        let saved = Saved { spacing: FIRST_SPACING, states: Vec::new(), farthest: Nanos::ZERO };
        Self(Arc::new(Mutex::new(saved)))
    }
}

impl Checkpoints {
    fn saved(&self) -> MutexGuard<'_, Saved> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Keeps a state, where it is far enough behind the last one.
    pub(super) fn keep(&self, state: &State) {
        let mut saved = self.saved();
        let elapsed = state.elapsed();
        saved.farthest = saved.farthest.max(elapsed);
        if elapsed < saved.last() + saved.spacing {
            return;
        }
        saved.states.push(state.clone());
        while saved.states.len() > 1 && saved.bytes() > MOST_BYTES {
            saved.thin();
        }
    }

    /// The distance at which the next one is wanted.
    pub(super) fn next_due(&self) -> Nanos {
        let saved = self.saved();
        saved.last() + saved.spacing
    }

    /// The nearest state at or before an instant, if it is later than another one.
    pub(super) fn before(&self, to: Nanos, later_than: Option<Nanos>) -> Option<State> {
        let saved = self.saved();
        let count = saved.states.partition_point(|state| state.elapsed() <= to);
        let state = saved.states[..count].last()?;
        later_than.is_none_or(|than| state.elapsed() > than).then(|| state.clone())
    }

    /// How far the recording is known to reach, seconds.
    pub(super) fn farthest_s(&self) -> f64 {
        self.saved().farthest.secs()
    }

    /// How many there are, and about how many bytes they hold beside what the newest shares with them.
    #[cfg(test)]
    pub(super) fn held(&self) -> (usize, usize) {
        let saved = self.saved();
        (saved.states.len(), saved.bytes())
    }
}
