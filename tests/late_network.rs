//! `live --wait` before the network is there, in a network namespace of this test's own.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]
#![expect(clippy::print_stderr, reason = "a test that may not make a namespace says so")]

mod live_session;
mod waiting;

use std::net::{IpAddr, UdpSocket};
use std::process::Command;
use std::time::Duration;

use fadewatch::session::live::LiveConfig;
use fadewatch::session::{Feed, SessionHandle};
use fadewatch::wording::event::text;
use live_session::start;
use mavlink::dialects::all::{HEARTBEAT_DATA, MavMessage};
use nix::sched::{CloneFlags, unshare};
use nix::sys::socket::{setsockopt, sockopt};

/// Far more than anything here takes.
const PATIENCE: Duration = Duration::from_mins(1);

/// The command ip(8); false where there is none, or the kernel has no such device.
fn ip(words: &str) -> bool {
    Command::new("ip").args(words.split(' ')).status().is_ok_and(|done| done.success())
}

fn wait_for(session: &SessionHandle, what: &str, mut act: impl FnMut(), holds: impl Fn(&Feed) -> bool) {
    waiting::wait_for(PATIENCE, what, || {
        assert!(!session.is_finished(), "the session ended while waiting for {what}");
        act();
        session.feed().filter(|feed| holds(feed))
    });
}

fn heartbeat(sequence: u8) -> Vec<u8> {
    let mut bytes = Vec::new();
    let header = mavlink::MavHeader { system_id: 1, component_id: 1, sequence };
    mavlink::write_v2_msg(&mut bytes, header, &MavMessage::HEARTBEAT(HEARTBEAT_DATA::default())).unwrap();
    bytes
}

/// RTP (RFC 3550, 5.1): version 2, marker, payload type 96: one packet a frame.
fn rtp(sequence: u16) -> Vec<u8> {
    let mut packet = vec![0x80, 0xE0];
    packet.extend(sequence.to_be_bytes());
    packet.extend((u32::from(sequence) * 3000).to_be_bytes());
    packet.extend([1, 2, 3, 4]);
    packet.extend([7; 600]);
    packet
}

fn session_before_the_network() {
    if !ip("link set lo up") {
        return eprintln!("skipped: no command ip(8) here");
    }
    let session = start(LiveConfig {
        vehicle: Some("udp://10.77.0.1:14550".parse().unwrap()),
        video: Some("capture:late0?port=5004".parse().unwrap()),
        wait_for_sources: true,
        ..LiveConfig::default()
    })
    .unwrap();
    let video_is_down = |feed: &Feed| {
        let video = feed.snapshot.sources.iter().find(|source| source.interface == "video");
        video.is_some_and(|video| video.down.is_some())
    };
    wait_for(&session, "the outage", || {}, video_is_down);

    assert!(ip("addr add 10.77.0.1/32 dev lo"));
    let vehicle = UdpSocket::bind("127.0.0.1:0").unwrap();
    let mut sequence = 0;
    let mut send = || {
        vehicle.send_to(&heartbeat(sequence), "10.77.0.1:14550").unwrap();
        sequence = sequence.wrapping_add(1);
    };
    wait_for(&session, "the vehicle", &mut send, |feed| feed.snapshot.summary.framing.frames > 2);

    if !ip("link add late0 type veth peer name far0") {
        return eprintln!("skipped in part: this kernel makes no pair of interfaces");
    }
    let words = ["addr add 10.88.0.2/24 dev far0", "link set late0 up", "link set far0 up"];
    assert!(words.into_iter().all(ip));
    let far: IpAddr = "10.88.0.2".parse().unwrap();
    let player = UdpSocket::bind((far, 0)).unwrap();
    setsockopt(&player, sockopt::BindToDevice, &"far0".into()).unwrap();
    player.set_broadcast(true).unwrap();
    let mut sequence = 0;
    let mut send = || {
        // Until the two ends are up there is no way.
        let _ = player.send_to(&rtp(sequence), "10.88.0.255:5004");
        sequence = sequence.wrapping_add(1);
    };
    wait_for(&session, "the picture", &mut send, |feed| {
        let video = feed.snapshot.summary.video.as_ref();
        !video_is_down(feed) && video.and_then(|video| video.packets).is_some_and(|packets| packets > 5)
    });
    let told: Vec<String> = session.finish().unwrap().summary.events.iter().map(text).collect();
    let early = told.iter().filter(|told| told.contains("is no address of this computer yet"));
    assert_eq!(early.count(), 1, "{told:?}");
}

#[test]
fn an_address_and_an_interface_can_be_waited_for() {
    // A namespace belongs to the thread that made it, and to those that it starts.
    let ran = std::thread::spawn(|| match unshare(CloneFlags::CLONE_NEWNET) {
        Ok(()) => session_before_the_network(),
        Err(error) => eprintln!("skipped: this user may not make a network namespace: {error}"),
    });
    ran.join().unwrap();
}
