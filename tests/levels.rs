//! Fixes that cannot be, radios that top out, and the level at which a freeze begins.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod frames;
mod invented;

use std::sync::Arc;

use fadewatch::judge::margin::MarginMeter;
use fadewatch::judge::range::{self, Evidence};
use fadewatch::measure::context::{Context, Sender};
use fadewatch::measure::failsafe::FailsafeMeter;
use fadewatch::measure::latency::LatencyMeter;
use fadewatch::measure::loss::LossMeter;
use fadewatch::measure::position::PositionMeter;
use fadewatch::measure::roles::Roles;
use fadewatch::measure::signal::SignalMeter;
use fadewatch::measure::video::VideoMeter;
use fadewatch::profile::LimitEvent;
use fadewatch::record::{Direction, InterfaceId};
use fadewatch::summary::{RangeSummary, Threshold};
use fadewatch::units::LevelUnit;
use fadewatch::wire::telemetry::Telemetry;
use fadewatch::{Nanos, Profile};
use invented::{Message, Plan, RADIO, VEHICLE};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

/// A degree of latitude here, in metres: the ellipsoid's.
const DEGREE_M: f64 = 111_307.0;

const AIR: &str = "[vehicle]\nsystem = 1\n[handset]\nlat = 54.0\nlon = 8.0\nalt = 400.0\n\
                   [[link]]\nname = \"down\"\nrole = \"telemetry\"\nsenders = [[1, 1]]\n";

/// The row of a flight whose fixes lie so far north at these times.
fn flown(fixes: &[(f64, f64)]) -> RangeSummary {
    let mut plan = Plan::default();
    for &(at, north_m) in fixes {
        let boot = 60_000 + (at * 1000.0) as u32;
        plan.send(at, VEHICLE, Message::position(boot, 54.0 + north_m / DEGREE_M, 8.0));
        if ((at * 10.0).round() as u32).is_multiple_of(10) {
            plan.send(at, VEHICLE, Message::heartbeat(at > 5.0, 1));
        }
    }
    let played = plan.play(AIR, &[], fixes.last().unwrap().0 + 0.5);
    played.summary().range.remove(0)
}

/// Out to 400 m and back at 10 m/s, ten fixes a second.
fn out_and_back() -> Vec<(f64, f64)> {
    let north = |at: f64| (10.0 * (at - 10.0)).clamp(2.0, 400.0).min((10.0 * (95.0 - at)).max(2.0));
    (0..1000).map(|step| f64::from(step) / 10.0).map(|at| (at, north(at))).collect()
}

#[test]
fn a_fix_astray_is_left_out_and_said() {
    let plain = flown(&out_and_back());
    assert!((plain.max_distance_m.unwrap() - 400.0).abs() < 0.5, "{:?}", plain.max_distance_m);
    assert_eq!(plain.fixes_left_out, 0);
    for astray in [1, 3, 30] {
        let mut fixes = out_and_back();
        for fix in &mut fixes[400..400 + astray] {
            fix.1 = 3971.0;
        }
        let row = flown(&fixes);
        assert_eq!(row.fixes_left_out, astray as u64);
        assert_eq!(row.max_distance_m, plain.max_distance_m);
        assert_eq!(row.proven_m, plain.proven_m);
    }
}

/// A plane at 45 m/s with a fix a second, a link that is silent for 8 s: every fix counts.
#[test]
fn fast_and_silent_flights_lose_no_fix() {
    let fast: Vec<(f64, f64)> =
        (0..60).map(f64::from).map(|at| (at, (45.0 * (at - 10.0)).max(2.0))).collect();
    let row = flown(&fast);
    assert_eq!(row.fixes_left_out, 0);
    assert!((row.max_distance_m.unwrap() - 45.0 * 49.0).abs() < 2.0, "{:?}", row.max_distance_m);
    let silent: Vec<(f64, f64)> = fast.into_iter().filter(|(at, _)| !(30.0..38.0).contains(at)).collect();
    assert_eq!(flown(&silent).fixes_left_out, 0);
}

const EXPONENT: f64 = 2.9;
const AT_1M: f64 = -20.0;
const LIMIT_DBM: f64 = -95.0;

/// What a flight showed: its row, and warnings and alarms on the way.
struct Flown {
    row: RangeSummary,
    warnings: usize,
}

/// The row of a flight from 3 m out to 303 m and back.
fn levels(seed: u64, most_dbm: f64, scale: &str) -> RangeSummary {
    flight(seed, most_dbm, scale, 1.5, 300.0).row
}

/// A flight at a speed from 3 m out to 303 m and back, or to a farthest distance and around there, shadowing of 3 dB that stays alike for 3 s; the radio reports no more than
/// a level, in half decibels.
fn flight(seed: u64, most_dbm: f64, scale: &str, speed: f64, farthest_m: f64) -> Flown {
    let profile = format!(
        "[handset]\nlat = 54.0\nlon = 8.0\nalt = 400.0\n[[link]]\nname = \"video\"\nrole = \"video\"\n\
         radio = {{ system = 41, component = 110 }}\n{scale}"
    );
    let mut context = Context {
        profile: Arc::new(Profile::parse(&profile).unwrap()),
        roles: Roles::with_vehicle(Some(1)),
        start: Some(Nanos::ZERO),
        thresholds: Arc::from([Threshold {
            link: "video".to_owned(),
            unit: LevelUnit::Dbm,
            level_p05: LIMIT_DBM,
            event: LimitEvent::Freeze,
            ..Threshold::default()
        }]),
        ..Context::default()
    };
    let mut margin = MarginMeter::default();
    let mut warnings = 0;
    let sender = |system, component| Sender {
        interface: InterfaceId(0),
        direction: Direction::Inbound,
        system,
        component,
    };
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut normal = || (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0;
    let (mut range, mut signal) = (PositionMeter::default(), SignalMeter::default());
    let (step_s, keep) = (0.25, (-0.25_f64 / 3.0).exp());
    let mut shadow = 3.0 * normal();
    for step in 0..1600_i64 {
        let at = Nanos::from_millis(250 * step + 10);
        if step % 4 == 0 {
            let at = Nanos::from_secs(step / 4);
            signal.second(at, &context);
            let told = margin.second(at, &signal, &range, &context);
            warnings +=
                told.iter().filter(|event| ["warning", "alarm"].contains(&event.event.kind())).count();
        }
        let at_s = step_s * step as f64;
        let distance_m = 3.0 + (speed * at_s.min(400.0 - at_s)).clamp(0.0, farthest_m);
        shadow = keep * shadow + (1.0 - keep * keep).sqrt() * 3.0 * normal();
        let level = (AT_1M - 10.0 * EXPONENT * distance_m.log10() + shadow).min(most_dbm);
        let radio = Telemetry::Radio {
            rssi: Some((2.0 * (level + 120.0)).round().clamp(0.0, 254.0) as u8),
            remote_rssi: None,
            noise: None,
            remote_noise: None,
            tx_buffer_percent: Some(100),
            rx_errors: 0,
            fixed: 0,
            older: false,
        };
        signal.observe(at, sender(41, 110), &radio, &context);
        let position = Telemetry::Position {
            boot_ms: 0,
            lat_deg: 54.0 + distance_m / DEGREE_M,
            lon_deg: 8.0,
            alt_m: 400.0,
            relative_alt_m: 0.0,
            velocity: [0.0; 3],
            heading_deg: None,
        };
        range.observe(at, sender(1, 1), &position, &context);
        context.now = at;
    }
    let (loss, video) = (LossMeter::default(), VideoMeter::default());
    let (latency, failsafe) = (LatencyMeter::default(), FailsafeMeter::default());
    let evidence =
        Evidence { signal: &signal, loss: &loss, video: &video, latency: &latency, failsafe: &failsafe };
    Flown { row: range::summary(&range, &context, evidence).remove(0), warnings }
}

const SCALE: &str = "level = { slope_db = 0.5, offset_dbm = -120.0 }\n";

/// At -60 dBm the radio tops out: by the line up to 24 m, with shadowing up to some 40.
#[test]
fn a_radio_that_tops_out_bends_no_line() {
    let seeds = 10_001..10_041;
    let (mut sum, mut held) = (0.0, 0);
    for seed in seeds.clone() {
        let row = levels(seed, -60.0, SCALE);
        let to_m = row.saturated_to_m.unwrap();
        assert!((20.0..70.0).contains(&to_m) && row.saturated_s.unwrap() >= 10, "seed {seed}: {to_m}");
        sum += row.path_loss_exponent.unwrap() - EXPONENT;
        let [low, high] = row.path_loss_exponent_ci95.unwrap();
        held += u32::from(low <= EXPONENT && EXPONENT <= high);
        let raw = levels(seed, -60.0, "");
        assert_eq!((raw.saturated_to_m, raw.path_loss_exponent), (row.saturated_to_m, None));
    }
    // 95 % of 40: at least 33 (binomial, 99.9 %). The spread of one flight's exponent is some 0.2.
    assert!(held >= 33, "{held} of 40");
    assert!((sum / 40.0).abs() < 0.12, "bias {}", sum / 40.0);
}

#[test]
fn a_radio_that_does_not_top_out_is_not_said_to() {
    for seed in 10_001..10_041 {
        let row = levels(seed, 0.0, SCALE);
        assert_eq!((row.saturated_to_m, row.saturated_s), (None, None), "seed {seed}");
    }
}

/// Fast out to 95 m, where the margin is 17 dB, and around there: nothing is near.
#[test]
fn a_radio_that_tops_out_makes_no_false_warning() {
    let warnings = |most_dbm: f64| -> usize {
        let flights =
            (10_001..10_041).map(|seed| flight(seed, most_dbm, SCALE, 4.0 + (seed % 9) as f64, 92.0));
        flights.map(|flown| flown.warnings).sum()
    };
    let (tops_out, true_levels) = (warnings(-60.0), warnings(0.0));
    assert!(tops_out <= true_levels, "{tops_out} {true_levels}");
}

const VIDEO: &str = "[vehicle]\nsystem = 1\n[[link]]\nname = \"video\"\nrole = \"video\"\nport = 5004\n\
                     radio = { system = 41, component = 110 }\n\
                     level = { slope_db = 0.5, offset_dbm = -120.0 }\n";

/// The level falls by 2 dB at each of four reports a second; the picture freezes between two whole seconds.
#[test]
fn a_freeze_has_the_level_at_its_start() {
    for freezes_at in [20.2, 20.5, 20.98] {
        let mut plan = Plan::default();
        let mut reports = Vec::new();
        for step in 0..160 {
            let at = f64::from(step) / 4.0 + 0.06;
            let raw = (220.0 - (4.0 * (at - 15.0) * 4.0).max(0.0)).max(20.0).round() as u8;
            plan.send(at, RADIO, Message::radio(raw, 100));
            reports.push((at, f64::from(raw) / 2.0 - 120.0));
        }
        let mut start = 0.0_f64;
        for (number, at) in (0_u16..).map(|number| (number, f64::from(number) * 0.04)) {
            if at > 39.98 {
                break;
            }
            if at <= freezes_at || at > freezes_at + 1.5 {
                plan.picture(at, number);
                start = if at <= freezes_at { at } else { start };
            }
        }
        let video = plan.play(VIDEO, &[], 40.0).summary().video.unwrap();
        let mut last: Vec<f64> = reports
            .iter()
            .filter(|(at, _)| *at > start - 1.0 && *at <= start)
            .map(|(_, level)| *level)
            .collect();
        last.sort_by(f64::total_cmp);
        let expected = f64::midpoint(last[(last.len() - 1) / 2], last[last.len() / 2]);
        assert_eq!(video.freezes, 1);
        let found = video.freeze_list[0].signal.unwrap();
        assert!((found - expected).abs() < 1e-6, "at {freezes_at}: {found} {expected}");
    }
}

/// At its top code a level has no trend, nor across it; below it has one.
#[test]
fn at_its_top_code_a_level_has_no_trend() {
    let trend = |level: &dyn Fn(f64) -> f64, end_s: f64| {
        let mut plan = Plan::default();
        for step in 0..400 {
            let at = f64::from(step) / 4.0 + 0.05;
            plan.send(at, RADIO, Message::radio(level(at).min(200.0) as u8, 100));
        }
        plan.play(VIDEO, &[], end_s).snapshot().lanes[0].trend_per_s
    };
    let falls = |at: f64| 200.0 - (4.0 * (at - 40.0)).max(0.0);
    assert_eq!(trend(&falls, 39.0), None);
    assert_eq!(trend(&falls, 40.9), None, "fewer than five samples below it");
    let found = trend(&falls, 44.0).unwrap();
    assert!((found + 2.0).abs() < 0.2, "{found}");
    let wavers = |at: f64| 190.0 + 5.0 * at.sin();
    assert!(trend(&wavers, 44.0).is_some());
}

/// In device units the spread comes from the levels themselves: those at the top code do not waver, and must not make a
/// wavering one look like a fall. Near for 100 s, then around one place: what warns is what would warn without a top.
#[test]
fn a_top_code_does_not_make_a_waver_a_fall() {
    let profile = "[vehicle]\nsystem = 1\n[[link]]\nname = \"video\"\nrole = \"video\"\n\
                   radio = { system = 41, component = 110 }\n\
                   limits = { warning_margin = 5.0, forecast_margin = 60.0, alarm_margin = 2.0 }\n";
    let warnings = |seed: u64, near: f64, most: f64| {
        let limit = Threshold {
            link: "video".to_owned(),
            unit: LevelUnit::Raw,
            level_p05: 168.0,
            event: LimitEvent::Freeze,
            ..Threshold::default()
        };
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut normal = || (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0;
        let (keep, mut shadow) = ((-0.25_f64 / 3.0).exp(), 6.0 * normal());
        let mut plan = Plan::default();
        for step in 0..1600 {
            let at = f64::from(step) / 4.0 + 0.05;
            shadow = keep * shadow + (1.0 - keep * keep).sqrt() * 6.0 * normal();
            let level = if at < 100.0 { near } else { 190.0 } + shadow;
            plan.send(at, RADIO, Message::radio(level.clamp(0.0, most) as u8, 100));
        }
        let played = plan.play(profile, &[limit], 400.0);
        played.told("warning") + played.told("alarm")
    };
    let sum = |near: f64, most: f64| (10_001..10_101).map(|seed| warnings(seed, near, most)).sum::<usize>();
    let (with_top, without) = (sum(230.0, 196.0), sum(190.0, 254.0));
    assert!(with_top <= without, "{with_top} {without}");
}
