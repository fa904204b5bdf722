//! Distances and where the handset is taken to be, from messages on.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::sync::Arc;

use fadewatch::link::context::{Context, Sender};
use fadewatch::link::metrics::range::RangeMeter;
use fadewatch::link::roles::Roles;
use fadewatch::link::telemetry::Telemetry;
use fadewatch::profile::Profile;
use fadewatch::record::{Direction, InterfaceId};
use fadewatch::units::Nanos;

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

/// A short case of geographiclib 2.1 in tests/vectors/geodesic.json: 999.996673 m due north.
const LAT: f64 = 47.397_742_0;
const LON: f64 = 8.545_594_0;
const NORTH_1000: f64 = 47.406_736_5;

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

fn distance(meter: &RangeMeter, at: i64, context: &Context) -> Option<f64> {
    meter.distance(Nanos::from_secs(at), context).map(|distance| distance.0)
}

#[test]
fn slant_distance_from_the_profile() {
    let context = context("[handset]\nlat = 47.3977420\nlon = 8.5455940\nalt = 400.0\n");
    let mut meter = RangeMeter::default();
    meter.observe(Nanos::from_secs(1), sender(1), &position(NORTH_1000, 400.0), &context);
    assert!((distance(&meter, 2, &context).unwrap() - 999.996_673).abs() < 1e-4);
    meter.observe(Nanos::from_secs(2), sender(1), &position(NORTH_1000, 1150.0), &context);
    let expected = 999.996_673_f64.hypot(750.0);
    assert!((distance(&meter, 3, &context).unwrap() - expected).abs() < 1e-4);
    assert_eq!(distance(&meter, 5, &context), None, "older than 2 s");
}

#[test]
fn a_profile_without_height_takes_that_of_the_vehicles_home() {
    let context = context("[handset]\nlat = 47.3977420\nlon = 8.5455940\n");
    let mut meter = RangeMeter::default();
    meter.observe(Nanos::from_secs(1), sender(1), &position(LAT, 430.0), &context);
    assert!((distance(&meter, 1, &context).unwrap() - 30.0).abs() < 1e-6);
}

/// Each better word on where the handset is takes the place of the one before, for the whole session.
#[test]
fn the_best_word_counts() {
    let context = context("[handset]\nsystem = 255\n");
    let mut meter = RangeMeter::default();
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
    assert!((distance(&meter, 3, &context).unwrap() - 999.996_673).abs() < 1e-4);
}

#[test]
fn seconds_of_a_bridged_silence_lie_on_the_line() {
    let context = context("[handset]\nlat = 47.3977420\nlon = 8.5455940\nalt = 400.0\n");
    let mut meter = RangeMeter::default();
    meter.observe(Nanos::from_secs(1), sender(1), &position(LAT, 400.0), &context);
    meter.observe(Nanos::from_secs(11), sender(1), &position(NORTH_1000, 400.0), &context);
    let seconds = meter.seconds(&context);
    assert_eq!(seconds.len(), 11);
    assert!((f64::from(seconds[5].unwrap()) - 500.0).abs() < 0.01, "{:?}", seconds[5]);
    meter.observe(Nanos::from_secs(22), sender(1), &position(LAT, 400.0), &context);
    assert_eq!(meter.seconds(&context).len(), 11, "eleven seconds are not bridged");
}

#[test]
fn radial_speed_is_the_slope_of_the_distance() {
    let context = context("[handset]\nlat = 47.3977420\nlon = 8.5455940\nalt = 400.0\n");
    let mut meter = RangeMeter::default();
    for index in 0..20_i64 {
        let lat = LAT + (NORTH_1000 - LAT) * (0.1 + 0.001 * index as f64);
        meter.observe(Nanos::from_millis(500 * index), sender(1), &position(lat, 400.0), &context);
    }
    let speed = meter.radial_speed(Nanos::from_millis(9500), &context).unwrap();
    assert!((speed - 2.0).abs() < 1e-3, "{speed}");
}
