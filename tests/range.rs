//! Distances and where the handset is taken to be, from messages on.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

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
use fadewatch::snapshot::LinkState;
use fadewatch::summary::{TheoryLimit, Threshold};
use fadewatch::units::{LevelUnit, Nanos};
use fadewatch::wire::telemetry::Telemetry;

fn context(profile: &str) -> Context {
    let mut roles = Roles::with_vehicle(Some(1));
    let disarmed =
        Telemetry::Heartbeat { kind: 2, autopilot: 3, base_mode: 81, custom_mode: 0, system_status: 3 };
    roles.observe(1, 1, &disarmed);
    Context {
        profile: Arc::new(Profile::parse(profile).unwrap()),
        roles,
        start: Some(Nanos::ZERO),
        ..Context::default()
    }
}

fn sender(system: u8) -> Sender {
    Sender { interface: InterfaceId(0), direction: Direction::Inbound, system, component: 1 }
}

/// A short case of geographiclib 2.1 in tests/vectors/geodesic.json: 999.998291 m due north.
const LAT: f64 = 54.0;
const LON: f64 = 8.0;
const NORTH_1000: f64 = 54.008_984_3;

fn position(lat_deg: f64, alt_m: f64) -> Telemetry {
    Telemetry::Position {
        boot_ms: 0,
        lat_deg,
        lon_deg: LON,
        alt_m,
        relative_alt_m: alt_m - 400.0,
        velocity: [0.0; 3],
        heading_deg: None,
    }
}

fn distance(meter: &PositionMeter, at: i64, context: &Context) -> Option<f64> {
    meter.distance(Nanos::from_secs(at), context).map(|distance| distance.0)
}

#[test]
fn slant_distance_from_the_profile() {
    let context = context("[handset]\nlat = 54.0\nlon = 8.0\nalt = 400.0\n");
    let mut meter = PositionMeter::default();
    meter.observe(Nanos::from_secs(1), sender(1), &position(NORTH_1000, 400.0), &context);
    assert!((distance(&meter, 2, &context).unwrap() - 999.998_291).abs() < 1e-4);
    meter.observe(Nanos::from_secs(2), sender(1), &position(NORTH_1000, 1150.0), &context);
    let expected = 999.998_291_f64.hypot(750.0);
    assert!((distance(&meter, 3, &context).unwrap() - expected).abs() < 1e-4);
    assert_eq!(distance(&meter, 5, &context), None, "older than 2 s");
}

#[test]
fn a_profile_without_height_takes_that_of_the_vehicles_home() {
    let context = context("[handset]\nlat = 54.0\nlon = 8.0\n");
    let mut meter = PositionMeter::default();
    meter.observe(Nanos::from_secs(1), sender(1), &position(LAT, 430.0), &context);
    assert!((distance(&meter, 1, &context).unwrap() - 30.0).abs() < 1e-6);
}

/// Each better word on where the handset is takes the place of the one before, for the whole session.
#[test]
fn the_best_word_counts() {
    let context = context("[handset]\nsystem = 255\n");
    let mut meter = PositionMeter::default();
    let at = Nanos::from_secs;
    assert_eq!(distance(&meter, 1, &context), None);
    let fix = |lat_deg, eph| Telemetry::GpsFix {
        fix_type: 3,
        lat_deg,
        lon_deg: LON,
        alt_m: 400.0,
        eph: Some(eph),
        accuracy_m: None,
        satellites: Some(9),
    };
    meter.observe(at(1), sender(1), &fix(LAT, 3.0), &context);
    assert_eq!(distance(&meter, 1, &context), None, "not good enough");
    meter.observe(at(2), sender(1), &fix(LAT, 1.5), &context);
    assert_eq!(distance(&meter, 2, &context), Some(0.0));
    let home = Telemetry::Home { lat_deg: LAT, lon_deg: LON, alt_m: 390.0 };
    meter.observe(at(2), sender(1), &home, &context);
    assert!((distance(&meter, 2, &context).unwrap() - 10.0).abs() < 1e-6);
    meter.mark_handset_here(at(3));
    assert_eq!(distance(&meter, 3, &context), Some(0.0));
    meter.observe(at(3), sender(255), &fix(NORTH_1000, 9.0), &context);
    assert!((distance(&meter, 3, &context).unwrap() - 999.998_291).abs() < 1e-4);
}

#[test]
fn seconds_of_a_bridged_silence_lie_on_the_line() {
    let context = context("[handset]\nlat = 54.0\nlon = 8.0\nalt = 400.0\n");
    let mut meter = PositionMeter::default();
    meter.observe(Nanos::from_secs(1), sender(1), &position(LAT, 400.0), &context);
    meter.observe(Nanos::from_secs(11), sender(1), &position(NORTH_1000, 400.0), &context);
    let seconds = meter.seconds(&context);
    assert_eq!(seconds.len(), 11);
    assert!((f64::from(seconds.number(5).unwrap()) - 500.0).abs() < 0.01, "{:?}", seconds.number(5));
    meter.observe(Nanos::from_secs(22), sender(1), &position(LAT, 400.0), &context);
    assert_eq!(meter.seconds(&context).len(), 11, "eleven seconds are not bridged");
}

#[test]
fn radial_speed_is_the_slope_of_the_distance() {
    let context = context("[handset]\nlat = 54.0\nlon = 8.0\nalt = 400.0\n");
    let mut meter = PositionMeter::default();
    for index in 0..20_i64 {
        let lat = LAT + (NORTH_1000 - LAT) * (0.1 + 0.001 * index as f64);
        meter.observe(Nanos::from_millis(500 * index), sender(1), &position(lat, 400.0), &context);
    }
    let speed = meter.radial_speed(Nanos::from_millis(9500), &context).unwrap();
    assert!((speed - 2.0).abs() < 1e-3, "{speed}");
}

/// One link's radio on the ground, its budget, and a freeze limit of -80 dBm.
const BUDGETED: &str = "[handset]\nlat = 54.0\nlon = 8.0\nalt = 400.0\n[[link]]\nname = \"video\"\n\
    role = \"video\"\nradio = { system = 41, component = 110 }\nlevel = { slope_db = 0.5, offset_dbm = -120.0 }\n\
    budget = { frequency_mhz = 2400, tx_power_dbm = 20, tx_gain_dbi = 2, rx_gain_dbi = 2, sensitivity_dbm = -92 }\n";

fn with_threshold() -> Context {
    let limit = Threshold {
        link: "video".to_owned(),
        unit: LevelUnit::Dbm,
        level_p50: Some(-84.0),
        level_p05: -80.0,
        level_p05_ci95: None,
        base: Some(0.0),
        sessions: 4,
        freezes: 40,
        method: "logistic".to_owned(),
        ..Threshold::default()
    };
    Context { thresholds: Arc::from([limit]), ..context(BUDGETED) }
}

/// Flown straight north at 2 m/s, the level a fixed distance below free space at 2400 MHz.
fn flown_north(context: &mut Context, below_db: f64) -> (PositionMeter, SignalMeter) {
    let (mut range, mut signal) = (PositionMeter::default(), SignalMeter::default());
    for step in 0..1200_i64 {
        let at = Nanos::from_millis(250 * step + 10);
        if step % 4 == 0 {
            signal.second(Nanos::from_secs(step / 4), context);
        }
        let distance = 15.0 + 0.5 * step as f64;
        let loss = 20.0 * (4.0 * std::f64::consts::PI * distance * 2.4e9 / 299_792_458.0).log10();
        let level = 24.0 - loss - below_db;
        let radio = Telemetry::Radio {
            rssi: Some((2.0 * (level + 120.0)).round() as u8),
            remote_rssi: None,
            noise: None,
            remote_noise: None,
            tx_buffer_percent: Some(100),
            rx_errors: 0,
            fixed: 0,
            older: false,
        };
        signal.observe(at, Sender { component: 110, ..sender(41) }, &radio, context);
        let lat = LAT + (NORTH_1000 - LAT) * distance / 999.998_291;
        range.observe(at, sender(1), &position(lat, 400.0), context);
        context.now = at;
    }
    (range, signal)
}

fn evidence<'a>(
    signal: &'a SignalMeter,
    rest: &'a (LossMeter, VideoMeter, LatencyMeter, FailsafeMeter),
) -> Evidence<'a> {
    Evidence { signal, loss: &rest.0, video: &rest.1, latency: &rest.2, failsafe: &rest.3 }
}

/// ITU-R P.525 at 2400 MHz (40.052008 dB at 1 m, tests/vectors/pathloss.json): 24 dBm radiated less 104 dB meets
/// -80 dBm at 10^((104 - 40.052008) / 20) m; 8 dB below it the same line ends 8 dB sooner, and 3 dB more
/// reach 10^(3/20) times as far.
#[test]
fn theory_stands_beside_what_was_seen() {
    let mut context = with_threshold();
    let (range, signal) = flown_north(&mut context, 8.0);
    let rest = Default::default();
    let row = fadewatch::judge::range::summary(&range, &context, evidence(&signal, &rest)).remove(0);
    let claimed = 10_f64.powf((104.0 - 40.052_008) / 20.0);
    let theory = row.theory.unwrap();
    assert_eq!(theory.limit.map(TheoryLimit::word), Some("freeze_level"));
    assert!((theory.free_space_m.unwrap() / claimed - 1.0).abs() < 1e-6, "{theory:?}");
    assert!((theory.below_free_space_db.unwrap() - 8.0).abs() < 0.1, "{theory:?}");
    assert!((row.path_loss_exponent.unwrap() - 2.0).abs() < 0.02);
    let freeze = claimed / 10_f64.powf(8.0 / 20.0);
    assert!((row.predicted_freeze_m.unwrap() / freeze - 1.0).abs() < 0.02);
    let more = freeze * (10_f64.powf(3.0 / 20.0) - 1.0);
    assert!((row.plus_3db_m.unwrap() / more - 1.0).abs() < 0.03, "{:?} {more}", row.plus_3db_m);
    let [low, high] = row.plus_3db_ci95_m.unwrap();
    assert!(low < row.plus_3db_m.unwrap() && high > row.plus_3db_m.unwrap());
    let lines = fadewatch::judge::range::view(&range, &context, evidence(&signal, &rest)).remove(0).theory;
    let (distance, free_space, two_rays) = lines[20];
    assert!((free_space - (24.0 - 40.052_008 - 20.0 * distance.log10())).abs() < 1e-5);
    assert_eq!(two_rays, None, "no heights");
}

#[test]
fn the_farthest_fix_counts_also_between_whole_seconds() {
    let context =
        context("[handset]\nlat = 54.0\nlon = 8.0\nalt = 400.0\n[[link]]\nname = \"v\"\nrole = \"video\"\n");
    let mut meter = PositionMeter::default();
    for (millis, share) in [(900, 0.10), (1_400, 0.13), (2_100, 0.11), (3_050, 0.09)] {
        let lat = LAT + (NORTH_1000 - LAT) * share;
        meter.observe(Nanos::from_millis(millis), sender(1), &position(lat, 400.0), &context);
    }
    let (signal, rest) = (SignalMeter::default(), Default::default());
    let row = fadewatch::judge::range::summary(&meter, &context, evidence(&signal, &rest)).remove(0);
    assert!((row.max_distance_m.unwrap() - 130.0).abs() < 0.01, "{:?}", row.max_distance_m);
}

/// The map counts east and north from the handset, and colours by the margin's limits (6 and 3 dB).
#[test]
fn the_way_is_drawn_by_margin() {
    let mut context = with_threshold();
    let (range, signal) = flown_north(&mut context, 8.0);
    let rest = Default::default();
    let view = fadewatch::judge::range::view(&range, &context, evidence(&signal, &rest)).remove(0);
    assert!(view.handset_known && view.track.len() >= 295, "{}", view.track.len());
    for point in &view.track {
        let margin = point.margin.unwrap();
        let expected = match margin {
            _ if margin < 3.0 => LinkState::Alarm,
            _ if margin < 6.0 => LinkState::Warning,
            _ => LinkState::Good,
        };
        assert!(point.state == expected && point.east_m.abs() < 0.01 && point.north_m > 14.0, "{point:?}");
    }
    let (first, last) = (view.track.first().unwrap(), view.track.last().unwrap());
    assert!(first.state == LinkState::Good && last.state == LinkState::Alarm, "{first:?} {last:?}");
    assert!((view.here.unwrap()[1] - 614.5).abs() < 0.1);
}
