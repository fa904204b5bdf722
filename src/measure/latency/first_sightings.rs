//! The interval in which each new stick value was first seen, movement by movement.
//!
//! Sticks are held from value to value (`StickPath::Held`). Take two neighbouring stick samples: the later one was
//! first shown after the last output that still showed the earlier one, and not after the first output that showed
//! the later one or a newer one. `frame_period` reads the radio's frames out of many such intervals. Unit: ms.

use crate::units::Nanos;

use super::age_intervals;
use super::age_intervals::AgeSearch;
use super::curve::Curve;
use super::mapping::{AlignedMovement, Follow};

/// Neighbouring samples nearer than this share of an output's stick range are not told apart.
const TELLS: f64 = 0.5;

/// One stick sample, and the delays within which it was first seen, ms after it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct FirstSighting {
    /// ms since the movement's start.
    pub(super) at: f64,
    pub(super) low: f64,
    pub(super) high: f64,
}

/// The first sightings of one movement.
#[derive(Clone, Debug, Default)]
pub(super) struct MovementSightings {
    pub(super) stick: u8,
    pub(super) start: Nanos,
    /// How long the stick moved, ms.
    pub(super) length: f64,
    /// All stick samples around it, ms since its start.
    pub(super) samples: Vec<f64>,
    pub(super) sightings: Vec<FirstSighting>,
}

impl MovementSightings {
    /// Of an aligned movement and the outputs that follow its stick; outputs until `until` ms count.
    pub(super) fn new(
        aligned: &AlignedMovement<'_>,
        followers: &[&(Follow, Curve)],
        until: f64,
        search: AgeSearch,
    ) -> Self {
        let movement = aligned.movement;
        let stick = aligned.stick(movement.stick);
        let mut brackets = vec![(f64::NEG_INFINITY, f64::INFINITY); stick.len()];
        let mut width: f64 = 0.0;
        for &follower in followers {
            for (now, output) in aligned.own_outputs(follower, until) {
                let range = follower.1.sticks(output);
                let Some((first, past)) = shown(&stick, now, range, search) else { continue };
                if range.0.is_finite() && range.1.is_finite() {
                    width = width.max(range.1 - range.0);
                }
                // The output shows one of the samples from `first` on: that one had come, and all before it.
                for bracket in &mut brackets[..=first] {
                    bracket.1 = bracket.1.min(now);
                }
                // It shows none from `past` on: those had not come.
                for bracket in &mut brackets[past..] {
                    bracket.0 = bracket.0.max(now);
                }
            }
        }
        let sightings = stick.windows(2).zip(&brackets[1..]).filter_map(|(pair, &(after, by))| {
            let [before, sample] = [pair[0], pair[1]];
            let tells = (sample.1 - before.1).abs() > TELLS * width;
            let dated = after.is_finite() && by.is_finite() && after < by;
            let at = sample.0;
            (tells && dated).then_some(FirstSighting { at, low: after - at, high: by - at })
        });
        Self {
            stick: movement.stick,
            start: movement.start,
            length: (movement.end - movement.start).millis(),
            sightings: sightings.collect(),
            samples: stick.iter().map(|sample| sample.0).collect(),
        }
    }
}

/// The samples that an output can show, first and one past the last; `None` where none can or they are apart.
fn shown(
    stick: &[(f64, f64)],
    now: f64,
    (low, high): (f64, f64),
    search: AgeSearch,
) -> Option<(usize, usize)> {
    let reachable = age_intervals::reachable(stick, now, search);
    let oldest = reachable.start;
    let within = |sample: &(f64, f64)| sample.1 >= low && sample.1 <= high;
    let near = stick.get(reachable)?;
    let first = near.iter().position(within)?;
    let run = near[first..].iter().take_while(|sample| within(sample)).count();
    let elsewhere = near[first + run..].iter().any(within);
    (!elsewhere).then_some((oldest + first, oldest + first + run))
}
