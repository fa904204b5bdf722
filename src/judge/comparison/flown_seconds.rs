//! A session second by second, as it is held against others: what each second was like, and under which conditions.
//!
//! Only seconds of trips count; of a session without any, those on the ground. Seconds in which this computer lost data or
//! stood still are left out before. A place lasts until the vehicle has gone 10 m from where it began and is at another
//! distance, or 50 m: a hover is one place, however long. Distances: cells of 15 %, from 10 m on, by direction (out, back,
//! walk). Levels, where no distance is known: cells of 3 dB, or 5 device units. Common practice, no source.

use crate::profile::LinkRole;
use crate::stats::curve_fit::matched_effects::Sample;
use crate::summary::{ComparedFigure, MatchedBy, Phase, Summary, VideoSource};
use crate::units::LevelUnit;

/// Nearer, antennas and bodies rule.
pub(super) const NEAREST_M: f64 = 10.0;
/// A cell of distance ends this many times farther than it begins.
const CELL_RATIO: f64 = 1.15;
const CELL_DB: f64 = 3.0;
const CELL_UNITS: f64 = 5.0;
/// Cells of one direction.
const MOST_CELLS: u32 = 1000;
/// For so long after the position was lost a second belongs to the last distance.
const LONGEST_CARRY: u32 = 30;
/// Fewer seconds with a distance are none.
const LEAST_WITH_DISTANCE: usize = 30;

/// One session, ready to be compared.
#[derive(Clone, Debug, Default)]
pub struct ComparedSession {
    /// Its figures.
    pub summary: Summary,
    /// The vehicle's system id.
    pub vehicle: Option<u8>,
    /// It has no trip: its seconds are those on the ground.
    pub is_grounded: bool,
    /// Each link of the profile.
    pub links: Vec<FlownLink>,
    /// The strongest vibration of each axis.
    pub vibration: Vec<VibrationSecond>,
}

/// One link.
#[derive(Clone, Debug)]
pub struct FlownLink {
    /// Its name.
    pub name: String,
    /// What it is for.
    pub role: LinkRole,
    /// Of its levels; `None`: it has none.
    pub unit: Option<LevelUnit>,
    /// What shows its freezes.
    pub source: Option<VideoSource>,
    /// Nearer than this its level tops out.
    pub saturated_to_m: Option<f64>,
    /// In order.
    pub seconds: Vec<FlownSecond>,
}

/// What one second says of a link.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct FlownSecond {
    /// Since the first record.
    pub step: u32,
    /// `None` without an autopilot.
    pub phase: Option<Phase>,
    /// It changes with the place.
    pub place: u32,
    /// Slant.
    pub distance_m: Option<f64>,
    /// Received level.
    pub level: Option<f64>,
    /// Frames or packets that came; `None` where that is not seen.
    pub received: Option<u32>,
    /// Lost; `None` where no number tells.
    pub lost: Option<u32>,
    /// The picture stood, or the input held, in part of it; `None`: not watched.
    pub stood: Option<bool>,
    /// Sticks moved.
    pub moved: bool,
}

/// What one second says of the vehicle's vibration.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct VibrationSecond {
    /// Since the first record.
    pub step: u32,
    /// `None` without an autopilot.
    pub phase: Option<Phase>,
    /// Along x, y, z.
    pub levels: [f32; 3],
}

impl ComparedSession {
    /// A link by its name.
    #[must_use]
    pub fn link(&self, name: &str) -> Option<&FlownLink> {
        self.links.iter().find(|link| link.name == name)
    }
}

impl FlownLink {
    /// Distances are known well enough to match by.
    #[must_use]
    pub fn has_distance(&self) -> bool {
        self.seconds.iter().filter(|second| second.distance_m.is_some()).count() >= LEAST_WITH_DISTANCE
    }

    /// Levels are.
    #[must_use]
    pub fn has_level(&self) -> bool {
        self.seconds.iter().filter(|second| second.level.is_some()).count() >= LEAST_WITH_DISTANCE
    }

    /// What the link's seconds say of a figure, each in the cell of its conditions; `None` matches everything with
    /// everything.
    #[must_use]
    pub fn samples(&self, group: usize, figure: ComparedFigure, by: Option<MatchedBy>) -> Vec<Sample> {
        let mut stood_before = false;
        let mut last: Option<(u32, f64)> = None;
        let mut samples = Vec::new();
        for second in &self.seconds {
            let measured = self.measured(second, figure, stood_before);
            stood_before = second.stood == Some(true);
            if let Some(distance) = second.distance_m {
                last = Some((second.step, distance));
            }
            let carried = || last.filter(|(step, _)| second.step - step <= LONGEST_CARRY).map(|(_, far)| far);
            let distance = match figure {
                ComparedFigure::Level => second.distance_m.filter(|far| *far >= self.nearest_m()),
                _ => carried(),
            };
            let Some((y, weight)) = measured else { continue };
            let direction = direction(second.phase);
            let (cell, x, place) = match by {
                Some(MatchedBy::Distance) => {
                    let Some(distance) = distance else { continue };
                    (
                        direction * MOST_CELLS + distance_cell(distance),
                        distance.max(1.0).log10(),
                        second.place,
                    )
                }
                Some(MatchedBy::Level) => {
                    let Some(level) = second.level else { continue };
                    let width = if self.unit == Some(LevelUnit::Dbm) { CELL_DB } else { CELL_UNITS };
                    // Levels lie between -200 dBm and 65,535 units.
                    (((level / width).floor() + 1000.0).max(0.0) as u32, level, second.step)
                }
                _ => (0, 0.0, second.step),
            };
            samples.push(Sample { group, step: second.step, place, cell, x, y, weight });
        }
        samples
    }

    fn nearest_m(&self) -> f64 {
        self.saturated_to_m.unwrap_or(0.0).max(NEAREST_M)
    }

    /// The figure of a second, and the trials behind it.
    fn measured(
        &self,
        second: &FlownSecond,
        figure: ComparedFigure,
        stood_before: bool,
    ) -> Option<(f64, f64)> {
        let share = |happened: bool| (f64::from(u8::from(happened)), 1.0);
        match figure {
            ComparedFigure::Level => Some((second.level?, 1.0)),
            ComparedFigure::Loss => {
                let (lost, received) = (f64::from(second.lost?), f64::from(second.received?));
                (lost + received > 0.0).then(|| (lost / (lost + received), lost + received))
            }
            ComparedFigure::Silent => Some(share(second.received? == 0)),
            ComparedFigure::Freezes if self.role == LinkRole::Video => {
                (!stood_before).then_some(share(second.stood?))
            }
            ComparedFigure::Frozen
                if self.role == LinkRole::Video && self.source != Some(VideoSource::Marks) =>
            {
                Some(share(second.stood?))
            }
            ComparedFigure::Holds if self.role == LinkRole::Control && second.moved => {
                Some(share(second.stood?))
            }
            _ => None,
        }
    }
}

const fn direction(phase: Option<Phase>) -> u32 {
    match phase {
        Some(Phase::Walk) => 1,
        Some(Phase::Out) => 2,
        Some(Phase::Back) => 3,
        _ => 0,
    }
}

fn distance_cell(distance_m: f64) -> u32 {
    if distance_m < NEAREST_M {
        return 0;
    }
    1 + (((distance_m / NEAREST_M).ln() / CELL_RATIO.ln()) as u32).min(MOST_CELLS - 2)
}

/// Vibration along an axis, matched by what the vehicle was at.
#[must_use]
pub(super) fn vibration_samples(session: &ComparedSession, group: usize, axis: usize) -> Vec<Sample> {
    let sample = |second: &VibrationSecond| Sample {
        group,
        step: second.step,
        place: second.step,
        cell: direction(second.phase),
        x: 0.0,
        y: f64::from(second.levels[axis]),
        weight: 1.0,
    };
    session.vibration.iter().map(sample).collect()
}
