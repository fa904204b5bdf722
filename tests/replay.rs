//! Replay: the same figures however an instant was reached.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod waiting;

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use fadewatch::capture::{PcapngWriter, Recording};
use fadewatch::monitor::LinkMonitor;
use fadewatch::record::{Direction, Entry, InterfaceId, InterfaceInfo, InterfaceKind, Note, SessionInfo};
use fadewatch::record::{OwnedBody, OwnedRecord};
use fadewatch::run::simulated_file::run_to_file;
use fadewatch::session::player::Player;
use fadewatch::session::replay::{ReplayConfig, start};
use fadewatch::session::{Command, Feed, Mode, SessionHandle};
use fadewatch::simulate::Scenario;
use fadewatch::summary::Earlier;
use fadewatch::summary::Summary;
use fadewatch::units::Nanos;
use rand::{RngExt, SeedableRng};
use waiting::wait_for;

const PATIENCE: Duration = Duration::from_secs(20);

fn wait_for_feed(session: &SessionHandle, what: &str, holds: impl Fn(&Feed) -> bool) -> Arc<Feed> {
    wait_for(PATIENCE, what, || session.feed().filter(|feed| holds(feed)))
}

/// The scenario in which sources fall silent, as a recording.
fn silent(folder: &Path) -> PathBuf {
    let scenario: Scenario = Scenario::load(Path::new("tests/scenarios/silent.toml")).unwrap();
    let path = folder.join("silent.pcapng");
    run_to_file(&scenario, &path).unwrap();
    path
}

fn text(summary: &Summary) -> String {
    serde_json::to_string_pretty(summary).unwrap()
}

/// The batch command's way: every entry, once.
fn batch(recording: &Recording) -> Summary {
    let mut cursor = recording.cursor();
    let mut monitor = LinkMonitor::new(Arc::default(), Arc::default());
    while let Some(entry) = recording.next(&mut cursor) {
        monitor.handle(&entry);
    }
    monitor.summary(&recording.facts(&cursor))
}

fn player(recording: &Arc<Recording>) -> Player {
    Player::new(Arc::clone(recording), Arc::default(), Earlier::default())
}

/// Forward to an instant, seconds from the first record.
fn advance_to(player: &mut Player, t_s: f64) {
    assert!(player.advance(Nanos::from_secs_f64(t_s), usize::MAX));
}

/// Forward or back.
fn seek(player: &mut Player, t_s: f64) {
    player.jump(t_s);
    advance_to(player, t_s);
}

#[test]
fn fifty_seeks_leave_no_trace() {
    let folder = tempfile::tempdir().unwrap();
    let recording = Arc::new(Recording::open(&silent(folder.path())).unwrap());
    let whole = batch(&recording);
    let length_s = whole.recording.duration_s;
    let mut restless = player(&recording);
    let mut random = rand::rngs::ChaCha8Rng::seed_from_u64(50);
    let mut compared = 0;
    for turn in 0..50 {
        let to_s = random.random_range(-1.0..length_s + 1.0);
        seek(&mut restless, to_s);
        if turn % 10 == 9 {
            let mut straight = player(&recording);
            advance_to(&mut straight, to_s);
            assert_eq!(text(&restless.summary()), text(&straight.summary()), "at {to_s} s");
            compared += 1;
        }
    }
    assert_eq!(compared, 5);
    seek(&mut restless, f64::INFINITY);
    assert!(restless.at_end());
    assert_eq!(text(&restless.summary()), text(&whole));
}

#[test]
fn every_speed_gives_the_same_figures() {
    let folder = tempfile::tempdir().unwrap();
    let recording = Arc::new(Recording::open(&silent(folder.path())).unwrap());
    let whole = text(&batch(&recording));
    for step_s in [0.025 * 0.25, 0.7, 64.0] {
        let mut player = player(&recording);
        let mut at_s = 0.0;
        while !player.at_end() {
            advance_to(&mut player, at_s);
            at_s += step_s;
        }
        assert_eq!(text(&player.summary()), whole, "in steps of {step_s} s");
    }
}

#[test]
fn equal_stamps_are_never_torn_apart_and_late_ones_come_with_those_before() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.pcapng");
    let stamps_ms = [0, 1000, 1000, 1000, 400, 2000, 2000];
    write_notes(&path, &stamps_ms);
    let recording = Arc::new(Recording::open(&path).unwrap());
    let records_at = |t_s: f64| {
        let mut player = player(&recording);
        seek(&mut player, t_s);
        player.summary().recording.records
    };
    assert_eq!(records_at(0.0), 1);
    assert_eq!(records_at(0.999), 1);
    assert_eq!(records_at(1.0), 5);
    assert_eq!(records_at(1.999), 5);
    assert_eq!(records_at(2.0), 7);
    assert_eq!(records_at(-5.0), 0);
}

fn write_notes(path: &Path, stamps_ms: &[i64]) {
    let mut writer = PcapngWriter::new(std::fs::File::create(path).unwrap());
    let session = SessionInfo { has_wall_clock: true, ..SessionInfo::default() };
    let info = InterfaceInfo { name: "marks".to_owned(), kind: InterfaceKind::Marks, description: None };
    writer.write(&Entry::Session(session)).unwrap();
    writer.write(&Entry::Interface(InterfaceId(0), info)).unwrap();
    for stamp in stamps_ms {
        let record = OwnedRecord {
            at: Nanos::from_secs(1_900_000_000) + Nanos::from_millis(*stamp),
            interface: InterfaceId(0),
            direction: Direction::Inbound,
            body: OwnedBody::Note(Note::Tick),
        };
        writer.write(&Entry::Record(record.as_record())).unwrap();
    }
    writer.flush().unwrap();
}

fn replay_of(path: &Path) -> ReplayConfig {
    ReplayConfig {
        recording: Arc::new(Recording::open(path).unwrap()),
        profile: Arc::default(),
        earlier: Earlier::default(),
        start_at: 0.0,
        speed: 1.0,
        paused: false,
    }
}

fn mode(feed: &Feed) -> (f64, bool, f64, bool) {
    match feed.mode {
        Mode::Replay { speed, paused, duration_s, at_end } => (speed, paused, duration_s, at_end),
        Mode::Live => panic!("a replay says that it is live"),
    }
}

#[test]
fn a_replay_obeys_and_ends_with_the_batch_figures() {
    let folder = tempfile::tempdir().unwrap();
    let path = silent(folder.path());
    let whole = batch(&Recording::open(&path).unwrap());
    let session = start(ReplayConfig { paused: true, start_at: 5.0, ..replay_of(&path) }).unwrap();
    let length_s = whole.recording.duration_s;
    let feed = wait_for_feed(&session, "its length", |feed| (mode(feed).2 - length_s).abs() < 1e-9);
    assert!(mode(&feed).1 && feed.snapshot.now_s <= 5.0 && feed.snapshot.now_s > 3.0);
    assert!(session.send(Command::Seek(9.0)));
    wait_for_feed(&session, "the seek", |feed| feed.snapshot.now_s > 8.0 && feed.snapshot.now_s <= 9.0);
    assert!(session.send(Command::Seek(2.0)));
    wait_for_feed(&session, "the seek back", |feed| feed.snapshot.now_s <= 2.0);
    assert!(
        session.send(Command::Mark { kind: fadewatch::record::MarkKind::PictureFroze, text: String::new() })
    );
    wait_for_feed(&session, "the refusal", |feed| {
        feed.message.as_deref().is_some_and(|message| message.contains("takes no marks"))
    });
    assert!(session.send(Command::Speed(1e9)));
    wait_for_feed(&session, "the bounded speed", |feed| mode(feed).0 == 64.0);
    assert!(session.send(Command::Pause(false)));
    let feed = wait_for_feed(&session, "the end", |feed| mode(feed).3);
    assert!((feed.snapshot.now_s - length_s).abs() < 1e-9);
    let end = session.finish().unwrap();
    assert_eq!(text(&end.summary), text(&whole));
    assert!(end.recordings.is_empty());
}

/// On the way the latency may be an earlier one; at the end nothing of that is left.
#[test]
fn the_figures_on_screen_at_the_end_are_those_of_the_batch() {
    let folder = tempfile::tempdir().unwrap();
    let scenario: Scenario = Scenario::load(Path::new("tests/scenarios/bench.toml")).unwrap();
    let path = folder.path().join("flown.pcapng");
    run_to_file(&scenario, &path).unwrap();
    let whole = batch(&Recording::open(&path).unwrap());
    assert!(whole.latency.stick_to_servo.as_ref().unwrap().p50_ms.is_some());
    let session = start(ReplayConfig { speed: 64.0, ..replay_of(&path) }).unwrap();
    let feed = wait_for_feed(&session, "the figures at the end", |feed| {
        mode(feed).3 && feed.snapshot.summary.recording.duration_s == whole.recording.duration_s
    });
    assert_eq!(text(&feed.snapshot.summary), text(&whole));
    session.finish().unwrap();
}

#[test]
fn the_figures_on_screen_after_a_seek_are_those_of_that_instant() {
    let folder = tempfile::tempdir().unwrap();
    let path = silent(folder.path());
    let session = start(ReplayConfig { paused: true, start_at: f64::INFINITY, ..replay_of(&path) }).unwrap();
    wait_for_feed(&session, "the end", |feed| mode(feed).3);
    let recording = Arc::new(Recording::open(&path).unwrap());
    let mut straight = player(&recording);
    advance_to(&mut straight, 7.5);
    let expected = straight.summary();
    assert!(session.send(Command::Seek(7.5)));
    let feed = wait_for_feed(&session, "the seek", |feed| {
        !mode(feed).3 && feed.snapshot.now_s == straight.position_s()
    });
    assert_eq!(text(&feed.snapshot.summary), text(&expected));
    session.finish().unwrap();
}

#[test]
fn what_makes_no_sense_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.pcapng");
    write_notes(&path, &[0, 1000]);
    for (speed, start_at) in [(0.0, 0.0), (100.0, 0.0), (f64::NAN, 0.0), (1.0, -1.0), (1.0, f64::NAN)] {
        assert!(start(ReplayConfig { speed, start_at, ..replay_of(&path) }).is_err());
    }
}
