//! A session as the comparison takes it: what each second says of each link, in its final form, and where that was.
//!
//! Every figure is that of the meter that has it; nothing is measured here. Seconds in which this computer stood still or
//! lost data itself are left out.

use std::collections::{BTreeMap, BTreeSet};

use crate::judge::comparison::{ComparedSession, FlownLink, FlownSecond, VibrationSecond};
use crate::measure::position::track::Place;
use crate::profile::LinkRole;
use crate::snapshot::View;
use crate::summary::{Phase, Summary};
use crate::units::Nanos;

use super::LinkMonitor;

/// Seconds that are looked at together.
const CHUNK: u16 = 512;
/// A place ends where the vehicle has gone so far and is at another distance.
const MOVED_M: f64 = 10.0;
/// Or so far at the same one.
const FAR_M: f64 = 50.0;

/// A second that counts.
struct Counted {
    second: usize,
    phase: Option<Phase>,
    place: u32,
    distance_m: Option<f64>,
}

impl LinkMonitor {
    /// What the comparison takes of this session, as of the last record.
    #[must_use]
    pub fn compared(&self, summary: Summary) -> ComparedSession {
        let trips = self.counted(Phase::is_trip);
        let is_grounded = trips.is_empty();
        let counted = if is_grounded { self.counted(|phase| phase == Phase::Ground) } else { trips };
        let links = 0..self.context.profile.link.len();
        let links = links.map(|index| self.flown_link(index, &counted, &summary)).collect();
        let shaken: BTreeMap<usize, [f32; 3]> = self.vibration.seconds().collect();
        let vibration = counted.iter().filter_map(|one| {
            let levels = *shaken.get(&one.second)?;
            Some(VibrationSecond { step: one.second as u32, phase: one.phase, levels })
        });
        ComparedSession {
            vehicle: self.vehicle(),
            is_grounded,
            links,
            vibration: vibration.collect(),
            summary,
        }
    }

    /// The whole seconds of phases of a kind, each with its place; of a session without phases all of them.
    fn counted(&self, is_wanted: impl Fn(Phase) -> bool) -> Vec<Counted> {
        let context = &self.context;
        let Some(start) = context.start else { return Vec::new() };
        let distances = self.range.seconds(context);
        let mut began: Option<(Place, f64)> = None;
        let mut place = 0;
        let mut counted = Vec::new();
        for second in self.seconds_near_anything((context.now - start).whole_secs()) {
            let (from, at) =
                (start + Nanos::from_secs(second as i64), start + Nanos::from_secs(second as i64 + 1));
            let phase = context.life.phase_at(at);
            if !phase.is_none_or(&is_wanted) || context.stalled(from, at) {
                continue;
            }
            let distance_m = distances.number(second).map(f64::from);
            if let (Some(here), Some(distance)) = (self.range.track.place(second), distance_m) {
                let has_moved = began.is_none_or(|(from, was)| {
                    let gone = from.distance(here).0;
                    gone >= FAR_M || gone >= MOVED_M && (distance - was).abs() >= MOVED_M / 2.0
                });
                if has_moved {
                    began = Some((here, distance));
                    place += 1;
                }
            }
            counted.push(Counted { second, phase, place, distance_m });
        }
        counted
    }

    /// The whole seconds within ten minutes of one of which anything is kept.
    fn seconds_near_anything(&self, end: usize) -> Vec<usize> {
        const NEAR: usize = 600;
        let mut near = Vec::new();
        for second in self.kept_seconds(end) {
            let until = near.last().map_or(0, |last| last + 1);
            near.extend(until.max(second.saturating_sub(NEAR))..end.min(second + NEAR + 1));
        }
        near
    }

    fn flown_link(&self, index: usize, counted: &[Counted], summary: &Summary) -> FlownLink {
        let context = &self.context;
        let link = &context.profile.link[index];
        let levels = self.signal.seconds(index);
        let moved = if link.role == LinkRole::Control { self.moved() } else { BTreeSet::new() };
        let tells_stood = self.tells_frozen(index);
        let is_seen = self.all_traffic()[index].is_some();
        let mut seconds = Vec::with_capacity(counted.len());
        let chunk = |one: &Counted| one.second / usize::from(CHUNK);
        for together in counted.chunk_by(|one, other| chunk(one) == chunk(other)) {
            let first = chunk(&together[0]) * usize::from(CHUNK);
            let view =
                View { from_s: first as f64, to_s: (first + usize::from(CHUNK)) as f64, columns: CHUNK };
            let (packets, frozen) = self.picture_columns(view);
            let (traffic, stood) = self.link_columns(index, view, (&packets, &frozen));
            for one in together {
                let at = one.second - first;
                let cell = traffic.get(at).filter(|_| is_seen);
                if cell.is_some_and(|cell| cell.host_drop) {
                    continue;
                }
                seconds.push(FlownSecond {
                    step: one.second as u32,
                    phase: one.phase,
                    place: one.place,
                    distance_m: one.distance_m,
                    level: levels.number(one.second).map(f64::from),
                    received: cell.map(|cell| cell.received),
                    lost: cell.filter(|cell| !cell.untold).map(|cell| cell.lost),
                    stood: tells_stood.then(|| stood[at]),
                    moved: moved.contains(&one.second),
                });
            }
        }
        FlownLink {
            name: link.name.clone(),
            role: link.role,
            unit: link.has_level().then(|| link.unit()),
            source: self.video.source(context).filter(|_| context.profile.is_video_link(link)),
            saturated_to_m: summary
                .range
                .iter()
                .find(|row| row.link == link.name)
                .and_then(|row| row.saturated_to_m),
            seconds,
        }
    }

    /// Seconds that the sticks' movements touch.
    fn moved(&self) -> BTreeSet<usize> {
        let second = |at: Nanos| self.context.since_start_s(at).max(0.0) as usize;
        self.latency.moving_spans().iter().flat_map(|(from, to)| second(from)..=second(to)).collect()
    }
}
