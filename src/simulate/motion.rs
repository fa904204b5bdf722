//! Where the vehicle is, and how strong it is heard.

use super::geodesy;
use super::mavlink::Fix;
use super::rng::Dice;
use super::scenario::{Carries, Scenario};

/// The vehicle's way.
pub(crate) struct Motion<'a> {
    scenario: &'a Scenario,
}

impl<'a> Motion<'a> {
    pub(crate) const fn new(scenario: &'a Scenario) -> Self {
        Self { scenario }
    }

    /// Metres north, east and up of the scenario's place.
    fn place(&self, at_s: f64) -> [f64; 3] {
        let way = &self.scenario.path;
        if let Some(line) = way.out_and_back {
            let length = line.to_m - line.from_m;
            let gone = ((at_s - line.wait_s).max(0.0) * line.speed_m_s).rem_euclid(2.0 * length);
            let distance = line.from_m + if gone > length { 2.0 * length - gone } else { gone };
            let (sin, cos) = line.bearing_deg.to_radians().sin_cos();
            return [distance * cos, distance * sin, line.height_m];
        }
        along(&way.waypoints, at_s).unwrap_or([2.0, 0.0, 0.3])
    }

    /// The same of the handset.
    fn handset_place(&self, at_s: f64) -> [f64; 3] {
        along(&self.scenario.handset_way.waypoints, at_s).unwrap_or([0.0; 3])
    }

    /// Metres north, east and up of the handset.
    fn apart(&self, at_s: f64) -> [f64; 3] {
        let (vehicle, handset) = (self.place(at_s), self.handset_place(at_s));
        [0, 1, 2].map(|axis| vehicle[axis] - handset[axis])
    }

    /// Slant distance from the handset.
    pub(crate) fn distance_m(&self, at_s: f64) -> f64 {
        let [north, east, up] = self.apart(at_s);
        north.hypot(east).hypot(up)
    }

    /// Distance over ground from the handset.
    pub(crate) fn ground_distance_m(&self, at_s: f64) -> f64 {
        let [north, east, _] = self.apart(at_s);
        north.hypot(east)
    }

    /// How far the vehicle lies from where it was at another instant: over ground, and in height.
    pub(crate) fn moved_m(&self, from_s: f64, at_s: f64) -> (f64, f64) {
        let (from, now) = (self.place(from_s), self.place(at_s));
        ((now[0] - from[0]).hypot(now[1] - from[1]), (now[2] - from[2]).abs())
    }

    /// Speed of vehicle and handset against each other, m/s: shadowing changes along this way.
    fn relative_speed_m_s(&self, at_s: f64) -> f64 {
        if self.scenario.handset_way.waypoints.is_empty() {
            return self.speed_m_s(at_s);
        }
        let (before, after) = (self.apart(at_s - 0.1), self.apart(at_s + 0.1));
        let rate = |axis: usize| (after[axis] - before[axis]) / 0.2;
        rate(0).hypot(rate(1)).hypot(rate(2))
    }

    /// North, east, down, m/s.
    fn velocity(&self, at_s: f64) -> [f64; 3] {
        let (before, after) = (self.place(at_s - 0.1), self.place(at_s + 0.1));
        let rate = |axis: usize| (after[axis] - before[axis]) / 0.2;
        [rate(0), rate(1), -rate(2)]
    }

    pub(crate) fn speed_m_s(&self, at_s: f64) -> f64 {
        let velocity = self.velocity(at_s);
        velocity[0].hypot(velocity[1]).hypot(velocity[2])
    }

    pub(crate) fn fix(&self, at_s: f64) -> Fix {
        self.fix_at(self.place(at_s), self.velocity(at_s))
    }

    /// The handset's own fix.
    pub(crate) fn handset_fix(&self, at_s: f64) -> Fix {
        self.fix_at(self.handset_place(at_s), [0.0; 3])
    }

    fn fix_at(&self, [north, east, up]: [f64; 3], velocity: [f64; 3]) -> Fix {
        let place = self.scenario.place;
        let (lat_deg, lon_deg) = geodesy::offset(place.lat, place.lon, north, east);
        Fix { lat_deg, lon_deg, alt_m: place.alt + up, relative_alt_m: up, velocity }
    }

    /// Where the vehicle was set up: the scenario's place.
    pub(crate) fn home(&self) -> Fix {
        let place = self.scenario.place;
        Fix {
            lat_deg: place.lat,
            lon_deg: place.lon,
            alt_m: place.alt,
            relative_alt_m: 0.0,
            velocity: [0.0; 3],
        }
    }
}

/// Where a way leads at an instant.
fn along(points: &[[f64; 4]], at_s: f64) -> Option<[f64; 3]> {
    let next = points.partition_point(|point| point[0] <= at_s);
    match (next.checked_sub(1).map(|index| points[index]), points.get(next)) {
        (Some(from), Some(to)) => {
            let share = (at_s - from[0]) / (to[0] - from[0]);
            Some([1, 2, 3].map(|axis| from[axis] + share * (to[axis] - from[axis])))
        }
        (Some(only), None) => Some([only[1], only[2], only[3]]),
        (None, Some(only)) => Some([only[1], only[2], only[3]]),
        (None, None) => None,
    }
}

/// Steps of the shadowing a second.
const GRID_HZ: f64 = 20.0;

/// What every radio receives at the ground, over time: log-distance path loss and
/// shadowing with a correlation in time and along the way (Gudmundson 1991).
pub(crate) struct Levels<'a> {
    scenario: &'a Scenario,
    grid: Vec<Vec<f64>>,
}

impl<'a> Levels<'a> {
    pub(crate) fn new(scenario: &'a Scenario, motion: &Motion<'_>) -> Self {
        let steps = (scenario.duration_s * GRID_HZ) as usize + 2;
        let grid = scenario.radio.iter().enumerate().map(|(number, radio)| {
            let mut dice = Dice::new(scenario.seed, &format!("shadow {number}"));
            let mut shadow = dice.normal() * radio.sigma_db;
            (0..steps)
                .map(|step| {
                    let at_s = step as f64 / GRID_HZ;
                    let mut decay = 0.0;
                    if radio.correlation_s > 0.0 {
                        decay += 1.0 / (GRID_HZ * radio.correlation_s);
                    }
                    if radio.correlation_m > 0.0 {
                        decay += motion.relative_speed_m_s(at_s) / (GRID_HZ * radio.correlation_m);
                    }
                    let keep = (-decay).exp();
                    shadow = keep * shadow + (1.0 - keep * keep).sqrt() * radio.sigma_db * dice.normal();
                    let distance = motion.distance_m(at_s).max(1.0);
                    radio.level_at_1m - 10.0 * radio.exponent * distance.log10() + shadow
                })
                .collect()
        });
        Self { scenario, grid: grid.collect() }
    }

    /// Level received at the ground, dBm.
    pub(crate) fn down(&self, radio: usize, at_s: f64) -> f64 {
        let grid = &self.grid[radio];
        let place = (at_s * GRID_HZ).clamp(0.0, (grid.len() - 1) as f64);
        let index = (place as usize).min(grid.len() - 2);
        let share = place - index as f64;
        let level = grid[index] * (1.0 - share) + grid[index + 1] * share;
        level - self.scenario.radio[radio].attenuated_db(at_s)
    }

    /// Level at the ground without shadowing, dBm: what distance and attenuators leave.
    pub(crate) fn median(&self, radio: usize, motion: &Motion<'_>, at_s: f64) -> f64 {
        let settings = &self.scenario.radio[radio];
        let distance_m = motion.distance_m(at_s).max(1.0);
        settings.level_at_1m - 10.0 * settings.exponent * distance_m.log10() - settings.attenuated_db(at_s)
    }

    /// Level received at the vehicle, dBm.
    pub(crate) fn up(&self, radio: usize, at_s: f64) -> f64 {
        self.down(radio, at_s) + self.scenario.radio[radio].uplink_db
    }

    /// Level of the first radio that carries this, at its receiving end.
    pub(crate) fn received(&self, carries: Carries, at_s: f64) -> Option<f64> {
        let radio = self.scenario.radio_for(carries)?;
        Some(if carries == Carries::Control { self.up(radio, at_s) } else { self.down(radio, at_s) })
    }

    /// Median of the last second's level at the ground: what a freeze's chance follows.
    pub(crate) fn of_last_second(&self, radio: usize, at_s: f64) -> f64 {
        let mut levels: Vec<f64> =
            (0..=20).map(|step| self.down(radio, at_s - f64::from(step) / GRID_HZ)).collect();
        levels.sort_by(f64::total_cmp);
        levels[10]
    }

    /// A level in device units.
    pub(crate) fn raw(&self, radio: usize, dbm: f64) -> u8 {
        let radio = &self.scenario.radio[radio];
        ((dbm - radio.offset_dbm) / radio.slope_db).round().clamp(0.0, 254.0) as u8
    }
}

/// Loss in bursts, after Gilbert (Bell System Technical Journal 39, 1960): all is lost in
/// the bad state, none in the good one; the share of the bad one follows the level.
pub(crate) struct Bursts {
    dice: Dice,
    bad: bool,
}

impl Bursts {
    pub(crate) fn new(seed: u64, purpose: &str) -> Self {
        Self { dice: Dice::new(seed, purpose), bad: false }
    }

    /// Whether the next one is lost.
    pub(crate) fn lost(&mut self, loss: &super::scenario::Loss, level_dbm: Option<f64>) -> bool {
        let by_level = match (loss.p50_dbm, level_dbm) {
            (Some(p50), Some(level)) => logistic((p50 - level) / loss.scale_db),
            _ => 0.0,
        };
        let ratio = (loss.fixed + (1.0 - loss.fixed) * by_level).clamp(0.0, 0.999);
        let mut leave = 1.0 / loss.burst.max(1.0);
        let mut enter = ratio * leave / (1.0 - ratio);
        if enter > 1.0 {
            enter = 1.0;
            leave = (1.0 - ratio) / ratio;
        }
        self.bad = if self.bad { !self.dice.chance(leave) } else { self.dice.chance(enter) };
        self.bad
    }
}

/// 1 / (1 + e^-x).
pub(crate) fn logistic(x: f64) -> f64 {
    1.0 / (1.0 + (-x).exp())
}
