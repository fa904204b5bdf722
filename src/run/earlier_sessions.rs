//! Limits from earlier sessions, and finished sessions into the history.
//!
//! Live: all sessions in the history count, whatever their dates say, since a board without a battery clock cannot date
//! any. What a session used stands in its recording, and whoever opens that shows the same, unless a history is named.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context as _;

use crate::capture::{Recording, file_hash};
use crate::cli::Common;
use crate::history::{Asking, Choice, History, SessionRow, equipment};
use crate::monitor::SessionEvidence;
use crate::profile::Profile;
use crate::record::text::utc_text;
use crate::record::{Body, Entry, Note};
use crate::session::SessionEnd;
use crate::session::live::Known;
use crate::summary::Earlier;
use crate::summary::Summary;
use crate::units::Nanos;
use crate::wording::quantity;

use super::{Reading, analyse, tag_hint, tell};

/// No clock that is set says less: the program was not there.
const PROGRAM_SINCE: &str = "2026-01-01T00:00:00.000Z";
/// Records looked through for the limits of a recording: they stand right behind the first one, unless a packet tool
/// merged it with another.
const LIMITS_WITHIN: usize = 64;
/// A live session does not wait longer for another program that holds the history.
const LIVE_PATIENCE: Duration = Duration::from_millis(300);

/// What a recording says of itself before it is read through.
pub(super) struct Opening {
    /// Its tags and the profile's.
    pub(super) tags: BTreeMap<String, String>,
    /// Its first stamp as text; `None` where it has no wall clock.
    pub(super) start_utc: Option<String>,
    /// The limits that its session used, as they stand in it.
    limits: Option<String>,
}

impl Opening {
    /// The limits that its session used; `None` where it holds none that can be read, which is said.
    fn recorded(&self, profile: &Profile) -> Option<Earlier> {
        let json = self.limits.as_deref()?;
        let recorded = Earlier::from_json(json, profile);
        if recorded.is_none() {
            tell(format_args!("fadewatch: the limits in the recording cannot be read, and are left out"));
        }
        recorded
    }
}

/// Reads the first records of a recording.
pub(super) fn opening(recording: &Recording, profile: &Profile) -> Opening {
    let mut opening = Opening { tags: profile.tags.clone(), start_utc: None, limits: None };
    let (mut has_wall_clock, mut records) = (false, 0);
    let mut cursor = recording.cursor();
    while let Some(entry) = recording.next(&mut cursor).filter(|_| records < LIMITS_WITHIN) {
        match entry {
            Entry::Session(info) if records == 0 => {
                has_wall_clock = info.has_wall_clock;
                opening.tags.extend(info.tags);
            }
            Entry::Session(_) | Entry::Interface(..) => {}
            Entry::Record(record) => {
                if records == 0 && has_wall_clock {
                    opening.start_utc = Some(utc_text(record.at));
                }
                records += 1;
                if let Body::Note(Note::Limits { json }) = record.body {
                    opening.limits = Some(json);
                    break;
                }
            }
        }
    }
    opening
}

/// The history's file: the one that was named, else the one in the data folder.
pub(super) fn history_path(common: &Common) -> anyhow::Result<PathBuf> {
    common.history.clone().or_else(History::default_path).context(
        "there is no home folder for the history: set HOME or XDG_DATA_HOME, or name a file with --history",
    )
}

/// Says where a damaged history went, if it was one.
pub(super) fn tell_set_aside(history: &History) {
    if let Some(path) = history.set_aside() {
        tell(format_args!(
            "fadewatch: the history was damaged and is now '{}'; make it again with: fadewatch history rebuild DIR",
            path.display()
        ));
    }
}

/// The history, where there is one; without a home folder there is no earlier session either.
fn existing(common: &Common, patience: Duration) -> anyhow::Result<Option<History>> {
    let Some(path) = common.history.clone().or_else(History::default_path) else { return Ok(None) };
    let history = History::open_existing(&path, patience)?;
    if let Some(history) = &history {
        tell_set_aside(history);
    }
    Ok(history)
}

/// What all sessions in the history with the same equipment showed, for a live session that begins at this stamp.
/// Dates that cannot be trusted are said, and leave nothing out. A history that cannot be used costs its limits, never
/// the recording.
pub(super) fn showed_live(
    common: &Common,
    profile: &Profile,
    tags: &BTreeMap<String, String>,
    start: Nanos,
) -> Known {
    let start_utc = utc_text(start);
    let asked = || -> anyhow::Result<(Earlier, usize, Option<String>)> {
        let Some(history) = existing(common, LIVE_PATIENCE)? else { return Ok(Default::default()) };
        let earlier = showed_in(&history, profile, tags, None)?;
        let dated_later = history.dated_later(tags, &start_utc)?;
        Ok((earlier, dated_later, tag_hint::hint(&equipment(tags), &history.equipments()?)))
    };
    let (earlier, dated_later, hint) = asked().unwrap_or_else(|error| {
        let why = format!("no limits from earlier sessions, the history cannot be used: {error:#}");
        (Earlier::default(), 0, Some(why))
    });
    let remarks: Vec<String> = doubt(&start_utc, dated_later).into_iter().chain(hint).collect();
    let remark = (!remarks.is_empty()).then(|| remarks.join("; "));
    if let Some(remark) = &remark {
        tell(format_args!("fadewatch: {remark}"));
    }
    Known { earlier, remark }
}

/// What makes dates doubtful: a clock that says less than this program's age, or that is behind what it recorded.
fn doubt(now_utc: &str, dated_later: usize) -> Option<String> {
    let today = now_utc.get(..10).unwrap_or(now_utc);
    let why = match dated_later {
        _ if now_utc < PROGRAM_SINCE => format!("this computer's clock is not set, it says {today}"),
        0 => return None,
        1 => format!("1 session is dated later than this computer's clock, which says {today}"),
        later => format!("{later} sessions are dated later than this computer's clock, which says {today}"),
    };
    Some(format!("dates cannot be trusted: {why}; every session in the history counts as an earlier one"))
}

/// What sessions in a history showed that have the same equipment, and are earlier than a recording that asks.
pub(super) fn showed_in(
    history: &History,
    profile: &Profile,
    tags: &BTreeMap<String, String>,
    earlier_than: Option<Asking<'_>>,
) -> anyhow::Result<Earlier> {
    let choice = Choice { tags: Some(tags), earlier_than, ..Choice::default() };
    Ok(history.earlier(profile, &choice)?)
}

/// What a recording's replay and figures show as earlier: the history that was named on the command line decides,
/// else what the recording holds itself, else the history in the data folder.
pub(super) fn showed_before(
    common: &Common,
    profile: &Profile,
    recording: &Recording,
) -> anyhow::Result<Earlier> {
    let opening = opening(recording, profile);
    for (key, value) in &common.tags {
        if let Some(own) = opening.tags.get(key).filter(|own| *own != value) {
            tell(format_args!(
                "fadewatch: --tag {key}={value} is not used: the recording itself has {key}={own}"
            ));
        }
    }
    if common.history.is_none()
        && let Some(recorded) = opening.recorded(profile)
    {
        return Ok(recorded);
    }
    let Some(history) = existing(common, History::PATIENCE)? else { return Ok(Earlier::default()) };
    let start_utc = opening.start_utc.as_deref();
    let file = recording.facts(&recording.cursor()).file;
    let hash = if history.may_hold(&file, start_utc)? { Some(recording.hash()) } else { None };
    let asking = Asking { hash: hash.as_deref(), start_utc };
    if let Some(hint) = tag_hint::hint(&equipment(&opening.tags), &history.equipments()?) {
        tell(format_args!("fadewatch: {hint}"));
    }
    showed_in(&history, profile, &opening.tags, Some(asking))
}

/// What a recording holds itself as limits: those of a live session, else none.
fn recorded(profile: &Profile, recording: &Recording) -> Earlier {
    opening(recording, profile).recorded(profile).unwrap_or_default()
}

/// The history's row of a session.
pub(super) fn row(hash: String, summary: &Summary, evidence: SessionEvidence) -> anyhow::Result<SessionRow> {
    Ok(SessionRow {
        hash,
        file: summary.recording.file.clone(),
        start_utc: summary.recording.start_utc.clone(),
        tags: summary.recording.tags.clone(),
        summary: serde_json::to_string(summary)?,
        evidence: evidence.links,
        vibration: evidence.vibration,
    })
}

/// A recording's row, by its hash: its figures with the limits that its session used; `--history` only says where it goes.
pub(super) fn row_of(
    recording: &Recording,
    hash: String,
    profile: &Arc<Profile>,
    reading: Reading,
    progress: &dyn Fn(f64),
) -> anyhow::Result<SessionRow> {
    let recorded = recorded(profile, recording);
    let (monitor, facts) = analyse(recording, profile, recorded, reading, progress);
    row(hash, &monitor.summary(&facts), monitor.session_evidence())
}

/// Puts a finished session into the history, each of several files as a session of its own, and says what that holds
/// now; a failure is told, and takes nothing else down.
pub(super) fn keep(common: &Common, profile: &Arc<Profile>, end: &SessionEnd) -> Option<String> {
    if end.recordings.is_empty() {
        return None;
    }
    let kept = || -> anyhow::Result<String> {
        let mut history = History::open(&history_path(common)?)?;
        tell_set_aside(&history);
        if let ([path], None) = (end.recordings.as_slice(), &end.missing) {
            let hash = file_hash(path).with_context(|| format!("cannot read '{}'", path.display()))?;
            history.add(&row(hash, &end.summary, end.evidence.clone())?)?;
        } else {
            for path in &end.recordings {
                let recording = Recording::open(path)?;
                let hash = recording.hash();
                history.add(&row_of(&recording, hash, profile, Reading::of_files(1), &|_| {})?)?;
            }
        }
        holds(&history, &end.summary.recording.tags)
    };
    match kept() {
        Ok(said) => Some(said),
        Err(error) => {
            tell(format_args!("fadewatch: the session is not in the history: {error:#}"));
            None
        }
    }
}

/// How many sessions a history holds, and how many of them have this equipment.
fn holds(history: &History, tags: &BTreeMap<String, String>) -> anyhow::Result<String> {
    let (all, own) = (history.list()?, equipment(tags));
    let alike = all.iter().filter(|session| equipment(&session.tags) == own).count() as u64;
    let all = quantity::counted(all.len() as u64, "session", "sessions");
    Ok(format!("the history holds {all}, {alike} with this equipment"))
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use crate::capture::hash_of;
    use crate::judge::margin::{EvidenceSecond, FreezeEvidence};
    use crate::units::LevelUnit;

    use crate::run::earlier_sessions::*;

    /// Four sessions, each of which froze once at -84 dBm.
    fn history(path: &Path) {
        let mut history = History::open(path).unwrap();
        for day in 1..=4 {
            let second = |second: u32| EvidenceSecond {
                second,
                level: if second == 50 { -84.0 } else { -70.0 },
                distance_m: None,
                freeze_began: second == 50,
            };
            let evidence = FreezeEvidence {
                link: "video".to_owned(),
                unit: LevelUnit::Dbm,
                source: "rtp".to_owned(),
                seconds: (1..=100).map(second).collect(),
                left_out: 0,
            };
            let row = SessionRow {
                hash: hash_of(&[day]),
                file: format!("{day}.pcapng"),
                start_utc: Some(format!("2026-05-0{day}T09:00:00.000Z")),
                tags: BTreeMap::new(),
                summary: "{}".to_owned(),
                evidence: vec![evidence],
                vibration: vec![(8.25, 100)],
            };
            assert!(history.add(&row).unwrap());
        }
    }

    /// A session of two days has two files, and the history gets what `history add` of them gives.
    #[test]
    fn each_file_of_a_session_is_kept_as_a_session() {
        let folder = tempfile::tempdir().unwrap();
        let common = Common { history: Some(folder.path().join("history.sqlite")), ..Common::default() };
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings");
        let recordings: Vec<PathBuf> =
            [1, 2].map(|number| root.join(format!("orchard-{number}.pcapng"))).into();
        let profile = std::fs::read_to_string(root.join("orchard-profile.toml")).unwrap();
        let profile = Arc::new(Profile::parse(&profile).unwrap());
        let end = SessionEnd {
            summary: Summary::default(),
            recordings: recordings.clone(),
            missing: None,
            evidence: SessionEvidence::default(),
            heard: None,
        };
        let said = keep(&common, &profile, &end);
        assert_eq!(said.as_deref(), Some("the history holds 2 sessions, 0 with this equipment"));
        let kept = History::open(common.history.as_deref().unwrap()).unwrap().list().unwrap();
        let mut hashes: Vec<String> = kept.into_iter().map(|session| session.hash).collect();
        hashes.sort();
        let mut expected: Vec<String> = recordings.iter().map(|path| file_hash(path).unwrap()).collect();
        expected.sort();
        assert_eq!(hashes, expected);
    }

    #[test]
    fn live_in_1970_all_sessions_count_and_the_doubt_is_said() {
        let folder = tempfile::tempdir().unwrap();
        let common = Common { history: Some(folder.path().join("history.sqlite")), ..Common::default() };
        let profile =
            "[[link]]\nname = \"video\"\nrole = \"video\"\nlevel = { slope_db = 0.5, offset_dbm = -120.0 }\n";
        let profile = Profile::parse(profile).unwrap();
        let show = |at: Nanos| showed_live(&common, &profile, &BTreeMap::new(), at);
        let unset = Nanos::from_secs(12);
        let remark = show(unset).remark.unwrap();
        assert!(
            remark.starts_with(
                "dates cannot be trusted: this computer's clock is not set, it says 1970-01-01;"
            )
        );
        assert_eq!(show(unset).earlier, Earlier::default(), "there is no history yet");
        history(common.history.as_deref().unwrap());
        // 2026-05-03 at 8, and a day in 2027.
        let (between, after) = (Nanos::from_secs(1_777_795_200), Nanos::from_secs(1_800_000_000));
        for at in [unset, between, after, Nanos::from_secs(-5)] {
            let known = show(at);
            assert_eq!(known.earlier.thresholds[0].level_p05, -84.0);
            assert_eq!(known.earlier.thresholds[0].sessions, 4);
            assert_eq!(known.earlier.vibration.unwrap().sessions, 4);
            assert_eq!(known.remark.is_none(), at == after);
            assert!(
                known.remark.is_none_or(|remark| crate::record::text::clean(&remark) == remark),
                "it is shown whole"
            );
        }
        let remark = show(between).remark.unwrap();
        assert!(
            remark.contains("2 sessions are dated later than this computer's clock, which says 2026-05-03;"),
            "{remark}"
        );
    }
}
