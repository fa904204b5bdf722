//! Levels per radio and direction, from messages on.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::sync::Arc;

use fadewatch::judge::margin::MarginMeter;
use fadewatch::measure::context::{Context, Sender};
use fadewatch::measure::position::PositionMeter;
use fadewatch::measure::roles::Roles;
use fadewatch::measure::signal::SignalMeter;
use fadewatch::profile::{LimitEvent, Profile};
use fadewatch::record::{Direction, InterfaceId};
use fadewatch::snapshot::{LinkState, View};
use fadewatch::summary::Threshold;
use fadewatch::units::{LevelUnit, Nanos};
use fadewatch::wire::telemetry::Telemetry;

const PROFILE: &str = r#"
[vehicle]
system = 1
[[link]]
name = "video"
role = "video"
radio = { system = 1, component = 240, mounted = "ground" }
level = { slope_db = 0.5, offset_dbm = -120.0 }
[[link]]
name = "control"
role = "control"
radio = { system = 41, component = 110 }
[[link]]
name = "downlink"
role = "telemetry"
radio = { system = 41, component = 110 }
"#;

fn context(profile: &str) -> Context {
    Context {
        profile: Arc::new(Profile::parse(profile).unwrap()),
        roles: Roles::with_vehicle(Some(1)),
        start: Some(Nanos::ZERO),
        ..Context::default()
    }
}

fn sender(system: u8, component: u8) -> Sender {
    Sender { interface: InterfaceId(0), direction: Direction::Inbound, system, component }
}

fn radio(own: Option<u8>, peer: Option<u8>, older: bool) -> Telemetry {
    Telemetry::Radio {
        rssi: own,
        remote_rssi: peer,
        noise: Some(40),
        remote_noise: peer.map(|peer| peer.min(30)),
        tx_buffer_percent: Some(100),
        rx_errors: 0,
        fixed: 0,
        older,
    }
}

fn ms(millis: i64) -> Nanos {
    Nanos::from_millis(millis)
}

#[test]
fn the_level_is_the_median_of_a_second_else_the_latest_of_two() {
    let context = context(PROFILE);
    let mut meter = SignalMeter::default();
    for (at, level) in [(100, 80), (400, 100), (700, 90)] {
        meter.observe(ms(at), sender(1, 240), &radio(Some(level), None, false), &context);
    }
    assert_eq!(meter.level(0, ms(1000)), Some(-75.0));
    assert_eq!(meter.level(0, ms(1500)), Some(-75.0), "one sample is left of the last second");
    assert_eq!(meter.level(0, ms(2600)), Some(-75.0), "the latest of the last two");
    assert_eq!(meter.level(0, ms(2701)), None);
    meter.second(ms(1000), &context);
    meter.second(ms(4000), &context);
    let seconds = meter.seconds(0);
    assert_eq!((seconds.len(), seconds.number(0)), (4, Some(-75.0)));
    assert_eq!(seconds.known(0, usize::MAX).count(), 1);
}

#[test]
fn each_link_has_its_own_direction() {
    let context = context(PROFILE);
    let mut meter = SignalMeter::default();
    meter.observe(ms(100), sender(41, 110), &radio(Some(200), Some(150), false), &context);
    assert_eq!(meter.level(1, ms(500)), Some(150.0), "control: what the vehicle receives");
    assert_eq!(meter.level(2, ms(500)), Some(200.0), "telemetry: what the ground receives");
    let rows = meter.summary(&context);
    let found: Vec<(&str, &str, Option<f64>)> =
        rows.iter().map(|row| (row.link.as_deref().unwrap(), row.direction.word(), row.median)).collect();
    assert_eq!(found, [("downlink", "down", Some(200.0)), ("control", "up", Some(150.0))]);
    assert!(rows.iter().all(|row| row.snr_median_db.is_none()), "no decibels in device units");
}

#[test]
fn a_radio_in_the_vehicle_is_the_other_way_round() {
    let context = context(&PROFILE.replace("\"ground\"", "\"vehicle\""));
    let mut meter = SignalMeter::default();
    meter.observe(ms(100), sender(1, 240), &radio(Some(100), Some(60), false), &context);
    assert_eq!(meter.level(0, ms(500)), Some(-90.0));
}

#[test]
fn an_unheard_peer_and_an_unknown_level_are_absent() {
    let context = context(PROFILE);
    let mut meter = SignalMeter::default();
    meter.observe(ms(100), sender(41, 110), &radio(None, Some(0), false), &context);
    assert_eq!((meter.level(1, ms(500)), meter.level(2, ms(500))), (None, None));
    assert!(meter.summary(&context).is_empty());
}

#[test]
fn the_older_report_counts_only_without_the_newer() {
    let context = context(PROFILE);
    let mut meter = SignalMeter::default();
    meter.observe(ms(100), sender(41, 110), &radio(Some(100), None, true), &context);
    assert_eq!(meter.level(2, ms(500)), Some(100.0));
    meter.observe(ms(600), sender(41, 110), &radio(Some(200), None, false), &context);
    meter.observe(ms(610), sender(41, 110), &radio(Some(10), None, true), &context);
    assert_eq!(meter.level(2, ms(700)), Some(200.0));
    assert_eq!(meter.summary(&context)[0].samples, 1);
}

#[test]
fn zero_is_a_level_of_an_rc_input() {
    let text = "[vehicle]\nsystem = 1\n[[link]]\nname = \"control\"\nrole = \"control\"\nrc_rssi = true\n";
    let context = context(text);
    let mut meter = SignalMeter::default();
    let input =
        Telemetry::RcInput { boot_ms: 0, channels: [None; 18], count: Some(8), rssi: Some(0), older: false };
    meter.observe(ms(100), sender(1, 1), &input, &context);
    assert_eq!(meter.level(0, ms(500)), Some(0.0));
    let rows = meter.summary(&context);
    assert_eq!((rows[0].source.word(), rows[0].direction.word()), ("rc_channels", "up"));
}

/// A level that falls by 1 dB (2 units) a second, exactly.
#[test]
fn a_steady_fall_is_its_trend() {
    let context = context(PROFILE);
    let mut meter = SignalMeter::default();
    for index in 0..4_i64 {
        meter.observe(
            ms(index * 1000),
            sender(1, 240),
            &radio(Some(200 - 2 * index as u8), None, false),
            &context,
        );
    }
    assert_eq!(meter.trend(0, ms(3500)), None, "four samples are too few");
    for index in 4..10_i64 {
        meter.observe(
            ms(index * 1000),
            sender(1, 240),
            &radio(Some(200 - 2 * index as u8), None, false),
            &context,
        );
    }
    let trend = meter.trend(0, ms(9500)).unwrap();
    assert!((trend.per_s + 1.0).abs() < 1e-9);
    assert_eq!(trend.samples, 10);
}

#[test]
fn cells_hold_smallest_mean_and_largest() {
    let context = context(PROFILE);
    let mut meter = SignalMeter::default();
    for index in 0..40_i64 {
        let level = if index % 2 == 0 { 80 } else { 100 };
        meter.observe(ms(index * 250), sender(1, 240), &radio(Some(level), None, false), &context);
    }
    for second in 1..=10 {
        meter.second(Nanos::from_secs(second), &context);
    }
    let fine = meter.cells(0, &context, View { from_s: 0.0, to_s: 10.0, columns: 20 });
    let cell = fine[4].unwrap();
    assert_eq!((cell.min, cell.mean, cell.max), (-80.0, -75.0, -70.0));
    let coarse = meter.cells(0, &context, View { from_s: -10.0, to_s: 10.0, columns: 4 });
    assert!(coarse[0].is_none() && coarse[3].is_some());
}

/// Many strangers and a stamp far ahead leave the state bounded.
#[test]
fn strangers_do_not_grow_memory() {
    let context = context(PROFILE);
    let mut meter = SignalMeter::default();
    for system in 2..=200 {
        meter.observe(ms(10), sender(system, 1), &radio(Some(1), Some(2), false), &context);
    }
    assert!(meter.summary(&context).len() <= 32);
    meter.second(Nanos::from_secs(4_000_000_000), &context);
    // One block of 1024 numbers, and a pointer to it.
    assert!(meter.seconds(0).own_bytes() <= 1025 * size_of::<f32>() + 16, "{}", meter.seconds(0).own_bytes());
}

/// A video link with the usual limits and a telemetry link with its own, both 8 dB above their limit:
/// only the one whose limit is 10 dB warns, in an event of its own, and is acknowledged alone; once it has
/// cleared, a new warning is not acknowledged.
#[test]
fn each_link_warns_by_its_own_limits_and_is_acknowledged_alone() {
    let profile = PROFILE.replace(
        "name = \"downlink\"",
        "name = \"downlink\"\nlevel = { slope_db = 0.5, offset_dbm = -120.0 }\n\
         limits = { warning_margin = 10.0, alarm_margin = 4.0 }",
    );
    let limit = |link: &str, event: LimitEvent| Threshold {
        link: link.to_owned(),
        unit: LevelUnit::Dbm,
        level_p05: -88.0,
        event,
        ..Threshold::default()
    };
    let context = Context {
        thresholds: Arc::from([limit("video", LimitEvent::Freeze), limit("downlink", LimitEvent::Loss)]),
        ..context(&profile)
    };
    let (mut signal, mut margin) = (SignalMeter::default(), MarginMeter::default());
    let range = PositionMeter::default();
    let mut events = Vec::new();
    let mut second = 0;
    // Raw 80 is -80 dBm, 8 dB above; raw 120 is -60 dBm.
    let mut fly = |margin: &mut MarginMeter, seconds: i64, raw: u8| {
        for _ in 0..seconds {
            second += 1;
            for system in [1, 41] {
                let component = if system == 1 { 240 } else { 110 };
                let report = radio(Some(raw), Some(raw), false);
                signal.observe(ms(1000 * second - 10), sender(system, component), &report, &context);
            }
            signal.second(ms(1000 * second), &context);
            events.extend(margin.second(ms(1000 * second), &signal, &range, &context));
        }
        events
            .iter()
            .map(|event| (event.event.kind().to_owned(), event.link.clone().unwrap()))
            .collect::<Vec<_>>()
    };
    let told = fly(&mut margin, 4, 80);
    assert_eq!(told, [("warning".to_owned(), "downlink".to_owned())]);
    let (video, downlink) = (0, 2);
    assert_eq!(margin.standing(video).state, LinkState::Good);
    assert_eq!(margin.standing(downlink).margin, Some(8.0));
    margin.acknowledge("downlink");
    margin.acknowledge("video");
    assert!(margin.standing(downlink).acknowledged);
    assert!(!margin.standing(video).acknowledged, "nothing stood there");
    let told = fly(&mut margin, 20, 120);
    assert_eq!(told.last(), Some(&("cleared".to_owned(), "downlink".to_owned())));
    fly(&mut margin, 3, 80);
    assert!(!margin.standing(downlink).acknowledged, "a new warning");
    assert_eq!(margin.summary(downlink).1, 2);
}
