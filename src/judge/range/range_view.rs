//! The picture of a link's range for the range and map pages: bins, points, theory's lines, the track.
//!
//! The track lies in metres north and east of the handset, or of its own first place where the handset's
//! is unknown. More than 1200 seconds are drawn in groups, each at its first place with the worst that
//! happened in it, so that a short dip is never thinned away.

use crate::profile::Limits;
use crate::snapshot::{DistanceBin, LinkState, RangeView, TrackPoint};
use crate::stats::sample::quantile;
use crate::stats::space::geodesic;
use crate::summary::Reason;

use super::analysis::{Analysis, FlightSeconds, at_most};
use super::bins;
use super::bins::{Bin, Tally};
use super::theory;
use crate::measure::position::LATEST_WINDOW;
use crate::measure::position::track::Place;

const MOST_DRAWN: usize = 400;
const MOST_TRACK: usize = 1200;
/// Theory's lines reach this much farther than what was seen.
const BEYOND: f64 = 1.3;

impl Analysis<'_> {
    pub(super) fn view(&self, index: usize) -> Option<RangeView> {
        let link = &self.context.profile.link[index];
        let farthest = self.farthest();
        if !link.has_level() && farthest.is_none() && self.meter.track.count() == 0 {
            return None;
        }
        let points = self.points(index);
        let flight = self.numbered(index);
        let handset = self.meter.handset_place(self.context.now, self.context);
        let origin =
            handset.or_else(|| self.meter.track.places(0, usize::MAX).next().map(|(_, place)| place));
        let here = self.meter.track.latest(self.context.now, LATEST_WINDOW).zip(origin);
        Some(RangeView {
            link: link.name.clone(),
            bins: self.bins(index, &flight).iter().map(drawn).collect(),
            points: at_most(points, MOST_DRAWN).1.collect(),
            theory: theory::lines(link, BEYOND * farthest.unwrap_or(0.0)),
            track: origin.map(|origin| self.track(index, origin, &flight)).unwrap_or_default(),
            handset_known: handset.is_some(),
            here: here.map(|(place, origin)| beside(origin, place)),
            missing: self.missing(),
        })
    }

    fn track(&self, index: usize, origin: Place, flight: &FlightSeconds<'_>) -> Vec<TrackPoint> {
        let link = &self.context.profile.link[index];
        let limits = link.effective_limits();
        let threshold = self.threshold(index);
        let (limit, warns_above) = (
            threshold.map(|threshold| threshold.level_p05),
            threshold.map_or(0.0, |threshold| threshold.warning_level() - threshold.level_p05),
        );
        let levels = self.evidence.signal.seconds(index);
        let count = self.meter.track.count();
        let step = count.div_ceil(MOST_TRACK).max(1);
        let mut seconds = flight.seconds().peekable();
        let mut track = Vec::with_capacity(count.div_ceil(step));
        for from in (0..count).step_by(step) {
            let here = levels.known(from, from + step).map(|(_, level)| f64::from(level));
            let level = here.reduce(f64::min);
            let margin = level.zip(limit).map(|(level, limit)| level - limit);
            let mut failed = false;
            while let Some((_, second)) = seconds.next_if(|(number, _)| *number < from + step) {
                let mut alone = Tally::default();
                alone.add(&second);
                failed |= bins::judge(&alone, self.rule(index)).is_some_and(|why| why.is_err());
            }
            let Some((_, place)) = self.meter.track.places(from, from + step).next() else { continue };
            let [east_m, north_m] = beside(origin, place);
            let state = state(margin.map(|margin| margin - warns_above), limits.as_ref());
            track.push(TrackPoint { east_m, north_m, level, margin, state, failed });
        }
        track
    }

    fn missing(&self) -> Option<Reason> {
        if self.farthest().is_some() {
            None
        } else if self.meter.track.count() == 0 {
            Some(Reason::NoPosition)
        } else {
            Some(Reason::NoHandset)
        }
    }
}

/// East and north of a place, metres.
fn beside(origin: Place, place: Place) -> [f64; 2] {
    let (north, east) =
        geodesic::north_east_m((origin.lat_deg, origin.lon_deg), (place.lat_deg, place.lon_deg));
    [east, north]
}

fn state(margin: Option<f64>, limits: Option<&Limits>) -> LinkState {
    match (margin, limits) {
        (Some(margin), Some(limits)) if margin < limits.alarm_margin => LinkState::Alarm,
        (Some(margin), Some(limits)) if margin < limits.warning_margin => LinkState::Warning,
        (Some(_), Some(_)) => LinkState::Good,
        _ => LinkState::Unknown,
    }
}

fn drawn(bin: &Bin) -> DistanceBin {
    DistanceBin {
        from_m: bin.from_m,
        to_m: bin.to_m,
        seconds: bin.tally.sums.seconds as f64,
        level: quantile::median(&bin.tally.levels.iter().map(|&level| f64::from(level)).collect::<Vec<_>>()),
        loss_ratio: bin.tally.loss_ratio(),
        passed: bin.passed,
    }
}
