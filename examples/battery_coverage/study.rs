//! Batteries that are used up under a load that goes on as it was: how long they last is known.

use std::sync::Arc;

use fadewatch::measure::context::{Context, Sender};
use fadewatch::measure::power::PowerMeter;
use fadewatch::profile::Profile;
use fadewatch::record::{Direction, InterfaceId};
use fadewatch::units::Nanos;
use fadewatch::wire::telemetry::Telemetry;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

/// How the load varies about its mean.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Load {
    /// A hover: 2 % from second to second.
    Constant,
    /// A third up and down, alike for so many seconds.
    Noisy(f64),
    /// Between half and one and a half of the mean, a new one after so many seconds on average.
    Stepped(f64),
    /// Laps of 40 to 90 s.
    Laps,
}

impl Load {
    /// Second by second, mean 1.
    fn series(self, rng: &mut ChaCha8Rng, seconds: usize) -> Vec<f64> {
        let mut all = Vec::with_capacity(seconds);
        match self {
            Self::Constant => all.extend((0..seconds).map(|_| 1.0 + 0.02 * normal(rng))),
            Self::Noisy(time_s) => {
                let kept = (-1.0 / time_s).exp();
                let mut state = normal(rng);
                all.extend((0..seconds).map(|_| {
                    state = kept * state + (1.0 - kept * kept).sqrt() * normal(rng);
                    (1.0 + 0.3 * state).max(0.1)
                }));
            }
            Self::Stepped(time_s) => {
                while all.len() < seconds {
                    let (level, stays) =
                        (0.5 + rng.random::<f64>(), -time_s * rng.random::<f64>().max(1e-9).ln());
                    all.extend((0..=stays as usize).map(|_| level * (1.0 + 0.03 * normal(rng))));
                }
                all.truncate(seconds);
            }
            Self::Laps => {
                let (lap_s, start) = (40.0 + 50.0 * rng.random::<f64>(), rng.random::<f64>());
                let wave = |second: usize| ((second as f64 / lap_s + start) * std::f64::consts::TAU).sin();
                all.extend((0..seconds).map(|second| 1.0 + 0.4 * wave(second) + 0.05 * normal(rng)));
            }
        }
        all
    }
}

/// What the battery says of its charge.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Counter {
    /// Used charge, in steps of so many mAh.
    Steps(f64),
    /// The percentage that is left.
    Percent,
}

/// One flight's course.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Course {
    pub(crate) load: Load,
    pub(crate) counter: Counter,
    /// It lands, disarmed, for a minute or two, every few minutes.
    pub(crate) pauses: bool,
}

/// What was said at an instant, and what came.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Moment {
    pub(crate) at_s: u32,
    pub(crate) armed: bool,
    pub(crate) said_min: Option<(f64, [f64; 2])>,
    pub(crate) truth_min: f64,
}

const CAPACITY_MAH: f64 = 5000.0;
const VEHICLE: Sender =
    Sender { interface: InterfaceId(0), direction: Direction::Inbound, system: 1, component: 1 };

/// Plays a flight until 95 % is used, and asks every 5 s.
pub(crate) fn play(seed: u64, course: Course) -> Vec<Moment> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let life_s = 480.0 + 1320.0 * rng.random::<f64>();
    let mean_a = CAPACITY_MAH * 3.6 / life_s;
    let load: Vec<f64> = course.load.series(&mut rng, 8000).into_iter().map(|share| share * mean_a).collect();
    let end = end_of(&load, 0.0);
    let (mut context, mut meter) = (context(), PowerMeter::default());
    let (mut used_mah, mut flown, mut at_s, mut moments) = (0.0, 0, 0, Vec::new());
    let mut next_pause = 100 + rng.random_range(0..150);
    let mut pause_left = 20;
    while flown + 30 < end {
        let armed = pause_left == 0;
        let current = if armed { load[flown] } else { 0.3 };
        used_mah += current / 3.6;
        if armed {
            flown += 1;
            if course.pauses && flown >= next_pause {
                pause_left = 40 + rng.random_range(0..80);
                next_pause = flown + 120 + rng.random_range(0..150);
            }
        } else {
            pause_left -= 1;
        }
        at_s += 1;
        context.now = Nanos::from_secs(i64::from(at_s));
        let base_mode = if armed { 128 } else { 0 };
        let heartbeat =
            Telemetry::Heartbeat { kind: 2, autopilot: 3, base_mode, custom_mode: 0, system_status: 4 };
        context.roles.observe(1, 1, &heartbeat);
        meter.observe(context.now, VEHICLE, &report(course.counter, used_mah), &context);
        if at_s % 5 == 0 {
            let row = meter.summary(&context).remove(0);
            moments.push(Moment {
                at_s,
                armed,
                said_min: row.minutes_left.zip(row.minutes_left_ci95),
                truth_min: end_of(&load[flown..], used_mah) as f64 / 60.0,
            });
        }
    }
    moments
}

/// The second of flight at which the battery is empty.
fn end_of(load: &[f64], mut used_mah: f64) -> usize {
    let is_empty = |current: &f64| {
        used_mah += current / 3.6;
        used_mah >= CAPACITY_MAH
    };
    load.iter().position(is_empty).unwrap_or(load.len())
}

fn context() -> Context {
    let profile = Profile::parse(&format!("[battery]\ncapacity_mah = {CAPACITY_MAH}\n")).expect("a profile");
    Context { profile: Arc::new(profile), ..Context::default() }
}

fn report(counter: Counter, used_mah: f64) -> Telemetry {
    let (consumed_mah, remaining_percent) = match counter {
        Counter::Steps(step) => (Some((used_mah / step).floor() * step), None),
        Counter::Percent => (None, Some((100.0 * (1.0 - used_mah / CAPACITY_MAH)).floor().max(0.0) as u8)),
    };
    Telemetry::Battery { id: 0, voltage_v: Some(15.2), current_a: None, consumed_mah, remaining_percent }
}

/// By Box and Muller.
fn normal(rng: &mut ChaCha8Rng) -> f64 {
    let (radius, angle): (f64, f64) = (rng.random::<f64>().max(1e-12), rng.random());
    (-2.0 * radius.ln()).sqrt() * (angle * std::f64::consts::TAU).cos()
}

/// What many flights showed.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Tally {
    /// Instants in flight after the first 3 min.
    pub(crate) instants: u32,
    /// With a figure.
    pub(crate) said: u32,
    /// Whose interval held the truth.
    pub(crate) held: u32,
    /// Sum of the intervals' half widths, each as a share of its figure.
    pub(crate) width: f64,
    /// The most that a figure moved in 5 s, as a share of itself, beyond the time that went by.
    pub(crate) jump: f64,
}

impl Tally {
    pub(crate) fn add(&mut self, moments: &[Moment]) {
        let in_flight = moments.iter().filter(|moment| moment.armed && moment.truth_min > 1.0);
        for moment in in_flight.skip(36).step_by(6) {
            self.instants += 1;
            let Some((said, [low, high])) = moment.said_min else { continue };
            self.said += 1;
            self.held += u32::from(low <= moment.truth_min && moment.truth_min <= high);
            self.width += (high - low) / 2.0 / said.max(0.1);
        }
        let said = moments.iter().filter_map(|moment| Some((moment.at_s, moment.said_min?.0)));
        let said: Vec<(u32, f64)> = said.collect();
        for pair in said.windows(2).filter(|pair| pair[1].0 == pair[0].0 + 5) {
            let jump = ((pair[1].1 - pair[0].1).abs() - 5.0 / 60.0).max(0.0) / pair[0].1.max(1.0);
            self.jump = self.jump.max(jump);
        }
    }
}
