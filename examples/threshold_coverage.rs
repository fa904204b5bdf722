//! How well the freeze limit, the path-loss line and the warnings do where the truth is known.
//!
//! An invented, seeded study: in each set four earlier sessions of out-and-back flights and one new
//! flight straight outward. Path loss with exponent 2.7, shadowing 3 dB correlated over 3 s or 15 m
//! (whichever is sooner), receiver steps of 0.5 dB, and freezes that begin by the true logistic chance
//! of the level at each second. `cargo run --release --example threshold_coverage` prints shares of
//! sets within the tolerances (with `thresholds`, `agreement`, `lines` or `flights` only that part; a number after `flights` is added
//! to its seeds). The truth comes from the study's own numbers, not from the estimators.
#![expect(clippy::print_stdout, reason = "a study prints its findings")]

use std::sync::Arc;

use fadewatch::judge::freeze_level;
use fadewatch::judge::freeze_level::{Finding, LevelCount};
use fadewatch::judge::margin::MarginMeter;
use fadewatch::measure::context::{Context, Sender};
use fadewatch::measure::position::PositionMeter;
use fadewatch::measure::signal::SignalMeter;
use fadewatch::profile::Profile;
use fadewatch::record::{Direction, InterfaceId};
use fadewatch::stats::curve_fit::path_loss;
use fadewatch::summary::Threshold;
use fadewatch::units::{LevelUnit, Nanos};
use fadewatch::wire::telemetry::Telemetry;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

const SETS: u64 = 100;
/// Hours of hovering.
const HOURS: u64 = 10;
const EXPONENT: f64 = 2.7;
const LEVEL_AT_1M: f64 = -22.0;
const SIGMA: f64 = 3.0;
const MIDDLE: f64 = -86.0;
const SLOPE: f64 = -0.6;
const TRUE_P05: f64 = MIDDLE + 2.944_438_979_166_440_5 / -SLOPE;

/// Gaussian shadowing with exponential correlation in time or distance.
struct Shadow {
    value: f64,
}

impl Shadow {
    fn new(random: &mut ChaCha8Rng) -> Self {
        Self { value: SIGMA * normal(random) }
    }

    fn step(&mut self, random: &mut ChaCha8Rng, seconds: f64, metres: f64) -> f64 {
        let keep = (-(seconds / 3.0).max(metres / 15.0)).exp();
        self.value = keep * self.value + (1.0 - keep * keep).sqrt() * SIGMA * normal(random);
        self.value
    }
}

fn normal(random: &mut ChaCha8Rng) -> f64 {
    let (a, b): (f64, f64) = (random.random::<f64>().max(1e-300), random.random());
    (-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()
}

fn chance(level: f64, base: f64) -> f64 {
    base + (1.0 - base) / (1.0 + (-SLOPE * (level - MIDDLE)).exp())
}

/// A level as the receiver gives it: steps of 0.5 dB.
fn raw(level: f64) -> u8 {
    (2.0 * (level + 120.0)).round().clamp(0.0, 254.0) as u8
}

/// One earlier session: seconds (distance, level, freeze began).
fn session(random: &mut ChaCha8Rng, seconds: u32, reach_m: f64, strays: u32) -> Vec<(f64, f64, bool)> {
    session_apart(random, seconds, reach_m, strays, 0.0)
}

/// The same with a receiver that freezes this much above the others.
fn session_apart(
    random: &mut ChaCha8Rng,
    seconds: u32,
    reach_m: f64,
    strays: u32,
    apart: f64,
) -> Vec<(f64, f64, bool)> {
    let mut shadow = Shadow::new(random);
    let speed = 3.0 + 7.0 * random.random::<f64>();
    let (mut distance, mut outward, mut frozen_for) = (12.0, 1.0, 0_u32);
    let mut rows = Vec::new();
    for _ in 0..seconds {
        distance += outward * speed;
        if distance > reach_m || distance < 12.0 {
            outward = -outward;
            distance = distance.clamp(12.0, reach_m);
        }
        let level = LEVEL_AT_1M - 10.0 * EXPONENT * distance.log10() + shadow.step(random, 1.0, speed);
        let level = f64::from(raw(level)) / 2.0 - 120.0;
        if frozen_for > 0 {
            frozen_for -= 1;
            continue;
        }
        let froze = random.random::<f64>() < chance(level - apart, 0.0);
        frozen_for = if froze { random.random_range(0..3) } else { 0 };
        rows.push((distance, level, froze));
    }
    for _ in 0..strays {
        let index = random.random_range(0..rows.len());
        rows[index].2 = true;
    }
    rows
}

fn counts(rows: &[(f64, f64, bool)]) -> Vec<LevelCount> {
    rows.iter().map(|row| LevelCount { level: row.1 as f32, seconds: 1, freezes: u32::from(row.2) }).collect()
}

struct Tally {
    name: &'static str,
    good: u32,
    of: u32,
}

impl Tally {
    const fn new(name: &'static str) -> Self {
        Self { name, good: 0, of: 0 }
    }

    fn take(&mut self, good: bool) {
        self.good += u32::from(good);
        self.of += 1;
    }

    fn print(&self) {
        println!("  {:<58} {:>4} of {}", self.name, self.good, self.of);
    }
}

/// Thresholds from four sessions of this length and reach.
fn thresholds(title: &str, seconds: u32, reach_m: f64, strays: u32, tolerance: f64) {
    let mut near = Tally::new("level_p05 within the tolerance");
    let mut held = Tally::new("its interval holds the truth");
    let mut widths = 0.0;
    let mut freezes = 0;
    let mut bias = 0.0;
    for seed in 0..SETS {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let sessions: Vec<Vec<LevelCount>> = (0..4_u32)
            .map(|index| {
                let share = strays / 4 + u32::from(index < strays % 4);
                counts(&session(&mut random, seconds, reach_m, share))
            })
            .collect();
        let Some(found) = freeze_level::estimate(&sessions, None) else { continue };
        freezes += found.freezes;
        bias += found.level_p05 - TRUE_P05;
        near.take((found.level_p05 - TRUE_P05).abs() <= tolerance);
        let ci95 = found.level_p05_ci95.unwrap_or([f64::NAN; 2]);
        held.take(ci95[0] <= TRUE_P05 && TRUE_P05 <= ci95[1]);
        widths += ci95[1] - ci95[0];
    }
    let sets = SETS as f64;
    println!(
        "{title}: {:.0} freezes a set, tolerance {tolerance} dB, mean error {:+.2} dB, mean width {:.2} dB",
        f64::from(freezes) / sets,
        bias / sets,
        widths / sets
    );
    near.print();
    held.print();
}

/// How often sessions are said to differ, where they do not, and where they do.
fn agreements(title: &str, seconds: u32, reach_m: f64, apart: &dyn Fn(u32) -> f64) {
    const SESSIONS: u32 = 6;
    let mut words = [0_u32; 4];
    let mut small = 0;
    for seed in 0..3 * SETS {
        let mut random = ChaCha8Rng::seed_from_u64(4000 + seed);
        let sessions: Vec<Vec<LevelCount>> = (0..SESSIONS)
            .map(|index| counts(&session_apart(&mut random, seconds, reach_m, 0, apart(index))))
            .collect();
        let found = freeze_level::estimate(&sessions, None).and_then(|found| found.agreement);
        let Some(found) = found else { continue };
        small += u32::from(found.p < 0.05);
        words[match found.finding {
            Finding::Agree => 0,
            Finding::Differ => 1,
            Finding::Outlier(_) => 2,
            Finding::Drift => 3,
        }] += 1;
    }
    let share = |count: u32| 100.0 * f64::from(count) / (3 * SETS) as f64;
    let [agree, differ, outlier, drift] = words.map(share);
    println!(
        "  {title:<46} agree {agree:>3.0} %, differ {differ:>3.0} %, outlier {outlier:>3.0} %, drift {drift:>3.0} %; \
         p under 0.05 in {:.0} %",
        share(small)
    );
}

/// Path loss and predicted freeze distance from one flight.
fn lines() {
    let mut held = Tally::new("the interval holds the exponent");
    let mut near = Tally::new("predicted freeze distance within 15 %");
    let truth = 10_f64.powf((LEVEL_AT_1M - TRUE_P05) / (10.0 * EXPONENT));
    let mut width = 0.0;
    for seed in 0..SETS {
        let mut random = ChaCha8Rng::seed_from_u64(1000 + seed);
        let sessions: Vec<Vec<LevelCount>> =
            (0..4).map(|_| counts(&session(&mut random, 300, 280.0, 0))).collect();
        let flight: Vec<(f64, f64)> =
            session(&mut random, 300, 280.0, 0).iter().map(|row| (row.0, row.1)).collect();
        let Some(fit) = path_loss::fit(&flight) else { continue };
        let all = path_loss::replicates(&flight, &fit).unwrap_or_default();
        let ci95 = path_loss::interval(&all, |_, exponent| Some(exponent)).unwrap_or([f64::NAN; 2]);
        held.take(ci95[0] <= EXPONENT && EXPONENT <= ci95[1]);
        width += ci95[1] - ci95[0];
        let found = freeze_level::estimate(&sessions, None).and_then(|found| fit.distance(found.level_p05));
        near.take(found.is_some_and(|found| (found / truth - 1.0).abs() <= 0.15));
    }
    println!(
        "path loss of one flight, true freeze distance {truth:.0} m, mean width {:.2}",
        width / SETS as f64
    );
    held.print();
    near.print();
}

/// Meters fed with one radio's reports and the vehicle's positions.
struct Rig {
    context: Context,
    signal: SignalMeter,
    range: PositionMeter,
    margin: MarginMeter,
    second: i64,
}

impl Rig {
    fn new(with_distance: bool) -> Option<Self> {
        let place = if with_distance { "[handset]\nlat = 54.0\nlon = 10.0\nalt = 0.0\n" } else { "" };
        let text = format!(
            "{place}[vehicle]\nsystem = 1\n[[link]]\nname = \"video\"\nrole = \"video\"\n\
             radio = {{ system = 41, component = 110 }}\nlevel = {{ slope_db = 0.5, offset_dbm = -120.0 }}\n"
        );
        let limit = Threshold {
            link: "video".to_owned(),
            unit: LevelUnit::Dbm,
            level_p50: Some(MIDDLE),
            level_p05: TRUE_P05,
            level_p05_ci95: None,
            base: Some(0.0),
            sessions: 4,
            freezes: 100,
            method: "logistic".to_owned(),
            ..Threshold::default()
        };
        let profile = Arc::new(Profile::parse(&text).ok()?);
        let context = Context {
            roles: fadewatch::measure::roles::Roles::with_vehicle(Some(1)),
            profile,
            thresholds: Arc::from([limit]),
            start: Some(Nanos::ZERO),
            ..Context::default()
        };
        let (signal, range, margin) =
            (SignalMeter::default(), PositionMeter::default(), MarginMeter::default());
        Some(Self { context, signal, range, margin, second: 0 })
    }

    /// A quarter of a second: one report and one position. Gives a warning or an alarm that it raised.
    fn quarter(&mut self, index: i64, level: f64, distance_m: f64) -> bool {
        let at = Nanos::from_millis(250 * index + 10);
        let mut raised = false;
        while Nanos::from_secs(self.second + 1) <= at {
            self.second += 1;
            let second = Nanos::from_secs(self.second);
            self.signal.second(second, &self.context);
            let events = self.margin.second(second, &self.signal, &self.range, &self.context);
            raised |= events.iter().any(|event| event.event.kind() != "cleared");
        }
        let sender = |system| Sender {
            interface: InterfaceId(0),
            direction: Direction::Inbound,
            system,
            component: if system == 1 { 1 } else { 110 },
        };
        let radio = Telemetry::Radio {
            rssi: Some(raw(level)),
            remote_rssi: None,
            noise: None,
            remote_noise: None,
            tx_buffer_percent: Some(100),
            rx_errors: 0,
            fixed: 0,
            older: false,
        };
        self.signal.observe(at, sender(41), &radio, &self.context);
        let position = Telemetry::Position {
            boot_ms: 0,
            lat_deg: 54.0 + distance_m / 111_330.0,
            lon_deg: 10.0,
            alt_m: 0.0,
            relative_alt_m: 0.0,
            velocity: [0.0; 3],
            heading_deg: None,
        };
        self.range.observe(at, sender(1), &position, &self.context);
        raised
    }
}

/// A way from 5 m outward after some seconds' rest.
fn outward(with_distance: bool, seeds: u64, rest_s: f64) {
    let mut early = Tally::new("outward at 3 to 10 m/s: warned 8 s before the first freeze");
    for seed in 0..SETS {
        let mut random = ChaCha8Rng::seed_from_u64(seeds + 2000 + seed);
        let Some(mut rig) = Rig::new(with_distance) else { return };
        let speed = 3.0 + 7.0 * random.random::<f64>();
        let mut shadow = Shadow::new(&mut random);
        let (mut warned, mut froze) = (None, None);
        for index in 0_i64.. {
            let seconds = index as f64 * 0.25;
            let distance = 5.0 + (seconds - rest_s).max(0.0) * speed;
            let metres = if seconds > rest_s { speed * 0.25 } else { 0.0 };
            let shade = shadow.step(&mut random, 0.25, metres);
            let level = LEVEL_AT_1M - 10.0 * EXPONENT * distance.log10() + shade;
            if rig.quarter(index, level, distance) {
                warned.get_or_insert(seconds);
            }
            if index % 4 == 0 && random.random::<f64>() < chance(level, 0.0) {
                froze = Some(seconds);
                break;
            }
        }
        let lead = froze.zip(warned).map_or(0.0, |(froze, warned)| froze - warned);
        early.take(lead >= 8.0);
    }
    println!("  after a rest of {rest_s} s");
    early.print();
}

/// The distance at which the level is this much above the threshold.
fn distance_at(margin: f64) -> f64 {
    10_f64.powf((LEVEL_AT_1M - TRUE_P05 - margin) / (10.0 * EXPONENT))
}

/// Warnings, and those with a level above 6 dB in all of the 4 s before them.
#[derive(Default)]
struct Warnings {
    all: u32,
    falsely: u32,
}

/// A stay at a mean margin, reached at this speed from 5 m on after a rest of 20 s (`None`: there from the
/// start on); warnings from 2 s after the arrival on.
fn stay(rig: &mut Rig, random: &mut ChaCha8Rng, margin: f64, speed: Option<f64>, until_s: i64) -> Warnings {
    let mut warnings = Warnings::default();
    let mut shadow = Shadow::new(random);
    let mut lowest = [f64::INFINITY; 16];
    let there = distance_at(margin);
    let arrival_s = speed.map_or(0.0, |speed| 20.0 + (there - 5.0) / speed);
    let mut last = there;
    for index in 0..until_s * 4 {
        let seconds = index as f64 * 0.25;
        let distance = there - speed.map_or(0.0, |speed| (arrival_s - seconds.max(20.0)).max(0.0) * speed);
        let metres = (distance - last).abs();
        last = distance;
        let mean = LEVEL_AT_1M - 10.0 * EXPONENT * distance.log10() - TRUE_P05;
        let above = mean + shadow.step(random, 0.25, metres);
        lowest[(index % 16) as usize] = above;
        let drift = 0.3 * normal(random);
        let settled = speed.is_none() || seconds > arrival_s + 2.0;
        if rig.quarter(index, TRUE_P05 + above, distance + drift) && settled {
            warnings.all += 1;
            warnings.falsely += u32::from(lowest.iter().all(|margin| *margin > 6.0));
        }
    }
    warnings
}

fn flights(with_distance: bool, seeds: u64) {
    println!("flights {} a distance, seeds + {seeds}", if with_distance { "with" } else { "without" });
    outward(with_distance, seeds, 10.0);
    outward(with_distance, seeds, 60.0);
    for margin in [18.0, 12.0] {
        let mut hours = Vec::new();
        for seed in 0..HOURS {
            let mut random = ChaCha8Rng::seed_from_u64(seeds + 3000 + seed);
            let Some(mut rig) = Rig::new(with_distance) else { return };
            hours.push(stay(&mut rig, &mut random, margin, None, 3600));
        }
        let most = hours.iter().map(|hour| hour.all).max().unwrap_or(0);
        let all: u32 = hours.iter().map(|hour| hour.all).sum();
        let falsely: u32 = hours.iter().map(|hour| hour.falsely).sum();
        println!(
            "  an hour of hovering at {margin} dB: {:.1} warnings, at most {most}; {falsely} of {all} while \
             the level was above 6 dB all along",
            f64::from(all) / HOURS as f64
        );
    }
    let mut falsely = 0;
    for seed in 0..2 * SETS {
        let mut random = ChaCha8Rng::seed_from_u64(seeds + 5000 + seed);
        let Some(mut rig) = Rig::new(with_distance) else { return };
        let speed = 3.0 + 7.0 * random.random::<f64>();
        falsely += stay(&mut rig, &mut random, 12.0, Some(speed), 90).falsely;
    }
    println!("  {} arrivals at 12 dB: {falsely} such warnings from 2 s after it on", 2 * SETS);
}

fn main() {
    let only = std::env::args().nth(1);
    let wanted = |part: &str| only.as_deref().is_none_or(|only| only == part);
    println!("true level_p05 {TRUE_P05:.2} dBm, {SETS} sets of four sessions");
    if wanted("thresholds") {
        thresholds("long sessions", 420, 210.0, 0, 0.7);
        thresholds("short sessions", 240, 160.0, 0, 1.5);
        thresholds("long sessions, 10 freezes of other causes", 420, 210.0, 10, 0.7);
        thresholds("short sessions, 10 freezes of other causes", 240, 160.0, 10, 1.5);
    }
    if wanted("agreement") {
        println!("do six sessions agree, {} sets", 3 * SETS);
        agreements("alike, long", 420, 210.0, &|_| 0.0);
        agreements("alike, short", 240, 160.0, &|_| 0.0);
        agreements("one lies 6 dB above the others", 420, 210.0, &|index| if index == 2 { 6.0 } else { 0.0 });
        agreements("each lies 1 dB above the one before", 420, 210.0, &|index| f64::from(index));
    }
    if wanted("lines") {
        lines();
    }
    if wanted("flights") {
        let seeds = std::env::args().nth(2).and_then(|seeds| seeds.parse().ok()).unwrap_or(0);
        flights(true, seeds);
        flights(false, seeds);
    }
}
