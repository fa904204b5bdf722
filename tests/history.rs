//! The history as a file: what it keeps, what it refuses, and what becomes of a damaged one.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use fadewatch::capture::hash_of;
use fadewatch::history::{Asking, Choice, History, HistoryError, SessionRow};
use fadewatch::judge::margin::{EvidenceSecond, FreezeEvidence};
use fadewatch::profile::Profile;
use fadewatch::units::LevelUnit;

fn tags(pairs: &[(&str, &str)]) -> BTreeMap<String, String> {
    pairs.iter().map(|(key, value)| ((*key).to_owned(), (*value).to_owned())).collect()
}

/// A session that freezes at its highest level `freeze_at`, on day `day`.
fn session(day: u32, freeze_at: f32, source: &str, equipment: &[(&str, &str)]) -> SessionRow {
    let second = |second: u32| EvidenceSecond {
        second,
        level: if second == 50 { freeze_at } else { freeze_at + 10.0 + (second % 7) as f32 },
        distance_m: Some(20.0 + second as f32),
        freeze_began: second == 50,
    };
    SessionRow {
        hash: hash_of(format!("{day} {freeze_at} {source}").as_bytes()),
        file: format!("day-{day}.pcapng"),
        start_utc: Some(format!("2026-05-{day:02}T09:00:00.000Z")),
        tags: tags(equipment),
        summary: "{\"schema\":1}".to_owned(),
        evidence: vec![FreezeEvidence {
            link: "video".to_owned(),
            unit: LevelUnit::Dbm,
            source: source.to_owned(),
            seconds: (1..=100).map(second).collect(),
            left_out: 0,
        }],
        vibration: vec![(8.25, 80), (21.5, 20)],
    }
}

fn profile() -> Profile {
    Profile::parse(
        "[[link]]\nname = \"video\"\nrole = \"video\"\nlevel = { slope_db = 0.5, offset_dbm = -120.0 }\n",
    )
    .unwrap()
}

fn level(history: &History, choice: &Choice<'_>) -> Option<(f64, u64)> {
    let found = history.earlier(&profile(), choice).unwrap().thresholds;
    found.first().map(|threshold| (threshold.level_p05, threshold.sessions))
}

#[test]
fn adding_twice_changes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let mut history = History::open(&folder.path().join("deep/history.sqlite")).unwrap();
    let row = session(1, -84.0, "rtp", &[("antenna", "panel")]);
    assert!(history.add(&row).unwrap());
    assert!(!history.add(&row).unwrap());
    assert_eq!(history.list().unwrap().len(), 1);
    assert_eq!(history.show(&row.hash[..8]).unwrap(), row);
}

#[test]
fn only_earlier_sessions_with_the_same_equipment_count() {
    let folder = tempfile::tempdir().unwrap();
    let mut history = History::open(&folder.path().join("history.sqlite")).unwrap();
    let panel = [("antenna", "panel")];
    history.add(&session(1, -90.0, "rtp", &panel)).unwrap();
    history.add(&session(2, -86.0, "rtp", &[("antenna", "panel"), ("note", "windy")])).unwrap();
    history.add(&session(3, -82.0, "rtp", &panel)).unwrap();
    history.add(&session(1, -60.0, "rtp", &[("antenna", "rod")])).unwrap();
    history.add(&session(2, -59.0, "rtp", &[("antenna", "panel"), ("mount", "sprung")])).unwrap();
    let mine = tags(&[("antenna", "panel"), ("note", "calm")]);
    let all = Choice { tags: Some(&mine), ..Choice::default() };
    assert_eq!(level(&history, &all), Some((-82.0, 3)));
    let on_day_3 = Asking { hash: None, start_utc: Some("2026-05-03T09:00:00.000Z") };
    let before = |asking| Choice { earlier_than: Some(asking), ..all };
    assert_eq!(level(&history, &before(on_day_3)), Some((-86.0, 2)));
    let own = session(2, -86.0, "rtp", &panel);
    let own = Asking { hash: Some(&own.hash), start_utc: own.start_utc.as_deref() };
    assert_eq!(level(&history, &before(own)), Some((-90.0, 1)));
    let like = [("mount".to_owned(), "sprung".to_owned())];
    assert_eq!(level(&history, &Choice { like: &like, ..all }), Some((-59.0, 1)));
    let nobody = [("mount".to_owned(), "stiff".to_owned())];
    assert_eq!(level(&history, &Choice { like: &nobody, ..all }), None);
}

#[test]
fn marks_and_rtp_are_never_pooled() {
    let folder = tempfile::tempdir().unwrap();
    let mut history = History::open(&folder.path().join("history.sqlite")).unwrap();
    history.add(&session(1, -70.0, "marks", &[])).unwrap();
    assert_eq!(level(&history, &Choice::default()), Some((-70.0, 1)));
    history.add(&session(2, -85.0, "rtp", &[])).unwrap();
    assert_eq!(level(&history, &Choice::default()), Some((-85.0, 1)));
}

#[test]
fn a_level_in_another_unit_does_not_count() {
    let folder = tempfile::tempdir().unwrap();
    let mut history = History::open(&folder.path().join("history.sqlite")).unwrap();
    let mut row = session(1, -70.0, "rtp", &[]);
    row.evidence[0].unit = LevelUnit::Raw;
    history.add(&row).unwrap();
    assert_eq!(level(&history, &Choice::default()), None);
}

#[test]
fn a_removed_session_is_gone_and_a_vague_hash_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let mut history = History::open(&folder.path().join("history.sqlite")).unwrap();
    let (first, second) = (session(1, -90.0, "rtp", &[]), session(2, -80.0, "rtp", &[]));
    history.add(&first).unwrap();
    history.add(&second).unwrap();
    assert!(matches!(history.remove(""), Err(HistoryError::Ambiguous { count: 2, .. })));
    assert!(matches!(history.remove("zz"), Err(HistoryError::Unknown(_))));
    assert!(matches!(history.remove(&second.hash[..7]), Err(HistoryError::TooShort { needed: 8, .. })));
    assert_eq!(history.remove(&second.hash[..8]).unwrap(), second.hash);
    assert_eq!(level(&history, &Choice::default()), Some((-90.0, 1)));
    assert!(history.add(&second).unwrap(), "it can be added again");
}

#[test]
fn a_rebuilt_history_says_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let mut history = History::open(&folder.path().join("history.sqlite")).unwrap();
    let rows: Vec<SessionRow> = (1..=5).map(|day| session(day, -90.0 + day as f32, "rtp", &[])).collect();
    for row in &rows {
        history.add(row).unwrap();
    }
    let before = history.earlier(&profile(), &Choice::default()).unwrap().thresholds;
    assert_eq!(history.replace_all(&rows).unwrap(), 5);
    assert_eq!(history.earlier(&profile(), &Choice::default()).unwrap().thresholds, before);
    assert_eq!(history.list().unwrap().len(), 5);
}

#[test]
fn a_file_that_is_no_history_is_set_aside_and_named() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("history.sqlite");
    let rubbish = vec![0x9c; 5000];
    fs::write(&path, &rubbish).unwrap();
    let history = History::open(&path).unwrap();
    let aside = history.set_aside().expect("its new name").to_owned();
    assert_eq!(fs::read(&aside).unwrap(), rubbish, "nothing is lost");
    assert!(history.list().unwrap().is_empty());
    drop(history);
    assert_eq!(History::open(&path).unwrap().set_aside(), None, "the new one is whole");
}

/// A name that was mistyped: neither a recording nor a profile is moved away for a history.
#[test]
fn what_never_was_a_history_is_left_where_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let capture = include_bytes!("../recordings/orchard-1.pcapng");
    for (bytes, what) in [(&capture[..], "capture"), (b"[vehicle]\nsystem = 1\n", "text")] {
        let path = folder.path().join("mine");
        fs::write(&path, bytes).unwrap();
        let error = History::open(&path).unwrap_err().to_string();
        assert!(error.contains(what) && error.contains("mine"), "{error}");
        assert_eq!(fs::read(&path).unwrap(), bytes);
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }
}

/// Fills a history and closes it, so that all of it is in the one file.
fn filled(path: &Path) -> Vec<u8> {
    let mut history = History::open(path).unwrap();
    for day in 1..=20 {
        history.add(&session(day, -90.0 + day as f32, "rtp", &[])).unwrap();
    }
    drop(history);
    fs::read(path).unwrap()
}

#[test]
fn a_damaged_table_is_noticed_when_it_is_opened() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("history.sqlite");
    let mut bytes = filled(&path);
    // The page of the evidence table's root, wiped: SQLite pages are 4096 bytes.
    for page in 1..bytes.len() / 4096 {
        if bytes[page * 4096] == 13 || bytes[page * 4096] == 5 {
            bytes[page * 4096..page * 4096 + 64].fill(0xa5);
        }
    }
    fs::write(&path, &bytes).unwrap();
    let history = History::open(&path).unwrap();
    let aside = history.set_aside().expect("its new name").to_owned();
    assert_eq!(fs::read(aside).unwrap(), bytes);
}

/// A flipped byte inside a value passes SQLite's own checks; the digest catches it.
#[test]
fn a_flipped_byte_of_evidence_is_noticed() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("history.sqlite");
    let mut bytes = filled(&path);
    let needle = (-88.0_f32).to_le_bytes();
    let found: Vec<usize> = (0..bytes.len() - 4).filter(|&at| bytes[at..at + 4] == needle).collect();
    for at in found {
        bytes[at] ^= 1;
    }
    fs::write(&path, &bytes).unwrap();
    let history = History::open(&path).unwrap();
    let result = history.earlier(&profile(), &Choice::default());
    assert!(matches!(result, Err(HistoryError::Damaged { .. })), "{result:?}");
}

/// So does one in a whole series, and a series that stands under another session: a damaged index finds that.
#[test]
fn a_series_that_is_not_the_one_written_is_noticed() {
    let seconds = "SELECT seconds FROM series WHERE session =";
    let digest = "SELECT digest FROM series WHERE session =";
    for damage in [
        // The distance of the first second: no level and no freeze changes.
        "UPDATE series SET seconds = CAST(substr(seconds, 1, 8) || x'00004040' || substr(seconds, 13) AS BLOB) WHERE session = 2"
            .to_owned(),
        format!("UPDATE series SET seconds = ({seconds} 3), digest = ({digest} 3) WHERE session = 2"),
        "UPDATE evidence SET source = 'marks' WHERE session = 2".to_owned(),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("history.sqlite");
        filled(&path);
        let hash = History::open(&path).unwrap().list().unwrap()[1].hash.clone();
        let connection = rusqlite::Connection::open(&path).unwrap();
        assert_eq!(connection.execute(&damage, []).unwrap(), 1);
        drop(connection);
        let shown = History::open(&path).unwrap().show(&hash);
        assert!(matches!(shown, Err(HistoryError::Damaged { .. })), "{damage}: {shown:?}");
    }
}

#[test]
fn a_truncated_file_is_set_aside_or_read_whole() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("history.sqlite");
    let bytes = filled(&path);
    for share in [1, 2, 3] {
        fs::write(&path, &bytes[..bytes.len() * share / 4]).unwrap();
        let history = History::open(&path).unwrap();
        assert!(history.set_aside().is_some(), "{share} quarters");
        assert!(history.list().unwrap().is_empty());
    }
}

#[test]
fn a_newer_history_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("history.sqlite");
    drop(History::open(&path).unwrap());
    let connection = rusqlite::Connection::open(&path).unwrap();
    connection.pragma_update(None, "user_version", 99).unwrap();
    drop(connection);
    assert!(matches!(History::open(&path), Err(HistoryError::Newer { .. })));
    assert!(path.exists());
}

#[test]
fn several_may_open_and_add_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("history.sqlite");
    let path = &path;
    std::thread::scope(|scope| {
        for worker in 0..4_u8 {
            scope.spawn(move || {
                let mut history = History::open(path).unwrap();
                for day in 1..=5 {
                    history.add(&session(day, -80.0 - f32::from(worker % 2), "rtp", &[])).unwrap();
                }
            });
        }
    });
    assert_eq!(History::open(path).unwrap().list().unwrap().len(), 10);
}

/// The first version of the file, as its columns were: opened, it is brought up to date, keeps what it
/// held, and gives the same threshold; what it did not know then is not made up.
#[test]
fn a_history_of_the_first_version_is_brought_up_to_date() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("history.sqlite");
    filled(&path);
    let before = History::open(&path).unwrap().earlier(&profile(), &Choice::default()).unwrap().thresholds;
    let connection = rusqlite::Connection::open(&path).unwrap();
    connection
        .execute_batch(
            "ALTER TABLE series DROP COLUMN digest; ALTER TABLE session DROP COLUMN links; ALTER TABLE session DROP COLUMN added_ms; ALTER TABLE session DROP COLUMN digest; ALTER TABLE detail DROP COLUMN digest;
             ALTER TABLE evidence DROP COLUMN left_out; DROP TABLE vibration; PRAGMA user_version = 1;",
        )
        .unwrap();
    drop(connection);
    let history = History::open(&path).unwrap();
    assert_eq!(history.set_aside(), None);
    assert_eq!(history.list().unwrap().len(), 20);
    assert_eq!(history.earlier(&profile(), &Choice::default()).unwrap().thresholds, before);
    assert_eq!(history.earlier(&Profile::default(), &Choice::default()).unwrap().vibration, None);
    let row = history.show(&history.list().unwrap()[0].hash).unwrap();
    assert!(row.vibration.is_empty());
}

/// The second version kept all but when a session was added: nothing else changes, and that is not made up.
#[test]
fn a_history_of_the_second_version_is_brought_up_to_date() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("history.sqlite");
    filled(&path);
    let all = |history: &History| {
        let listed = history.list().unwrap();
        let rows = listed.iter().map(|session| history.show(&session.hash).unwrap());
        (rows.collect::<Vec<_>>(), history.earlier(&profile(), &Choice::default()).unwrap())
    };
    let history = History::open(&path).unwrap();
    let before = all(&history);
    assert!(history.list().unwrap().iter().all(|session| session.added_ms.is_some()));
    let places: Vec<i64> = history.list().unwrap().iter().map(|session| session.place).collect();
    drop(history);
    let connection = rusqlite::Connection::open(&path).unwrap();
    connection.execute_batch(
        "ALTER TABLE series DROP COLUMN digest; ALTER TABLE session DROP COLUMN links; ALTER TABLE session DROP COLUMN added_ms; PRAGMA user_version = 2;",
    ).unwrap();
    drop(connection);
    let mut history = History::open(&path).unwrap();
    assert_eq!(history.set_aside(), None);
    assert_eq!(all(&history), before);
    let listed = history.list().unwrap();
    assert!(listed.iter().all(|session| session.added_ms.is_none()));
    assert_eq!(listed.iter().map(|session| session.place).collect::<Vec<_>>(), places);
    assert!(history.add(&session(21, -70.0, "rtp", &[])).unwrap());
    assert!(history.list().unwrap()[20].added_ms.is_some());
}

/// By hand: 3 sessions of 80 s at 8.25 and 20 s at 21.5: the 90th percentile is 21.5.
#[test]
fn the_limit_of_vibration_is_that_of_the_chosen_sessions() {
    let folder = tempfile::tempdir().unwrap();
    let mut history = History::open(&folder.path().join("history.sqlite")).unwrap();
    assert_eq!(history.earlier(&Profile::default(), &Choice::default()).unwrap().vibration, None);
    for day in 1..=3 {
        history.add(&session(day, -84.0, "rtp", &[("mount", "sprung")])).unwrap();
    }
    let mut hard = session(4, -84.0, "rtp", &[("mount", "hard")]);
    hard.vibration = vec![(50.0, 200)];
    history.add(&hard).unwrap();
    let limit = |mount: &str| {
        let like = [("mount".to_owned(), mount.to_owned())];
        let choice = Choice { like: &like, ..Choice::default() };
        history
            .earlier(&Profile::default(), &choice)
            .unwrap()
            .vibration
            .map(|limit| (limit.limit, limit.sessions))
    };
    assert_eq!(limit("sprung"), Some((21.5, 3)));
    assert_eq!(limit("hard"), Some((50.0, 1)));
    assert_eq!(limit("soft"), None);
}

/// A telemetry link's limit is where loss began, and there is none where loss has nothing to do with the
/// level: a limit that random loss sets would alarm for ever.
#[test]
fn a_telemetry_link_has_a_limit_only_where_loss_follows_the_level() {
    let profile = Profile::parse(
        "[[link]]\nname = \"telemetry\"\nrole = \"telemetry\"\nlevel = { slope_db = 0.5, offset_dbm = -120.0 }\n",
    )
    .unwrap();
    let thresholds = |lossy: &dyn Fn(u32, f32) -> bool| {
        let folder = tempfile::tempdir().unwrap();
        let mut history = History::open(&folder.path().join("history.sqlite")).unwrap();
        for day in 1..=3 {
            let mut row = session(day, -84.0, "sequence", &[]);
            row.evidence[0].link = "telemetry".to_owned();
            row.evidence[0].seconds = (1..=400)
                .map(|second| {
                    let level = -60.0 - (second % 40) as f32;
                    let freeze_began = lossy(second, level);
                    EvidenceSecond { second, level, distance_m: None, freeze_began }
                })
                .collect();
            history.add(&row).unwrap();
        }
        history.earlier(&profile, &Choice::default()).unwrap().thresholds.to_vec()
    };
    // Every second below -92 dBm and every other one at it.
    let found = thresholds(&|second, level| level < -92.0 || level == -92.0 && second % 80 < 40);
    assert_eq!(found.len(), 1);
    assert_eq!(
        (found[0].event, found[0].source.as_str()),
        (fadewatch::profile::LimitEvent::Loss, "sequence")
    );
    assert!((found[0].level_p50.unwrap() + 92.0).abs() < 0.5, "{:?}", found[0].level_p50);
    assert_eq!(found[0].agreement.as_ref().unwrap().word, "agree");
    assert_eq!(found[0].each.len(), 3);
    // One second in 19, whatever the level.
    assert_eq!(thresholds(&|second, _| second % 19 == 0), []);
}

/// As the program prints it: with all that lies behind it.
#[test]
fn what_went_wrong_is_said_once() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("a-file");
    std::fs::write(&file, "").unwrap();
    let error = History::open(&file.join("history.sqlite")).err().unwrap();
    let said = format!("{:#}", anyhow::Error::new(error));
    assert_eq!(said.matches("os error").count(), 1, "{said}");
    assert!(said.starts_with("cannot use the history '"), "{said}");
}
