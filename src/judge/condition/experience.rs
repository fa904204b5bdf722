//! What this session itself showed of a link: at which levels and distances it worked, and where it failed.
//!
//! Definition: a link worked in a second that brought data and in which nothing failed. It is as strong as where it worked if
//! the 60 s nearest to its level, from 6 dB above it downward, held under one failure a minute; without a level, as near if the
//! 60 s at its distance or farther did. Unit: the link's levels, metres. Common practice, no source. A second without level
//! and distance teaches nothing. Bounds: one count a whole level and every 10 m, the newest 64 failures.

use std::collections::{BTreeMap, VecDeque};

use crate::summary::StateReason;
use crate::units::Nanos;

/// So long is enough, with under one failure a minute.
const ENOUGH_S: u32 = 60;
/// A failure is held against its level for so long.
const REMEMBERED: Nanos = Nanos::from_secs(300);
const MOST: usize = 64;
const BIN_M: f64 = 10.0;
/// Levels within this are alike.
const ALIKE_DB: f64 = 6.0;
/// In device units: this share of the span seen, at least so many units.
const ALIKE_SHARE: f64 = 0.1;
const ALIKE_UNITS: f64 = 3.0;

/// How levels compare.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Scale {
    /// Decibels.
    #[default]
    Decibels,
    /// Units of the device.
    Units,
}

/// Seconds that worked, and failures that began.
#[derive(Clone, Copy, Debug, Default)]
struct Count {
    seconds: u32,
    failures: u32,
}

/// A failure: when, at which level, how far away.
type Failed = (Nanos, Option<f64>, Option<f64>);

/// What one session showed of one link.
#[derive(Clone, Debug, Default)]
pub(super) struct Experience {
    levels: BTreeMap<i32, Count>,
    distances: BTreeMap<i32, Count>,
    failed: VecDeque<Failed>,
}

fn bin(value: f64, width: f64) -> i32 {
    (value / width).floor() as i32
}

impl Experience {
    /// A whole second has passed.
    pub(super) fn second(&mut self, worked: bool, level: Option<f64>, distance_m: Option<f64>) {
        if worked {
            self.count(level, distance_m, |count| count.seconds += 1);
        }
    }

    /// A failure began.
    pub(super) fn fail(&mut self, at: Nanos, level: Option<f64>, distance_m: Option<f64>) {
        self.count(level, distance_m, |count| count.failures += 1);
        self.failed.push_back((at, level, distance_m));
        if self.failed.len() > MOST {
            self.failed.pop_front();
        }
    }

    fn count(&mut self, level: Option<f64>, distance_m: Option<f64>, add: impl Fn(&mut Count)) {
        if let Some(level) = level {
            add(self.levels.entry(bin(level, 1.0)).or_default());
        }
        if let Some(distance) = distance_m {
            add(self.distances.entry(bin(distance, BIN_M)).or_default());
        }
    }

    /// Whether a failure began lately at this level or a stronger one; without levels, at this distance or a nearer one.
    pub(super) fn failed_here(&self, at: Nanos, level: Option<f64>, distance_m: Option<f64>) -> bool {
        let lately = self.failed.iter().filter(|(when, ..)| *when + REMEMBERED > at);
        lately.into_iter().any(|(_, its_level, its_distance)| match (level, its_level) {
            (Some(level), Some(its)) => *its >= level,
            _ => match (distance_m, its_distance) {
                (Some(distance), Some(its)) => *its <= distance,
                _ => true,
            },
        })
    }

    /// The reason to call a link good here, if there is one.
    pub(super) fn worked_here(
        &self,
        level: Option<f64>,
        scale: Scale,
        distance_m: Option<f64>,
    ) -> Option<StateReason> {
        if let Some(level) = level {
            let from = bin(level + self.alike(scale), 1.0);
            return worked(self.levels.range(..=from).rev()).map(|for_s| StateReason::AsStrong { for_s });
        }
        let from = bin(distance_m?, BIN_M);
        worked(self.distances.range(from..)).map(|for_s| StateReason::AsNear { for_s })
    }

    fn alike(&self, scale: Scale) -> f64 {
        let (Scale::Units, Some((low, _)), Some((high, _))) =
            (scale, self.levels.first_key_value(), self.levels.last_key_value())
        else {
            return ALIKE_DB;
        };
        (f64::from(high - low) * ALIKE_SHARE).max(ALIKE_UNITS)
    }
}

/// Seconds that worked, if they are enough and held few failures: the nearest first.
fn worked<'a>(nearest_first: impl Iterator<Item = (&'a i32, &'a Count)>) -> Option<u32> {
    let mut sum = Count::default();
    for (_, count) in nearest_first {
        sum.seconds += count.seconds;
        sum.failures += count.failures;
        if sum.seconds >= ENOUGH_S {
            return (sum.failures * 60 < sum.seconds).then_some(sum.seconds);
        }
    }
    None
}
