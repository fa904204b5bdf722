//! An ordinary packet tool beside a live session: its capture gives the same counts as ours.
//!
//! It is tcpdump on the loopback interface, which wants root. Where it is not there or may
//! not capture, the test says so and passes, unless `FADEWATCH_REQUIRE_TCPDUMP` is set.

mod binary;

use std::net::UdpSocket;
use std::path::Path;
use std::process::{Command, Stdio};

use fadewatch::capture::Recording;
use fadewatch::record::{Body, Entry};

use binary::{Running, counts, fadewatch, free_udp_ports, received_in, scenario, summary_of, wait_for};

/// Whether tcpdump captures here; says so where it does not.
fn can_capture() -> bool {
    let is_there = Command::new("tcpdump").arg("--version").output().is_ok_and(|ran| ran.status.success());
    let captures = || {
        let arguments = ["-i", "lo", "-w", "/dev/null", "udp"];
        Running::start(Command::new("tcpdump").args(arguments)).says_or_ends("listening on")
    };
    let can = is_there && captures();
    if !can {
        assert!(std::env::var_os("FADEWATCH_REQUIRE_TCPDUMP").is_none(), "tcpdump must be able to capture");
        eprintln!("skipped: tcpdump is not here, or may not capture on the loopback interface");
    }
    can
}

/// tcpdump on these ports of the loopback interface, to a file or to `-`.
fn tcpdump(folder: &Path, ports: &[u16], to: &str) -> Command {
    let filter: Vec<String> = ports.iter().map(|port| format!("udp dst port {port}")).collect();
    let mut command = Command::new("tcpdump");
    command
        .args(["-i", "lo", "--immediate-mode", "-s", "2048", "-B", "32768", "-U", "-w", to])
        .arg(filter.join(" or "))
        .current_dir(folder)
        .stdout(Stdio::piped());
    command
}

/// Sends to a port that no figure counts until the packet tool has seen it.
fn wait_until_it_captures(probe: u16, seen: &Path) {
    let sender = UdpSocket::bind("127.0.0.1:0").expect("a socket");
    wait_for("the packet tool to capture", || {
        let _ = sender.send_to(b"a probe", ("127.0.0.1", probe));
        (received_in(seen, &[probe]).0 > 0).then_some(())
    });
}

#[test]
fn a_capture_made_meanwhile_gives_the_same_counts() {
    if !can_capture() {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let place = |name: &str| folder.path().join(name);
    let all @ [vehicle, handset, video, probe] = free_udp_ports();
    let ports = [vehicle, handset, video];
    let urls = ports.map(|port| format!("udp://127.0.0.1:{port}"));
    let ways = ["--vehicle", &urls[0], "--handset", &urls[1], "--video", &urls[2]];

    // Our own recording, a capture in a file, and one that a live session reads as it is made.
    let options = ["live", "--record", "ours.pcapng", "--json"];
    let live = Running::fadewatch(folder.path(), &[&options[..], &ways].concat());
    live.says("listening");
    let to_file = Running::start(&mut tcpdump(folder.path(), &all, "theirs.pcap"));
    let mut to_pipe = Running::start(&mut tcpdump(folder.path(), &all, "-"));
    let arguments = ["live", "--vehicle", "-", "--record", "piped.pcapng", "--json"];
    let piped = Running::start(fadewatch(folder.path(), &arguments).stdin(to_pipe.stdout()));
    piped.says("listening");
    for (tool, seen) in [(&to_file, "theirs.pcap"), (&to_pipe, "piped.pcapng")] {
        tool.says("listening on");
        wait_until_it_captures(probe, &place(seen));
    }

    let hover = scenario("three_sources.toml");
    let hover = hover.to_str().expect("a path");
    let to_disk = Running::fadewatch(folder.path(), &["simulate", hover, "--out", "sent.pcapng"]);
    assert!(to_disk.end().0.success());
    let sent = received_in(&place("sent.pcapng"), &[]).0;
    assert!(sent > 2000);
    let simulate =
        Running::fadewatch(folder.path(), &[&["simulate", hover, "--speed", "20"][..], &ways].concat());
    assert!(simulate.end().0.success());
    for file in ["ours.pcapng", "theirs.pcap", "piped.pcapng"] {
        wait_for(&format!("{sent} datagrams in {file}"), || {
            (received_in(&place(file), &ports).0 == sent).then_some(())
        });
    }

    let ours = live.terminate();
    to_file.signal("INT");
    assert!(to_file.end().0.success());
    to_pipe.signal("INT");
    // Its output goes to the session, which ends with it.
    let piped = piped.summary();
    let known = counts(&summary_of(folder.path(), "sent.pcapng"));
    assert!(known.len() >= 5, "{known:?}");
    assert_eq!(counts(&ours), known);
    assert_eq!(counts(&summary_of(folder.path(), "ours.pcapng")), known);
    assert_eq!(counts(&summary_of(folder.path(), "theirs.pcap")), known);
    assert_eq!(counts(&piped), known);
    assert_eq!(counts(&summary_of(folder.path(), "piped.pcapng")), known);
}

/// Records of a file that are no notes.
fn with_bytes(path: &Path) -> usize {
    let recording = Recording::open(path).expect("a recording");
    let (mut records, mut cursor) = (0, recording.cursor());
    while let Some(entry) = recording.next(&mut cursor) {
        records += usize::from(matches!(&entry, Entry::Record(one) if !matches!(one.body, Body::Note(_))));
    }
    records
}

/// A mixed recording: each file of the cut is read from end to end, and all packets of the span are in them.
#[test]
fn a_cut_is_read_by_it() {
    let is_there = Command::new("tcpdump").arg("--version").output().is_ok_and(|ran| ran.status.success());
    if !is_there {
        assert!(std::env::var_os("FADEWATCH_REQUIRE_TCPDUMP").is_none(), "tcpdump must be there");
        eprintln!("skipped: tcpdump is not here");
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let file = format!("{}/recordings/orchard-4.pcapng", env!("CARGO_MANIFEST_DIR"));
    let cut = ["export", &file, "--cut", "60..90", "--out", "."];
    assert!(Running::fadewatch(folder.path(), &cut).end().0.success());
    let read = |name: &str| {
        let path = folder.path().join("orchard-4").join(name);
        // By its standard input: it may give up its rights before it opens a file.
        let file = std::fs::File::open(&path).expect("the cut");
        let ran = Command::new("tcpdump").args(["--count", "-r", "-"]).stdin(file).output().expect("it runs");
        assert!(ran.status.success(), "{name}: {}", String::from_utf8_lossy(&ran.stderr));
        let said = String::from_utf8_lossy(&ran.stdout).into_owned();
        let lines: usize = said.split(' ').next().and_then(|count| count.parse().ok()).expect("a count");
        (lines, with_bytes(&path))
    };
    let (mut all, whole) = (0, with_bytes(&folder.path().join("orchard-4/cut.pcapng")));
    let names = ["cut-0-vehicle.pcapng", "cut-2-handset.pcapng", "cut-3-video.pcapng"];
    for name in names {
        let (lines, received) = read(name);
        assert!(received > 100 && lines == received, "{name}: it counts {lines}, and there are {received}");
        all += received;
    }
    assert_eq!(all, whole);
}
