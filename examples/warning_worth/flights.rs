//! The flights of the study, as scenarios: a link of its own in each set, some sessions before, and a next flight.
//!
//! What varies from set to set: path loss, shadowing and its time, fading of single reports, speed outward, the law of the
//! freezes, freezes that have nothing to do with the level, the number of earlier sessions, and whether a position is known.

use std::fmt::Write as _;

use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

/// What the next flight does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Course {
    /// Outward until well beyond the limit, and back.
    Out,
    /// Out and back, turning short of the limit or just beyond it.
    Turns,
    /// A stay of ten minutes where the median level is 16 dB above the limit.
    Hover,
    /// A stay of 90 s, reached at a go, where it is 12 dB above.
    Stops,
    /// A stay at 16 dB whose level falls evenly for another reason than distance.
    Falls,
}

pub(crate) const COURSES: [Course; 5] =
    [Course::Out, Course::Turns, Course::Hover, Course::Stops, Course::Falls];

/// A link of a set.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Link {
    exponent: f64,
    /// Where the median level is at the limit, metres.
    reach_m: f64,
    sigma_db: f64,
    correlation_s: f64,
    fading_db: f64,
    p50_dbm: f64,
    scale_db: f64,
    base: f64,
    pub(crate) has_position: bool,
    pub(crate) in_units: bool,
    pub(crate) earlier: u64,
}

impl Link {
    pub(crate) fn of(seed: u64) -> Self {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut among = |low: f64, high: f64| low + (high - low) * random.random::<f64>();
        Self {
            exponent: among(2.2, 3.2),
            reach_m: among(120.0, 400.0),
            sigma_db: among(1.5, 4.0),
            correlation_s: among(1.5, 6.0),
            fading_db: among(0.0, 2.0),
            p50_dbm: among(-92.0, -84.0),
            scale_db: among(0.8, 2.5),
            base: if seed.is_multiple_of(4) { 0.001 } else { 0.0 },
            has_position: seed % 5 < 3,
            in_units: seed % 10 == 7,
            earlier: [1, 2, 3, 4, 8][(seed / 5 % 5) as usize],
        }
    }

    /// Where a freeze begins with 5 % a second.
    pub(crate) fn limit_dbm(&self) -> f64 {
        self.p50_dbm + self.scale_db * 19_f64.ln()
    }

    /// Where the median level is this far above the limit, metres.
    fn distance_m(&self, above_db: f64) -> f64 {
        self.reach_m / 10_f64.powf(above_db / (10.0 * self.exponent))
    }

    pub(crate) fn profile(&self) -> String {
        let level = if self.in_units {
            // The builder's own limits: 6 dB are 12 units.
            "[link.limits]\nwarning_margin = 12\nforecast_margin = 30\nalarm_margin = 6\nclear_margin = 4\n"
        } else {
            "level = { slope_db = 0.5, offset_dbm = -120.0 }\n"
        };
        format!(
            "[vehicle]\nsystem = 1\n[[link]]\nname = \"video\"\nrole = \"video\"\nport = 5004\n\
             radio = {{ system = 41, component = 112 }}\n{level}"
        )
    }
}

/// An earlier session: out and back, a third of its way beyond the limit.
pub(crate) fn earlier(link: &Link, seed: u64) -> String {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let speed = 3.0 + 7.0 * random.random::<f64>();
    let (near_m, far_m) = (15.0, link.distance_m(-4.0));
    let mut way = vec![[0.0, near_m], [20.0, near_m]];
    let mut at_s = 20.0;
    while at_s < 260.0 {
        at_s += (far_m - near_m) / speed;
        way.push([at_s, far_m]);
        at_s += (far_m - near_m) / speed;
        way.push([at_s, near_m]);
    }
    scenario(link, seed, &way, &[], at_s + 5.0)
}

/// The next flight, and from when on it is judged: of a stay, from 5 s after it began.
pub(crate) fn next(link: &Link, course: Course, seed: u64) -> (String, f64) {
    let mut random = ChaCha8Rng::seed_from_u64(seed ^ 0x5eed);
    let speed = 3.0 + 7.0 * random.random::<f64>();
    let mut way = vec![[0.0, 15.0], [25.0, 15.0]];
    let mut to = |metres: f64| {
        let [at_s, from_m] = way[way.len() - 1];
        let at_s = at_s + ((metres - from_m).abs() / speed).max(0.1);
        way.push([at_s, metres]);
        at_s
    };
    let (mut attenuators, mut end_s, mut from_s) = (Vec::new(), 0.0, 0.0);
    match course {
        Course::Out => {
            to(link.distance_m(-6.0));
            end_s = to(15.0);
        }
        Course::Turns => {
            for _ in 0..3 {
                to(link.distance_m(-2.0 + 8.0 * random.random::<f64>()));
                end_s = to(15.0);
            }
        }
        Course::Hover => {
            let there = link.distance_m(16.0);
            from_s = to(there) + 5.0;
            end_s = from_s + 600.0;
            way.push([end_s, there]);
        }
        Course::Stops => {
            let there = link.distance_m(12.0);
            from_s = to(there) + 2.0;
            end_s = from_s + 90.0;
            way.push([end_s, there]);
        }
        Course::Falls => {
            let there = link.distance_m(16.0);
            from_s = to(there) + 5.0;
            let fall_from = from_s + 55.0;
            let rate = 0.3 + 1.2 * random.random::<f64>();
            let fall_s = 22.0 / rate;
            for step in 0..(2.0 * fall_s) as u32 {
                let from_s = fall_from + f64::from(step) / 2.0;
                attenuators.push([from_s, from_s + 0.5, rate * f64::from(step) / 2.0]);
            }
            end_s = fall_from + fall_s;
            way.push([end_s, there]);
        }
    }
    (scenario(link, seed, &way, &attenuators, end_s + 5.0), from_s)
}

fn scenario(link: &Link, seed: u64, way: &[[f64; 2]], attenuators: &[[f64; 3]], end_s: f64) -> String {
    let position =
        if link.has_position { "position = 4, gps = 1" } else { "position = 0, gps = 0, home = 0" };
    let mut toml = format!(
        "text = \"An invented session of a study\"\nseed = {seed}\nstart = \"2031-05-01T09:00:00Z\"\n\
         duration_s = {end_s:.0}\n[vehicle]\narmed_from_s = 5\nrates = {{ {position}, attitude = 4, rc_channels = 0, \
         servo = 0, vibration = 0 }}\n[path]\nwaypoints = [\n"
    );
    for [at_s, north] in way {
        let _ = writeln!(toml, "  [{at_s:.2}, {north:.2}, 0, 10],");
    }
    let _ = writeln!(
        toml,
        "]\n[[radio]]\ncarries = \"video\"\nsystem = 41\ncomponent = 112\nreport_hz = 4\nexponent = {:.3}\n\
         level_at_1m = {:.2}\nsigma_db = {:.2}\ncorrelation_s = {:.2}\ncorrelation_m = 15\nfading_db = {:.2}\n\
         noise_dbm = -105\nslope_db = 0.5\noffset_dbm = -120\nattenuator = {attenuators:?}\n\
         [video]\nfps = 15\nfreeze_p50_dbm = {:.2}\nfreeze_scale_db = {:.3}\nfreeze_base = {}",
        link.exponent,
        link.limit_dbm() + 10.0 * link.exponent * link.reach_m.log10(),
        link.sigma_db,
        link.correlation_s,
        link.fading_db,
        link.p50_dbm,
        link.scale_db,
        link.base
    );
    toml
}
