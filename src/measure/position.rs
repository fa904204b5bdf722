//! Where the vehicle is, and its slant distance from the handset.
//!
//! Definition: the straight distance from the handset, on WGS84 and height (see
//! [`crate::stats::space::geodesic`]). The vehicle's place is GLOBAL_POSITION_INT, else a 3D GPS_RAW_INT.
//! Unit: metres. Sources of the fields: the public MAVLink message set.
//!
//! A silence of the position of up to 10 s is interpolated. Seconds in a longer one, and after the last fix, have no
//! distance; nor have those in which the handset is carried about and has no fix of its own (see
//! `position/handset_walk.rs`), and fixes that cannot be (`position/lone_fix.rs`). The farthest distance is that of every fix that counts. A restart or a late arrival changes nothing
//! here; duplicates never get here.

pub(crate) mod handset_position;
mod handset_walk;
mod lone_fix;
pub(crate) mod track;

use super::context::{Context, Sender};
use super::life::{Motion, Phase};
use super::series::Series;
use crate::record::Direction;
use crate::stats::space::geodesic;
use crate::units::{LevelUnit, Metres, Nanos};
use crate::wire::telemetry::Telemetry;

use handset_position::{Handset, Origin};
use handset_walk::HandsetWalk;
use lone_fix::{Fix, LoneFixes};
use track::{LONGEST_BRIDGE, Place, Track};

pub(crate) const LATEST_WINDOW: Nanos = Nanos::from_secs(2);
/// ATTITUDE's yaw stands for the nose for so long.
const NOSE_AGE: Nanos = Nanos::from_secs(1);
const SPEED_WINDOW: Nanos = Nanos::from_secs(5);
const LEAST_SPEED_SPAN_S: f64 = 2.0;
const LEAST_SPEED_SPAN: Nanos = Nanos::from_secs(2);
/// A fix says for so long how the vehicle stands or moves.
const MOTION_AGE: Nanos = Nanos::from_secs(5);
const FIX_3D: u8 = 3;
const GOOD_ACCURACY_M: f64 = 5.0;
const GOOD_DILUTION: f64 = 2.0;
/// Indoors a receiver wanders by tens of metres: beyond these it says nothing of standing or moving. Common practice, no
/// source.
const VAGUE_M: f64 = 15.0;
const VAGUE_DILUTION: f64 = 4.0;

/// Positions of vehicle and handset.
#[derive(Clone, Debug, Default)]
pub struct PositionMeter {
    pub(crate) track: Track,
    /// Which fixes of the vehicle and of the handset can be.
    lone: LoneFixes,
    lone_of_handset: LoneFixes,
    /// Distances of its whole seconds, from where the handset stands.
    distances: (Option<Place>, Series<f32>),
    pub(crate) handset: Handset,
    /// When the vehicle last sent a position of its own estimate: plain fixes then do not count.
    estimated: Option<Nanos>,
    /// A mark that still waits for the vehicle's next fix.
    pending_mark: Option<Nanos>,
    /// ATTITUDE's yaw, degrees.
    yaw: Option<(Nanos, f64)>,
    /// The vehicle's own word on its speed, m/s.
    speed: Option<(Nanos, f64)>,
    /// When its receiver last said that its fix is too vague to tell a place on the ground from another.
    vague: Option<Nanos>,
    standing: HandsetWalk,
    /// The phase in which that is.
    standing_since: Option<Nanos>,
    /// The farthest fix so far from where the handset was taken to be then.
    farthest: Option<(Option<Place>, f64)>,
}

impl PositionMeter {
    /// Takes positions and homes.
    pub fn observe(&mut self, at: Nanos, sender: Sender, telemetry: &Telemetry, context: &Context) {
        let Some(start) = context.start else { return };
        if is_handset(sender, context) {
            if let Some(place) = place_of(telemetry) {
                self.take_handset(Fix { at, place, nose_deg: None, speed_m_s: None }, start);
            }
            return;
        }
        if context.roles.vehicle() != Some(sender.system) || sender.direction == Direction::Outbound {
            return;
        }
        match *telemetry {
            Telemetry::Attitude { roll_pitch_yaw: [_, _, yaw], .. } if yaw.is_finite() => {
                self.yaw = Some((at, yaw.to_degrees()));
            }
            Telemetry::Position {
                alt_m, relative_alt_m, heading_deg, velocity: [north, east, down], ..
            } => {
                let Some(place) = place_of(telemetry) else { return };
                self.speed = Some((at, north.hypot(east).hypot(down)));
                self.handset.ground_m.get_or_insert(alt_m - relative_alt_m);
                self.estimated = Some(at);
                self.take(at, place, heading_deg, context, start);
            }
            Telemetry::GpsFix { fix_type, eph, accuracy_m, .. } => {
                let vague = accuracy_m.map_or(eph.is_some_and(|eph| eph > VAGUE_DILUTION), |m| m > VAGUE_M);
                if vague || fix_type < FIX_3D {
                    self.vague = Some(at);
                }
                let Some(place) = place_of(telemetry) else { return };
                let good = accuracy_m.is_some_and(|accuracy| accuracy <= GOOD_ACCURACY_M)
                    || eph.is_some_and(|eph| eph <= GOOD_DILUTION);
                if good && context.roles.armed() == Some(false) {
                    self.handset.first_fix.get_or_insert(place);
                }
                if self.estimated.is_none_or(|estimated| at - estimated > LONGEST_BRIDGE) {
                    self.handset.ground_m.get_or_insert(place.alt_m);
                    self.take(at, place, None, context, start);
                }
            }
            Telemetry::Home { lat_deg, lon_deg, alt_m } => {
                self.handset.home = Place::new(lat_deg, lon_deg, alt_m).or(self.handset.home);
            }
            _ => {}
        }
    }

    fn take(&mut self, at: Nanos, place: Place, heading_deg: Option<f64>, context: &Context, start: Nanos) {
        let yaw = self.yaw.filter(|&(when, _)| at - when <= NOSE_AGE).map(|(_, yaw)| yaw);
        let speed_m_s = self.speed.filter(|&(when, _)| when == at).map(|(_, speed)| speed);
        let shown = self.lone.take(Fix { at, place, nose_deg: heading_deg.or(yaw), speed_m_s });
        if shown.forget {
            self.track = Track::default();
            self.distances = Default::default();
            self.farthest = None;
        }
        for fix in shown.good {
            self.settle(&fix, context, start);
        }
    }

    fn take_handset(&mut self, fix: Fix, start: Nanos) {
        let shown = self.lone_of_handset.take(fix);
        if shown.forget {
            self.handset.forget_fixes();
        }
        for fix in shown.good {
            self.handset.take_fix((fix.at - start).whole_secs(), fix.place);
        }
    }

    /// Fixes left out: far from their neighbours and from what the speed allows.
    pub(crate) const fn fixes_left_out(&self) -> u64 {
        self.lone.left_out + self.lone_of_handset.left_out
    }

    fn settle(&mut self, fix: &Fix, context: &Context, start: Nanos) {
        let Fix { at, place, nose_deg, .. } = *fix;
        if let Some(marked) = self.pending_mark.take()
            && at - marked <= LATEST_WINDOW
        {
            self.handset.mark = Some(place);
        }
        self.track.take(at, place, nose_deg, start);
        self.measure(context);
        if self.handset_is_elsewhere(context) {
            return;
        }
        if let Some(handset) = self.handset_place(at, context) {
            let standing = self.stand(context);
            let distance = handset.distance(place).0;
            match &mut self.farthest {
                Some((from, farthest)) if *from == standing => *farthest = farthest.max(distance),
                farthest => *farthest = Some((standing, distance)),
            }
        }
    }

    /// A whole second has passed; true where it shows that the handset moves, though it has no fix that says so.
    pub(crate) fn second(
        &mut self,
        at: Nanos,
        levels: &[Option<(f64, LevelUnit)>],
        context: &Context,
    ) -> bool {
        let Some(start) = context.start else { return false };
        let place = self.track.latest(at, MOTION_AGE);
        if self.standing_since != context.life.since() {
            // A stretch lies within one phase: where it landed its distance was still true.
            self.standing_since = context.life.since();
            self.standing.begin_anew();
        }
        let second = (at - start).whole_secs().saturating_sub(1);
        self.standing.second(second, place, levels) && !self.has_own_fix(context)
    }

    fn has_own_fix(&self, context: &Context) -> bool {
        self.handset.origin(&context.profile.handset) == Some(Origin::HandsetFix)
    }

    /// The handset is carried about and has no fix of its own: nobody knows how far it is.
    fn handset_is_elsewhere(&self, context: &Context) -> bool {
        let walks = context.life.now() == Some(Phase::Walk);
        (walks || self.standing.is_on()) && !self.has_own_fix(context)
    }

    /// Where the handset stands for the whole session; `None` where it has fixes of its own.
    fn stand(&self, context: &Context) -> Option<Place> {
        self.handset_place(context.now, context).filter(|_| !self.has_own_fix(context))
    }

    /// The farthest of all fixes, as long as the handset is still taken to be where it was taken to be then;
    /// where that changed, whole seconds have to do.
    pub(crate) fn farthest_fix(&self, context: &Context) -> Option<f64> {
        let (from, distance) = self.farthest?;
        (from == self.stand(context)).then_some(distance)
    }

    /// A person marked that the handset stands where the vehicle is: its fix of the last 2 s, else of the next 2 s.
    pub fn mark_handset_here(&mut self, at: Nanos) {
        match self.track.latest(at, LATEST_WINDOW) {
            Some(place) => self.handset.mark = Some(place),
            None => self.pending_mark = Some(at),
        }
    }

    /// Slant distance now, from the latest fix of the last 2 s.
    #[must_use]
    pub fn distance(&self, at: Nanos, context: &Context) -> Option<Metres> {
        if self.handset_is_elsewhere(context) {
            return None;
        }
        let vehicle = self.track.latest(at, LATEST_WINDOW)?;
        Some(self.handset_place(at, context)?.distance(vehicle))
    }

    pub(crate) fn handset_place(&self, at: Nanos, context: &Context) -> Option<Place> {
        self.handset.place((at - context.start?).whole_secs(), &context.profile.handset)
    }

    /// How the vehicle stands or moves now, by fixes of the last 5 s; nothing while its receiver is vague.
    pub(crate) fn motion(&self, at: Nanos, context: &Context) -> Motion {
        let is_vague = self.vague.is_some_and(|vague| at - vague <= MOTION_AGE);
        let Some((when, vehicle)) = self.track.newest(at, MOTION_AGE).filter(|_| !is_vague) else {
            return Motion::default();
        };
        let handset = self.handset_place(at, context);
        let plane = |one: Place, other: Place| {
            geodesic::horizontal_m((one.lat_deg, one.lon_deg), (other.lat_deg, other.lon_deg))
        };
        // The fix of some seconds ago and the newest: what they lie apart in that time.
        let mut recent = self.track.recent(at - SPEED_WINDOW, at - LEAST_SPEED_SPAN);
        let moved = recent.next_back().and_then(|(when, place)| {
            let (last, _) = self.track.recent(at - LEAST_SPEED_SPAN, at).next_back()?;
            let apart = plane(place, vehicle).hypot(vehicle.alt_m - place.alt_m);
            Some(apart / (last - when).secs().max(LEAST_SPEED_SPAN_S))
        });
        let said = self.speed.filter(|(when, _)| at - *when <= LATEST_WINDOW).map(|(_, speed)| speed);
        Motion {
            spot: Some((vehicle.lat_deg, vehicle.lon_deg, vehicle.alt_m)),
            at: Some(when),
            horizontal_m: handset.map(|handset| plane(handset, vehicle)),
            distance_m: handset.map(|handset| handset.distance(vehicle).0),
            speed_m_s: said.into_iter().chain(moved).reduce(f64::max),
            handset_moves: self.handset.origin(&context.profile.handset) == Some(Origin::HandsetFix),
        }
    }

    /// Bearing of the handset from the vehicle now, degrees from north; absent within a metre of it.
    #[must_use]
    pub fn bearing_of_handset(&self, at: Nanos, context: &Context) -> Option<f64> {
        let vehicle = self.track.latest(at, LATEST_WINDOW)?;
        let handset = self.handset_place(at, context)?;
        let (north, east) =
            geodesic::north_east_m((vehicle.lat_deg, vehicle.lon_deg), (handset.lat_deg, handset.lon_deg));
        (north.hypot(east) > 1.0).then(|| east.atan2(north).to_degrees().rem_euclid(360.0))
    }

    /// Rate of change of the distance over the last 5 s, metres per second: the least-squares slope.
    #[must_use]
    pub fn radial_speed(&self, at: Nanos, context: &Context) -> Option<f64> {
        self.track.latest(at, LATEST_WINDOW)?;
        let handset = self.handset_place(at, context)?;
        let points: Vec<(f64, f64)> = self
            .track
            .recent(at - SPEED_WINDOW, at)
            .map(|(when, place)| ((when - at).secs(), handset.distance(place).0))
            .collect();
        let span = points.last()?.0 - points.first()?.0;
        if span < LEAST_SPEED_SPAN_S {
            return None;
        }
        let count = points.len() as f64;
        let mean = |pick: fn(&(f64, f64)) -> f64| points.iter().map(pick).sum::<f64>() / count;
        let (x, y) = (mean(|point| point.0), mean(|point| point.1));
        let product: f64 = points.iter().map(|point| (point.0 - x) * (point.1 - y)).sum();
        let power: f64 = points.iter().map(|point| (point.0 - x).powi(2)).sum();
        (power > 0.0).then(|| product / power)
    }

    /// Slant distance at each whole second since the first record (index 0: at 1 s), silences of up
    /// to 10 s interpolated; none where the handset is carried about and has no fix of its own.
    #[must_use]
    pub fn seconds(&self, context: &Context) -> Series<f32> {
        let mut distances = self.slant_seconds(context);
        if self.has_own_fix(context) {
            return distances;
        }
        let second = |at: Nanos| context.since_start_s(at).max(0.0) as usize;
        let walks =
            context.life.spans(Phase::Walk, context.now).map(|(from, to)| second(from)..second(to) + 1);
        for stretch in self.standing.stretches().iter().cloned().chain(walks) {
            distances.blank(stretch);
        }
        distances
    }

    fn slant_seconds(&self, context: &Context) -> Series<f32> {
        let (from, kept) = &self.distances;
        if from.is_some() && *from == self.stand(context) && kept.len() == self.track.count() {
            return kept.clone();
        }
        let profile = &context.profile.handset;
        let mut distances = Series::new();
        for (second, place) in self.track.places(0, usize::MAX) {
            let handset = self.handset.place(second + 1, profile);
            let distance = handset.map(|handset| handset.distance(place).0 as f32);
            distances.set(second, distance.unwrap_or(f32::NAN));
        }
        distances
    }

    /// Keeps the distances of whole seconds, as long as the handset stands still.
    fn measure(&mut self, context: &Context) {
        if self.distances.1.len() == self.track.count() {
            return;
        }
        let standing = self.stand(context);
        if self.distances.0 != standing {
            self.distances = (standing, Series::new());
        }
        let (Some(handset), distances) = (standing, &mut self.distances.1) else { return };
        for (second, place) in self.track.places(distances.len(), usize::MAX) {
            distances.set(second, handset.distance(place).0 as f32);
        }
    }
}

/// Whether a sender is the handset: the profile's system, or one that says it is on the ground.
fn is_handset(sender: Sender, context: &Context) -> bool {
    match context.profile.handset.system {
        Some(system) => sender.system == system,
        None => context.roles.is_ground(sender.system, sender.component),
    }
}

fn place_of(telemetry: &Telemetry) -> Option<Place> {
    match *telemetry {
        Telemetry::Position { lat_deg, lon_deg, alt_m, .. } => Place::new(lat_deg, lon_deg, alt_m),
        Telemetry::GpsFix { fix_type, lat_deg, lon_deg, alt_m, .. } if fix_type >= FIX_3D => {
            Place::new(lat_deg, lon_deg, alt_m)
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::super::roles::Roles;
    use crate::measure::position::*;
    use crate::record::InterfaceId;

    const SENDER: Sender =
        Sender { interface: InterfaceId(0), direction: Direction::Inbound, system: 1, component: 1 };

    fn context() -> Context {
        Context { roles: Roles::with_vehicle(Some(1)), start: Some(Nanos::ZERO), ..Context::default() }
    }

    fn home(lat_deg: f64) -> Telemetry {
        Telemetry::Home { lat_deg, lon_deg: 8.0, alt_m: 5.0 }
    }

    /// A meter that heard of a home 0.001 degrees north of that place: 111.3 m on WGS84.
    fn with_home(context: &Context) -> PositionMeter {
        let mut meter = PositionMeter::default();
        meter.observe(Nanos::ZERO, SENDER, &home(54.001), context);
        meter
    }

    /// 54 degrees north, 8 degrees east, at so many m/s to the north.
    fn position(speed_m_s: f64) -> Telemetry {
        Telemetry::Position {
            boot_ms: 1,
            lat_deg: 54.0,
            lon_deg: 8.0,
            alt_m: 5.0,
            relative_alt_m: 0.0,
            velocity: [speed_m_s, 0.0, 0.0],
            heading_deg: None,
        }
    }

    /// A receiver under a roof: its position says nothing for 5 s after each vague word, whatever the estimate says.
    #[test]
    fn a_vague_receiver_says_nothing_of_standing_or_moving() {
        let context = context();
        let seen = |fix_type, eph, accuracy_m, age_s| {
            let mut meter = PositionMeter::default();
            let at = Nanos::from_secs(20);
            let fix = Telemetry::GpsFix {
                fix_type,
                lat_deg: 54.0,
                lon_deg: 8.0,
                alt_m: 5.0,
                eph,
                accuracy_m,
                satellites: None,
            };
            meter.observe(at, SENDER, &fix, &context);
            let now = at + Nanos::from_secs(age_s);
            meter.observe(now, SENDER, &position(9.0), &context);
            meter.motion(now, &context).speed_m_s
        };
        assert_eq!(seen(3, Some(4.0), None, 1), Some(9.0));
        assert_eq!(seen(3, Some(4.1), None, 1), None);
        assert_eq!(seen(3, Some(9.0), Some(15.0), 1), Some(9.0), "the accuracy knows better");
        assert_eq!(seen(3, None, Some(15.1), 1), None);
        assert_eq!(seen(2, None, None, 5), None);
        assert_eq!(seen(2, None, None, 6), Some(9.0));
    }

    /// HOME_POSITION 111.3 m north of a vehicle that stands still, then where it stands: all
    /// seconds lie at the newest one, also before the next second begins.
    #[test]
    fn the_newest_home_counts_for_the_whole_session() {
        let mut context = context();
        let mut meter = with_home(&context);
        for half in 0..=20 {
            context.now = Nanos::from_millis(500 * half);
            meter.observe(context.now, SENDER, &position(0.0), &context);
        }
        let at = |meter: &PositionMeter, context: &Context| {
            let seconds = meter.seconds(context);
            (0..seconds.len()).filter_map(|second| seconds.get(second)).collect::<Vec<f32>>()
        };
        let before = at(&meter, &context);
        assert!(before.len() >= 9 && before.iter().all(|metres| (metres - 111.3).abs() < 0.1), "{before:?}");
        meter.observe(context.now, SENDER, &home(54.0), &context);
        assert_eq!(at(&meter, &context), vec![0.0; before.len()]);
    }

    /// The farthest fix was taken from a home that stands 111.3 m away; a newer home is not where it was taken from.
    #[test]
    fn the_farthest_fix_does_not_count_from_a_home_that_has_moved() {
        let mut context = context();
        let mut meter = with_home(&context);
        for second in 0..=10 {
            context.now = Nanos::from_secs(second);
            meter.observe(context.now, SENDER, &position(0.0), &context);
        }
        let farthest_m = meter.farthest_fix(&context).unwrap();
        assert!((farthest_m - 111.3).abs() < 0.1, "{farthest_m}");
        meter.observe(context.now, SENDER, &home(54.0), &context);
        assert_eq!(meter.farthest_fix(&context), None);
    }
}
