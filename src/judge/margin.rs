//! Margin to the freeze limit, forecast, warnings and alarms with hysteresis.
//!
//! Definition: margin = level less the threshold's `level_p05`, at each whole second. Warnings and alarms count theirs
//! from its `warns_at`, which lies above it while few sessions stand behind it. Unit: dB, or the link's device units.
//! Forecast: the path-loss line times the radial speed where there is a distance (see `forecast`), else the slope of the
//! level's mean, whose upper 90 % bound must reach the threshold in time. Warning: margin under 6 dB, or under 15 dB and
//! the threshold reached within 20 s, at two seconds on end; alarm: under 3 dB, or 8 s; cleared at 2 dB above the limit
//! and 30 s, for 5 s. Common practice, no source; limits are the profile's. Without limits (device units) there is a
//! margin and no state.
//!
//! On the ground, before and after, nothing rings (see [`crate::measure::life`]).
//! A gap of the level leaves the margin absent and the state as it was. Duplicates, wraps, late arrivals
//! and restarts do not reach it. Bounds: a fixed state for each link of the profile.

mod alarm;
mod forecast;
mod threshold_evidence;

use crate::measure::context::Context;
use crate::snapshot::LinkState;
use crate::summary::{Event, EventSummary, MarginSummary};
use crate::units::{LevelUnit, Nanos};

use crate::measure::position::PositionMeter;
use crate::measure::signal::SignalMeter;

pub use threshold_evidence::evidence;

use alarm::Alarm;
use forecast::{Course, RunningLine};

/// Where a link stands now.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Standing {
    /// The level that the margin is counted from, at a whole second.
    pub level: Option<f64>,
    /// Level less threshold.
    pub margin: Option<f64>,
    /// Level less what warnings are counted from.
    pub warning_margin: Option<f64>,
    /// Time until the threshold at this rate.
    pub seconds_left: Option<f64>,
    /// Distance until the threshold at this radial speed.
    pub metres_left: Option<f64>,
    /// Good, near or alarm; unknown without a margin.
    pub state: LinkState,
    /// Acknowledged by the pilot.
    pub acknowledged: bool,
}

/// One second of a link that was not already frozen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EvidenceSecond {
    /// Whole seconds from the first record.
    pub second: u32,
    /// The level at that second, in the link's unit.
    pub level: f32,
    /// Slant distance, where known.
    pub distance_m: Option<f32>,
    /// A freeze, loss or a hold began within the next second: see [`evidence`].
    pub freeze_began: bool,
}

/// What one session says of a link's threshold: feeds the history.
#[derive(Clone, Debug, PartialEq)]
pub struct FreezeEvidence {
    /// The link.
    pub link: String,
    /// Unit of the levels.
    pub unit: LevelUnit,
    /// `rtp` or `marks` (video), `sequence` (telemetry), `holds` (control): never pooled.
    pub source: String,
    /// Seconds that were watched, in which it did not stand already, and that have a level.
    pub seconds: Vec<EvidenceSecond>,
    /// Freezes that were judged not the radio's, and left out.
    pub left_out: u32,
}

/// One link's margin over the session.
#[derive(Clone, Debug, Default)]
struct LinkMargin {
    alarm: Alarm,
    line: RunningLine,
    course: Course,
    standing: Standing,
    min: Option<f64>,
    known: bool,
}

/// The margins of all links.
#[derive(Clone, Debug, Default)]
pub struct MarginMeter {
    links: Vec<LinkMargin>,
    names: Vec<String>,
}

impl MarginMeter {
    /// A whole second since the first record has passed; gives what began or ended with it.
    pub fn second(
        &mut self,
        at: Nanos,
        signal: &SignalMeter,
        range: &PositionMeter,
        context: &Context,
    ) -> Vec<EventSummary> {
        let distance = range.distance(at, context).map(|distance| distance.0);
        let speed = range.radial_speed(at, context);
        let mut events = Vec::new();
        for (index, link) in context.profile.link.iter().enumerate() {
            if self.links.len() <= index {
                self.links.push(LinkMargin::default());
                self.names.push(link.name.clone());
            }
            let own = &mut self.links[index];
            let level = signal.level(index, at);
            // At its top code a level tells no distance, and does not waver as it does below.
            let told = level.filter(|_| !signal.is_at_top(index, at));
            if let Some((distance, level)) = distance.zip(told) {
                own.line.take(distance, level);
            }
            let in_db = link.unit() == LevelUnit::Dbm;
            own.course.take(if in_db { level } else { told });
            let threshold = context.threshold(&link.name).filter(|threshold| threshold.unit == link.unit());
            let Some(threshold) = threshold else { continue };
            own.known = true;
            let Some(level) = level else {
                own.standing.level = None;
                own.standing.margin = None;
                own.standing.warning_margin = None;
                own.standing.seconds_left = None;
                own.standing.metres_left = None;
                continue;
            };
            let ahead = |limit: f64| match (own.line.distance(limit, in_db), distance, speed) {
                (Some(freeze), Some(distance), Some(speed)) => forecast::by_distance(freeze, distance, speed),
                _ => forecast::by_course(level - limit, &own.course, in_db),
            };
            let (margin, warning_margin) = (level - threshold.level_p05, level - threshold.warning_level());
            let (ahead, warned) = (ahead(threshold.level_p05), ahead(threshold.warning_level()));
            own.min = Some(own.min.map_or(margin, |min| min.min(margin)));
            own.standing.level = Some(level);
            own.standing.margin = Some(margin);
            own.standing.warning_margin = Some(warning_margin);
            own.standing.seconds_left = ahead.seconds;
            own.standing.metres_left = ahead.metres;
            let Some(limits) = link.effective_limits() else { continue };
            if context.life.is_quiet() {
                own.alarm.rest();
                continue;
            }
            if let Some(change) = own.alarm.take(warning_margin, warned.seconds_at_most, &limits) {
                events.push(EventSummary {
                    at_s: context.since_start_s(at),
                    link: Some(link.name.clone()),
                    event: Event::Margin {
                        change,
                        margin,
                        unit: link.unit(),
                        seconds_left: ahead.seconds,
                        metres_left: ahead.metres,
                    },
                });
            }
        }
        events
    }

    /// The pilot acknowledged a link's warning.
    pub fn acknowledge(&mut self, link: &str) {
        for (own, name) in self.links.iter_mut().zip(&self.names) {
            if name == link && matches!(own.alarm.state(), LinkState::Warning | LinkState::Alarm) {
                own.alarm.acknowledged = true;
            }
        }
    }

    /// Where the profile's link number `link` stands.
    #[must_use]
    pub fn standing(&self, link: usize) -> Standing {
        self.links.get(link).map_or_else(Standing::default, |own| Standing {
            state: own.alarm.state(),
            acknowledged: own.alarm.acknowledged,
            ..own.standing
        })
    }

    /// Margin, warnings and alarms of the profile's link number `link`; `None` without a threshold.
    #[must_use]
    pub fn summary(&self, link: usize) -> (Option<MarginSummary>, u64, u64) {
        let Some(own) = self.links.get(link) else { return (None, 0, 0) };
        let margin = MarginSummary { end: own.standing.margin, min: own.min };
        (own.known.then_some(margin), own.alarm.warnings, own.alarm.alarms)
    }
}
