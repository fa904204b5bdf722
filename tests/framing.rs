//! Frames of the protocol's reference library, whole and split, and a real flight.

#![expect(clippy::unwrap_used, reason = "a test may fail")]

use fadewatch::summary::Framing;
use fadewatch::wire::codec::decode;
use fadewatch::wire::framer::{Framer, Standing};
use fadewatch::wire::telemetry::{BootStamp, InertialSensor, Telemetry};
use proptest::prelude::*;
use serde_json::Value;

fn vectors() -> Value {
    serde_json::from_str(include_str!("vectors/frames.json")).unwrap()
}

fn bytes_of(frame: &Value) -> Vec<u8> {
    let hex = frame["hex"].as_str().unwrap();
    (0..hex.len()).step_by(2).map(|at| u8::from_str_radix(&hex[at..at + 2], 16).unwrap()).collect()
}

/// Version, sequence, system, component, message, standing, bytes.
type Event = (u8, u8, u8, u8, u32, Standing, Vec<u8>);

/// Header fields and the whole frame of everything that a framer accepts, piece by piece.
fn events(framer: &mut Framer, pieces: &[&[u8]]) -> Vec<Event> {
    let mut seen = Vec::new();
    for piece in pieces {
        framer.push(piece, &mut |frame| {
            let header = frame.header;
            seen.push((
                header.version,
                header.sequence,
                header.system,
                header.component,
                header.message,
                header.standing,
                frame.bytes.to_vec(),
            ));
        });
    }
    seen
}

/// Frames made by pymavlink 2.4.50 (tests/vectors/frames.json), split at every byte.
#[test]
fn reference_frames_are_found_whole_and_split_at_any_byte() {
    for frame in vectors()["frames"].as_array().unwrap() {
        let bytes = bytes_of(frame);
        let expected = vec![(
            frame["version"].as_u64().unwrap() as u8,
            frame["seq"].as_u64().unwrap() as u8,
            frame["sysid"].as_u64().unwrap() as u8,
            frame["compid"].as_u64().unwrap() as u8,
            frame["msgid"].as_u64().unwrap() as u32,
            Standing::Accepted,
            bytes.clone(),
        )];
        for cut in 0..=bytes.len() {
            let mut framer = Framer::stream();
            assert_eq!(events(&mut framer, &[&bytes[..cut], &bytes[cut..]]), expected, "{}", frame["name"]);
            assert_eq!(framer.finished(), (Framing { frames: 1, ..Framing::default() }, false));
        }
        assert_eq!(events(&mut Framer::datagrams(), &[&bytes]), expected);
    }
}

/// Numbers of the reference library's fields against what is decoded.
#[test]
fn reference_frames_decode_to_their_fields() {
    let mut decoded = std::collections::BTreeMap::new();
    for frame in vectors()["frames"].as_array().unwrap() {
        let name = frame["name"].as_str().unwrap().to_owned();
        Framer::stream().push(&bytes_of(frame), &mut |found| {
            decoded.insert(name.clone(), decode(found).unwrap());
        });
    }
    let radio = |name: &str| match decoded[name] {
        Telemetry::Radio {
            rssi,
            remote_rssi,
            noise,
            remote_noise,
            tx_buffer_percent,
            rx_errors,
            fixed,
            older,
        } => (rssi, remote_rssi, noise, remote_noise, tx_buffer_percent, rx_errors, fixed, older),
        _ => panic!("{name}"),
    };
    assert_eq!(radio("radio_status_v1"), (Some(217), Some(215), Some(45), Some(50), Some(100), 3, 1, false));
    assert_eq!(radio("radio_status_v2"), (Some(180), None, Some(60), None, Some(90), 0, 0, false));
    let heartbeat =
        Telemetry::Heartbeat { kind: 2, autopilot: 3, base_mode: 81, custom_mode: 5, system_status: 4 };
    assert_eq!(decoded["heartbeat_v1"], heartbeat);
    assert_eq!(decoded["heartbeat_v2_signed"], heartbeat);
    let Telemetry::RcInput { boot_ms, channels, count, rssi, older } = decoded["rc_channels_raw_v1"] else {
        panic!()
    };
    assert_eq!((boot_ms, count, rssi, older), (123_456, None, None, true));
    let raw = [Some(1500), Some(1501), Some(1000), Some(2000), None, Some(0), Some(988), Some(2012)];
    assert_eq!((&channels[..8], &channels[8..]), (&raw[..], &[None; 10][..]));
    let Telemetry::RcInput { boot_ms, channels, count, rssi, older } = decoded["rc_channels_v2"] else {
        panic!()
    };
    assert_eq!((boot_ms, count, rssi, older), (600_000, Some(16), Some(180), false));
    for (index, channel) in channels.iter().enumerate() {
        assert_eq!(*channel, (index < 16).then_some(1050 + 50 * index as u16));
    }
    let servos = |used: &[u16]| std::array::from_fn(|index| used.get(index).copied().unwrap_or(0));
    for (name, time_us, port, used) in [
        ("servo_output_raw_v1", u32::MAX, 0, &[1500, 1500, 1000, 1900][..]),
        ("servo_output_raw_v2_a", 1000, 0, &[1500, 1620, 1000, 1900]),
        ("servo_output_raw_v2_b", 2000, 1, &[1500, 1500, 1500, 1500, 1500, 1500, 1500, 1500, 1100]),
    ] {
        assert_eq!(decoded[name], Telemetry::ServoOutput { time_us, port, outputs: servos(used) }, "{name}");
    }
    let sync = |tc1, target| Telemetry::TimeSync { tc1, ts1: 1_000_000_000_000, target };
    assert_eq!(decoded["timesync_v2_a"], sync(0, None));
    assert_eq!(decoded["timesync_v2_b"], sync(5_000_000_000_123, None));
    assert_eq!(decoded["timesync_v2_with_target"], sync(5_000_000_000_123, Some((255, 190))));
    assert_eq!(decoded["system_time_v2"], Telemetry::Clock(BootStamp::Millis(0)));
    let axes = [Some(-1000), Some(1000), Some(500), None, None, None];
    assert_eq!(decoded["manual_control_v2"], Telemetry::ManualControl { target: 1, axes });
    let mut channels = [None; 18];
    (channels[0], channels[3]) = (Some(1500), Some(1700));
    // Of the frame's other fields channel 3 is 0, channel 10 is 65534; 65535, and 0 behind the eighth, say nothing.
    let handed_back = 1 << 2 | 1 << 9;
    assert_eq!(
        decoded["rc_channels_override_v2"],
        Telemetry::RcOverride { target: 1, channels, handed_back }
    );
    let levels = [12.5, 30.0, 61.25];
    assert_eq!(decoded["vibration_v2"], Telemetry::Vibration { levels, clipping: [0, 2, 0] });
    assert_eq!(
        decoded["global_position_int_v2"],
        Telemetry::Position {
            boot_ms: 700_000,
            lat_deg: 54.0,
            lon_deg: 8.0,
            alt_m: 488.0,
            relative_alt_m: 15.0,
            velocity: [1.0, -0.5, 0.0],
            heading_deg: None,
        }
    );
    assert_eq!(
        decoded["battery_status_v2"],
        Telemetry::Battery {
            id: 0,
            voltage_v: Some(16.395),
            current_a: None,
            consumed_mah: None,
            remaining_percent: None
        }
    );
    assert_eq!(
        decoded["video_stream_status_v2"],
        Telemetry::VideoStreamStatus { stream: 1, frame_rate_hz: 30.0, bit_rate: 4_000_000 }
    );
    let Telemetry::Attitude { boot_ms, roll_pitch_yaw } = decoded["attitude_v2"] else { panic!() };
    assert_eq!(boot_ms, 700_020);
    for (found, sent) in roll_pitch_yaw.iter().zip([0.1, -0.05, 1.570_796_25]) {
        assert!((found - sent).abs() < 1e-7);
    }
    let text = Telemetry::StatusText { severity: 4, text: "RC failsafe".to_owned() };
    assert_eq!(decoded["statustext_v2"], text);
    assert_eq!(
        decoded["raw_imu_v2"],
        Telemetry::Inertial {
            boot: Some(BootStamp::Micros(700_020_000)),
            time_us: 700_020_000,
            sensor: InertialSensor { message: 27, instance: 0 },
            acceleration: Some([12.0, -34.0, -981.0]),
        }
    );
}

#[test]
fn damaged_and_foreign_frames_are_refused() {
    let vectors = vectors();
    let special = |name: &str| {
        let list = vectors["special"].as_array().unwrap();
        bytes_of(list.iter().find(|frame| frame["name"] == name).unwrap())
    };
    for (name, frames, crc_errors) in [
        ("heartbeat_v2_bad_crc", 0, 1),
        ("heartbeat_v2_crc_without_extra", 0, 1),
        ("heartbeat_v2_unknown_incompat_flag", 0, 0),
        ("system_time_v2_untrimmed_zeros", 1, 0),
        // The garbage itself reads as a frame of a known id that fails.
        ("heartbeat_v1_resync", 1, 1),
    ] {
        let bytes = special(name);
        for cut in 0..=bytes.len() {
            let mut framer = Framer::stream();
            let seen = events(&mut framer, &[&bytes[..cut], &bytes[cut..]]);
            let (counts, _) = framer.finished();
            assert_eq!((counts.frames, counts.crc_errors), (frames, crc_errors), "{name} cut at {cut}");
            if name != "heartbeat_v1_resync" {
                assert_eq!(seen.len() as u64, frames, "{name}");
            }
        }
    }
}

/// Counts by an independent script that reads framing, checksums and numbers only.
#[test]
fn a_real_flight_is_framed_without_remainder() {
    let bytes = include_bytes!("data/quad2013_a.raw");
    let mut framer = Framer::stream();
    let mut frames = std::collections::BTreeMap::new();
    for chunk in bytes.chunks(777) {
        framer.push(chunk, &mut |frame| {
            *frames.entry((frame.header.system, frame.header.component)).or_insert(0) += 1;
        });
    }
    let expected = [((1, 1), 14_947), ((51, 68), 570), ((255, 190), 670)];
    assert_eq!(frames.into_iter().collect::<Vec<_>>(), expected);
    assert_eq!(framer.finished(), (Framing { frames: 16_187, ..Framing::default() }, false));
}

/// A version 2 frame of any id, with the checksum that this extra byte gives.
fn made(sequence: u8, message: u32, extra: u8, payload: &[u8]) -> Vec<u8> {
    let mut frame = vec![0xFD, payload.len() as u8, 0, 0, sequence, 1, 1];
    frame.extend_from_slice(&message.to_le_bytes()[..3]);
    frame.extend_from_slice(payload);
    let crc = fadewatch::wire::checksum::update(fadewatch::wire::checksum::INITIAL, &frame[1..]);
    frame.extend_from_slice(&fadewatch::wire::checksum::step(crc, extra).to_le_bytes());
    frame
}

const UNKNOWN_ID: u32 = 4_000_000;

#[test]
fn an_unknown_id_in_a_stream_needs_a_second_witness() {
    let heartbeat = made(1, 0, 50, &[0, 0, 0, 0, 2, 3, 81, 4, 3]);
    let first = made(2, UNKNOWN_ID, 77, &[1, 2, 3]);
    let other_extra = made(3, UNKNOWN_ID, 78, &[1, 2, 3]);
    let second = made(4, UNKNOWN_ID, 77, &[9]);
    let mut framer = Framer::stream();
    let seen = events(&mut framer, &[&heartbeat, &first, &other_extra]);
    let standings: Vec<_> = seen.iter().map(|event| (event.1, event.5)).collect();
    assert_eq!(standings, [(1, Standing::Accepted), (2, Standing::Witness), (3, Standing::Witness)]);
    assert_eq!((framer.counts().frames, framer.counts().unknown_ids), (1, 0));
    assert_eq!(framer.counts().skipped_bytes, (first.len() + other_extra.len()) as u64);
    let seen = events(&mut framer, &[&second, &made(5, UNKNOWN_ID, 77, &[8])]);
    let standings: Vec<_> = seen.iter().map(|event| (event.1, event.5)).collect();
    assert_eq!(standings, [(2, Standing::Recalled), (4, Standing::Accepted), (5, Standing::Accepted)]);
    let expected =
        Framing { frames: 4, crc_errors: 0, skipped_bytes: other_extra.len() as u64, unknown_ids: 3 };
    assert_eq!(framer.counts(), expected);
}

#[test]
fn in_a_datagram_the_bounds_of_an_unknown_id_are_certain() {
    let mut framer = Framer::datagrams();
    let mut datagram = made(1, 0, 50, &[0, 0, 0, 0, 2, 3, 81, 4, 3]);
    datagram.extend(made(2, UNKNOWN_ID, 77, &[1, 2, 3]));
    assert_eq!(events(&mut framer, &[&datagram]).len(), 2);
    assert_eq!(framer.finished(), (Framing { frames: 2, unknown_ids: 1, ..Framing::default() }, false));
    // Half a frame at the end of a datagram is never continued in the next.
    let (head, tail) = datagram.split_at(datagram.len() - 5);
    assert_eq!(events(&mut framer, &[head, tail]).len(), 1);
    assert_eq!(framer.finished().0.frames, 3);
}

#[test]
fn datagrams_of_other_protocols_count_nowhere() {
    let mut framer = Framer::datagrams();
    let noise: Vec<u8> = (0..900_u32).map(|index| (index.wrapping_mul(2_654_435_761) >> 11) as u8).collect();
    for start in 0..200 {
        assert!(events(&mut framer, &[&noise[start..start + 500]]).is_empty());
    }
    assert_eq!(framer.finished(), (Framing::default(), false));
    // Damage before a flow's first frame counts once the flow is known to be MAVLink.
    let frame = made(1, 0, 50, &[0, 0, 0, 0, 2, 3, 81, 4, 3]);
    let mut damaged = frame.clone();
    damaged[12] ^= 1;
    events(&mut framer, &[&damaged]);
    assert_eq!(framer.counts(), Framing::default());
    events(&mut framer, &[&frame]);
    let expected = Framing { frames: 1, crc_errors: 1, skipped_bytes: frame.len() as u64, unknown_ids: 0 };
    assert_eq!(framer.counts(), expected);
}

/// Frames, noise and damage in one stream.
fn traffic() -> impl Strategy<Value = Vec<u8>> {
    let frame = (any::<u8>(), 0_u8..6, proptest::collection::vec(any::<u8>(), 1..40)).prop_map(
        |(sequence, kind, payload)| match kind {
            0 | 1 => made(sequence, 0, 50, &payload),
            2 => made(sequence, 30, 39, &payload),
            3 | 4 => made(sequence, UNKNOWN_ID + u32::from(sequence % 2), 9, &payload),
            _ => made(sequence, 0, 51, &payload),
        },
    );
    let noise = proptest::collection::vec(prop_oneof![any::<u8>(), Just(0xFD), Just(0xFE), 0_u8..20], 0..30);
    let pieces = proptest::collection::vec(prop_oneof![3 => frame, 1 => noise], 0..40);
    (pieces, proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..6)).prop_map(
        |(pieces, hits)| {
            let mut bytes = pieces.concat();
            for (at, value) in hits {
                if !bytes.is_empty() {
                    let at = at.index(bytes.len());
                    bytes[at] = value;
                }
            }
            bytes
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn any_split_gives_the_same_events_and_counts(bytes in traffic(), cuts in proptest::collection::vec(any::<prop::sample::Index>(), 0..20)) {
        let mut whole = Framer::stream();
        let expected = events(&mut whole, &[&bytes]);
        let mut cuts: Vec<usize> = cuts.iter().map(|cut| cut.index(bytes.len() + 1)).collect();
        cuts.extend([0, bytes.len()]);
        cuts.sort_unstable();
        let pieces: Vec<&[u8]> = cuts.windows(2).map(|pair| &bytes[pair[0]..pair[1]]).collect();
        let mut split = Framer::stream();
        prop_assert_eq!(events(&mut split, &pieces), expected.clone());
        prop_assert_eq!(split.counts(), whole.counts());
        prop_assert_eq!(split.finished(), whole.finished());
        let mut single = Framer::stream();
        let bytewise: Vec<&[u8]> = bytes.chunks(1).collect();
        prop_assert_eq!(events(&mut single, &bytewise), expected);
        prop_assert_eq!(single.finished(), whole.finished());
    }

    #[test]
    fn no_byte_goes_astray(bytes in traffic()) {
        let mut framer = Framer::stream();
        let mut framed = 0;
        framer.push(&bytes, &mut |frame| {
            if frame.header.standing != Standing::Witness {
                framed += frame.bytes.len() as u64;
            }
        });
        let tally = framer.tally();
        prop_assert_eq!(tally.framed, framed);
        prop_assert_eq!(tally.framed + tally.skipped + tally.pending, bytes.len() as u64);
        let mut datagrams = Framer::datagrams();
        for datagram in bytes.chunks(60) {
            datagrams.push(datagram, &mut |_| {});
        }
        let tally = datagrams.tally();
        prop_assert_eq!(tally.framed + tally.skipped + tally.other, bytes.len() as u64);
    }

    #[test]
    fn arbitrary_bytes_do_no_harm(bytes in proptest::collection::vec(any::<u8>(), 0..2000)) {
        let mut framer = Framer::stream();
        framer.push(&bytes, &mut |frame| { let _ = decode(frame); });
        let mut datagrams = Framer::datagrams();
        datagrams.push(&bytes, &mut |frame| { let _ = decode(frame); });
    }
}
