//! Boards without a battery clock: which sessions are earlier ones where dates cannot be trusted, and the limits that
//! a recording keeps. All sessions here are invented.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod binary;

use std::collections::BTreeMap;
use std::fs::File;
use std::path::Path;
use std::process::{Output, Stdio};

use binary::fadewatch;
use fadewatch::capture::{PcapngWriter, hash_of};
use fadewatch::history::{Asking, Choice, History, SessionRow};
use fadewatch::judge::margin::{EvidenceSecond, FreezeEvidence};
use fadewatch::profile::Profile;
use fadewatch::record::{
    Body, Direction, Entry, InterfaceId, InterfaceInfo, InterfaceKind, Note, Record, SessionInfo,
};
use fadewatch::units::{LevelUnit, Nanos};
use serde_json::Value;

const PROFILE: &str =
    "[[link]]\nname = \"video\"\nrole = \"video\"\nlevel = { slope_db = 0.5, offset_dbm = -120.0 }\n";

/// A session that froze once, at this level; its hash is that of its name.
fn session(name: &str, start: Option<&str>, freeze_at: f32) -> SessionRow {
    let second = |second: u32| EvidenceSecond {
        second,
        level: if second == 50 { freeze_at } else { freeze_at + 10.0 },
        distance_m: None,
        freeze_began: second == 50,
    };
    SessionRow {
        hash: hash_of(name.as_bytes()),
        file: format!("{name}.pcapng"),
        start_utc: start.map(|start| format!("{start}.000Z")),
        tags: BTreeMap::new(),
        summary: "{}".to_owned(),
        evidence: vec![FreezeEvidence {
            link: "video".to_owned(),
            unit: LevelUnit::Dbm,
            source: "rtp".to_owned(),
            seconds: (1..=100).map(second).collect(),
            left_out: 0,
        }],
        vibration: vec![(8.0, 100)],
    }
}

/// Sessions `a`, `b`, ... in the order of adding.
fn history_of(starts: &[Option<&str>]) -> (tempfile::TempDir, History) {
    let folder = tempfile::tempdir().unwrap();
    let mut history = History::open(&folder.path().join("history.sqlite")).unwrap();
    for (name, start) in ["a", "b", "c", "d", "e"].into_iter().zip(starts) {
        assert!(history.add(&session(name, *start, -80.0)).unwrap());
    }
    (folder, history)
}

/// The names of the sessions that are earlier than one, in the order in which they are compared.
fn earlier_than(history: &History, hash: Option<&str>, start: Option<&str>) -> String {
    let start = start.map(|start| format!("{start}.000Z"));
    let asking = Asking { hash, start_utc: start.as_deref() };
    let choice = Choice { earlier_than: Some(asking), ..Choice::default() };
    let found = history.earlier(&Profile::parse(PROFILE).unwrap(), &choice).unwrap().thresholds;
    let each = found.first().map_or(&[][..], |threshold| &threshold.each);
    let name = |short: &str| {
        ["a", "b", "c", "d", "e"].into_iter().find(|name| hash_of(name.as_bytes()).starts_with(short))
    };
    each.iter().map(|session| name(&session.session).unwrap()).collect()
}

fn own(name: &str) -> String {
    hash_of(name.as_bytes())
}

#[test]
fn with_right_dates_the_dates_decide_for_what_is_not_in_the_history() {
    let days = ["2026-05-01T09:00:00", "2026-05-02T09:00:00", "2026-05-03T09:00:00"];
    let (_folder, history) = history_of(&days.map(Some));
    assert_eq!(
        earlier_than(&history, None, Some("2026-05-03T09:00:00")),
        "ab",
        "at the same instant is not before"
    );
    assert_eq!(earlier_than(&history, None, Some("2026-04-01T09:00:00")), "");
    // Dated in the future of the history.
    assert_eq!(earlier_than(&history, None, Some("2199-05-01T09:00:00")), "abc");
    assert_eq!(
        earlier_than(&history, Some(&own("x")), Some("2026-05-02T12:00:00")),
        "ab",
        "a hash that is not there"
    );
    assert_eq!(earlier_than(&history, Some(&own("b")), Some(days[1])), "a", "never itself, nor later ones");
    assert_eq!(earlier_than(&history, None, None), "", "nothing says when it was");
}

/// A board whose clock is a month behind, or was never set, fills its history live.
#[test]
fn the_order_of_adding_makes_good_for_a_clock_that_is_behind() {
    let starts = [
        "2026-05-01T09:00:00",
        "2026-05-02T09:00:00",
        "2026-04-02T09:00:00",
        "1970-01-01T00:00:12",
        "1970-01-01T00:00:09",
    ];
    let (_folder, history) = history_of(&starts.map(Some));
    assert_eq!(earlier_than(&history, Some(&own("c")), Some(starts[2])), "ab");
    assert_eq!(
        earlier_than(&history, Some(&own("d")), Some(starts[3])),
        "cab",
        "dates that may be order them"
    );
    assert_eq!(earlier_than(&history, Some(&own("e")), Some(starts[4])), "abcd");
    // 1970 does not make later ones earlier.
    assert_eq!(earlier_than(&history, Some(&own("a")), Some(starts[0])), "c", "by a date that may be");
    assert_eq!(earlier_than(&history, Some(&own("b")), Some(starts[1])), "ca", "in the order of their dates");
}

/// A history on a laptop holds the sessions of a board that is never set and of one that is; a recording of either
/// that is not among them asks.
#[test]
fn two_boards_with_different_clocks() {
    let starts = [
        Some("1970-01-01T00:00:12"),
        Some("2026-05-02T09:00:00"),
        Some("1970-01-01T00:00:11"),
        Some("2026-05-04T09:00:00"),
        None,
    ];
    let (_folder, history) = history_of(&starts);
    assert_eq!(earlier_than(&history, None, Some("2026-05-03T09:00:00")), "abc", "in the order of adding");
    assert_eq!(earlier_than(&history, None, Some("1970-01-01T00:00:05")), "abcd");
    assert_eq!(earlier_than(&history, None, Some("1970-01-02T00:00:05")), "abcd");
    // A session without a date is an earlier one by the order of adding alone.
    let mut history = history;
    history.add(&session("x", Some("2026-05-05T09:00:00"), -80.0)).unwrap();
    let asking = Asking { hash: Some(&own("x")), start_utc: None };
    let choice = Choice { earlier_than: Some(asking), ..Choice::default() };
    assert_eq!(
        history.earlier(&Profile::parse(PROFILE).unwrap(), &choice).unwrap().thresholds[0].sessions,
        5
    );
}

/// Older recordings are added after newer ones.
#[test]
fn what_is_added_late_is_earlier_by_its_date() {
    let starts = ["2026-05-09T09:00:00", "2026-05-02T09:00:00", "2026-05-01T09:00:00"];
    let (_folder, history) = history_of(&starts.map(Some));
    assert_eq!(earlier_than(&history, Some(&own("a")), Some(starts[0])), "cb");
    assert_eq!(earlier_than(&history, None, Some("2026-05-01T12:00:00")), "c");
}

#[test]
fn a_place_is_not_taken_by_what_comes_after_a_removed_session() {
    let days = ["2026-05-01T09:00:00", "2026-05-02T09:00:00", "2026-05-03T09:00:00"];
    let (_folder, mut history) = history_of(&days.map(Some));
    history.remove(&own("c")).unwrap();
    history.remove(&own("a")).unwrap();
    history.add(&session("d", Some("1970-01-01T00:00:12"), -80.0)).unwrap();
    assert_eq!(earlier_than(&history, Some(&own("d")), Some("1970-01-01T00:00:12")), "b");
    assert_eq!(earlier_than(&history, Some(&own("b")), Some(days[1])), "");
}

fn run(folder: &Path, arguments: &[&str]) -> Output {
    fadewatch(folder, arguments).stderr(Stdio::piped()).output().unwrap()
}

fn summary(folder: &Path, more: &[&str]) -> Value {
    let output = run(folder, &[&["summary", "--json", "--profile", "profile.toml"], more].concat());
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn limit(summary: &Value) -> (Option<f64>, Option<u64>) {
    let threshold = &summary["thresholds"][0];
    (threshold["level_p05"].as_f64(), threshold["sessions"].as_u64())
}

/// A folder with a profile and a history of four sessions that are all later than this computer's clock, as on a board
/// whose clock is behind.
fn board() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("profile.toml"), PROFILE).unwrap();
    let mut history = History::open(&folder.path().join("fadewatch/history.sqlite")).unwrap();
    for (name, level) in [("a", -84.0), ("b", -83.0), ("c", -82.0), ("d", -81.0)] {
        history.add(&session(name, Some("2199-05-01T09:00:00"), level)).unwrap();
    }
    folder
}

const REMARK: &str = "dates cannot be trusted: 4 sessions are dated later than this computer's clock";

/// The whole way: the limits are there, the doubt is said once, and the recording shows the same for ever.
#[test]
fn a_clock_that_is_behind_costs_no_warning_and_a_replay_shows_the_same() {
    let board = board();
    let folder = board.path();
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/quad2013_a.raw");
    let live = ["live", "--vehicle", "-", "--profile", "profile.toml", "--record", "a.pcapng", "--json"];
    let output = fadewatch(folder, &live)
        .stdin(Stdio::from(File::open(data).unwrap()))
        .stderr(Stdio::piped())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0));
    assert!(String::from_utf8_lossy(&output.stderr).contains(REMARK));
    let live: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(limit(&live), (Some(-81.0), Some(4)));
    let events = live["events"].as_array().unwrap();
    let doubts = events.iter().filter(|event| event["text"].as_str().unwrap().starts_with(REMARK));
    assert_eq!(doubts.count(), 1, "{events:?}");
    let text = |value: &Value| serde_json::to_string_pretty(value).unwrap();
    assert_eq!(text(&summary(folder, &["a.pcapng"])), text(&live));
    // The history goes on: one session more, with another level, dated before; then it is gone.
    let path = folder.join("fadewatch/history.sqlite");
    let mut history = History::open(&path).unwrap();
    assert_eq!(history.list().unwrap().len(), 5, "the session itself is in it");
    history.add(&session("e", Some("2020-05-01T09:00:00"), -50.0)).unwrap();
    drop(history);
    assert_eq!(text(&summary(folder, &["a.pcapng"])), text(&live));
    // A history that is named decides: the four that were added before, and the one that is dated before.
    let named = limit(&summary(folder, &["--history", path.to_str().unwrap(), "a.pcapng"]));
    assert!(named.1 == Some(5) && named.0 != Some(-81.0), "{named:?}");
    let mut other = History::open(&folder.join("other.sqlite")).unwrap();
    other.add(&session("f", Some("2020-06-01T09:00:00"), -70.0)).unwrap();
    other.add(&session("g", Some("2199-06-01T09:00:00"), -60.0)).unwrap();
    drop(other);
    assert_eq!(limit(&summary(folder, &["--history", "other.sqlite", "a.pcapng"])), (Some(-70.0), Some(1)));
    std::fs::remove_dir_all(folder.join("fadewatch")).unwrap();
    assert_eq!(text(&summary(folder, &["a.pcapng"])), text(&live));
    assert_eq!(limit(&summary(folder, &["--history", "none.sqlite", "a.pcapng"])), (None, None));
    // Without a terminal a replay prints the same figures.
    let replay = run(folder, &["replay", "--profile", "profile.toml", "a.pcapng"]);
    assert!(String::from_utf8_lossy(&replay.stdout).contains("freeze limit -81.0 dBm"));
}

/// A recording as a board of 1970 writes it, with these limits or none.
fn write_recording(path: &Path, start: Nanos, limits: Option<&str>) {
    let marks = InterfaceId(0);
    let mut writer = PcapngWriter::new(File::create(path).unwrap());
    let mut write = |entry: &Entry<'_>| writer.write(entry).unwrap();
    write(&Entry::Session(SessionInfo { tags: BTreeMap::new(), has_wall_clock: true }));
    let info = InterfaceInfo { name: "marks".to_owned(), kind: InterfaceKind::Marks, description: None };
    write(&Entry::Interface(marks, info));
    let limits = limits.map(|json| (0, Note::Limits { json: json.to_owned() }));
    let notes = [(0, Note::Tick)].into_iter().chain(limits).chain([(1, Note::Tick), (2, Note::End)]);
    for (second, note) in notes {
        let (at, body) = (start + Nanos::from_secs(second), Body::Note(note));
        write(&Entry::Record(Record { at, interface: marks, direction: Direction::Inbound, body }));
    }
}

#[test]
fn a_recording_of_1970_shows_its_limits_and_without_them_all_of_the_history() {
    let board = board();
    let folder = board.path();
    let start = Nanos::from_secs(12);
    write_recording(&folder.join("old.pcapng"), start, None);
    let old = summary(folder, &["old.pcapng"]);
    assert_eq!(old["recording"]["start_utc"], "1970-01-01T00:00:12.000Z");
    assert_eq!(limit(&old), (Some(-81.0), Some(4)));
    let json = r#"{"thresholds":[{"link":"video","unit":"dbm","level_p05":-66.5,"sessions":2,"freezes":9,
        "method":"logistic","event":"freeze"}]}"#;
    write_recording(&folder.join("own.pcapng"), start, Some(&json.replace('\n', " ")));
    assert_eq!(limit(&summary(folder, &["own.pcapng"])), (Some(-66.5), Some(2)));
    let named = ["--history", "fadewatch/history.sqlite", "own.pcapng"];
    assert_eq!(limit(&summary(folder, &named)), (Some(-81.0), Some(4)), "the history that is named decides");
    // That none were known is shown as it was.
    write_recording(&folder.join("first.pcapng"), start, Some("{\"thresholds\":[]}"));
    assert_eq!(limit(&summary(folder, &["first.pcapng"])), (None, None));
}

#[test]
fn hostile_limits_are_told_and_the_history_asked() {
    let board = board();
    let folder = board.path();
    let deep = "[".repeat(60_000);
    let cut = format!("{{\"thresholds\":[{}", "{\"link\":\"video\"},".repeat(10_000));
    for (number, json) in
        ["", "{", "null", "\u{1b}[2J", &deep, &cut, "{\"vibration\":{\"limit\":1e999,\"sessions\":1}}"]
            .into_iter()
            .enumerate()
    {
        let name = format!("{number}.pcapng");
        write_recording(&folder.join(&name), Nanos::from_secs(1_800_000_000), Some(json));
        let output = run(folder, &["summary", "--json", "--profile", "profile.toml", &name]);
        assert_eq!(output.status.code(), Some(0));
        assert!(
            String::from_utf8_lossy(&output.stderr).contains("limits in the recording cannot be read"),
            "{json:.9}"
        );
        let summary: Value = serde_json::from_slice(&output.stdout).unwrap();
        assert_eq!(limit(&summary), (None, None), "those of the history are dated after it");
    }
    // What a newer program adds is no harm.
    write_recording(
        &folder.join("other.pcapng"),
        Nanos::ZERO,
        Some("{\"thresholds\":[],\"more\":{\"a\":1}}"),
    );
    assert_eq!(limit(&summary(folder, &["other.pcapng"])), (None, None));
}

#[test]
fn the_list_and_the_threshold_say_which_dates_cannot_be_trusted() {
    let board = board();
    let folder = board.path();
    let path = folder.join("fadewatch/history.sqlite");
    let mut history = History::open(&path).unwrap();
    history.add(&session("e", Some("1970-01-01T00:00:12"), -80.0)).unwrap();
    history.add(&session("f", Some("2020-05-01T09:00:00"), -80.0)).unwrap();
    history.add(&session("g", None, -80.0)).unwrap();
    drop(history);
    let said = ["1 before any recording of this kind could be", "4 later than this computer's clock"]
        .map(|why| format!("dates cannot be trusted: {why}"));
    let list = String::from_utf8(run(folder, &["history", "list"]).stdout).unwrap();
    assert!(said.iter().all(|said| list.contains(said)), "{list}");
    let marked: Vec<bool> = list
        .lines()
        .filter(|line| line.contains(".pcapng"))
        .map(|line| line.contains(":00? ") || line.contains("00:00? "))
        .collect();
    assert_eq!(marked, [true, false, true, true, true, true, false], "{list}");
    let output = run(folder, &["history", "threshold", "--profile", "profile.toml"]);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(said.iter().all(|said| errors.contains(said)), "{errors}");
    assert!(String::from_utf8_lossy(&output.stdout).contains("7 sessions"));
    // With right dates nothing is said.
    let mut right = History::open(&folder.join("right.sqlite")).unwrap();
    right.add(&session("a", Some("2020-05-01T09:00:00"), -80.0)).unwrap();
    drop(right);
    let output = run(folder, &["history", "list", "--history", "right.sqlite"]);
    assert!(!String::from_utf8_lossy(&output.stdout).contains("trusted"));
}

/// A rebuilt history keeps the order in which its sessions were added; without one, dates order them, and names those
/// of a clock that was never set.
#[test]
fn a_rebuilt_history_keeps_a_sensible_order() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    std::fs::create_dir(folder.join("all")).unwrap();
    // Names say nothing here but for the board of 1970, which counts its sessions of one second.
    let day = |day: i64| Nanos::from_secs(1_777_000_000 + day * 86_400);
    let never_set = Nanos::from_secs(12);
    for (name, start) in [
        ("z", day(1)),
        ("a", day(3)),
        ("m", day(2)),
        ("1970-01-01T00-00-12", never_set),
        ("1970-01-01T00-00-12-2", never_set + Nanos::from_millis(1)),
        ("1970-01-01T00-00-12-10", never_set + Nanos::from_millis(2)),
    ] {
        write_recording(&folder.join(format!("all/{name}.pcapng")), start, None);
    }
    let order = || {
        let mut listed = History::open(&folder.join("fadewatch/history.sqlite")).unwrap().list().unwrap();
        listed.sort_by_key(|session| session.place);
        listed.iter().map(|session| session.file.replace(".pcapng", "")).collect::<Vec<_>>()
    };
    let rebuild = || assert_eq!(run(folder, &["history", "rebuild", "all"]).status.code(), Some(0));
    rebuild();
    let fresh = ["1970-01-01T00-00-12", "1970-01-01T00-00-12-2", "1970-01-01T00-00-12-10", "z", "m", "a"];
    assert_eq!(order(), fresh);
    std::fs::remove_dir_all(folder.join("fadewatch")).unwrap();
    let added = ["a", "1970-01-01T00-00-12-10", "z"];
    for name in added {
        run(folder, &["history", "add", &format!("all/{name}.pcapng")]);
    }
    assert_eq!(order(), added);
    rebuild();
    assert_eq!(
        order(),
        ["a", "1970-01-01T00-00-12-10", "z", "1970-01-01T00-00-12", "1970-01-01T00-00-12-2", "m"]
    );
    rebuild();
    assert_eq!(
        order(),
        ["a", "1970-01-01T00-00-12-10", "z", "1970-01-01T00-00-12", "1970-01-01T00-00-12-2", "m"]
    );
}
