//! The sessions of the study, as scenarios.
//!
//! Video radio: exponent 2.7, shadowing 3 dB correlated over 3 s and 15 m, steps of 0.5 dB, four reports a second. A freeze
//! begins within a second by the logistic chance of the last second's level.

use std::fmt::Write as _;

use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

/// Level at which a freeze begins within a second with an even chance.
const P50: f64 = -86.0;
const SCALE_DB: f64 = 1.0 / 0.6;
/// Where it is 5 %: `ln(0.95 / 0.05)` widths above.
pub(crate) const TRUE_P05: f64 = P50 + 2.944_438_979_166_440_5 * SCALE_DB;

pub(crate) const PROFILE: &str = r#"
[vehicle]
system = 1
failsafe_servo_us = { 1 = 1000 }

[handset]
system = 255

[[link]]
name = "video"
role = "video"
radio = { system = 41, component = 112 }
level = { slope_db = 0.5, offset_dbm = -120.0 }
port = 5004
"#;

/// What the sets are about.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Flights that freeze.
    Flights,
    /// The same, recorded until just before anything is switched off.
    Cut,
    /// Flights that never freeze.
    Quiet,
    /// Walks with the handset from a vehicle that stands, disarmed and without a position.
    Walks,
}

impl Kind {
    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::Flights => "flights",
            Self::Cut => "cut",
            Self::Quiet => "quiet",
            Self::Walks => "walks",
        }
    }
}

/// One session.
pub(crate) struct Session {
    pub(crate) toml: String,
    /// Second, metres north, height: of the vehicle, or of the handset in a walk.
    way: Vec<[f64; 3]>,
    /// From take-off to landing.
    pub(crate) trip_s: [f64; 2],
}

impl Session {
    /// Slant distance between both.
    pub(crate) fn distance_m(&self, at_s: f64) -> f64 {
        let next = self.way.partition_point(|point| point[0] <= at_s).clamp(1, self.way.len() - 1);
        let (from, to) = (self.way[next - 1], self.way[next]);
        let share = ((at_s - from[0]) / (to[0] - from[0])).clamp(0.0, 1.0);
        let [north, up] = [1, 2].map(|axis| from[axis] + share * (to[axis] - from[axis]));
        north.hypot(up)
    }

    /// The farthest point of the way: a turn.
    pub(crate) fn farthest_m(&self) -> f64 {
        self.way.iter().map(|[_, north, up]| north.hypot(*up)).fold(0.0, f64::max)
    }
}

/// Second and distance of a way out and back, from `start_s` at `near_m` on; gives its end.
fn legs(
    way: &mut Vec<[f64; 3]>,
    start_s: f64,
    near_m: f64,
    reach_m: f64,
    speed: f64,
    lasts_s: f64,
    up: f64,
) -> f64 {
    let mut at_s = start_s;
    let leg_s = (reach_m - near_m) / speed;
    let mut far = false;
    while at_s < start_s + lasts_s || far {
        at_s += leg_s;
        far = !far;
        way.push([at_s, if far { reach_m } else { near_m }, up]);
    }
    at_s
}

/// A session of a set: 0 to 3 are the earlier ones, 4 is the next flight.
pub(crate) fn session(kind: Kind, seed: u64, number: u64) -> Session {
    let seed = seed * 8 + number;
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    match kind {
        Kind::Walks if number < 4 => walk(seed, number, &mut random),
        _ => flight(kind, seed, number, &mut random),
    }
}

/// On the bench for 45 s with a drill, armed, slowly away in the first minute, out and back, landed, off.
fn flight(kind: Kind, seed: u64, number: u64, random: &mut ChaCha8Rng) -> Session {
    let speed = 3.0 + 7.0 * random.random::<f64>();
    let mut way = vec![[0.0, 3.0, 0.3], [45.0, 3.0, 0.3], [49.0, 3.0, 10.0], [60.0, 20.0, 10.0]];
    let lasts_s = if number == 4 { 60.0 } else { 400.0 };
    let home_s = legs(&mut way, 60.0, 20.0, 210.0, speed, lasts_s, 10.0);
    way.push([home_s + 5.0, 4.0, 2.0]);
    let landed_s = home_s + 9.0;
    way.push([landed_s, 4.0, 0.3]);
    let mut ends = Ends::new(landed_s + 8.0, number, random);
    if kind == Kind::Cut {
        ends.recorder = landed_s + 7.5;
    }
    let mut toml = head(kind, seed, number, &ends);
    let _ = writeln!(toml, "armed_s = [[40, {:.1}]]\n[path]\nwaypoints = [", landed_s + 3.0);
    for [at_s, north, up] in &way {
        let _ = writeln!(toml, "  [{at_s:.2}, {north}, 0, {up}],");
    }
    let _ = writeln!(toml, "]\n{}", tail(kind, &ends));
    let _ = writeln!(
        toml,
        "[[failsafe]]\nat_s = 20\nback_s = 28\ndetected_after_s = 0.6\nsafe_after_s = 0.8\nmode = 102"
    );
    Session { toml, way, trip_s: [46.0, landed_s + 3.0] }
}

/// The handset is carried off at a walking pace and back, twice.
fn walk(seed: u64, number: u64, random: &mut ChaCha8Rng) -> Session {
    let speed = 1.2 + 0.6 * random.random::<f64>();
    let mut way = vec![[0.0, 2.0, 1.0], [40.0, 2.0, 1.0]];
    let home_s = legs(&mut way, 40.0, 2.0, 190.0, speed, 400.0, 1.0);
    let ends = Ends::new(home_s + 12.0, number, random);
    let mut toml = head(Kind::Walks, seed, number, &ends);
    let _ = writeln!(toml, "armed_s = []\n[path]\nwaypoints = [[0, 0, 0, 0]]\n[handset_way]\nwaypoints = [");
    for [at_s, north, up] in &way {
        let _ = writeln!(toml, "  [{at_s:.2}, {north}, 0, {up}],");
    }
    let _ = writeln!(toml, "]\n{}", tail(Kind::Walks, &ends));
    Session { toml, way, trip_s: [40.0, home_s] }
}

/// When what is switched off, and when the recorder ends: seconds.
struct Ends {
    vehicle: f64,
    camera: f64,
    handset: f64,
    recorder: f64,
}

impl Ends {
    /// In another order in each session of a set.
    fn new(from_s: f64, number: u64, random: &mut ChaCha8Rng) -> Self {
        let later = from_s + 2.0 + 6.0 * random.random::<f64>();
        let recorder = (later + 10.0 + 40.0 * random.random::<f64>()).ceil();
        let (vehicle, camera, handset) = match number % 4 {
            0 => (from_s, from_s, later),
            1 => (later, later, from_s),
            2 => (later, from_s, later + 3.0),
            _ => (from_s, from_s, from_s),
        };
        Self { vehicle, camera, handset, recorder }
    }
}

fn head(kind: Kind, seed: u64, number: u64, ends: &Ends) -> String {
    // A flight after walks does have a position, for its alarms are judged too.
    let position = if kind == Kind::Walks && number < 4 {
        "position = 0, gps = 0, home = 0"
    } else {
        "position = 4, gps = 1"
    };
    format!(
        "text = \"An invented session of a study\"\nseed = {seed}\nstart = \"2031-05-0{}T09:00:00Z\"\n\
         duration_s = {:.1}\n[vehicle]\nrates = {{ {position}, attitude = 1, rc_channels = 5, servo = 5, \
         vibration = 0 }}\non_s = [[0, {:.2}]]\n",
        number + 1,
        ends.recorder,
        ends.vehicle
    )
}

fn tail(kind: Kind, ends: &Ends) -> String {
    let freezes = if kind == Kind::Quiet {
        String::new()
    } else {
        format!("freeze_p50_dbm = {P50}\nfreeze_scale_db = {SCALE_DB}\n")
    };
    format!(
        "[[radio]]\ncarries = \"video\"\nsystem = 41\ncomponent = 112\nreport_hz = 4\nexponent = 2.7\n\
         level_at_1m = -22\nsigma_db = 3\ncorrelation_s = 3\ncorrelation_m = 15\nnoise_dbm = -105\n\
         slope_db = 0.5\noffset_dbm = -120\n\
         [control]\nrate_hz = 10\non_s = [[0, {:.2}]]\n[[control.moves]]\nfrom_s = 2\nto_s = 10000\nsticks = [1]\n\
         wave_s = 3\n[[control.servo]]\nstick = 1\nfailsafe_us = 1000\n\
         [video]\nfps = 15\non_s = [[0, {:.2}]]\n{freezes}",
        ends.handset, ends.camera
    )
}
