//! The video link's level at the start of each freeze, noted while its samples are kept.
//!
//! Definition: the level at the freeze's start, its last delivered frame (see [`crate::measure::signal`]): not that of
//! the whole second before. A freeze is known some time after its start, but within seconds. Bounded: 10,000 freezes.

use std::collections::BTreeMap;

use crate::measure::context::Context;
use crate::measure::signal::SignalMeter;
use crate::profile::LinkRole;
use crate::units::Nanos;

use super::{VideoMeter, mark_start};

const MOST_NOTED: usize = 10_000;

/// Levels by the start of their freeze; `None`: absent then.
#[derive(Clone, Debug, Default)]
pub(super) struct FreezeLevels {
    noted: BTreeMap<Nanos, Option<f32>>,
    /// Freezes that ended by then are noted.
    until: Nanos,
}

impl FreezeLevels {
    /// Bytes held beside the structure itself.
    pub(super) fn own_bytes(&self) -> usize {
        self.noted.len() * size_of::<(Nanos, Option<f32>)>()
    }
}

/// The video link's place in the profile.
fn link(context: &Context) -> Option<usize> {
    context.profile.link.iter().position(|link| link.role == LinkRole::Video)
}

impl VideoMeter {
    /// A whole second has passed: notes the levels at which freezes began that are known by now.
    pub(crate) fn note_levels(&mut self, at: Nanos, signal: &SignalMeter, context: &Context) {
        let Some(link) = link(context) else { return };
        let until = std::mem::replace(&mut self.levels.until, at);
        let mut starts = Vec::new();
        for stream in &self.streams {
            let newest = stream.freezes.listed().iter().rev().take_while(|freeze| freeze.end > until);
            starts.extend(newest.map(|freeze| freeze.start));
            starts.extend(stream.freezes.open(at).map(|freeze| freeze.start));
        }
        let marks = self.marks.iter().rev().take_while(|mark| **mark > until);
        starts.extend(marks.map(|mark| mark_start(*mark, context)));
        for start in starts {
            if self.levels.noted.len() < MOST_NOTED {
                let level = || signal.level(link, start).map(|level| level as f32);
                self.levels.noted.entry(start).or_insert_with(level);
            }
        }
    }

    /// The level at which a freeze began.
    pub(crate) fn level_at_start(
        &self,
        start: Nanos,
        signal: &SignalMeter,
        context: &Context,
    ) -> Option<f64> {
        match self.levels.noted.get(&start) {
            Some(level) => level.map(f64::from),
            None => signal.level(link(context)?, start),
        }
    }
}
