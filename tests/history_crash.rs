//! The history when a process dies in the middle of writing it, when its log is torn, and when two
//! processes write at once: whole sessions or none, nothing replaced in silence, and `rebuild` proves it.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod binary;

use std::fs;
use std::path::{Path, PathBuf};

use binary::{Running, fadewatch};
use fadewatch::history::{Choice, History, SessionRow};
use fadewatch::judge::margin::{EvidenceSecond, FreezeEvidence};
use fadewatch::profile::Profile;
use fadewatch::units::LevelUnit;

fn recordings() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings")
}

/// A folder with the three short bundled recordings and their profile.
fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for name in ["orchard-1.pcapng", "orchard-2.pcapng", "orchard-3.pcapng", "orchard-profile.toml"] {
        fs::copy(recordings().join(name), folder.path().join(name)).unwrap();
    }
    folder
}

const FILES: [&str; 3] = ["orchard-1.pcapng", "orchard-2.pcapng", "orchard-3.pcapng"];

fn add<'a>(files: &'a [&'a str]) -> Vec<&'a str> {
    let mut arguments = vec!["history", "add", "--history", "h.sqlite", "--profile", "orchard-profile.toml"];
    arguments.extend(files);
    arguments
}

fn rows(path: &Path) -> Vec<SessionRow> {
    let history = History::open(path).unwrap();
    assert_eq!(history.set_aside(), None, "{} was taken for damaged", path.display());
    let list = history.list().unwrap();
    list.iter().map(|session| history.show(&session.hash).unwrap()).collect()
}

/// Files that are there already are passed over, whatever the order; the list fits the smallest screen.
#[test]
fn an_add_goes_on_where_another_ended() {
    let folder = folder();
    let added = |files: &[&str]| {
        let (status, _) = Running::fadewatch(folder.path(), &add(files)).end();
        assert!(status.success());
        rows(&folder.path().join("h.sqlite")).len()
    };
    assert_eq!((added(&FILES[1..2]), added(&FILES), added(&FILES)), (1, 3, 3));
    let list = fadewatch(folder.path(), &["history", "list", "--history", "h.sqlite"]).output().unwrap();
    let list = String::from_utf8(list.stdout).unwrap();
    for file in FILES {
        assert_eq!(list.lines().filter(|line| line.ends_with(file)).count(), 1, "{list}");
    }
    assert!(list.lines().all(|line| line.chars().count() <= 80), "{list}");
}

/// Kills a real `history add` at many points: right away, after each session that it tells, and while its
/// log grows. What is there afterwards is a whole session or none, and adding again completes it.
#[test]
fn a_killed_add_leaves_whole_sessions() {
    let folder = folder();
    let whole = {
        let (status, _) = Running::fadewatch(folder.path(), &add(&FILES)).end();
        assert!(status.success());
        rows(&folder.path().join("h.sqlite"))
    };
    assert_eq!(whole.len(), 3);
    let wal = folder.path().join("h.sqlite-wal");
    let size = |path: &Path| fs::metadata(path).map_or(0, |file| file.len());
    for point in 0..8_u64 {
        for name in ["h.sqlite", "h.sqlite-wal", "h.sqlite-shm"] {
            let _ = fs::remove_file(folder.path().join(name));
        }
        let mut running = Running::fadewatch(folder.path(), &add(&FILES));
        match point {
            0 => {}
            1 => running.says("added orchard-1"),
            2 => running.says("added orchard-2"),
            // Tables are in the log from the start; each session then adds some pages of 4 kB.
            _ => {
                let wanted = 4096 * (8 + 6 * (point - 3));
                // One that is done before the log is seen to grow so far has to be whole too.
                binary::wait_for("a log", || {
                    let grown = size(&wal) >= wanted || size(&folder.path().join("h.sqlite")) > wanted;
                    (grown || running.has_ended()).then_some(())
                });
            }
        }
        if !running.has_ended() {
            running.signal("KILL");
        }
        let _ = running.end();
        let kept = rows(&folder.path().join("h.sqlite"));
        for row in &kept {
            assert!(whole.contains(row), "point {point}: half a session of {}", row.file);
        }
        assert!(
            kept.len() as u64 >= if point == 2 { 2 } else { u64::from(point == 1) },
            "what was told is kept"
        );
        let (status, _) = Running::fadewatch(folder.path(), &add(&FILES)).end();
        assert!(status.success());
        assert_eq!(rows(&folder.path().join("h.sqlite")), whole, "point {point}");
    }
}

fn session(day: u32) -> SessionRow {
    let second = |second: u32| EvidenceSecond {
        second,
        level: -70.0 - (second % 20) as f32,
        distance_m: Some(second as f32),
        freeze_began: second % 20 == 19,
    };
    SessionRow {
        hash: format!("{day:064x}"),
        file: format!("day-{day}.pcapng"),
        start_utc: Some(format!("2026-05-{day:02}T09:00:00.000Z")),
        tags: [("antenna".to_owned(), "panel".to_owned())].into(),
        summary: "{\"schema\":1}".repeat(200),
        evidence: vec![FreezeEvidence {
            link: "video".to_owned(),
            unit: LevelUnit::Dbm,
            source: "rtp".to_owned(),
            seconds: (1..=300).map(second).collect(),
            left_out: 1,
        }],
        vibration: vec![(4.5, 250), (30.0, 50)],
    }
}

/// A power cut may leave any part of the log. Cut at every page, and at odd places within, the file opens
/// with the sessions whose commit is whole, each as it was written.
#[test]
fn a_torn_log_keeps_every_whole_session() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("h.sqlite");
    let written: Vec<SessionRow> = (1..=4).map(session).collect();
    // The history stays open, so that its log is not folded into the file yet.
    let mut history = History::open(&path).unwrap();
    for row in &written {
        history.add(row).unwrap();
    }
    let (file, log) = (fs::read(&path).unwrap(), fs::read(folder.path().join("h.sqlite-wal")).unwrap());
    drop(history);
    // A log begins with 32 bytes, then 24 bytes before each page of 4096 (SQLite file format, 4.1).
    let pages = (log.len() - 32) / (4096 + 24);
    assert!(pages > 20, "{pages}");
    let mut most = 0;
    for cut in (0..=pages).flat_map(|page| [32 + page * 4120, 32 + page * 4120 + 1733]) {
        let torn = folder.path().join(format!("torn-{cut}.sqlite"));
        fs::write(&torn, &file).unwrap();
        fs::write(folder.path().join(format!("torn-{cut}.sqlite-wal")), &log[..cut.min(log.len())]).unwrap();
        let kept = rows(&torn);
        assert_eq!(kept, written[..kept.len()], "cut at {cut}");
        assert!(kept.len() >= most, "a longer log holds no fewer");
        most = kept.len();
    }
    assert_eq!(most, 4);
}

/// Damage at any page: the thresholds are those that were written, or the damage is told; never others.
#[test]
fn damage_anywhere_is_told_or_does_no_harm() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("h.sqlite");
    let written: Vec<SessionRow> = (1..=4).map(session).collect();
    let mut history = History::open(&path).unwrap();
    history.replace_all(&written).unwrap();
    drop(history);
    let whole = fs::read(&path).unwrap();
    let profile = Profile::parse(
        "[[link]]\nname = \"video\"\nrole = \"video\"\nlevel = { slope_db = 0.5, offset_dbm = -120.0 }\n",
    )
    .unwrap();
    let of = |path: &Path| -> Option<_> {
        let history = History::open(path).ok()?;
        if let Some(aside) = history.set_aside() {
            assert!(aside.exists());
            return None;
        }
        let found = history.earlier(&profile, &Choice::default()).ok()?;
        Some((found.thresholds, found.vibration))
    };
    let right = of(&path).unwrap();
    assert_eq!(right.0[0].sessions, 4);
    let mut told = 0;
    let step = 997;
    for at in (0..whole.len()).step_by(step) {
        let mut bytes = whole.clone();
        for byte in bytes.iter_mut().skip(at).take(16) {
            *byte ^= 0x5a;
        }
        let damaged = folder.path().join("damaged.sqlite");
        let _ = fs::remove_file(folder.path().join("damaged.sqlite-wal"));
        let _ = fs::remove_file(folder.path().join("damaged.sqlite-shm"));
        fs::write(&damaged, &bytes).unwrap();
        match of(&damaged) {
            None => told += 1,
            Some(found) => assert_eq!(found, right, "16 bytes turned at {at}"),
        }
    }
    // Most of the file are summaries and series, which thresholds do not read.
    assert!(told > 2, "{told} of {}", whole.len() / step);
}

/// Two real processes add the same recordings at the same time; a rebuild then finds nothing to change,
/// and finds a session that was tampered with.
#[test]
fn two_processes_at_once_and_rebuild_proves_it() {
    let folder = folder();
    let first = Running::fadewatch(folder.path(), &add(&FILES));
    let second = Running::fadewatch(folder.path(), &add(&["orchard-3.pcapng", "orchard-1.pcapng"]));
    assert!(first.end().0.success());
    assert!(second.end().0.success());
    let path = folder.path().join("h.sqlite");
    let kept = rows(&path);
    assert_eq!(kept.len(), 3);
    let check =
        ["history", "rebuild", ".", "--check", "--history", "h.sqlite", "--profile", "orchard-profile.toml"];
    let (status, _) = Running::fadewatch(folder.path(), &check).end();
    assert_eq!(status.code(), Some(0));
    let mut history = History::open(&path).unwrap();
    let mut changed = kept[0].clone();
    changed.evidence[0].seconds[3].level -= 20.0;
    history.remove(&changed.hash).unwrap();
    history.add(&changed).unwrap();
    drop(history);
    let running = Running::fadewatch(folder.path(), &check);
    running.says("history and recording of orchard-1.pcapng differ");
    assert_eq!(running.end().0.code(), Some(1));
    let rebuild = ["history", "rebuild", ".", "--history", "h.sqlite", "--profile", "orchard-profile.toml"];
    assert_eq!(Running::fadewatch(folder.path(), &rebuild).end().0.code(), Some(0));
    assert_eq!(rows(&path), kept);
}

/// A damaged history: the program says where it went and how to make it again, and does its work.
#[test]
fn a_damaged_history_is_named_by_every_command() {
    let folder = folder();
    fs::write(folder.path().join("h.sqlite"), vec![0x9c; 9000]).unwrap();
    let summary = [
        "summary",
        "--json",
        "--history",
        "h.sqlite",
        "--profile",
        "orchard-profile.toml",
        "orchard-1.pcapng",
    ];
    let running = Running::fadewatch(folder.path(), &summary);
    running.says("h.sqlite.damaged-1");
    assert_eq!(running.end().0.code(), Some(0));
    assert_eq!(fs::read(folder.path().join("h.sqlite.damaged-1")).unwrap(), vec![0x9c; 9000]);
}
