//! The real binary as a pilot's board runs it: live without a screen, ended by a signal,
//! or by a lost battery.

mod binary;

use std::io::Write;
use std::net::UdpSocket;
use std::path::Path;
use std::process::Stdio;

use binary::{Running, counts, fadewatch, free_udp_ports, received_in, scenario, summary_of, wait_for};
use serde_json::Value;

/// Waits until a recording that is being written holds so many records.
fn wait_for_records(path: &Path, records: usize) {
    wait_for("records in the recording", || (received_in(path, &[]).0 >= records).then_some(()));
}

/// What `live` printed is what the recording gives.
fn assert_recorded(folder: &Path, file: &str, printed: &Value) {
    let text = |summary: &Value| serde_json::to_string_pretty(summary).expect("JSON");
    assert_eq!(text(printed), text(&summary_of(folder, file)));
}

#[test]
fn a_serial_port_is_monitored_until_a_signal() {
    let folder = tempfile::tempdir().expect("a folder");
    let bench = scenario("bench.toml");
    let simulate = Running::fadewatch(
        folder.path(),
        &["simulate", bench.to_str().expect("a path"), "--pty", "tty", "--speed", "10"],
    );
    simulate.says("vehicle is at serial:");
    let url = format!("serial:{}?baud=57600", folder.path().join("tty").display());
    let live =
        Running::fadewatch(folder.path(), &["live", "--vehicle", &url, "--record", "a.pcapng", "--json"]);
    live.says("listening; recording to a.pcapng");
    wait_for("a tenth of the session", || {
        (received_in(&folder.path().join("a.pcapng"), &[]).1 >= 20_000).then_some(())
    });
    let printed = live.terminate();
    assert!(printed["framing"]["frames"].as_u64() > Some(400), "{}", printed["framing"]);
    assert_eq!(printed["streams"][0]["interface"], "vehicle");
    assert!(printed["streams"][0]["lost"].as_u64() > Some(0));
    assert_recorded(folder.path(), "a.pcapng", &printed);
}

#[test]
fn datagrams_are_monitored_until_a_signal() {
    let folder = tempfile::tempdir().expect("a folder");
    let urls = free_udp_ports::<3>().map(|port| format!("udp://127.0.0.1:{port}"));
    let ways = ["--vehicle", &urls[0], "--handset", &urls[1], "--video", &urls[2]];
    let live = Running::fadewatch(
        folder.path(),
        &[&["live", "--record", "a.pcapng", "--json", "--tag", "antenna=panel"][..], &ways].concat(),
    );
    live.says("listening; recording to a.pcapng");
    let hover = scenario("three_sources.toml");
    let hover = hover.to_str().expect("a path");
    let simulate =
        Running::fadewatch(folder.path(), &[&["simulate", hover, "--speed", "40"][..], &ways].concat());
    wait_for_records(&folder.path().join("a.pcapng"), 1000);
    let (status, _) = simulate.end();
    assert_eq!(status.code(), Some(0));
    let printed = live.terminate();
    assert_eq!(printed["recording"]["tags"]["antenna"], "panel");
    assert!(counts(&printed).len() >= 4, "{:?}", counts(&printed));
    assert_recorded(folder.path(), "a.pcapng", &printed);
}

#[test]
fn a_killed_session_leaves_a_recording_that_opens() {
    let folder = tempfile::tempdir().expect("a folder");
    let [port] = free_udp_ports();
    let url = format!("udp://127.0.0.1:{port}");
    let live = Running::fadewatch(folder.path(), &["live", "--vehicle", &url, "--record", "a.pcapng"]);
    live.says("listening; recording to a.pcapng");
    let path = folder.path().join("a.pcapng");
    let sender = UdpSocket::bind("127.0.0.1:0").expect("a socket");
    let data = std::fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/quad2013_a.raw"))
        .expect("telemetry");
    let mut portions = data.chunks(1024);
    // What is in the file outlives the program, whatever comes after it.
    let written = wait_for("records in the recording", || {
        for portion in portions.by_ref().take(5) {
            let _ = sender.send_to(portion, ("127.0.0.1", port));
        }
        Some(received_in(&path, &[]).0).filter(|records| *records >= 50)
    });
    live.signal("KILL");
    let (status, text) = live.end();
    assert!(!status.success() && text.is_empty());
    let kept = received_in(&path, &[]).0;
    assert!(kept >= written);
    let summary = summary_of(folder.path(), "a.pcapng");
    assert!(summary["framing"]["frames"].as_u64() > Some(0));
}

/// What `live` prints of bytes on standard input.
fn live_on_input(folder: &Path, bytes: &[u8], recording: &str) -> Value {
    let arguments = ["live", "--vehicle", "-", "--record", recording, "--json"];
    let mut child = fadewatch(folder, &arguments)
        .stdin(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("the binary starts");
    let mut input = child.stdin.take().expect("its input");
    // In portions that tear every block.
    for portion in bytes.chunks(1001) {
        input.write_all(portion).expect("it reads");
    }
    drop(input);
    let output = child.wait_with_output().expect("it ends with its input");
    assert_eq!(output.status.code(), Some(0));
    serde_json::from_slice(&output.stdout).expect("JSON")
}

#[test]
fn standard_input_is_a_capture_or_bare_bytes() {
    let folder = tempfile::tempdir().expect("a folder");
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data");
    // A classic capture of video, a pcapng one of telemetry on the network, and bytes of a port.
    for name in ["rtp_h265.pcap", "field_rural_cut.pcapng", "quad2013_a.raw"] {
        let bytes = std::fs::read(data.join(name)).expect("the recording");
        let there = summary_of(folder.path(), data.join(name).to_str().expect("a path"));
        let recording = format!("{name}.pcapng");
        let live = live_on_input(folder.path(), &bytes, &recording);
        assert!(!counts(&there).is_empty());
        // Copies of the control messages there differ from their originals by their time alone,
        // and here they come all at once.
        if name != "field_rural_cut.pcapng" {
            assert_eq!(counts(&live), counts(&there), "{name}");
        }
        assert_eq!(live["framing"], there["framing"], "{name}");
        assert_recorded(folder.path(), &recording, &live);
    }
}

#[test]
fn a_whole_recording_on_standard_input_is_summed_up() {
    let folder = tempfile::tempdir().expect("a folder");
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data");
    for name in ["rtp_h265.pcap", "field_rural_cut.pcapng", "quad2013_a.raw"] {
        let path = data.join(name);
        let input = std::fs::File::open(&path).expect("the recording");
        let output = fadewatch(folder.path(), &["summary", "--json", "-"])
            .stdin(Stdio::from(input))
            .output()
            .expect("the binary starts");
        let mut piped: Value = serde_json::from_slice(&output.stdout).expect("JSON");
        assert_eq!(piped["recording"]["file"], "-");
        piped["recording"]["file"] = name.into();
        assert_eq!(piped, summary_of(folder.path(), path.to_str().expect("a path")));
    }
    let output = fadewatch(folder.path(), &["summary", "-"]).output().expect("the binary starts");
    assert_eq!(output.status.code(), Some(2), "nothing on standard input");
    assert!(String::from_utf8_lossy(&output.stderr).contains("'-' holds no telemetry: it is empty"));
}
