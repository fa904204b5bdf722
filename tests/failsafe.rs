//! Losses of control input against a truth that the test sets: the instants below are its own.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::sync::Arc;

use fadewatch::link::context::{Context, Sender};
use fadewatch::link::metrics::failsafe::FailsafeMeter;
use fadewatch::link::telemetry::Telemetry;
use fadewatch::profile::Profile;
use fadewatch::record::{Direction, InterfaceId, InterfaceInfo, InterfaceKind};
use fadewatch::summary::FailsafeSummary;
use fadewatch::units::Nanos;

#[expect(clippy::struct_excessive_bools, reason = "independent switches of a scenario")]
/// What the scenario does between loss and recovery, in ms from the first record.
#[derive(Clone, Copy, Debug)]
struct Scenario {
    sticks_stop: bool,
    count_falls: bool,
    health_falls: bool,
    mode_changes: bool,
    outputs_settle: bool,
}

const LOST: i64 = 10_000;
const BACK: i64 = 16_000;
/// The vehicle reacts this long after the last stick.
const REACTS: i64 = 700;

fn telemetry(scenario: Scenario, ms: i64) -> Vec<Telemetry> {
    let lost = (LOST + 1..BACK).contains(&ms);
    let reacted = (LOST + REACTS..BACK).contains(&ms);
    let mut messages = Vec::new();
    let wave = 1500 + (ms / 20 % 100) as u16;
    let mut channels = [None; 18];
    channels[0] = Some(if lost { 1500 } else { wave });
    if ms % 20 == 0 && !(lost && scenario.sticks_stop) {
        messages.push(Telemetry::RcOverride { target: 1, channels });
    }
    if ms % 100 == 0 {
        let count = if lost && scenario.count_falls { 0 } else { 8 };
        messages.push(Telemetry::RcInput {
            boot_ms: ms as u32,
            channels,
            count: Some(count),
            rssi: Some(200),
            older: false,
        });
    }
    if ms % 50 == 0 {
        let mut outputs = [0; 16];
        outputs[0] = if reacted && scenario.outputs_settle { 1000 } else { wave };
        messages.push(Telemetry::ServoOutput { time_us: 0, port: 0, outputs });
    }
    if ms % 500 == 0 {
        let healthy = if reacted && scenario.health_falls { 0 } else { 65_536 };
        messages.push(Telemetry::SystemStatus {
            present: 65_536,
            enabled: 65_536,
            healthy,
            voltage_v: None,
            current_a: None,
            remaining_percent: None,
            drop_ratio: 0.0,
            errors: 0,
        });
    }
    if ms % 1000 == 0 {
        messages.push(Telemetry::Heartbeat {
            kind: 2,
            autopilot: 12,
            base_mode: 0,
            custom_mode: if reacted && scenario.mode_changes { 102 } else { 101 },
            system_status: 4,
        });
    }
    messages
}

fn run(scenario: Scenario, profile: &str) -> Vec<FailsafeSummary> {
    let mut context = Context {
        profile: Arc::new(Profile::parse(profile).unwrap()),
        interfaces: vec![InterfaceInfo {
            name: "vehicle".to_owned(),
            kind: InterfaceKind::Stream,
            description: None,
        }],
        start: Some(Nanos::ZERO),
        ..Context::default()
    };
    let mut meter = FailsafeMeter::default();
    for ms in 0..20_000 {
        let at = Nanos::from_millis(ms);
        context.now = at;
        if ms % 1000 == 0 {
            meter.advance(at, &context);
        }
        for message in telemetry(scenario, ms) {
            let ground = matches!(message, Telemetry::RcOverride { .. });
            let sender = Sender {
                interface: InterfaceId(0),
                direction: Direction::Inbound,
                system: if ground { 255 } else { 1 },
                component: 1,
            };
            context.roles.observe(sender.system, 1, &message);
            meter.observe(at, sender, &message, &context);
        }
    }
    meter.summary(&context)
}

const ALL: Scenario = Scenario {
    sticks_stop: true,
    count_falls: true,
    health_falls: true,
    mode_changes: true,
    outputs_settle: true,
};

#[test]
fn every_instant_lies_in_its_interval() {
    for profile in ["", "[vehicle.failsafe_servo_us]\n1 = 1010\n"] {
        let incidents = run(ALL, profile);
        assert_eq!(incidents.len(), 1);
        let incident = &incidents[0];
        assert!((incident.input_lost_s - 10.0).abs() < 1e-9, "{incident:?}");
        // SYS_STATUS every 0.5 s: healthy at 0.5 s after the loss, not at 1.0 s.
        assert_eq!(incident.detected_after_interval_s, Some([0.5, 1.0]));
        assert_eq!(incident.detected_after_s, Some(1.0));
        // Outputs every 50 ms: moving at 0.65 s, at their values at 0.7 s.
        assert_eq!(incident.servo_safe_after_interval_s, Some([0.65, 0.7]));
        assert_eq!((incident.mode_before, incident.mode_after), (Some(101), Some(102)));
        assert_eq!(incident.recovered_after_s, Some(6.0));
    }
}

#[test]
fn a_dead_input_is_a_loss_though_the_handset_still_sends() {
    let incidents = run(Scenario { sticks_stop: false, health_falls: false, ..ALL }, "");
    assert_eq!(incidents.len(), 1);
    assert!((incidents[0].input_lost_s - 10.0).abs() < 1e-9);
    // Only the mode tells: heartbeats at 0 s and 1 s after the loss.
    assert_eq!(incidents[0].detected_after_interval_s, Some([0.0, 1.0]));
}

#[test]
fn a_loss_known_from_the_vehicles_word_alone_has_no_detection_time() {
    let incidents = run(Scenario { sticks_stop: false, count_falls: false, ..ALL }, "");
    assert_eq!(incidents.len(), 1);
    assert_eq!((incidents[0].detected_after_s, incidents[0].detected_after_interval_s), (None, None));
    // The last healthy report.
    assert!((incidents[0].input_lost_s - 10.5).abs() < 1e-9, "{incidents:?}");
}

#[test]
fn outputs_that_keep_moving_are_not_safe() {
    let incidents = run(Scenario { outputs_settle: false, ..ALL }, "");
    assert_eq!((incidents.len(), incidents[0].servo_safe_after_s), (1, None));
    let wrong = run(ALL, "[vehicle.failsafe_servo_us]\n1 = 1030\n");
    assert_eq!(wrong[0].servo_safe_after_s, None);
}

#[test]
fn live_input_is_no_loss() {
    let quiet = Scenario {
        sticks_stop: false,
        count_falls: false,
        health_falls: false,
        mode_changes: true,
        outputs_settle: true,
    };
    assert!(run(quiet, "").is_empty());
}
