//! Thresholds from earlier sessions, and finished sessions into the history.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use anyhow::Context as _;

use crate::capture::{Recording, file_hash};
use crate::cli::Common;
use crate::history::{Choice, History, SessionRow};
use crate::link::context::Earlier;
use crate::link::{SessionEvidence, utc_text};
use crate::profile::Profile;
use crate::record::{DATED_LATER_TEXT, Entry};
use crate::session::live::Known;
use crate::summary::Summary;
use crate::units::Nanos;

/// What a recording says of itself before it is read through.
pub(super) struct Opening {
    /// Its tags and the profile's.
    pub(super) tags: BTreeMap<String, String>,
    /// Its first stamp as text; `None` where it has no wall clock.
    pub(super) start_utc: Option<String>,
}

/// Reads a recording up to its first stamp.
pub(super) fn opening(recording: &Recording, profile: &Profile) -> Opening {
    let mut opening = Opening { tags: profile.tags.clone(), start_utc: None };
    let mut has_wall_clock = false;
    let mut cursor = recording.cursor();
    while let Some(entry) = recording.next(&mut cursor) {
        match entry {
            Entry::Session(info) => {
                has_wall_clock = info.has_wall_clock;
                opening.tags.extend(info.tags);
            }
            Entry::Interface(..) => {}
            Entry::Record(record) => {
                opening.start_utc = has_wall_clock.then(|| utc_text(record.at));
                break;
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
        eprintln!(
            "fadewatch: the history was damaged and is now '{}'; make it again with: fadewatch history rebuild DIR",
            path.display()
        );
    }
}

/// The history, where there is one; without a home folder there is no earlier session either.
fn existing(common: &Common) -> anyhow::Result<Option<History>> {
    let Some(path) = common.history.clone().or_else(History::default_path) else { return Ok(None) };
    let history = History::open_existing(&path)?;
    if let Some(history) = &history {
        tell_set_aside(history);
    }
    Ok(history)
}

/// What earlier sessions showed: thresholds of the profile's links and vibration, from sessions with the same equipment that began before `before`.
pub(super) fn showed(
    common: &Common,
    profile: &Profile,
    tags: &BTreeMap<String, String>,
    before: &str,
) -> anyhow::Result<Earlier> {
    let Some(history) = existing(common)? else { return Ok(Earlier::default()) };
    showed_in(&history, profile, tags, Some(before))
}

/// The same for a live session that begins at this stamp, as its recording will ask; says where the
/// clock leaves sessions out.
pub(super) fn showed_live(
    common: &Common,
    profile: &Profile,
    tags: &BTreeMap<String, String>,
    start: Nanos,
) -> anyhow::Result<Known> {
    let Some(history) = existing(common)? else { return Ok(Known::default()) };
    let start = utc_text(start);
    let earlier = showed_in(&history, profile, tags, Some(&start))?;
    let remark = match history.dated_later(tags, &start)? {
        0 => None,
        1 => Some(format!("1 session is {DATED_LATER_TEXT}")),
        later => Some(format!("{later} sessions are {DATED_LATER_TEXT}")),
    };
    if let Some(remark) = &remark {
        eprintln!("fadewatch: {remark}");
    }
    Ok(Known { earlier, remark })
}

/// The same in a history that is open.
pub(super) fn showed_in(
    history: &History,
    profile: &Profile,
    tags: &BTreeMap<String, String>,
    before: Option<&str>,
) -> anyhow::Result<Earlier> {
    let choice = Choice { tags: Some(tags), before, ..Choice::default() };
    Ok(history.earlier(profile, &choice)?)
}

/// The same for a recording: never itself, nor later sessions; none where its start is unknown.
pub(super) fn showed_before(
    common: &Common,
    profile: &Profile,
    recording: &Recording,
) -> anyhow::Result<Earlier> {
    let opening = opening(recording, profile);
    let Some(start) = opening.start_utc else { return Ok(Earlier::default()) };
    // What began before it cannot be itself: no need to hash a large file.
    showed(common, profile, &opening.tags, &start)
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

/// Puts a finished session into the history; a failure is told, and takes nothing else down.
pub(super) fn keep(common: &Common, recording: &Path, summary: &Summary, evidence: SessionEvidence) {
    let kept = || -> anyhow::Result<()> {
        let mut history = History::open(&history_path(common)?)?;
        tell_set_aside(&history);
        let hash = file_hash(recording).with_context(|| format!("cannot read '{}'", recording.display()))?;
        history.add(&row(hash, summary, evidence)?)?;
        Ok(())
    };
    if let Err(error) = kept() {
        eprintln!("fadewatch: the session is not in the history: {error:#}");
    }
}
