//! A joystick device as the handset: the same latency as from stick messages, and the truth.

#![allow(clippy::unwrap_used)]

mod simulated_link;

use fadewatch::capture::{PcapngWriter, Recording};
use fadewatch::measure::context::Sender;
use fadewatch::monitor::LinkMonitor;
use fadewatch::record::joystick_layout::{JoystickAxis, JoystickLayout};
use fadewatch::record::{
    Body, Direction, Entry, InterfaceId, InterfaceInfo, InterfaceKind, Note, Record, SessionInfo,
};
use fadewatch::summary::Summary;
use fadewatch::units::Nanos;
use fadewatch::wire::telemetry::Telemetry;
use mavlink::dialects::all::{
    HEARTBEAT_DATA, MavAutopilot, MavMessage, RC_CHANNELS_DATA, RC_CHANNELS_OVERRIDE_DATA,
    SERVO_OUTPUT_RAW_DATA, TIMESYNC_DATA,
};
use simulated_link::{Scenario, messages, quantile};

const VEHICLE: InterfaceId = InterfaceId(0);
const HANDSET: InterfaceId = InterfaceId(1);
/// The codes of four axes as a device may have them: ABS_X, ABS_Y, ABS_Z, ABS_RZ.
const CODES: [u16; 4] = [0, 1, 2, 5];
const LARGEST: i32 = 4095;

fn count(microseconds: u16) -> i32 {
    (f64::from(i32::from(microseconds) - 1000) / 1000.0 * f64::from(LARGEST)).round() as i32
}

/// linux/input.h: 64-bit time stamp, type, code, value, as a computer of this byte order has them.
fn event(kind: u16, code: u16, value: i32) -> [u8; 24] {
    let mut bytes = [0; 24];
    bytes[16..18].copy_from_slice(&kind.to_le_bytes());
    bytes[18..20].copy_from_slice(&code.to_le_bytes());
    bytes[20..].copy_from_slice(&value.to_le_bytes());
    bytes
}

/// The session's records: the vehicle's messages as bytes, the sticks as a joystick or as messages.
fn session(scenario: &Scenario, joystick: bool) -> Vec<(Nanos, InterfaceId, Direction, Body<'static>)> {
    let mut records = Vec::new();
    let mut sequences = [0_u8; 2];
    let mut held = [2048; 4];
    let (messages, _) = messages(scenario);
    let start = messages[0].0 - Nanos::from_millis(5);
    let axes = CODES.map(|code| JoystickAxis { code, minimum: 0, maximum: LARGEST, value: 2048 });
    let (name, axes) = ("bench sticks".to_owned(), axes.to_vec());
    let layout = JoystickLayout { event_bytes: 24, big_endian: false, axes, name };
    if joystick {
        let note = Note::Joystick { interface: HANDSET, layout };
        records.push((start, HANDSET, Direction::Inbound, Body::Note(note)));
    }
    let heartbeat = HEARTBEAT_DATA { autopilot: MavAutopilot::MAV_AUTOPILOT_GENERIC, ..Default::default() };
    let vehicle = simulated_link::vehicle_sender();
    let bytes = encode(vehicle, &mut sequences, &MavMessage::HEARTBEAT(heartbeat));
    records.push((start, VEHICLE, Direction::Inbound, bytes));
    for (at, sender, telemetry) in messages {
        let message = match telemetry {
            Telemetry::RcOverride { channels, .. } if joystick => {
                let now: Vec<i32> = channels.iter().take(4).map(|channel| count(channel.unwrap())).collect();
                let mut events: Vec<u8> = Vec::new();
                for (place, held) in held.iter_mut().enumerate() {
                    if now[place] != *held {
                        events.extend(event(3, CODES[place], now[place]));
                        *held = now[place];
                    }
                }
                // A device that has nothing new to say says nothing.
                if !events.is_empty() {
                    events.extend(event(0, 0, 0));
                    records.push((at, HANDSET, Direction::Inbound, Body::Stream(events.leak())));
                }
                continue;
            }
            other => mavlink_of(&other),
        };
        let bytes = encode(sender, &mut sequences, &message);
        records.push((at, sender.interface, sender.direction, bytes));
    }
    records
}

fn encode(sender: Sender, sequences: &mut [u8; 2], message: &MavMessage) -> Body<'static> {
    let sequence = &mut sequences[usize::from(sender.system != 1)];
    let (system_id, component_id) = (sender.system.into(), sender.component);
    let header = mavlink::MavHeader { system_id, component_id, sequence: *sequence };
    *sequence = sequence.wrapping_add(1);
    let mut bytes = Vec::new();
    mavlink::write_v2_msg(&mut bytes, header, message).unwrap();
    Body::Stream(bytes.leak())
}

fn mavlink_of(telemetry: &Telemetry) -> MavMessage {
    match telemetry {
        Telemetry::RcOverride { channels, .. } => {
            let value = |place: usize| channels[place].unwrap_or(u16::MAX);
            MavMessage::RC_CHANNELS_OVERRIDE(RC_CHANNELS_OVERRIDE_DATA {
                target_system: 1,
                chan1_raw: value(0),
                chan2_raw: value(1),
                chan3_raw: value(2),
                chan4_raw: value(3),
                ..Default::default()
            })
        }
        Telemetry::RcInput { boot_ms, channels, .. } => {
            let value = |place: usize| channels[place].unwrap_or(u16::MAX);
            MavMessage::RC_CHANNELS(RC_CHANNELS_DATA {
                time_boot_ms: *boot_ms,
                chancount: 8,
                chan1_raw: value(0),
                chan2_raw: value(1),
                chan3_raw: value(2),
                chan4_raw: value(3),
                rssi: 255,
                ..Default::default()
            })
        }
        Telemetry::ServoOutput { time_us, outputs, .. } => {
            MavMessage::SERVO_OUTPUT_RAW(SERVO_OUTPUT_RAW_DATA {
                time_usec: *time_us,
                servo1_raw: outputs[0],
                servo2_raw: outputs[1],
                servo3_raw: outputs[2],
                servo4_raw: outputs[3],
                ..Default::default()
            })
        }
        Telemetry::TimeSync { tc1, ts1, .. } => {
            MavMessage::TIMESYNC(TIMESYNC_DATA { tc1: *tc1, ts1: *ts1, ..Default::default() })
        }
        other => panic!("the scenario has no {other:?}"),
    }
}

fn entries(scenario: &Scenario, joystick: bool) -> Vec<Entry<'static>> {
    let handset = if joystick { InterfaceKind::Joystick } else { InterfaceKind::Stream };
    let mut entries = vec![Entry::Session(SessionInfo { has_wall_clock: true, ..SessionInfo::default() })];
    for (id, name, kind) in [(VEHICLE, "vehicle", InterfaceKind::Stream), (HANDSET, "handset", handset)] {
        let info = InterfaceInfo { name: name.to_owned(), kind, description: None };
        entries.push(Entry::Interface(id, info));
    }
    let records = session(scenario, joystick).into_iter();
    entries
        .extend(records.map(|(at, interface, direction, body)| {
            Entry::Record(Record { at, interface, direction, body })
        }));
    entries
}

fn summary(entries: &[Entry<'_>]) -> Summary {
    let mut monitor = LinkMonitor::default();
    for entry in entries {
        monitor.handle(entry);
    }
    monitor.summary(&fadewatch::monitor::RecordingFacts::default())
}

#[test]
fn a_joystick_gives_the_latency_that_stick_messages_give() {
    for seed in [1, 2, 3] {
        let scenario = Scenario::new(seed, 25.0);
        let (_, truth) = messages(&scenario);
        let by_message = summary(&entries(&scenario, false)).latency;
        let by_joystick = summary(&entries(&scenario, true)).latency;
        for (name, a, b, truth) in [
            ("servo", by_message.stick_to_servo, by_joystick.stick_to_servo, truth.stick_to_servo),
            ("input", by_message.stick_to_input, by_joystick.stick_to_input, truth.stick_to_input),
        ] {
            let (a, b) = (a.unwrap(), b.unwrap());
            let (by_message, by_joystick) = (a.p50_ms.unwrap(), b.p50_ms.unwrap());
            assert!((by_joystick - by_message).abs() < 2.0, "{seed} {name}: {by_joystick} {by_message}");
            // The limit that the same scenario has with stick messages.
            assert!((by_joystick - quantile(&truth, 0.5)).abs() < 4.0, "{seed} {name}: {by_joystick}");
            assert!(b.events >= 38, "{seed} {name}: {} movements", b.events);
            assert_eq!(b.channels[0].stick, Some(1));
        }
    }
}

#[test]
fn control_holds_are_seen_with_a_joystick() {
    let scenario = Scenario { control_outage: Some((20_000.0, 22_500.0)), ..Scenario::new(5, 25.0) };
    let by_message = summary(&entries(&scenario, false)).control_holds.unwrap();
    let by_joystick = summary(&entries(&scenario, true)).control_holds.unwrap();
    assert_eq!(by_joystick.count, by_message.count);
    assert!((by_joystick.longest_s - by_message.longest_s).abs() < 0.05, "{by_joystick:?} {by_message:?}");
    assert!(
        (by_joystick.moving_s / by_message.moving_s - 1.0).abs() < 0.15,
        "{by_joystick:?} {by_message:?}"
    );
}

#[test]
fn a_stick_at_rest_is_no_lost_input_and_an_unplugged_one_is() {
    let mut entries = entries(&Scenario::new(4, 10.0), true);
    assert_eq!(summary(&entries).failsafe, []);
    let Some(Entry::Record(Record { at: end, .. })) = entries.last().cloned() else { panic!() };
    let after = |seconds, body| {
        let at = end + Nanos::from_secs(seconds);
        Entry::Record(Record { at, interface: HANDSET, direction: Direction::Inbound, body })
    };
    // Ten minutes without a touch.
    entries.extend((1..600).map(|second| after(second, Body::Note(Note::Tick))));
    assert_eq!(summary(&entries).failsafe, []);
    let down = Note::SourceDown { interface: HANDSET, reason: "unplugged".to_owned() };
    entries.push(after(600, Body::Note(down)));
    entries.extend((601..605).map(|second| after(second, Body::Note(Note::Tick))));
    // Where the vehicle is silent too, nothing is known of its input.
    assert_eq!(summary(&entries).failsafe, []);
    let heartbeat = HEARTBEAT_DATA { autopilot: MavAutopilot::MAV_AUTOPILOT_GENERIC, ..Default::default() };
    let vehicle = simulated_link::vehicle_sender();
    let mut sequences = [0; 2];
    entries.extend((606..610).map(|second| {
        let body = encode(vehicle, &mut sequences, &MavMessage::HEARTBEAT(heartbeat.clone()));
        let Entry::Record(record) = after(second, body) else { panic!() };
        Entry::Record(Record { interface: VEHICLE, ..record })
    }));
    let failsafe = summary(&entries).failsafe;
    let start = match &entries[3] {
        Entry::Record(record) => record.at,
        other => panic!("{other:?}"),
    };
    assert_eq!(failsafe.len(), 1);
    let lost_at = (end + Nanos::from_secs(600) - start).secs();
    assert!((failsafe[0].input_lost_s - lost_at).abs() < 0.021, "{} {lost_at}", failsafe[0].input_lost_s);
}

#[test]
fn a_recording_of_a_joystick_reads_back_to_the_same_figures() {
    let entries = entries(&Scenario { movements: 8, ..Scenario::new(6, 25.0) }, true);
    let mut writer = PcapngWriter::new(Vec::new());
    for entry in &entries {
        writer.write(entry).unwrap();
    }
    let recording = Recording::read("a.pcapng", &writer.into_inner()[..]).unwrap();
    let mut cursor = recording.cursor();
    let mut read = Vec::new();
    while let Some(entry) = recording.next(&mut cursor) {
        read.push(entry);
    }
    assert_eq!(read, entries);
    assert_eq!(summary(&read), summary(&entries));
}
