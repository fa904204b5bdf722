//! `history`: earlier sessions, added by hand or after a live session.

use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use anyhow::Context as _;

use crate::capture::Recording;
use crate::cli::{Common, HistoryAction};
use crate::history::{Choice, History, SessionRow};
use crate::link::context::Earlier;
use crate::profile::Profile;
use crate::report;
use crate::summary::Summary;

use super::analyse::analyse;
use super::earlier;

/// Runs one action on the history.
pub(super) fn run(action: &HistoryAction) -> anyhow::Result<ExitCode> {
    match action {
        HistoryAction::Add { files, common } => add(files, common),
        HistoryAction::List { common } => list(common),
        HistoryAction::Show { hash, common } => show(hash, common),
        HistoryAction::Remove { hash, common } => {
            let removed = open(common)?.remove(hash)?;
            eprintln!("forgot {removed}; its recording stays");
            Ok(ExitCode::SUCCESS)
        }
        HistoryAction::Rebuild { dir, check, common } => rebuild(dir, *check, common),
        HistoryAction::Threshold { like, json, common } => threshold(like, *json, common),
    }
}

fn open(common: &Common) -> anyhow::Result<History> {
    let history = History::open(&earlier::history_path(common)?)?;
    earlier::tell_set_aside(&history);
    Ok(history)
}

/// A recording's row: its figures without a threshold, which belongs to the time of asking.
fn read(path: &Path, profile: &Arc<Profile>) -> anyhow::Result<SessionRow> {
    let recording = Recording::open(path)?;
    let (monitor, facts) = analyse(&recording, profile, Earlier::default(), &|_| {});
    earlier::row(recording.hash(), &monitor.summary(&facts), monitor.session_evidence())
}

fn add(files: &[PathBuf], common: &Common) -> anyhow::Result<ExitCode> {
    let profile = super::profile(common)?;
    let mut history = open(common)?;
    let mut code = ExitCode::SUCCESS;
    for file in files {
        let added = read(file, &profile).and_then(|row| Ok(history.add(&row)?));
        match added {
            Ok(true) => eprintln!("added {}", file.display()),
            Ok(false) => eprintln!("{} is in the history already", file.display()),
            Err(error) => {
                eprintln!("fadewatch: {error:#}");
                code = ExitCode::from(super::WRONG_USE);
            }
        }
    }
    Ok(code)
}

fn list(common: &Common) -> anyhow::Result<ExitCode> {
    let mut out = io::stdout().lock();
    let sessions = open(common)?.list()?;
    if sessions.is_empty() {
        writeln!(out, "no session yet: they come from live sessions, or from history add FILE")?;
    }
    for session in sessions {
        let tags: Vec<String> = session.tags.iter().map(|(key, value)| format!("{key}={value}")).collect();
        writeln!(
            out,
            "{}  {}  {:>6} s with a level, {:>3} freezes  {}  {}",
            session.hash.get(..10).unwrap_or(&session.hash),
            session.start_utc.as_deref().unwrap_or("start unknown           "),
            session.seconds,
            session.freezes,
            session.file,
            tags.join(", ")
        )?;
    }
    Ok(ExitCode::SUCCESS)
}

fn show(hash: &str, common: &Common) -> anyhow::Result<ExitCode> {
    let row = open(common)?.show(hash)?;
    let summary: Summary = serde_json::from_str(&row.summary)
        .with_context(|| format!("the summary of {} in the history cannot be read: rebuild it", row.file))?;
    report::text::write_to(&mut io::stdout().lock(), &summary)?;
    Ok(ExitCode::SUCCESS)
}

/// Reads every capture in a folder, then puts them in place of the whole history at once; says how the
/// history that was there compares.
fn rebuild(dir: &Path, check: bool, common: &Common) -> anyhow::Result<ExitCode> {
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
    for file in &files {
        match read(file, &profile) {
            Ok(row) => rows.push(row),
            Err(error) => eprintln!("fadewatch: left out: {error:#}"),
        }
    }
    let mut history = open(common)?;
    let proof = history.compare(&rows)?;
    for file in &proof.differ {
        eprintln!("the history says something else of {file} than its recording");
    }
    for file in &proof.without_recording {
        let fate = if check { "" } else { " and is forgotten" };
        eprintln!("{file} has no recording in {}{fate}", dir.display());
    }
    for file in &proof.new {
        eprintln!("{file} was not in the history");
    }
    eprintln!("{} sessions are the same in the history and in the recordings", proof.same);
    if check {
        return Ok(if proof.holds() { ExitCode::SUCCESS } else { ExitCode::from(super::LIMIT_FAILED) });
    }
    let count = history.replace_all(&rows)?;
    eprintln!("the history holds {count} sessions, from {} captures in {}", files.len(), dir.display());
    Ok(ExitCode::SUCCESS)
}

fn threshold(like: &[(String, String)], json: bool, common: &Common) -> anyhow::Result<ExitCode> {
    let profile = super::profile(common)?;
    let history = open(common)?;
    let choice = Choice { tags: like.is_empty().then_some(&profile.tags), like, ..Choice::default() };
    let Earlier { thresholds: rows, vibration } = history.earlier(&profile, &choice)?;
    let mut out = io::stdout().lock();
    if json {
        for row in &*rows {
            serde_json::to_writer(&mut out, row)?;
            writeln!(out)?;
        }
        return Ok(ExitCode::SUCCESS);
    }
    report::thresholds::write_to(&mut out, &rows)?;
    if let Some(limit) = vibration {
        writeln!(
            out,
            "  vibration    suspect above {:.1}: the 90th percentile of {} earlier sessions",
            limit.limit, limit.sessions
        )?;
    }
    Ok(ExitCode::SUCCESS)
}
