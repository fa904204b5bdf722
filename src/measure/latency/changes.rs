//! When each new stick position was first shown: what brackets it, movement by movement.
//!
//! Sticks are held from value to value (`Path::Held`). Of two neighbouring samples the later one was first
//! shown after the last output that still showed the earlier, and by the first output that showed the
//! later or a newer one. `cadence` reads the radio's frames out of many such brackets.

use crate::units::Nanos;

use super::age_intervals;
use super::age_intervals::Search;
use super::curve::Curve;
use super::mapping::{Follow, Laid};

/// Neighbouring samples nearer than this share of an output's stick range are not told apart.
const TELLS: f64 = 0.5;

/// One stick sample, and the delays within which it was first shown, ms after it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Change {
    /// ms since the movement's start.
    pub(super) at: f64,
    pub(super) low: f64,
    pub(super) high: f64,
}

/// One movement's changes.
#[derive(Clone, Debug, Default)]
pub(super) struct MoveChanges {
    pub(super) stick: u8,
    pub(super) start: Nanos,
    /// How long the stick moved, ms.
    pub(super) length: f64,
    /// All stick samples around it, ms since its start.
    pub(super) samples: Vec<f64>,
    pub(super) changes: Vec<Change>,
}

/// Of one movement: outputs until `until` ms count.
pub(super) fn of_movement(
    laid: &Laid<'_>,
    own: &[&(Follow, Curve)],
    until: f64,
    search: Search,
) -> MoveChanges {
    let movement = laid.movement;
    let stick = own.first().map_or_else(Vec::new, |(follow, _)| laid.stick(follow.stick));
    let mut brackets = vec![(f64::NEG_INFINITY, f64::INFINITY); stick.len()];
    let mut width: f64 = 0.0;
    for (follow, curve) in own {
        for (now, output) in laid.outputs(follow.output, until) {
            let range = curve.sticks(output);
            let Some((first, past)) = shown(&stick, now, range, search) else { continue };
            if range.0.is_finite() && range.1.is_finite() {
                width = width.max(range.1 - range.0);
            }
            // Samples up to the first that it can be had come by now; those after the last had not.
            for bracket in &mut brackets[..=first] {
                bracket.1 = bracket.1.min(now);
            }
            for bracket in &mut brackets[past..] {
                bracket.0 = bracket.0.max(now);
            }
        }
    }
    let changes = stick.windows(2).zip(&brackets[1..]).filter_map(|(pair, &(after, by))| {
        let [before, sample] = [pair[0], pair[1]];
        let tells = (sample.1 - before.1).abs() > TELLS * width;
        let dated = after.is_finite() && by.is_finite() && after < by;
        (tells && dated).then_some(Change { at: sample.0, low: after - sample.0, high: by - sample.0 })
    });
    MoveChanges {
        stick: movement.stick,
        start: movement.start,
        length: (movement.end - movement.start).millis(),
        samples: stick.iter().map(|sample| sample.0).collect(),
        changes: changes.collect(),
    }
}

/// The samples that an output can show, first and one past the last; `None` where none can or they are apart.
fn shown(stick: &[(f64, f64)], now: f64, (low, high): (f64, f64), search: Search) -> Option<(usize, usize)> {
    let reachable = age_intervals::reachable(stick, now, search);
    let oldest = reachable.start;
    let within = |sample: &(f64, f64)| sample.1 >= low && sample.1 <= high;
    let near = stick.get(reachable)?;
    let first = near.iter().position(within)?;
    let run = near[first..].iter().take_while(|sample| within(sample)).count();
    let elsewhere = near[first + run..].iter().any(within);
    (!elsewhere).then_some((oldest + first, oldest + first + run))
}
