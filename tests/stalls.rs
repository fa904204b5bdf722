//! This computer's own stalls: the real binary is stopped while its senders go on, and goes on after them.
//!
//! Whatever the machine does besides, nothing may be told that the senders did not do: they note when they
//! sent, and the figures are held against that. A busy machine only makes for more stalls.

mod binary;
mod frames;

use std::io::Write;
use std::net::{TcpListener, TcpStream, UdpSocket};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::channel;
use std::thread::{JoinHandle, spawn};
use std::time::Duration;

use binary::{Running, free_udp_ports, received_in, summary_of, wait_for};
use fadewatch::clock::SessionClock;
use fadewatch::units::Nanos;
use serde_json::Value;

const STEP: Duration = Duration::from_millis(20);
const VEHICLE: (u8, u8) = (1, 1);
const HANDSET: (u8, u8) = (255, 190);

fn pause(length: Duration) {
    let (_never, nothing) = channel::<()>();
    let _ = nothing.recv_timeout(length);
}

/// Where the vehicle is heard.
enum Vehicle {
    Datagrams(UdpSocket),
    Bytes(TcpStream),
}

impl Vehicle {
    fn send(&mut self, bytes: &[u8]) {
        match self {
            Self::Datagrams(socket) => drop(socket.send(bytes)),
            Self::Bytes(stream) => drop(stream.write_all(bytes)),
        }
    }
}

fn sender_to(port: u16) -> UdpSocket {
    let socket = UdpSocket::bind("127.0.0.1:0").expect("a socket");
    socket.connect(("127.0.0.1", port)).expect("an address");
    socket
}

/// Sticks that flick from side to side, held for half a second.
fn stick(step: u64) -> u16 {
    let at = step % 50;
    1500 + 20 * (at.min(10) as u16) - 20 * (at.saturating_sub(25).min(10) as u16)
}

fn rc_channels(step: u64) -> Vec<u8> {
    let mut payload = (1000 + 20 * step as u32).to_le_bytes().to_vec();
    (0..18).for_each(|channel| payload.extend(if channel == 0 { stick(step) } else { 1500 }.to_le_bytes()));
    payload.extend([16, 200]);
    payload
}

fn rc_override(step: u64) -> Vec<u8> {
    let mut payload = Vec::new();
    (0..8).for_each(|channel| payload.extend(if channel == 0 { stick(step) } else { 1500 }.to_le_bytes()));
    payload.extend([VEHICLE.0, VEHICLE.1]);
    payload
}

fn rtp(step: u64) -> Vec<u8> {
    let mut bytes = vec![0x80, 0xE0];
    bytes.extend((step as u16).to_be_bytes());
    bytes.extend((1800 * step as u32).to_be_bytes());
    bytes.extend(0x1234_5678_u32.to_be_bytes());
    bytes.extend([7; 40]);
    bytes
}

/// Sends until told to stop; gives the stamps at which it sent.
fn send_on(
    mut vehicle: Vehicle,
    [handset, video]: [u16; 2],
    stop: Arc<AtomicBool>,
) -> JoinHandle<Vec<Nanos>> {
    let (handset, video, clock) = (sender_to(handset), sender_to(video), SessionClock::start());
    spawn(move || {
        let (mut sent, mut number) = (Vec::new(), 0);
        for step in 0_u64.. {
            if stop.load(Ordering::Relaxed) {
                break;
            }
            let _ = handset.send(&frames::frame(step, HANDSET, 70, 124, &rc_override(step)));
            vehicle.send(&frames::frame(number, VEHICLE, 65, 118, &rc_channels(step)));
            number += 1;
            if step % 50 == 0 {
                vehicle.send(&frames::frame(number, VEHICLE, 0, 50, &[0, 0, 0, 0, 2, 3, 0, 4, 3]));
                number += 1;
            }
            sent.push(clock.now());
            let _ = video.send(&rtp(step));
            pause(STEP);
        }
        sent
    })
}

/// Freezes by the W3C's rule of what was sent, a little stricter: what a receiver may tell at most.
fn freezes_sent(sent: &[Nanos]) -> u64 {
    let spacings: Vec<f64> = sent.windows(2).map(|pair| (pair[1] - pair[0]).millis()).collect();
    let is_freeze = |index: &usize| {
        let before = &spacings[index.saturating_sub(30)..*index];
        let mean = before.iter().sum::<f64>() / before.len().max(1) as f64;
        spacings[*index] >= 0.8 * (3.0 * mean).max(mean + 150.0)
    };
    (0..spacings.len()).filter(is_freeze).count() as u64
}

fn task_states(id: u32) -> Vec<char> {
    let Ok(tasks) = std::fs::read_dir(format!("/proc/{id}/task")) else { return Vec::new() };
    let state = |task: std::fs::DirEntry| {
        let text = std::fs::read_to_string(task.path().join("stat")).ok()?;
        text.rsplit_once(") ")?.1.chars().next()
    };
    tasks.flatten().filter_map(state).collect()
}

/// Stops the program for at least so long.
fn stall(live: &Running, length: Duration) {
    live.signal("STOP");
    wait_for("all threads to stop", || {
        task_states(live.id()).iter().all(|state| *state == 'T').then_some(())
    });
    pause(length);
    live.signal("CONT");
}

/// A session that is stopped so often; gives its figures and what was sent.
fn stopped_session(folder: &Path, over_tcp: bool, stalls_ms: &[u64]) -> (Value, Vec<Nanos>) {
    let [vehicle, handset, video] = free_udp_ports();
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let url = |port: u16| format!("udp://127.0.0.1:{port}");
    let vehicle_url = if over_tcp {
        format!("tcp://{}", listener.local_addr().expect("its address"))
    } else {
        url(vehicle)
    };
    let live = Running::fadewatch(
        folder,
        &[
            "live",
            "--vehicle",
            &vehicle_url,
            "--handset",
            &url(handset),
            "--video",
            &url(video),
            "--record",
            "a.pcapng",
            "--json",
        ],
    );
    live.says("listening; recording to a.pcapng");
    let to_vehicle = if over_tcp {
        Vehicle::Bytes(listener.accept().expect("the program").0)
    } else {
        Vehicle::Datagrams(sender_to(vehicle))
    };
    let stop = Arc::new(AtomicBool::new(false));
    let sender = send_on(to_vehicle, [handset, video], stop.clone());
    let path = folder.join("a.pcapng");
    let more = |records: usize| {
        let enough = received_in(&path, &[]).0 + records;
        wait_for("records in the recording", || (received_in(&path, &[]).0 >= enough).then_some(()));
    };
    more(200);
    for &length in stalls_ms {
        stall(&live, Duration::from_millis(length));
        more(150);
    }
    // The senders go on to the end.
    let summary = live.terminate();
    stop.store(true, Ordering::Relaxed);
    (summary, sender.join().expect("the sender"))
}

fn assert_nothing_but_a_stall(over_tcp: bool, stalls_ms: &[u64]) {
    let folder = tempfile::tempdir().expect("a folder");
    let (summary, sent) = stopped_session(folder.path(), over_tcp, stalls_ms);
    let what = format!("stopped for {stalls_ms:?} ms, tcp: {over_tcp}");
    // The recording says the same.
    assert_eq!(summary, summary_of(folder.path(), "a.pcapng"), "{what}");
    // The stall is told.
    let stopped_s = stalls_ms.iter().sum::<u64>() as f64 / 1e3;
    let stalled_s = summary["recording"]["stalled_s"].as_f64().expect("seconds");
    assert!(stalled_s >= stopped_s - 1e-3, "{what}: {stalled_s}");
    let events = summary["events"].as_array().expect("events");
    assert!(events.iter().any(|event| event["kind"] == "stall"), "{what}: {events:?}");
    // Nothing was lost.
    let streams = summary["streams"].as_array().expect("streams");
    assert_eq!(streams.len(), 2, "{what}");
    for stream in streams {
        assert_eq!((&stream["lost"], &stream["out_of_order"]), (&0.into(), &0.into()), "{what}: {stream}");
    }
    let video = &summary["video_streams"][0];
    assert_eq!(video["packets_lost"], 0, "{what}");
    // No freeze, hold or outage that the senders did not have.
    let freezes = video["freezes"].as_u64().expect("a count");
    assert!(freezes <= freezes_sent(&sent), "{what}: {}", video["freeze_list"]);
    let longest = sent.windows(2).map(|pair| pair[1] - pair[0]).max();
    if longest.is_some_and(|longest| longest < Nanos::from_millis(100)) {
        assert_eq!(summary["control_holds"]["count"], 0, "{what}");
        assert_eq!(summary["failsafe"], Value::Array(Vec::new()), "{what}");
        let told = |kind: &str| events.iter().any(|event| event["kind"] == kind);
        assert!(!told("lost") && !told("freeze") && !told("host-drop"), "{what}: {events:?}");
    }
}

#[test]
fn a_stopped_program_tells_a_stall_and_nothing_else() {
    let sessions: [(bool, &[u64]); 5] =
        [(false, &[200]), (false, &[600, 600, 600]), (false, &[3000]), (false, &[10_000]), (true, &[3000])];
    let threads =
        sessions.map(|(over_tcp, stalls_ms)| spawn(move || assert_nothing_but_a_stall(over_tcp, stalls_ms)));
    for thread in threads {
        if let Err(panic) = thread.join() {
            std::panic::resume_unwind(panic);
        }
    }
}
