//! Laws of the history: a file that something changed is refused, or says of each session what was written; limits in a
//! recording are read as what could be written.

use std::collections::BTreeMap;
use std::fs;
use std::sync::{Arc, LazyLock};
use std::time::Duration;

use fadewatch::capture::hash_of;
use fadewatch::history::{Choice, History, SessionRow};
use fadewatch::judge::margin::{EvidenceSecond, FreezeEvidence};
use fadewatch::profile::Profile;
use fadewatch::summary::Earlier;
use fadewatch::units::LevelUnit;

use super::choices::Choices;
use super::sessions::PROFILES;

/// An invented session that freezes at one level.
fn session(day: u32) -> SessionRow {
    let freeze_at = -88.0 + day as f32;
    let second = |second: u32| EvidenceSecond {
        second,
        level: freeze_at + (second % 9) as f32,
        distance_m: (!second.is_multiple_of(3)).then_some(second as f32),
        freeze_began: second % 40 == 9,
    };
    SessionRow {
        hash: hash_of(&day.to_le_bytes()),
        file: format!("day-{day}.pcapng"),
        start_utc: Some(format!("2026-05-{day:02}T09:00:00.000Z")),
        tags: BTreeMap::from([("antenna".to_owned(), "panel".to_owned())]),
        summary: "{\"schema\":1}".to_owned(),
        evidence: vec![FreezeEvidence {
            link: "video".to_owned(),
            unit: LevelUnit::Dbm,
            source: "rtp".to_owned(),
            seconds: (1..=120).map(second).collect(),
            left_out: day,
        }],
        vibration: vec![(8.25, 80), (21.5, 20)],
    }
}

const DAYS: u32 = 4;

/// The bytes of a history, and what it says.
static WHOLE: LazyLock<(Vec<u8>, Earlier)> = LazyLock::new(|| {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("history.sqlite");
    let mut history = History::open(&path).expect("made");
    for day in 1..=DAYS {
        assert!(history.add(&session(day)).expect("added"));
    }
    let earlier = history.earlier(profile(), &Choice::default()).expect("asked");
    assert_eq!(earlier.thresholds.len(), 1);
    drop(history);
    (fs::read(&path).expect("its log is in it once it is closed"), earlier)
});

fn profile() -> &'static Arc<Profile> {
    &PROFILES[1]
}

/// Bytes of the file are changed, or it is cut.
fn damaged(choices: &mut Choices<'_>) -> Vec<u8> {
    let mut bytes = WHOLE.0.clone();
    while !choices.is_over() {
        let kind = choices.byte();
        let place = choices.u32() as usize % bytes.len().max(1);
        match kind {
            0..=199 => {
                for (offset, byte) in choices.take(usize::from(kind & 7) + 1).iter().enumerate() {
                    if let Some(old) = bytes.get_mut(place + offset) {
                        *old = if kind & 8 == 0 { *byte } else { *old ^ *byte };
                    }
                }
            }
            200..=229 => {
                let length = usize::from(choices.u16());
                let copied = bytes[place..(place + length).min(bytes.len())].to_vec();
                let to = choices.u32() as usize % bytes.len().max(1);
                for (old, new) in bytes[to..].iter_mut().zip(copied) {
                    *old = new;
                }
            }
            _ => bytes.truncate(place.max(1)),
        }
    }
    bytes
}

/// What figures rest on; how many freezes were left out is only told.
fn told(row: &SessionRow) -> Vec<(&str, LevelUnit, &str, &[EvidenceSecond])> {
    let rows = row.evidence.iter();
    rows.map(|each| (&each.link[..], each.unit, &each.source[..], &each.seconds[..])).collect()
}

/// Whatever is asked of it: an error, or what was written.
fn assert_true(history: &History) {
    let kept = |hash: &str| (1..=DAYS).map(session).find(|row| row.hash == hash);
    if let Ok(listed) = history.list() {
        for one in listed {
            if let Ok(row) = history.show(&one.hash) {
                let written = kept(&row.hash).unwrap_or_else(|| panic!("{} was never written", row.hash));
                assert_eq!(told(&row), told(&written));
            }
        }
    }
    let _ = history.equipments();
    if let Ok(earlier) = history.earlier(profile(), &Choice::default()) {
        for threshold in earlier.thresholds.iter() {
            assert!(
                threshold.level_p05.is_finite() && threshold.sessions <= u64::from(DAYS),
                "{threshold:?}"
            );
            if threshold.sessions == u64::from(DAYS) {
                assert_eq!(threshold.level_p05, WHOLE.1.thresholds[0].level_p05);
            }
        }
    }
}

/// Limits as a stranger's recording may hold them.
fn limits(json: &str) {
    let Some(read) = Earlier::from_json(json, profile()) else { return };
    let written = read.to_json();
    let again = Earlier::from_json(&written, profile()).expect("what was written is read");
    assert_eq!(again.to_json(), written);
    assert_eq!(again.thresholds.len(), read.thresholds.len());
    for threshold in read.thresholds.iter() {
        assert!(threshold.level_p05.is_finite());
        assert!(threshold.level_p05_ci95.is_none_or(|[low, high]| low <= high));
    }
}

/// Of a damaged file, or of limits in a recording.
pub fn history(data: &[u8]) {
    let mut choices = Choices(data);
    if choices.byte() & 1 == 1 {
        return limits(&String::from_utf8_lossy(choices.0));
    }
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("history.sqlite");
    fs::write(&path, damaged(&mut choices)).expect("written");
    let Ok(history) = History::open_existing(&path, Duration::ZERO) else { return };
    let mut history = history.expect("it is there");
    assert_true(&history);
    let row = session(DAYS + 1);
    if history.add(&row).is_ok_and(|new| new)
        && let Ok(shown) = history.show(&row.hash)
    {
        assert_eq!(told(&shown), told(&row));
    }
}
