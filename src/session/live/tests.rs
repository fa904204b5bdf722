use std::net::{SocketAddr, UdpSocket};

use crate::record::joystick_layout::JoystickLayout;
use crate::record::{Body, Direction, Flow, Record};
use crate::session::live::*;
use crate::snapshot::{Lane, LinkState};

/// A camera's packet, a frame of its own: RFC 3550, version 2, marker, type 96.
fn frame(sequence: u16) -> Vec<u8> {
    let mut packet = vec![0x80, 0xE0];
    packet.extend_from_slice(&sequence.to_be_bytes());
    packet.extend_from_slice(&(u32::from(sequence) * 3_000).to_be_bytes());
    packet.extend_from_slice(&[0, 0, 0, 7]);
    packet.resize(100, 1);
    packet
}

fn lane(live: &Live) -> Option<Lane> {
    let now_s = live.monitor.now_s();
    let view = View { from_s: now_s - 1.0, to_s: now_s, columns: 1 };
    live.monitor.snapshot(view, Arc::default()).lanes.first().cloned()
}

/// Does something and takes records, again and again, until the first link is so.
fn take_until(live: &mut Live, what: &str, again: impl Fn(), holds: impl Fn(&Lane) -> bool) {
    let (_never, nothing) = sync_channel::<()>(1);
    for _ in 0..1_000 {
        again();
        live.take_records();
        if lane(live).is_some_and(|lane| holds(&lane)) {
            return;
        }
        let _ = nothing.recv_timeout(Duration::from_millis(20));
    }
    panic!("{what}: {:?}", lane(live).map(|lane| (lane.state, lane.acknowledged)));
}

/// A picture that stands since some seconds, watched by a session with a joystick whose third button acknowledges.
#[test]
fn the_button_of_the_profile_acknowledges_and_no_other_does() {
    let free = UdpSocket::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let profile = Profile::parse("[handset]\nacknowledge_button = 3\n").unwrap();
    let vehicle = Some(format!("udp://127.0.0.1:{free}").parse().unwrap());
    let config = LiveConfig { vehicle, profile: Arc::new(profile), ..LiveConfig::default() };
    let clock = SessionClock::start();
    let intake = Intake::new(clock, config.limits);
    let (handset, marks) = (InterfaceId(0), InterfaceId(1));
    let mut monitor = LinkMonitor::with_earlier(Arc::clone(&config.profile), Earlier::default());
    for entry in opening_entries(&config, |_| None) {
        monitor.handle(&entry);
    }
    let address = |port| SocketAddr::from(([127, 0, 0, 1], port));
    for number in 0..150_u16 {
        let at = clock.now() - Nanos::from_secs(15) + Nanos::from_millis(i64::from(number) * 33);
        let (flow, bytes) = (Flow { source: address(9), destination: address(10) }, &frame(number)[..]);
        let body = Body::Datagram { flow, bytes };
        monitor.handle(&Entry::Record(Record {
            at,
            interface: handset,
            direction: Direction::Inbound,
            body,
        }));
    }
    intake.begin(marks);
    let mut live = Live {
        monitor,
        journal: Journal::create(None, clock.now(), &[]).unwrap(),
        sources: Sources::open(&config, &intake, marks).unwrap(),
        publisher: Publisher::new(FeedSlot::default(), clock),
        button: AcknowledgeButton::new(config.profile.handset.acknowledge_button),
        batch: VecDeque::new(),
        told: None,
        interfaces: Vec::new(),
        intake: intake.clone(),
        marks,
    };
    take_until(&mut live, "the picture stands", || {}, |lane| lane.unacknowledged.is_some());
    let layout =
        JoystickLayout { event_bytes: 24, big_endian: false, axes: Vec::new(), name: "sticks".to_owned() };
    intake.note(handset, Note::Joystick { interface: handset, layout });
    // EV_KEY, pressed; BTN_TRIGGER 0x120 is the first, BTN_THUMB2 0x122 the third (input-event-codes.h).
    let press = |code: u8| {
        let mut event = [0; 24];
        event[16..24].copy_from_slice(&[1, 0, code, 1, 1, 0, 0, 0]);
        intake.stream(handset, Direction::Inbound, event[..].into());
    };
    press(0x20);
    live.take_records();
    live.take_records();
    assert!(lane(&live).unwrap().unacknowledged.is_some(), "another button");
    // A computer that stands still for a moment sees nothing, and forgets.
    let is_known = |lane: &Lane| lane.acknowledged && lane.unacknowledged.is_none();
    take_until(
        &mut live,
        "acknowledged",
        || press(0x22),
        |lane| is_known(lane) && lane.state == LinkState::Failing,
    );
    live.sources.stop();
}
