//! Listening beside the program that holds the port, on this computer's loopback.
//!
//! Needs the capability CAP_NET_RAW; without it each test says so and passes over.

#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, clippy::print_stdout)]

mod free_ports;
mod live_session;

use std::net::UdpSocket;
use std::path::Path;
use std::sync::mpsc::channel;
use std::time::Duration;

use fadewatch::capture::Recording;
use fadewatch::monitor::LinkMonitor;
use fadewatch::record::{Body, Entry};
use fadewatch::session::live::LiveConfig;
use fadewatch::session::{SessionEnd, SessionHandle};
use fadewatch::source::SourceUrl;
use fadewatch::summary::Summary;
use live_session::start;
use mavlink::dialects::all::{HEARTBEAT_DATA, MavAutopilot, MavMessage};

/// Far more than anything here takes.
const PATIENCE: Duration = Duration::from_secs(20);

fn session(config: LiveConfig) -> Option<SessionHandle> {
    match start(config) {
        Ok(session) => Some(session),
        Err(error) if error.to_string().contains("CAP_NET_RAW") => {
            println!("passed over: this user may not listen beside others ({error})");
            None
        }
        Err(error) => panic!("{error}"),
    }
}

fn wait_for(session: &SessionHandle, what: &str, holds: impl Fn(&Summary) -> bool) {
    let (_never, nothing) = channel::<()>();
    let step = Duration::from_millis(10);
    for _ in 0..PATIENCE.as_millis() / step.as_millis() {
        assert!(!session.is_finished(), "the session ended while waiting for {what}");
        if session.feed().is_some_and(|feed| holds(&feed.snapshot.summary)) {
            return;
        }
        let _ = nothing.recv_timeout(step);
    }
    panic!("waited in vain for {what}: {:?}", session.feed().map(|feed| feed.snapshot.summary.clone()));
}

fn heartbeat(sequence: u8) -> Vec<u8> {
    let autopilot = MavAutopilot::MAV_AUTOPILOT_GENERIC;
    let data = HEARTBEAT_DATA { autopilot, ..HEARTBEAT_DATA::default() };
    let mut bytes = Vec::new();
    let header = mavlink::MavHeader { system_id: 1, component_id: 1, sequence };
    mavlink::write_v2_msg(&mut bytes, header, &MavMessage::HEARTBEAT(data)).unwrap();
    bytes
}

/// RFC 3550, section 5.1.
fn rtp(sequence: u16) -> Vec<u8> {
    let mut bytes = vec![0x80, if sequence % 3 == 2 { 0xE0 } else { 0x60 }];
    bytes.extend(sequence.to_be_bytes());
    bytes.extend((u32::from(sequence / 3) * 3000).to_be_bytes());
    bytes.extend(0x1234_5678_u32.to_be_bytes());
    bytes.extend([0x41; 900]);
    bytes
}

fn url(text: &str) -> SourceUrl {
    text.parse().unwrap()
}

fn replayed(path: &Path) -> Summary {
    let recording = Recording::open(path).unwrap();
    let (mut cursor, mut monitor) =
        (recording.cursor(), LinkMonitor::new(std::sync::Arc::default(), std::sync::Arc::default()));
    while let Some(entry) = recording.next(&mut cursor) {
        monitor.handle(&entry);
    }
    monitor.summary(&recording.facts(&cursor))
}

#[test]
fn what_is_heard_beside_a_port_counts_as_what_is_heard_on_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.pcapng");
    let player = UdpSocket::bind("127.0.0.1:0").unwrap();
    let port = player.local_addr().unwrap().port();
    let plain = free_ports::free_udp_port();
    let config = LiveConfig {
        vehicle: Some(url(&format!("udp://127.0.0.1:{plain}"))),
        video: Some(url(&format!("capture:lo?port={port}"))),
        recording: Some(path.clone()),
        ..LiveConfig::default()
    };
    let Some(session) = session(config) else { return };
    let sender = UdpSocket::bind("127.0.0.1:0").unwrap();
    let send =
        |bytes: &[u8], to: u16| assert_eq!(sender.send_to(bytes, ("127.0.0.1", to)).unwrap(), bytes.len());
    // The same to the port that the session holds, to the one that the player holds, and to a stranger's.
    let stranger = UdpSocket::bind("127.0.0.1:0").unwrap();
    for sequence in (0..120_u8).filter(|sequence| !matches!(sequence, 30 | 31 | 70)) {
        for to in [plain, port, stranger.local_addr().unwrap().port()] {
            send(&heartbeat(sequence), to);
        }
    }
    let camera = UdpSocket::bind("127.0.0.1:0").unwrap();
    for sequence in (0..150).filter(|sequence| !matches!(sequence, 40 | 90 | 91)) {
        camera.send_to(&rtp(sequence), ("127.0.0.1", port)).unwrap();
    }
    wait_for(&session, "all packets", |summary| {
        summary.framing.frames >= 234
            && summary.video_streams.first().is_some_and(|video| video.packets >= Some(147))
    });
    let SessionEnd { summary, .. } = session.finish().unwrap();
    let streams: Vec<(&str, u64, u64)> = summary
        .streams
        .iter()
        .map(|stream| (stream.interface.as_str(), stream.received, stream.lost.expect("followed")))
        .collect();
    assert_eq!(streams, [("vehicle", 117, 3), ("video", 117, 3)]);
    let video = &summary.video_streams[0];
    assert_eq!((video.packets, video.packets_lost, video.ssrc), (Some(147), Some(3), Some(0x1234_5678)));
    assert_eq!(summary.recording.host_drops, Some(0));
    assert_eq!(replayed(&path), summary);
    // The player goes on getting its packets, and the stranger's were not recorded.
    player.set_read_timeout(Some(PATIENCE)).unwrap();
    assert_eq!(player.recv(&mut [0; 2000]).unwrap(), heartbeat(0).len());
    let recording = Recording::open(&path).unwrap();
    let mut cursor = recording.cursor();
    while let Some(entry) = recording.next(&mut cursor) {
        if let Entry::Record(record) = entry
            && let Body::Datagram { flow, .. } = record.body
        {
            assert!([plain, port].contains(&flow.destination.port()), "{flow:?}");
        }
    }
}

/// A packet tool's own reading of the recording: the link header is the interface's.
#[test]
fn a_packet_tool_reads_the_recorded_packets() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.pcapng");
    let player = UdpSocket::bind("127.0.0.1:0").unwrap();
    let port = player.local_addr().unwrap().port();
    let video = Some(url(&format!("capture:lo?port={port}")));
    let config = LiveConfig { video, recording: Some(path.clone()), ..LiveConfig::default() };
    let Some(session) = session(config) else { return };
    let sender = UdpSocket::bind("127.0.0.1:0").unwrap();
    for sequence in 0..20 {
        sender.send_to(&rtp(sequence), ("127.0.0.1", port)).unwrap();
    }
    wait_for(&session, "all packets", |summary| {
        summary.video_streams.first().is_some_and(|video| video.packets >= Some(20))
    });
    session.finish().unwrap();
    let fields = ["-T", "fields", "-e", "frame.encap_type", "-e", "udp.dstport", "-e", "udp.length"];
    let Ok(output) = std::process::Command::new("tshark")
        .args(["-r", path.to_str().unwrap(), "-Y", "udp"])
        .args(fields)
        .output()
    else {
        println!("passed over: no packet tool here");
        return;
    };
    let text = String::from_utf8(output.stdout).unwrap();
    // Encapsulation 1 is Ethernet in that tool's numbers; 8 bytes of UDP header before 912 of RTP.
    let expected = format!("1\t{port}\t920\n").repeat(20);
    assert_eq!(text, expected);
}

#[test]
fn what_cannot_be_listened_to_says_what_to_do() {
    for (video, part) in [
        ("capture:no-such-if?port=5004", "there is no such interface; give one that 'ip link' lists"),
        ("capture:lo?port=5004", "CAP_NET_RAW"),
    ] {
        let Err(error) = start(LiveConfig { video: Some(url(video)), ..LiveConfig::default() }) else {
            continue;
        };
        let text = error.to_string();
        assert!(text.contains(part) && text.contains(video) && !text.contains('\n'), "{text}");
    }
}
