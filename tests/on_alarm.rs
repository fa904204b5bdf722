//! `live --on-alarm` through the real binary, without a terminal: a picture that stands, and a script of the builder's
//! own. And how an alarm is acknowledged.

mod binary;
mod live_session;

use std::net::UdpSocket;
use std::path::Path;

use binary::{Running, free_udp_ports, wait_for};
use fadewatch::capture::Recording;
use fadewatch::monitor::LinkMonitor;
use fadewatch::session::Command;
use fadewatch::session::live::LiveConfig;
use fadewatch::snapshot::LinkState;
use fadewatch::summary::Event;

/// A camera's packets, a frame each.
struct Camera {
    socket: UdpSocket,
    port: u16,
    sequence: u16,
}

impl Camera {
    fn new(port: u16) -> Self {
        Self { socket: UdpSocket::bind("127.0.0.1:0").expect("a socket"), port, sequence: 0 }
    }

    /// RFC 3550: version 2, marker, type 96, sequence, time stamp of 90 kHz, SSRC.
    fn send(&mut self) {
        let mut packet = vec![0x80, 0xE0];
        packet.extend_from_slice(&self.sequence.to_be_bytes());
        packet.extend_from_slice(&(u32::from(self.sequence) * 3_000).to_be_bytes());
        packet.extend_from_slice(&[0x12, 0x34, 0x56, 0x78]);
        packet.resize(200, 7);
        let _ = self.socket.send_to(&packet, ("127.0.0.1", self.port));
        self.sequence += 1;
    }
}

/// What the script wrote, a line a run.
fn lines(folder: &Path) -> Vec<String> {
    let text = std::fs::read_to_string(folder.join("alarms.txt")).unwrap_or_default();
    text.lines().map(str::to_owned).collect()
}

fn live(folder: &Path, command: &str, video: u16, vehicle: u16) -> Running {
    let [video, vehicle] = [video, vehicle].map(|port| format!("udp://127.0.0.1:{port}"));
    let ways = ["live", "--vehicle", &vehicle, "--video", &video, "--no-record", "--json"];
    let live = Running::fadewatch(folder, &[&ways[..], &["--on-alarm", command]].concat());
    live.says("listening; recording nothing");
    live
}

#[test]
fn a_script_is_run_as_the_picture_stands_and_as_it_moves_again() {
    let folder = tempfile::tempdir().expect("a folder");
    let [video, vehicle] = free_udp_ports();
    let script = "echo \"$FADEWATCH_LINK|$FADEWATCH_STATE|$FADEWATCH_SECONDS|$FADEWATCH_TEXT\" >> alarms.txt";
    let live = live(folder.path(), script, video, vehicle);
    let mut camera = Camera::new(video);
    for _ in 0..200 {
        camera.send();
    }
    // Nothing more comes: the picture stands.
    wait_for("the alarm", || {
        lines(folder.path()).iter().any(|line| line.starts_with("video|failing|")).then_some(())
    });
    let first = lines(folder.path())[0].clone();
    assert!(first.starts_with("video|failing||PICTURE FROZEN "), "{first}");
    wait_for("its end", || {
        camera.send();
        let lines = lines(folder.path());
        let is_failing = lines.last().is_some_and(|line| line.starts_with("video|failing|"));
        (!is_failing).then_some(())
    });
    let printed = live.terminate();
    assert!(printed["video"]["freezes"].as_u64() > Some(0), "{}", printed["video"]);
}

#[test]
fn one_that_hangs_is_not_doubled_and_ends_with_the_program() {
    let folder = tempfile::tempdir().expect("a folder");
    let [video, vehicle] = free_udp_ports();
    let script = "echo $$ >> alarms.txt; sleep 1000; echo never >> alarms.txt";
    let live = live(folder.path(), script, video, vehicle);
    let mut camera = Camera::new(video);
    for _ in 0..200 {
        camera.send();
    }
    let id = wait_for("the alarm", || lines(folder.path()).first().cloned());
    assert!(Path::new(&format!("/proc/{id}")).exists());
    live.terminate();
    assert!(!Path::new(&format!("/proc/{id}")).exists(), "it is still there");
    assert_eq!(lines(folder.path()), [id]);
}

/// The bell has to fall silent while the picture still stands, and the recording says who silenced it.
#[test]
fn what_fails_is_acknowledged_and_a_replay_says_so() {
    let folder = tempfile::tempdir().expect("a folder");
    let [video, vehicle] = free_udp_ports();
    let url = |port: u16| Some(format!("udp://127.0.0.1:{port}").parse().expect("a source"));
    let path = folder.path().join("a.pcapng");
    let config = LiveConfig {
        vehicle: url(vehicle),
        video: url(video),
        recording: Some(path.clone()),
        ..LiveConfig::default()
    };
    let session = live_session::start(config).expect("a session");
    let mut camera = Camera::new(video);
    for _ in 0..200 {
        camera.send();
    }
    let lane = || session.feed().and_then(|feed| feed.snapshot.lanes.first().cloned());
    wait_for("the alarm", || {
        lane().filter(|lane| lane.state == LinkState::Failing && lane.unacknowledged.is_some())
    });
    // Again where this computer stood still meanwhile: it sees nothing then, and forgets.
    wait_for("quiet while it fails", || {
        session.send(Command::Acknowledge);
        lane().filter(|lane| {
            lane.state == LinkState::Failing && lane.acknowledged && lane.unacknowledged.is_none()
        })
    });
    let end = session.finish().expect("its end");
    let recording = Recording::open(&path).expect("the recording");
    let (mut monitor, mut cursor) = (LinkMonitor::default(), recording.cursor());
    while let Some(entry) = recording.next(&mut cursor) {
        monitor.handle(&entry);
    }
    for summary in [end.summary, monitor.summary(&recording.facts(&cursor))] {
        let said = summary.events.iter().filter(|event| event.event == Event::Acknowledged);
        let links: Vec<_> = said.map(|event| event.link.as_deref()).collect();
        assert!(!links.is_empty() && links.iter().all(|link| *link == Some("video")), "{links:?}");
    }
}

#[test]
fn one_that_is_not_there_is_told_of() {
    let folder = tempfile::tempdir().expect("a folder");
    let [video, vehicle] = free_udp_ports();
    let live = live(folder.path(), "/no/such/program", video, vehicle);
    let mut camera = Camera::new(video);
    for _ in 0..200 {
        camera.send();
    }
    live.says("--on-alarm: its command did not start: it was not found");
    live.terminate();
}
