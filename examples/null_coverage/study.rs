// Seeded flights about a handset with and without an antenna null, through the range meter itself.
//
// Path loss with exponent 2.7, shadowing 3 dB correlated over 3 s or 15 m (whichever is sooner), receiver
// steps of 0.5 dB, reports and positions four times a second, the nose along the course. The null
// lowers the level by a fixed depth while the handset lies within half its width of its direction.
// The truth of each sector is the study's own: the mean of the null over its seconds, less that over the
// seconds of the other sectors that are given a figure.

use std::sync::Arc;

use fadewatch::judge::range::Evidence;
use fadewatch::measure::context::{Context, Sender};
use fadewatch::measure::failsafe::FailsafeMeter;
use fadewatch::measure::latency::LatencyMeter;
use fadewatch::measure::loss::LossMeter;
use fadewatch::measure::position::PositionMeter;
use fadewatch::measure::roles::Roles;
use fadewatch::measure::signal::SignalMeter;
use fadewatch::measure::video::VideoMeter;
use fadewatch::profile::Profile;
use fadewatch::record::{Direction, InterfaceId};
use fadewatch::summary::RangeSummary;
use fadewatch::units::Nanos;
use fadewatch::wire::telemetry::Telemetry;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

const EXPONENT: f64 = 2.7;
const LEVEL_AT_1M: f64 = -22.0;
const SIGMA: f64 = 3.0;
const SECTORS: usize = 12;
const PROFILE: &str = "[handset]\nlat = 54.0\nlon = 10.0\nalt = 0.0\n[vehicle]\nsystem = 1\n[[link]]\n\
    name = \"video\"\nrole = \"video\"\nradio = { system = 41, component = 110 }\n\
    level = { slope_db = 0.5, offset_dbm = -120.0 }\n";

/// A null of the vehicle's antenna.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Null {
    pub(crate) towards_deg: f64,
    pub(crate) width_deg: f64,
    pub(crate) depth_db: f64,
}

impl Null {
    fn at(&self, bearing_deg: f64) -> f64 {
        let off = (bearing_deg - self.towards_deg + 180.0).rem_euclid(360.0) - 180.0;
        if off.abs() <= self.width_deg / 2.0 { -self.depth_db } else { 0.0 }
    }
}

/// How the vehicle goes.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Way {
    /// Straight out and back, over and over.
    OutAndBack,
    /// From one random place to the next within 200 m.
    About,
}

/// What a flight showed, and what is true.
pub(crate) struct Flight {
    pub(crate) range: RangeSummary,
    /// Seconds and sum of the null by sector.
    truth: [(f64, f64); SECTORS],
}

impl Flight {
    /// True contrasts of the sectors that are given a figure, beside their figure, interval and flag.
    pub(crate) fn sectors(&self) -> Vec<(f64, f64, [f64; 2], bool)> {
        let given: Vec<(usize, f64, [f64; 2], bool)> = self
            .range
            .heading
            .iter()
            .flat_map(|heading| &heading.sectors)
            .filter_map(|sector| {
                let index = ((sector.from_deg + 15.0).rem_euclid(360.0) / 30.0).round() as usize % SECTORS;
                let aspect = &sector.aspect;
                Some((index, aspect.level_against_others?, aspect.level_against_others_ci95?, aspect.null))
            })
            .collect();
        given
            .iter()
            .map(|&(index, figure, ci95, null)| {
                let mean = |sums: (f64, f64)| sums.1 / sums.0.max(1.0);
                let others = given.iter().filter(|other| other.0 != index).fold((0.0, 0.0), |sum, other| {
                    (sum.0 + self.truth[other.0].0, sum.1 + self.truth[other.0].1)
                });
                (mean(self.truth[index]) - mean(others), figure, ci95, null)
            })
            .collect()
    }
}

fn normal(random: &mut ChaCha8Rng) -> f64 {
    let (a, b): (f64, f64) = (random.random::<f64>().max(1e-300), random.random());
    (-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()
}

/// Where the vehicle is, metres north and east, step by step.
struct Course {
    way: Way,
    at: [f64; 2],
    to: [f64; 2],
    speed: f64,
    axis: f64,
    outward: bool,
}

impl Course {
    fn new(way: Way, random: &mut ChaCha8Rng) -> Self {
        let axis = std::f64::consts::TAU * random.random::<f64>();
        let at = [12.0 * axis.cos(), 12.0 * axis.sin()];
        let speed = 3.0 + 7.0 * random.random::<f64>();
        let mut course = Self { way, at, to: at, speed, axis, outward: false };
        course.turn(random);
        course
    }

    fn turn(&mut self, random: &mut ChaCha8Rng) {
        self.to = match self.way {
            Way::OutAndBack => {
                self.outward = !self.outward;
                let reach = if self.outward { 220.0 } else { 12.0 };
                [reach * self.axis.cos(), reach * self.axis.sin()]
            }
            Way::About => {
                let (turn, reach) =
                    (std::f64::consts::TAU * random.random::<f64>(), random.random::<f64>().sqrt());
                [200.0 * reach * turn.cos(), 200.0 * reach * turn.sin()]
            }
        };
    }

    /// Goes on; gives the heading in degrees.
    fn go(&mut self, seconds: f64, random: &mut ChaCha8Rng) -> f64 {
        let step = self.speed * seconds;
        let mut left = [self.to[0] - self.at[0], self.to[1] - self.at[1]];
        if left[0].hypot(left[1]) <= step {
            self.at = self.to;
            self.turn(random);
            left = [self.to[0] - self.at[0], self.to[1] - self.at[1]];
        }
        let length = left[0].hypot(left[1]).max(1e-9);
        let step = step.min(length);
        self.at = [self.at[0] + left[0] / length * step, self.at[1] + left[1] / length * step];
        left[1].atan2(left[0]).to_degrees().rem_euclid(360.0)
    }
}

/// One flight of this many seconds.
pub(crate) fn flight(seed: u64, way: Way, seconds: i64, null: Option<Null>) -> Option<Flight> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let context = Context {
        roles: Roles::with_vehicle(Some(1)),
        profile: Arc::new(Profile::parse(PROFILE).ok()?),
        start: Some(Nanos::ZERO),
        ..Context::default()
    };
    let (mut signal, mut range) = (SignalMeter::default(), PositionMeter::default());
    let mut course = Course::new(way, &mut random);
    let mut shadow = SIGMA * normal(&mut random);
    let mut truth = [(0.0, 0.0); SECTORS];
    for quarter in 0..seconds * 4 {
        let at = Nanos::from_millis(250 * quarter + 10);
        if quarter % 4 == 0 {
            signal.second(Nanos::from_secs(quarter / 4), &context);
        }
        let heading = course.go(0.25, &mut random);
        let keep = (-(0.25_f64 / 3.0).max(course.speed * 0.25 / 15.0)).exp();
        shadow = keep * shadow + (1.0 - keep * keep).sqrt() * SIGMA * normal(&mut random);
        let [north, east] = course.at;
        let distance = north.hypot(east).max(1.0);
        let bearing = ((-east).atan2(-north).to_degrees() - heading).rem_euclid(360.0);
        let low = null.map_or(0.0, |null| null.at(bearing));
        if distance >= 10.0 {
            let sector = (((bearing + 15.0).rem_euclid(360.0) / 30.0) as usize).min(SECTORS - 1);
            truth[sector].0 += 1.0;
            truth[sector].1 += low;
        }
        let level = LEVEL_AT_1M - 10.0 * EXPONENT * distance.log10() + shadow + low;
        let raw = (2.0 * (level + 120.0)).round().clamp(0.0, 254.0) as u8;
        signal.observe(at, sender(41), &radio(raw), &context);
        range.observe(at, sender(1), &position(north, east, heading), &context);
    }
    let evidence = Evidence {
        signal: &signal,
        loss: &LossMeter::default(),
        video: &VideoMeter::default(),
        latency: &LatencyMeter::default(),
        failsafe: &FailsafeMeter::default(),
    };
    let range = fadewatch::judge::range::summary(&range, &context, evidence).into_iter().next()?;
    Some(Flight { range, truth })
}

fn sender(system: u8) -> Sender {
    let component = if system == 1 { 1 } else { 110 };
    Sender { interface: InterfaceId(0), direction: Direction::Inbound, system, component }
}

fn radio(rssi: u8) -> Telemetry {
    Telemetry::Radio {
        rssi: Some(rssi),
        remote_rssi: None,
        noise: None,
        remote_noise: None,
        tx_buffer_percent: Some(100),
        rx_errors: 0,
        fixed: 0,
        older: false,
    }
}

fn position(north: f64, east: f64, heading: f64) -> Telemetry {
    // Metres a degree at 54 degrees north, WGS84.
    let (latitude, longitude) = (111_305.0, 65_578.0);
    Telemetry::Position {
        boot_ms: 0,
        lat_deg: 54.0 + north / latitude,
        lon_deg: 10.0 + east / longitude,
        alt_m: 0.0,
        relative_alt_m: 0.0,
        velocity: [0.0; 3],
        heading_deg: Some(heading),
    }
}

/// What many flights showed.
#[derive(Debug, Default)]
pub(crate) struct Tally {
    pub(crate) flights: u32,
    /// Flights in which every sector's interval holds its truth.
    pub(crate) held: u32,
    /// Flights in which some sector was called a null.
    pub(crate) called: u32,
    /// Flights in which a sector that lies 3 dB low or more in truth was called a null.
    pub(crate) found: u32,
    /// Flights in which a sector was called a null that lies less than 1 dB low in truth.
    pub(crate) wrong: u32,
    /// Sum of errors over sectors, and sectors.
    pub(crate) error_db: f64,
    pub(crate) sectors: u32,
}

/// Flights with these seeds.
pub(crate) fn study(seeds: std::ops::Range<u64>, way: Way, seconds: i64, null: Option<Null>) -> Tally {
    let mut tally = Tally::default();
    for seed in seeds {
        let Some(flight) = flight(seed, way, seconds, null) else { continue };
        let sectors = flight.sectors();
        tally.flights += 1;
        tally.held +=
            u32::from(sectors.iter().all(|(truth, _, ci95, _)| (ci95[0]..=ci95[1]).contains(truth)));
        tally.called += u32::from(sectors.iter().any(|sector| sector.3));
        tally.found += u32::from(sectors.iter().any(|sector| sector.3 && sector.0 <= -3.0));
        tally.wrong += u32::from(sectors.iter().any(|sector| sector.3 && sector.0 > -1.0));
        tally.error_db += sectors.iter().map(|(truth, figure, _, _)| figure - truth).sum::<f64>();
        tally.sectors += sectors.len() as u32;
    }
    tally
}
