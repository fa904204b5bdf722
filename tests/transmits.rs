//! What leaves the ports: nothing by default; TIMESYNC and requests for message rates only when asked for, under ids of
//! this program's own. Every byte that comes out of a pseudo-terminal and of a UDP socket is read at the far side.
//!
//! Truth: the MAVLink standard's message set, by the crate `mavlink` alone; ids: `MAV_CMD_SET_MESSAGE_INTERVAL` is 511.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod binary;
mod pseudo_terminal;

use std::fs::File;
use std::io::{ErrorKind, Read, Write};
use std::net::UdpSocket;
use std::os::fd::OwnedFd;

use binary::{Running, fadewatch, free_udp_ports, received_in, wait_for};
use mavlink::dialects::all::MavMessage;
use mavlink::{MavlinkVersion, Message as _};
use nix::fcntl::{FcntlArg, OFlag, fcntl};
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use pseudo_terminal::Screen;

/// The vehicle's end of a link.
enum Vehicle {
    Port { master: File, name: String, _slave: OwnedFd },
    Socket { socket: UdpSocket, port: u16 },
}

impl Vehicle {
    fn port() -> Self {
        let pair = nix::pty::openpty(None, None).unwrap();
        let mut settings = tcgetattr(&pair.slave).unwrap();
        cfmakeraw(&mut settings);
        tcsetattr(&pair.slave, SetArg::TCSANOW, &settings).unwrap();
        fcntl(&pair.master, FcntlArg::F_SETFL(OFlag::O_NONBLOCK)).unwrap();
        let name = nix::unistd::ttyname(&pair.slave).unwrap().display().to_string();
        Self::Port { master: File::from(pair.master), name, _slave: pair.slave }
    }

    fn socket() -> Self {
        let [port] = free_udp_ports();
        let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
        socket.set_nonblocking(true).unwrap();
        Self::Socket { socket, port }
    }

    fn url(&self) -> String {
        match self {
            Self::Port { name, .. } => format!("serial:{name}?baud=57600"),
            Self::Socket { port, .. } => format!("udp://127.0.0.1:{port}"),
        }
    }

    /// Sends its heartbeat, as a vehicle does; a link that takes nothing loses it.
    fn beat(&mut self, sequence: &mut u8) {
        let header = mavlink::MavHeader { system_id: 1, component_id: 1, sequence: *sequence };
        let beat = mavlink::dialects::all::HEARTBEAT_DATA {
            mavtype: mavlink::dialects::all::MavType::MAV_TYPE_QUADROTOR,
            ..Default::default()
        };
        let mut bytes = Vec::new();
        mavlink::write_v2_msg(&mut bytes, header, &MavMessage::HEARTBEAT(beat)).unwrap();
        *sequence = sequence.wrapping_add(1);
        let _ = match self {
            Self::Port { master, .. } => master.write(&bytes),
            Self::Socket { socket, port } => socket.send_to(&bytes, ("127.0.0.1", *port)),
        };
    }

    /// Adds what came to it so far.
    fn hear(&mut self, all: &mut Vec<u8>) {
        let mut chunk = [0; 4_096];
        loop {
            let read = match self {
                Self::Port { master, .. } => master.read(&mut chunk),
                Self::Socket { socket, .. } => socket.recv(&mut chunk),
            };
            match read {
                Ok(0) => return,
                Ok(length) => all.extend_from_slice(&chunk[..length]),
                Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::Interrupted) => {
                    return;
                }
                // Nobody has the far end open.
                Err(_) => return,
            }
        }
    }
}

/// Message ids whose rate was asked for, and how often the time was.
type Requests = (Vec<u32>, usize);

/// Requests for rates, and for the time; anything else is a failure, and so is a byte that belongs to no frame. What is
/// on its way may lack its end.
fn requests(bytes: &[u8]) -> Requests {
    let (mut rates, mut times, mut rest) = (Vec::new(), 0, bytes);
    while let [0xFD, length, ..] = *rest
        && let Some((frame, further)) = rest.split_at_checked(usize::from(length) + 12)
    {
        rest = further;
        assert_eq!(frame[5..7], [254, 191], "an id of its own");
        let id = u32::from_le_bytes([frame[7], frame[8], frame[9], 0]);
        let (body, checksum) = frame[1..].split_at(frame.len() - 3);
        let expected = mavlink::calculate_crc(body, MavMessage::extra_crc(id)).to_le_bytes();
        assert_eq!(checksum, expected, "its checksum holds");
        let message = MavMessage::parse(MavlinkVersion::V2, id, &body[9..]).unwrap();
        match message {
            MavMessage::COMMAND_LONG(command) => {
                assert_eq!(command.command as u32, 511, "it sets a message's interval, and nothing else");
                assert_eq!((command.target_system, command.param2), (1, 40_000.0));
                rates.push(command.param1 as u32);
            }
            MavMessage::TIMESYNC(request) => {
                assert_eq!(request.tc1, 0, "a request");
                times += 1;
            }
            other => panic!("sent {other:?}"),
        }
    }
    assert!(rest.is_empty() || rest[0] == 0xFD && rest.len() < 60, "bytes of no request: {rest:?}");
    (rates, times)
}

fn at_the_page(mut vehicle: Vehicle) {
    let folder = tempfile::tempdir().unwrap();
    let url = vehicle.url();
    let arguments = ["bench", "--vehicle", &url, "--record", "a.pcapng"];
    let mut screen = Screen::of(&mut fadewatch(folder.path(), &arguments), 128, 37);
    let (mut sequence, mut heard) = (0, Vec::new());
    screen.shows("Take the propellers off");
    screen.press("fc");
    screen.shows("propellers off first");
    screen.press("y");
    screen.shows("BENCH TEST 2/10");
    let recording = folder.path().join("a.pcapng");
    wait_for("heartbeats", || {
        vehicle.beat(&mut sequence);
        vehicle.hear(&mut heard);
        (received_in(&recording, &[]).0 > 5).then_some(())
    });
    assert_eq!(heard, [0_u8; 0], "nothing is sent that was not asked for");
    screen.press("f");
    let mut until = |what: &str, enough: &dyn Fn(&Requests) -> bool| {
        wait_for(what, || {
            vehicle.beat(&mut sequence);
            vehicle.hear(&mut heard);
            Some(requests(&heard)).filter(|all| enough(all))
        })
    };
    let asked = until("requests for rates", &|(rates, _)| rates.len() >= 2);
    assert_eq!(asked, (vec![65, 36], 0));
    screen.press("c");
    // Whatever else came meanwhile is a request for rates again.
    let (rates, _) = until("requests for the time", &|(_, times)| *times >= 12);
    assert!(rates.chunks(2).all(|pair| pair == [65, 36]), "{rates:?}");
    screen.press("qy");
    let (status, restored, text) = screen.end();
    assert!(restored && status.code() == Some(3), "{status} {text}");
    vehicle.hear(&mut heard);
    requests(&heard);
}

#[test]
fn a_bench_test_sends_over_a_serial_port_what_its_keys_ask_for() {
    at_the_page(Vehicle::port());
}

#[test]
fn a_bench_test_sends_over_the_network_what_its_keys_ask_for() {
    at_the_page(Vehicle::socket());
}

#[test]
fn live_sends_nothing_by_itself() {
    for mut vehicle in [Vehicle::port(), Vehicle::socket()] {
        let folder = tempfile::tempdir().unwrap();
        let url = vehicle.url();
        let live =
            Running::fadewatch(folder.path(), &["live", "--vehicle", &url, "--record", "a.pcapng", "--json"]);
        live.says("recording to");
        let (mut sequence, mut heard) = (0, Vec::new());
        let recording = folder.path().join("a.pcapng");
        wait_for("heartbeats", || {
            vehicle.beat(&mut sequence);
            vehicle.hear(&mut heard);
            (received_in(&recording, &[]).0 > 20).then_some(())
        });
        live.terminate();
        vehicle.hear(&mut heard);
        assert_eq!(heard, [0_u8; 0], "{url}");
    }
}
