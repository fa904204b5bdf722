//! `history`: earlier sessions, added by hand or after a live session.

use std::collections::{BTreeMap, HashSet};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{Context as _, ensure};
use serde::Serialize;

use crate::capture::Recording;
use crate::cli::{Common, HistoryAction};
use crate::clock::SessionClock;
use crate::history::{Choice, History, ListedSession, SessionRow};
use crate::profile::{LinkProfile, Profile};
use crate::report;
use crate::summary::Earlier;
use crate::summary::Summary;
use crate::wording::quantity;

use super::{Reading, batch, earlier_sessions, tell};

/// Runs one action on the history.
pub(super) fn run(action: &HistoryAction) -> anyhow::Result<ExitCode> {
    match action {
        HistoryAction::Add { files, common } => add(files, common),
        HistoryAction::List { json, common } => list(*json, common),
        HistoryAction::Show { hash, json, common } => show(hash.as_deref(), *json, common),
        HistoryAction::Remove { hash, common } => {
            by_hash_alone(common)?;
            let removed = open(common)?.remove(hash)?;
            tell(format_args!("forgot {removed}; its recording stays"));
            Ok(ExitCode::SUCCESS)
        }
        HistoryAction::Rebuild { dir, check, yes, common } => rebuild(dir, (*check, *yes), common),
        HistoryAction::Threshold { like, json, common } => threshold(like, *json, common),
    }
}

fn open(common: &Common) -> anyhow::Result<History> {
    let history = History::open(&earlier_sessions::history_path(common)?)?;
    earlier_sessions::tell_set_aside(&history);
    Ok(history)
}

/// Adds recordings, read on all cores; each is whole in the history or not there, so that one that was
/// interrupted goes on with the same words, and what is there already is only hashed.
fn add(files: &[PathBuf], common: &Common) -> anyhow::Result<ExitCode> {
    let profile = super::profile(common)?;
    let mut history = open(common)?;
    let known: HashSet<String> = history.list()?.into_iter().map(|session| session.hash).collect();
    let reading = Reading::of_files(files.len());
    let read = |file: &Path, progress: &dyn Fn(f64)| {
        let recording = Recording::open(file)?;
        let hash = recording.hash();
        if known.contains(&hash) {
            return Ok(None);
        }
        earlier_sessions::row_of(&recording, hash, &profile, reading, progress).map(Some)
    };
    let failures = batch::each(files, read, &mut |failures, number, row| {
        let file = files[number].display();
        match row.map_or(Ok(false), |row| history.add(&row)) {
            Ok(true) => tell(format_args!("added {file}")),
            Ok(false) => tell(format_args!("{file} is in the history already")),
            Err(error) => failures.tell(&error.into()),
        }
        Ok(())
    })?;
    Ok(failures.code())
}

/// This computer's clock.
fn now_ms() -> i64 {
    SessionClock::start().now().0 / 1_000_000
}

/// How many dates cannot be trusted, one line a reason.
fn in_doubt(sessions: &[ListedSession], now_ms: i64) -> Vec<String> {
    let mut doubts = BTreeMap::new();
    for why in sessions.iter().filter_map(|session| session.doubt(now_ms)) {
        *doubts.entry(why).or_insert(0) += 1;
    }
    doubts.iter().map(|(why, count)| format!("dates cannot be trusted: {count} {why}")).collect()
}

fn words(tags: &BTreeMap<String, String>) -> String {
    let tags: Vec<String> = tags.iter().map(|(key, value)| format!("{key}={value}")).collect();
    if tags.is_empty() { "no tags".to_owned() } else { tags.join(", ") }
}

/// A session as JSON.
#[derive(Serialize)]
struct Listed<'a> {
    /// SHA-256 of the recording.
    pub session: &'a str,
    pub file: &'a str,
    pub start_utc: Option<&'a str>,
    /// Why its date cannot be trusted.
    pub doubt: Option<&'static str>,
    pub tags: &'a BTreeMap<String, String>,
    /// Seconds with a level, of the link that has most.
    pub level_s: u64,
    pub freezes: u64,
}

/// The tags that a typed profile and the command line ask for; empty where neither was typed: a profile that is used
/// without being asked for chooses nothing. A typed one without tags asks for nothing, and is refused.
fn wanted(common: &Common) -> anyhow::Result<BTreeMap<String, String>> {
    let Some(path) = &common.profile else { return Ok(common.tags.iter().cloned().collect()) };
    let tags = super::profile(common)?.tags.clone();
    ensure!(
        !tags.is_empty(),
        "profile '{}' has no tags to choose sessions by: leave it out, or give --tag",
        path.display()
    );
    Ok(tags)
}

/// A hash names one session: nothing else chooses.
fn by_hash_alone(common: &Common) -> anyhow::Result<()> {
    let is_alone = common.profile.is_none() && common.tags.is_empty();
    ensure!(is_alone, "the hash names the session: --profile and --tag choose nothing here, leave them out");
    Ok(())
}

/// The sessions that have all of these tags, in the order of their start.
fn chosen(history: &History, wanted: &BTreeMap<String, String>) -> anyhow::Result<Vec<ListedSession>> {
    let mut sessions = history.list()?;
    if sessions.is_empty() {
        tell(format_args!("no session yet: they come from live sessions, or from history add FILE"));
        return Ok(sessions);
    }
    sessions.retain(|session| wanted.iter().all(|(key, value)| session.tags.get(key) == Some(value)));
    if sessions.is_empty() {
        tell(format_args!("no session has {}; history list shows what there is", words(wanted)));
    }
    Ok(sessions)
}

/// A row a session, as narrow as 80 columns; tags where they are others than above.
fn list(json: bool, common: &Common) -> anyhow::Result<ExitCode> {
    let wanted = wanted(common)?;
    let mut out = super::out();
    let sessions = chosen(&open(common)?, &wanted)?;
    let now_ms = now_ms();
    if json {
        for session in &sessions {
            let doubt = session.doubt(now_ms);
            let ListedSession { hash, file, tags, seconds, freezes, .. } = session;
            let start_utc = session.start_utc.as_deref();
            let (level_s, freezes) = (*seconds, *freezes);
            let row = Listed { session: hash, file, start_utc, doubt, tags, level_s, freezes };
            report::write_json_to(&mut out, &row)?;
        }
        return Ok(ExitCode::SUCCESS);
    }
    if sessions.is_empty() {
        return Ok(ExitCode::SUCCESS);
    }
    writeln!(out, "session     start (UTC)    s with level  freezes  recording")?;
    let mut above = None;
    for session in &sessions {
        if above != Some(&session.tags) {
            writeln!(out, "{}:", words(&session.tags))?;
        }
        above = Some(&session.tags);
        writeln!(
            out,
            "{}  {:<16}{} {:>9}  {:>7}  {}",
            session.hash.get(..10).unwrap_or(&session.hash),
            session.start_utc.as_deref().map_or_else(|| "unknown".to_owned(), quantity::date),
            if session.doubt(now_ms).is_some() { '?' } else { ' ' },
            session.seconds,
            session.freezes,
            session.file
        )?;
    }
    for doubt in in_doubt(&sessions, now_ms) {
        writeln!(out, "? {doubt}")?;
    }
    Ok(ExitCode::SUCCESS)
}

/// The summaries of the session with this hash, or of all that the tags choose.
fn show(hash: Option<&str>, json: bool, common: &Common) -> anyhow::Result<ExitCode> {
    let wanted = if hash.is_some() {
        by_hash_alone(common)?;
        BTreeMap::new()
    } else {
        let wanted = wanted(common)?;
        ensure!(!wanted.is_empty(), "say which session: its hash (see history list), or --tag or --profile");
        wanted
    };
    let history = open(common)?;
    let hashes: Vec<String> = if let Some(hash) = hash {
        vec![hash.to_owned()]
    } else {
        chosen(&history, &wanted)?.into_iter().map(|session| session.hash).collect()
    };
    let mut out = super::out();
    for (index, hash) in hashes.iter().enumerate() {
        let row = history.show(hash)?;
        let damaged = || format!("the summary of {} in the history cannot be read: rebuild it", row.file);
        if json {
            let mut figures: serde_json::Map<String, serde_json::Value> =
                serde_json::from_str(&row.summary).with_context(damaged)?;
            // `write_json_to` adds its own schema and version.
            figures.remove("schema");
            report::write_json_to(&mut out, &figures)?;
            continue;
        }
        let summary: Summary = serde_json::from_str(&row.summary).with_context(damaged)?;
        if index > 0 {
            writeln!(out)?;
        }
        report::session_text::write_to(&mut out, &summary)?;
    }
    Ok(ExitCode::SUCCESS)
}

/// Reads every capture in a folder, then puts them in place of the whole history at once; says how the
/// history that was there compares.
fn rebuild(dir: &Path, (check, yes): (bool, bool), common: &Common) -> anyhow::Result<ExitCode> {
    let profile = super::profile(common)?;
    let listed =
        std::fs::read_dir(dir).with_context(|| format!("cannot read the folder '{}'", dir.display()))?;
    let mut files: Vec<PathBuf> = listed
        .flatten()
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "pcapng" || ending == "pcap"))
        .collect();
    files.sort();
    let mut rows = Vec::new();
    let reading = Reading::of_files(files.len());
    // A folder may hold captures of something else: those are left out.
    let read = |file: &Path, progress: &dyn Fn(f64)| {
        let recording = Recording::open(file).map_err(anyhow::Error::from);
        let row = |recording: Recording| {
            earlier_sessions::row_of(&recording, recording.hash(), &profile, reading, progress)
        };
        Ok(recording.and_then(row))
    };
    batch::each(&files, read, &mut |_, _, row| {
        match row {
            Ok(row) => rows.push(row),
            Err(error) => tell(format_args!("fadewatch: left out: {error:#}")),
        }
        Ok(())
    })?;
    let mut history = open(common)?;
    order_of_adding(&mut rows, &history.list()?);
    let proof = history.compare(&rows)?;
    for file in &proof.differ {
        tell(format_args!("history and recording of {file} differ"));
    }
    for file in &proof.without_recording {
        let fate = if yes { " and is forgotten" } else { "" };
        tell(format_args!("{file} has no recording in {}{fate}", dir.display()));
    }
    for file in &proof.new {
        tell(format_args!("{file} was not in the history"));
    }
    let same = quantity::counted(proof.same as u64, "session is", "sessions are");
    tell(format_args!("{same} the same in the history and in the recordings"));
    if check {
        return Ok(if proof.holds() { ExitCode::SUCCESS } else { ExitCode::from(super::LIMIT_FAILED) });
    }
    ensure!(
        yes || proof.without_recording.is_empty(),
        "nothing was changed: {} would be forgotten, since '{}' holds no recording of them; say --yes if that is meant",
        quantity::counted(proof.without_recording.len() as u64, "session", "sessions"),
        dir.display()
    );
    let count = history.replace_all(&rows)?;
    tell(format_args!(
        "the history holds {}, from {} in {}",
        quantity::counted(count as u64, "session", "sessions"),
        quantity::counted(files.len() as u64, "capture", "captures"),
        dir.display()
    ));
    Ok(ExitCode::SUCCESS)
}

/// Recordings do not hold the order in which sessions were added: sessions that the history has keep theirs, and
/// others follow by their dates. One whose date cannot be comes before those, so that it is an earlier one of theirs;
/// by its name, as a board whose clock is never set numbers them.
fn order_of_adding(rows: &mut [SessionRow], kept: &[ListedSession]) {
    let places: BTreeMap<&str, i64> = kept.iter().map(|session| (&*session.hash, session.place)).collect();
    rows.sort_by_cached_key(|row| match places.get(&*row.hash) {
        Some(place) => (0, *place, String::new()),
        None if row.has_credible_date() => (1, 1, row.start_utc.clone().unwrap_or_default()),
        None => (1, 0, by_numbers(&row.file)),
    });
}

/// A name whose text order is that of the numbers in it: `-2` before `-10`.
fn by_numbers(file: &str) -> String {
    let stem = Path::new(file).file_stem().unwrap_or_default().to_string_lossy();
    let letters: Vec<char> = stem.chars().collect();
    let parts = letters.chunk_by(|a, b| a.is_ascii_digit() == b.is_ascii_digit()).map(|part| {
        let part: String = part.iter().collect();
        if part.starts_with(|letter: char| letter.is_ascii_digit()) { format!("{part:0>20}") } else { part }
    });
    parts.collect()
}

/// Why there may be no limit though sessions were added: no link is named, or they have other tags.
fn tell_what_fits(profile: &Profile, sessions: &[ListedSession], like: &[(String, String)]) {
    if sessions.is_empty() {
        return;
    }
    if profile.link.is_empty() {
        tell(format_args!(
            "no link is named: give --profile FILE, the one that the sessions were added with"
        ));
        return;
    }
    let asked = if like.is_empty() { words(&profile.tags) } else { words(&like.iter().cloned().collect()) };
    let mut groups: Vec<(String, usize)> = Vec::new();
    for session in sessions {
        let tags = words(&session.tags);
        match groups.iter_mut().find(|group| group.0 == tags) {
            Some(group) => group.1 += 1,
            None => groups.push((tags, 1)),
        }
    }
    tell(format_args!(
        "asked for: {asked}; the history's sessions (their number), to be asked for with --tag:"
    ));
    for (tags, count) in groups {
        tell(format_args!("  {tags} ({count})"));
    }
}

/// A link without a limit, as JSON.
#[derive(Serialize)]
struct NoLimit<'a> {
    pub link: Option<&'a str>,
    pub level_p05: Option<f64>,
    pub why_not: &'static str,
}

fn threshold(like: &[(String, String)], json: bool, common: &Common) -> anyhow::Result<ExitCode> {
    let profile = super::profile(common)?;
    let history = open(common)?;
    let choice = Choice { tags: like.is_empty().then_some(&profile.tags), like, ..Choice::default() };
    let Earlier { thresholds: rows, vibration } = history.earlier(&profile, &choice)?;
    let sessions = history.list()?;
    for doubt in in_doubt(&sessions, now_ms()) {
        tell(format_args!("fadewatch: {doubt}"));
    }
    let mut out = super::out();
    if json {
        for row in &*rows {
            report::write_json_to(&mut out, row)?;
        }
        let has_none = |link: &&LinkProfile| rows.iter().all(|row| row.link != link.name);
        let why_not = "no earlier session of the same link and equipment in the history shows a limit";
        for link in profile.link.iter().filter(has_none) {
            let (link, level_p05) = (Some(&*link.name), None);
            report::write_json_to(&mut out, &NoLimit { link, level_p05, why_not })?;
        }
        if profile.link.is_empty() {
            let why_not = "no link is named: give --profile FILE";
            report::write_json_to(&mut out, &NoLimit { link: None, level_p05: None, why_not })?;
        }
        return Ok(ExitCode::SUCCESS);
    }
    report::threshold_text::write_to(&mut out, &rows)?;
    if rows.is_empty() {
        out.flush()?;
        tell_what_fits(&profile, &sessions, like);
    }
    if let Some(limit) = vibration {
        writeln!(
            out,
            "  vibration    suspect above {:.1}: 90 % of {} earlier sessions lie below",
            limit.limit, limit.sessions
        )?;
    }
    Ok(ExitCode::SUCCESS)
}
