//! Nothing is lost: the real binary where the terminal, the history, the disk or the recording itself fails underneath;
//! and nothing that is there is overwritten or forgotten unless that was asked for.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod binary;

use std::fs;
use std::net::UdpSocket;
use std::path::Path;
use std::process::{Command, Stdio};

use binary::{Running, fadewatch, free_udp_ports, received_in, scenario, summary_of, wait_for};
use fadewatch::capture::Recording;
use fadewatch::history::History;
use fadewatch::record::{Body, Entry, Note};

/// A vehicle on loopback, as the telemetry of a real one.
struct Vehicle {
    socket: UdpSocket,
    port: u16,
    bytes: Vec<u8>,
    sent: usize,
}

impl Vehicle {
    fn new() -> Self {
        let [port] = free_udp_ports();
        let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/quad2013_a.raw");
        Self {
            socket: UdpSocket::bind("127.0.0.1:0").unwrap(),
            port,
            bytes: fs::read(data).unwrap(),
            sent: 0,
        }
    }

    fn url(&self) -> String {
        format!("udp://127.0.0.1:{}", self.port)
    }

    fn speak(&mut self) {
        let portion = self.bytes.chunks(512).cycle().nth(self.sent).unwrap().to_vec();
        self.sent += 1;
        let _ = self.socket.send_to(&portion, ("127.0.0.1", self.port));
    }

    /// Speaks until a recording holds so many more of its words.
    fn speak_until(&mut self, path: &Path, records: usize) {
        let before = received_in(path, &[]).0;
        wait_for("records in the recording", || {
            self.speak();
            (received_in(path, &[]).0 >= before + records).then_some(())
        });
    }
}

/// Whether a recording ends in good order.
fn ends_well(path: &Path) -> bool {
    let recording = Recording::open(path).unwrap();
    let mut cursor = recording.cursor();
    let mut last = None;
    while let Some(entry) = recording.next(&mut cursor) {
        if let Entry::Record(record) = entry {
            last = Some(matches!(record.body, Body::Note(Note::End)));
        }
    }
    last == Some(true) && !recording.facts(&cursor).truncated
}

fn sessions(folder: &Path) -> usize {
    History::open(&folder.join("fadewatch/history.sqlite")).unwrap().list().unwrap().len()
}

/// The window is closed, the ssh session gone: nobody reads what it says.
#[test]
fn a_terminal_that_is_gone_costs_neither_the_end_nor_the_history() {
    let folder = tempfile::tempdir().unwrap();
    let mut vehicle = Vehicle::new();
    let (reader, writer) = std::io::pipe().unwrap();
    drop(reader);
    let arguments = ["live", "--vehicle", &vehicle.url(), "--record", "a.pcapng", "--tag", "a=b"];
    let mut child = fadewatch(folder.path(), &arguments)
        .stdout(Stdio::from(writer.try_clone().unwrap()))
        .stderr(Stdio::from(writer))
        .spawn()
        .unwrap();
    let path = folder.path().join("a.pcapng");
    wait_for("its recording", || path.exists().then_some(()));
    vehicle.speak_until(&path, 5);
    let told = Command::new("sh").args(["-c", &format!("kill -HUP {}", child.id())]).status();
    assert!(told.unwrap().success());
    assert_ne!(child.wait().unwrap().code(), Some(101), "it panicked");
    assert!(ends_well(&path));
    assert_eq!(sessions(folder.path()), 1);
}

/// Recording comes first: a history that cannot be used costs its limits alone, and is tried again at the end.
#[test]
fn no_history_keeps_a_session_from_being_recorded() {
    type Spoil = fn(&Path) -> Option<rusqlite::Connection>;
    let spoils: [(&str, Spoil); 3] = [
        ("made by a newer", |path| {
            let history = rusqlite::Connection::open(path).unwrap();
            history.pragma_update(None, "user_version", 99).unwrap();
            None
        }),
        ("locked", |path| {
            let history = rusqlite::Connection::open(path).unwrap();
            history.execute_batch("BEGIN EXCLUSIVE; CREATE TABLE other (a INTEGER);").unwrap();
            Some(history)
        }),
        ("cannot use the history", |path| {
            fs::create_dir(path).unwrap();
            None
        }),
    ];
    for (says, spoil) in spoils {
        let folder = tempfile::tempdir().unwrap();
        fs::create_dir(folder.path().join("fadewatch")).unwrap();
        let held = spoil(&folder.path().join("fadewatch/history.sqlite"));
        let mut vehicle = Vehicle::new();
        let arguments = ["live", "--vehicle", &vehicle.url(), "--record", "a.pcapng", "--json"];
        let live = Running::fadewatch(folder.path(), &arguments);
        live.says(says);
        live.says("listening; recording to a.pcapng");
        let path = folder.path().join("a.pcapng");
        vehicle.speak_until(&path, 5);
        if let Some(held) = held {
            held.execute_batch("ROLLBACK").unwrap();
            drop(held);
            live.terminate();
            assert_eq!(sessions(folder.path()), 1, "tried again at the end");
        } else {
            live.signal("TERM");
            live.says("the session is not in the history");
            assert_eq!(live.end().0.code(), Some(0));
        }
        assert!(ends_well(&path), "{says}");
        // A replay says it too.
        let summary = summary_of(folder.path(), "a.pcapng");
        let said = summary["events"]
            .as_array()
            .unwrap()
            .iter()
            .any(|event| event["text"].as_str().unwrap().contains("no limits from earlier sessions"));
        assert!(said, "{says}");
    }
}

/// A session whose files may not grow beyond so many blocks of 512 bytes.
fn on_a_full_disk(folder: &Path, vehicle: &Vehicle, blocks: u32) -> Running {
    let limited = format!("trap '' XFSZ; ulimit -f {blocks}; exec \"$0\" \"$@\"");
    Running::start(
        Command::new("sh")
            .args(["-c", &limited, env!("CARGO_BIN_EXE_fadewatch"), "live", "--vehicle", &vehicle.url()])
            .args(["--record", "a.pcapng", "--json"])
            .current_dir(folder)
            .env("XDG_DATA_HOME", folder)
            .env("FADEWATCH_PROFILE", "none")
            .stdin(Stdio::null())
            .stdout(Stdio::piped()),
    )
}

/// The disk takes no more: what is missing is said at the end, and in the exit code; the history takes what the file
/// holds.
#[test]
fn a_disk_that_stays_full_is_told_at_the_end() {
    let folder = tempfile::tempdir().unwrap();
    let mut vehicle = Vehicle::new();
    let live = on_a_full_disk(folder.path(), &vehicle, 16);
    live.says("listening; recording to a.pcapng");
    let path = folder.path().join("a.pcapng");
    wait_for("a full disk", || {
        vehicle.speak();
        (vehicle.sent > 200 && fs::metadata(&path).is_ok_and(|file| file.len() > 4096)).then_some(())
    });
    live.signal("TERM");
    live.says("the recording is not whole");
    assert_eq!(live.end().0.code(), Some(1));
    assert!(fs::metadata(&path).unwrap().len() <= 16 * 1024);
    // It opens up to its last whole record.
    assert!(summary_of(folder.path(), "a.pcapng")["recording"]["records"].as_u64() > Some(0));
}

/// The disk takes not even the header: the session goes on, says so, and leaves nothing hidden.
#[test]
fn a_disk_that_is_full_from_the_start_on_keeps_nobody_from_watching() {
    let folder = tempfile::tempdir().unwrap();
    let vehicle = Vehicle::new();
    let live = on_a_full_disk(folder.path(), &vehicle, 0);
    live.says("listening; recording to a.pcapng");
    live.signal("TERM");
    live.says("the recording is not whole");
    assert_eq!(live.end().0.code(), Some(1));
    let there = fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name());
    let hidden: Vec<_> = there.filter(|name| name.as_encoded_bytes().starts_with(b".")).collect();
    assert!(hidden.is_empty(), "{hidden:?}");
}

/// Somebody deletes, moves or cuts the recording while it is written: the session goes on in another file.
#[test]
fn a_recording_that_is_taken_away_is_begun_anew_and_told() {
    let acts: [fn(&Path); 3] = [
        |path| fs::remove_file(path).unwrap(),
        |path| fs::rename(path, path.with_extension("moved")).unwrap(),
        |path| fs::OpenOptions::new().write(true).open(path).unwrap().set_len(100).unwrap(),
    ];
    for act in acts {
        let folder = tempfile::tempdir().unwrap();
        let mut vehicle = Vehicle::new();
        let arguments = ["live", "--vehicle", &vehicle.url(), "--record", "a.pcapng", "--json"];
        let live = Running::fadewatch(folder.path(), &arguments);
        live.says("listening; recording to a.pcapng");
        let path = folder.path().join("a.pcapng");
        vehicle.speak_until(&path, 5);
        act(&path);
        live.says("was deleted, moved or cut; it goes on in");
        let second = wait_for("the second recording", || {
            let mut there = fs::read_dir(folder.path()).unwrap().flatten().map(|entry| entry.path());
            there.find(|path| {
                path.extension().is_some_and(|end| end == "pcapng") && !path.ends_with("a.pcapng")
            })
        });
        vehicle.speak_until(&second, 5);
        live.signal("TERM");
        live.says("the recording is not whole");
        assert_eq!(live.end().0.code(), Some(1));
        assert!(ends_well(&second));
        assert!(received_in(&second, &[]).0 >= 5);
    }
}

/// What is there stays, unless that was asked for.
#[test]
fn nothing_is_overwritten_or_forgotten_unasked() {
    let folder = tempfile::tempdir().unwrap();
    let run = |arguments: &[&str]| {
        let output = fadewatch(folder.path(), arguments).output().unwrap();
        (output.status.code(), String::from_utf8_lossy(&output.stderr).into_owned())
    };
    let bench = scenario("bench.toml");
    let bench = bench.to_str().unwrap();
    assert_eq!(run(&["simulate", bench, "--out", "a.pcapng"]).0, Some(0));
    let first = fs::read(folder.path().join("a.pcapng")).unwrap();
    let (code, said) = run(&["simulate", bench, "--out", "a.pcapng", "--seed", "5"]);
    assert!(code == Some(2) && said.contains("is there already") && said.contains("--yes"), "{said}");
    assert_eq!(fs::read(folder.path().join("a.pcapng")).unwrap(), first);
    assert_eq!(run(&["simulate", bench, "--out", "a.pcapng", "--seed", "5", "--yes"]).0, Some(0));
    assert_ne!(fs::read(folder.path().join("a.pcapng")).unwrap(), first);

    let (code, said) = run(&["summary", "a.pcapng", "--histograms", "a.pcapng"]);
    assert!(code == Some(2) && said.contains("is there already"), "{said}");

    assert_eq!(run(&["history", "add", "a.pcapng"]).0, Some(0));
    fs::create_dir(folder.path().join("empty")).unwrap();
    let (code, said) = run(&["history", "rebuild", "empty"]);
    assert!(code == Some(2) && said.contains("1 session would be forgotten"), "{said}");
    assert_eq!(sessions(folder.path()), 1);
    let hash = fadewatch::capture::file_hash(&folder.path().join("a.pcapng")).unwrap();
    let (code, said) = run(&["history", "remove", &hash[..7]]);
    assert!(code == Some(2) && said.contains("8 characters"), "{said}");
    assert_eq!(sessions(folder.path()), 1);
    assert_eq!(run(&["history", "remove", &hash[..8]]).0, Some(0));
    assert_eq!(sessions(folder.path()), 0);
    assert_eq!(run(&["history", "add", "a.pcapng"]).0, Some(0));
    assert_eq!(run(&["history", "rebuild", "empty", "--yes"]).0, Some(0));
    assert_eq!(sessions(folder.path()), 0);
}

/// Recordings and history hold positions: they are for this user alone.
#[cfg(unix)]
#[test]
fn recordings_and_history_are_for_this_user_alone() {
    use std::os::unix::fs::PermissionsExt as _;
    let folder = tempfile::tempdir().unwrap();
    let mut vehicle = Vehicle::new();
    let live = Running::fadewatch(folder.path(), &["live", "--vehicle", &vehicle.url(), "--json"]);
    live.says("listening; recording to");
    let own = folder.path().join("fadewatch");
    let recording = wait_for("its recording", || {
        Some(fs::read_dir(own.join("recordings")).ok()?.flatten().next()?.path())
    });
    vehicle.speak_until(&recording, 5);
    live.terminate();
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(&own), 0o700);
    assert_eq!(mode(&own.join("recordings")), 0o700);
    for path in [recording, own.join("history.sqlite")] {
        assert_eq!(mode(&path), 0o600, "{}", path.display());
    }
}
