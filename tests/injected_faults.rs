//! Faults of this computer and its network, put into the real binary: ports that come back under another name, noise, a
//! second sender under one id, senders by the thousand, a driver that never answers, a clock that is set. Each waits for what it
//! needs, however slow.

mod binary;
mod frames;

use std::fs::File;
use std::io::Write;
use std::net::{Ipv4Addr, UdpSocket};
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use std::process::Command;

use binary::{Running, free_udp_ports, received_in, summary_of, wait_for};
use frames::frame;
use nix::fcntl::{FcntlArg, FdFlag, fcntl};
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};
use serde_json::Value;

/// HEARTBEAT of a quadrotor.
fn heartbeat(number: u64, id: (u8, u8)) -> Vec<u8> {
    frame(number, id, 0, 50, &[0, 0, 0, 0, 2, 3, 0, 4, 3])
}

/// A raw pseudo-terminal, and what its far end is called.
struct Terminal {
    near: File,
    name: PathBuf,
    /// Keeps the far end alive until somebody opens it.
    _far: OwnedFd,
}

impl Terminal {
    fn new() -> Self {
        let pair = nix::pty::openpty(None, None).expect("a terminal");
        let mut settings = tcgetattr(&pair.slave).expect("its settings");
        cfmakeraw(&mut settings);
        tcsetattr(&pair.slave, SetArg::TCSANOW, &settings).expect("its settings");
        // The program must not inherit it: an end that is open somewhere is never gone.
        for end in [&pair.master, &pair.slave] {
            fcntl(end, FcntlArg::F_SETFD(FdFlag::FD_CLOEXEC)).expect("a descriptor");
        }
        let name = nix::unistd::ttyname(&pair.slave).expect("its name");
        Self { near: File::from(pair.master), name, _far: pair.slave }
    }

    /// A stable link leads to it from here on, as the system makes one by the device's own number.
    fn link(&self, link: &Path) {
        let _ = std::fs::remove_file(link);
        std::os::unix::fs::symlink(&self.name, link).expect("a link");
    }
}

/// A session that records to `a.pcapng` and prints its figures.
fn live(folder: &Path, ways: &[&str]) -> Running {
    let live = Running::fadewatch(folder, &[&["live", "--record", "a.pcapng", "--json"][..], ways].concat());
    live.says("listening; recording to a.pcapng");
    live
}

fn wait_for_records(folder: &Path, records: usize) {
    let path = folder.join("a.pcapng");
    wait_for("records in the recording", || (received_in(&path, &[]).0 >= records).then_some(()));
}

fn wait_for_bytes(folder: &Path, bytes: usize) {
    let path = folder.join("a.pcapng");
    wait_for("bytes in the recording", || (received_in(&path, &[]).1 >= bytes).then_some(()));
}

fn streams(summary: &Value) -> Vec<Value> {
    summary["streams"].as_array().expect("streams").clone()
}

/// The port is unplugged and comes back as another device, to which the same stable link leads.
#[test]
fn a_port_that_comes_back_under_another_name_is_found_by_its_stable_link() {
    let folder = tempfile::tempdir().expect("a folder");
    let link = folder.path().join("by-id");
    let mut first = Terminal::new();
    first.link(&link);
    let url = format!("serial:{}?baud=57600", link.display());
    let live = live(folder.path(), &["--vehicle", &url]);
    (0..5).for_each(|number| first.near.write_all(&heartbeat(number, (1, 1))).expect("it is read"));
    wait_for_bytes(folder.path(), 5 * 21);
    // The other is there before the first one goes, so that it cannot have its name.
    let mut second = Terminal::new();
    assert_ne!(second.name, first.name);
    second.link(&link);
    drop(first);
    (5..12).for_each(|number| second.near.write_all(&heartbeat(number, (1, 1))).expect("it is read"));
    wait_for_bytes(folder.path(), 12 * 21);
    let summary = live.terminate();
    assert_eq!((&summary["framing"]["frames"], &streams(&summary)[0]["lost"]), (&12.into(), &0.into()));
    let kinds =
        summary["events"].as_array().expect("events").iter().filter(|event| event["kind"] == "source");
    assert_eq!(kinds.count(), 2, "gone, and back: {}", summary["events"]);
}

/// Bytes of a wrong rate between the frames: none is lost, none is invented.
#[test]
fn noise_on_the_port_costs_no_frame() {
    let folder = tempfile::tempdir().expect("a folder");
    let link = folder.path().join("tty");
    let mut terminal = Terminal::new();
    terminal.link(&link);
    let url = format!("serial:{}?baud=57600", link.display());
    let live = live(folder.path(), &["--vehicle", &url]);
    let mut random = ChaCha8Rng::seed_from_u64(10_001);
    let (mut noise, mut sent) = (0, 0);
    for number in 0..400 {
        let mut bytes = vec![0; random.random_range(0..40)];
        random.fill(&mut bytes[..]);
        noise += bytes.len();
        bytes.extend(heartbeat(number, (1, 1)));
        sent += bytes.len();
        terminal.near.write_all(&bytes).expect("it is read");
    }
    wait_for_bytes(folder.path(), sent);
    let summary = live.terminate();
    assert_eq!(summary["framing"]["frames"], 400);
    assert_eq!(summary["framing"]["skipped_bytes"], noise);
    let rows = streams(&summary);
    assert_eq!((rows.len(), &rows[0]["received"], &rows[0]["lost"]), (1, &400.into(), &0.into()));
    assert_eq!(summary, summary_of(folder.path(), "a.pcapng"));
}

/// Two addresses of this computer, one id: the first one's frames count, the other has a row of its own.
#[test]
fn an_id_from_two_addresses_is_the_first_one_s() {
    let folder = tempfile::tempdir().expect("a folder");
    let [port] = free_udp_ports();
    let live = live(folder.path(), &["--vehicle", &format!("udp://0.0.0.0:{port}")]);
    let [own, other] =
        ["127.0.0.1:0", "127.0.0.2:0"].map(|address| UdpSocket::bind(address).expect("a socket"));
    let send = |from: &UdpSocket, number: u64, level: u8| {
        let radio = frame(number, (51, 68), 109, 185, &[0, 0, 0, 0, level, level, 90, 40, 40]);
        from.send_to(&radio, ("127.0.0.1", port)).expect("it is sent");
    };
    (0..40).for_each(|number| send(&own, number, 100));
    wait_for_records(folder.path(), 40);
    (0..40).for_each(|number| {
        send(&own, 40 + number, 100);
        send(&other, 130 + number, 250);
    });
    wait_for_records(folder.path(), 120);
    let summary = live.terminate();
    let rows = streams(&summary);
    let counted: Vec<_> = rows.iter().map(|row| (&row["received"], &row["link_loss"])).collect();
    assert_eq!(counted, [(&80.into(), &true.into()), (&40.into(), &false.into())], "{rows:?}");
    let levels = summary["signal"].as_array().expect("levels");
    assert!(levels.iter().all(|row| row["median"] == 100.0 && row["min"] == 100.0), "{levels:?}");
    assert_eq!(summary, summary_of(folder.path(), "a.pcapng"));
}

/// Two thousand addresses of this computer, each with a frame and some noise, while the vehicle sends: it loses nothing.
#[test]
fn senders_by_the_thousand_make_nobody_deaf() {
    let folder = tempfile::tempdir().expect("a folder");
    let [port] = free_udp_ports();
    let live = live(folder.path(), &["--vehicle", &format!("udp://0.0.0.0:{port}")]);
    let vehicle = UdpSocket::bind("127.0.0.1:0").expect("a socket");
    let mut random = ChaCha8Rng::seed_from_u64(10_001);
    for step in 0..2000_u64 {
        let [high, low] = (step as u16).to_be_bytes();
        let stranger = UdpSocket::bind((Ipv4Addr::new(127, 9, high, low), 0)).expect("a socket");
        let id = (random.random_range(60..=255), random.random());
        for bytes in [frame(random.random(), id, 25, 23, &[1; 2]), random.random::<[u8; 30]>().to_vec()] {
            stranger.send_to(&bytes, ("127.0.0.1", port)).expect("it is sent");
        }
        if step % 10 == 9 {
            vehicle.send_to(&heartbeat(step / 10, (1, 1)), ("127.0.0.1", port)).expect("it is sent");
            // No more than its socket holds.
            wait_for_records(folder.path(), if step % 100 == 99 { (step as usize + 1) * 21 / 10 } else { 0 });
        }
    }
    let summary = live.terminate();
    let vehicle = streams(&summary).into_iter().find(|row| row["system"] == 1).expect("the vehicle");
    assert_eq!((&vehicle["received"], &vehicle["lost"]), (&200.into(), &0.into()));
    assert_eq!(summary["recording"]["host_drops"], 0);
    assert!(streams(&summary).len() <= 256);
    assert_eq!(summary, summary_of(folder.path(), "a.pcapng"));
}

/// `live` with calls of the system replaced by those of a source in C.
fn live_with(folder: &Path, source: &str, ways: &[&str]) -> Command {
    let library = folder.join("calls.so");
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests").join(source);
    let built =
        Command::new("cc").args(["-shared", "-fPIC", "-o"]).args([&library, &source]).arg("-ldl").status();
    assert!(built.expect("a C compiler").success());
    let mut command =
        binary::fadewatch(folder, &[&["live", "--record", "a.pcapng", "--json"][..], ways].concat());
    command.env("LD_PRELOAD", library);
    command
}

/// `live` on a device whose driver no longer answers from the file `hung` on.
fn live_on_a_hung_driver(folder: &Path, ways: &[&str], device: &Path) -> Command {
    let mut command = live_with(folder, "hung_driver/open.c", ways);
    command.env("HUNG_DEVICE", device).env("HUNG_WHILE", folder.join("hung"));
    command
}

/// The vehicle's port goes, and its driver does not answer when it is opened again: the handset is recorded all the same, and
/// the session ends in good order.
#[test]
fn a_driver_that_never_answers_holds_up_nothing_else() {
    let folder = tempfile::tempdir().expect("a folder");
    let link = folder.path().join("tty");
    let mut terminal = Terminal::new();
    terminal.link(&link);
    let [port] = free_udp_ports();
    let (vehicle, handset) =
        (format!("serial:{}?baud=57600", link.display()), format!("udp://127.0.0.1:{port}"));
    let ways = ["--vehicle", &vehicle, "--handset", &handset];
    let live = Running::start(&mut live_on_a_hung_driver(folder.path(), &ways, &link));
    live.says("listening; recording to a.pcapng");
    terminal.near.write_all(&heartbeat(0, (1, 1))).expect("it is read");
    wait_for_bytes(folder.path(), 21);
    std::fs::write(folder.path().join("hung"), "").expect("a file");
    drop(terminal);
    let socket = UdpSocket::bind("127.0.0.1:0").expect("a socket");
    let hung = folder.path().join("hung");
    wait_for("the port to be opened again", || (!hung.exists()).then_some(()));
    for number in 0..100 {
        socket.send_to(&heartbeat(number, (255, 190)), ("127.0.0.1", port)).expect("it is sent");
    }
    wait_for_bytes(folder.path(), 21 * 101);
    let summary = live.terminate();
    let rows = streams(&summary);
    let received: Vec<(&Value, &Value)> = rows.iter().map(|row| (&row["received"], &row["lost"])).collect();
    assert_eq!(received, [(&1.into(), &0.into()), (&100.into(), &0.into())]);
    assert!(
        summary["events"].as_array().expect("events").iter().any(|event| event["kind"] == "source"),
        "the vehicle's port is gone: {}",
        summary["events"]
    );
}

/// As it starts, it says so and ends; nothing waits for good.
#[test]
fn a_driver_that_never_answers_at_the_start_is_told() {
    let folder = tempfile::tempdir().expect("a folder");
    let link = folder.path().join("tty");
    let terminal = Terminal::new();
    terminal.link(&link);
    std::fs::write(folder.path().join("hung"), "").expect("a file");
    let url = format!("serial:{}?baud=57600", link.display());
    let live = Running::start(&mut live_on_a_hung_driver(folder.path(), &["--vehicle", &url], &link));
    live.says("its driver gave no answer");
    let (status, out) = live.end();
    assert_eq!((status.code(), out.as_str()), (Some(2), ""));
}

/// The wall clock is set ahead, back and right again while it records; one that is ahead all at once is also what is left of
/// a sleep. Each is told once, and no stamp follows.
#[test]
fn a_clock_that_is_set_while_recording_moves_no_stamp() {
    let folder = tempfile::tempdir().expect("a folder");
    let link = folder.path().join("tty");
    let mut terminal = Terminal::new();
    terminal.link(&link);
    let (url, ahead) = (format!("serial:{}?baud=57600", link.display()), folder.path().join("ahead"));
    let mut command = live_with(folder.path(), "set_clock/clock.c", &["--vehicle", &url]);
    let live = Running::start(command.env("CLOCK_AHEAD", &ahead));
    live.says("listening; recording to a.pcapng");
    let mut sent = 0;
    let path = folder.path().join("a.pcapng");
    for (steps, ahead_s) in (1..).zip([7200, -86_400, 0]) {
        // Whole at once, as a clock is.
        let set = folder.path().join("set");
        std::fs::write(&set, format!("{ahead_s}")).expect("a file");
        std::fs::rename(&set, &ahead).expect("a file");
        wait_for("the step in the recording", || {
            terminal.near.write_all(&heartbeat(sent, (1, 1))).expect("it is read");
            sent += 1;
            let bytes = std::fs::read(&path).expect("a recording");
            let told = bytes.windows(20).filter(|window| *window == b"fadewatch clock-step").count();
            (told >= steps).then_some(())
        });
    }
    wait_for_bytes(folder.path(), 21 * sent as usize);
    let summary = live.terminate();
    let row = &streams(&summary)[0];
    assert_eq!((&row["received"], &row["lost"]), (&sent.into(), &0.into()));
    let events = summary["events"].as_array().expect("events").iter();
    let steps: Vec<f64> = events.filter(|event| event["kind"] == "clock-step").map(step_s).collect();
    let expected = [7200.0, -93_600.0, 86_400.0];
    assert!(
        steps.len() == 3 && steps.iter().zip(expected).all(|(told, set)| (told - set).abs() < 60.0),
        "{steps:?}"
    );
    // Three looks, a second apart: were a stamp moved, it would be hours.
    for figure in [&summary["recording"]["duration_s"], &row["longest_silence_s"]] {
        assert!(figure.as_f64().is_some_and(|figure| figure < 600.0), "{figure}");
    }
    assert_eq!(summary, summary_of(folder.path(), "a.pcapng"));
}

/// By how much the clock was set, as the event says it.
fn step_s(event: &Value) -> f64 {
    let mut words = event["text"].as_str().unwrap_or_default().split(' ');
    words.find_map(|word| word.parse().ok()).unwrap_or_else(|| panic!("{event}"))
}
