//! The guided bench test: a live session with a screen of its own, then the sheet of its recordings; the session goes into
//! the history, as any other.
//!
//! The sheet at its end is made of the recordings, as `--from` makes it: whoever keeps them can make it again. A test
//! that is interrupted goes on with `--resume`: the earlier recordings stay as they are, and stand beside the new one.

use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use crate::capture::Recording;
use crate::cli::{BenchArgs, NEWEST};
use crate::clock::SessionClock;
use crate::profile::Profile;
use crate::record::{Body, Entry, MarkKind, Note};
use crate::session::Command;
use crate::session::live;
use crate::session::live::LiveConfig;
use crate::summary::{GuideNote, GuideRecord};
use crate::tui;
use crate::tui::guide;
use crate::tui::guide::guide_desk::{Before, GuideDesk};
use crate::wording::caution::INSTRUMENT;

use super::source_urls::SourceUrls;
use super::{bench_command, earlier_sessions, live_command, profile_choice, recordings, screens, tell};

/// Leads through the test, and prints its sheet.
pub(super) fn run(args: &BenchArgs) -> anyhow::Result<ExitCode> {
    anyhow::ensure!(
        screens::can_show(),
        "the guided test needs a terminal; --from FILE gives the sheet of a recording"
    );
    let chosen = profile_choice::choose(&args.common)?;
    let profile = Arc::clone(&chosen.profile);
    let sources = SourceUrls::new(&args.sources, None, &profile.sources)?;
    anyhow::ensure!(
        !sources.take_input(),
        "keys come from standard input in the guided test: give the source another URL than -"
    );
    let folder = live_command::recording_path(args.record.as_deref())?;
    let earlier = earlier_recordings(args, &folder)?;
    let before = earlier.iter().map(|path| before(path, args, &profile)).collect::<anyhow::Result<_>>()?;
    let config = LiveConfig {
        timesync: args.timesync,
        request_rates_hz: args.request_rates,
        // What is not switched on yet is what the test begins with.
        wait_for_sources: true,
        recording: Some(folder),
        tags: args.common.tags.iter().cloned().collect(),
        profile: Arc::clone(&profile),
        on_bench: true,
        ..sources.session()
    };
    let known = |start| earlier_sessions::showed_live(&args.common, &profile, &profile.tags, start);
    let handle = sources.blamed(live::start(config, known), chosen.path.as_deref())?;
    if let Some(word) = chosen.word() {
        handle.send(Command::Notice(word));
    }
    let options = screens::options(&args.screen);
    let mut desk = GuideDesk::new(Arc::clone(&profile), options.theme, before);
    let shown = guide::run(&handle, options, &mut desk);
    let end = handle.finish()?;
    // Whatever became of the terminal, the session is kept.
    let history = earlier_sessions::keep(&args.common, &profile, &end);
    shown?;
    let files: Vec<PathBuf> = earlier.into_iter().chain(end.recordings).collect();
    if tui::is_stuck() {
        return Ok(ExitCode::from(super::LIMIT_FAILED));
    }
    let code = bench_command::print(args, &files, &profile)?;
    let option = if desk.guide.is_over { "--from" } else { "--resume" };
    let again: Vec<String> = files.iter().map(|path| format!("{option} '{}'", path.display())).collect();
    let what = if desk.guide.is_over { "the same sheet again" } else { "the test can be gone on with" };
    if let Some(history) = history {
        tell(format_args!("{history}"));
    }
    tell(format_args!("{what}: fadewatch bench {}\n{INSTRUMENT}", again.join(" ")));
    Ok(live_command::told_missing(end.missing.as_ref()).unwrap_or(code))
}

fn before(path: &Path, args: &BenchArgs, profile: &Arc<Profile>) -> anyhow::Result<Before> {
    let shown = bench_command::read(path, &args.common, profile)?;
    anyhow::ensure!(
        shown.summary.guide.on.is_some(),
        "'{}' is no recording of a guided bench test: give its sheet with --from, or begin a test without --resume",
        path.display()
    );
    Ok(Before { summary: shown.summary, sha256: shown.sha256 })
}

/// The recordings to go on with: those that were named, else the newest one if that is wanted.
fn earlier_recordings(args: &BenchArgs, folder: &Path) -> anyhow::Result<Vec<PathBuf>> {
    let named: Vec<PathBuf> =
        args.resume.iter().flatten().filter(|path| path.as_os_str() != NEWEST).cloned().collect();
    if !named.is_empty() {
        return Ok(named);
    }
    let newest = recordings::newest_first(folder, SessionClock::start().now())
        .into_iter()
        .next()
        .map(|newest| newest.path);
    let newest = newest.filter(|path| is_unfinished(path));
    match (newest, args.resume.is_some()) {
        (Some(path), true) => Ok(vec![path]),
        (None, true) => anyhow::bail!(
            "the newest recording in '{}' is no unfinished bench test: name one with --resume RECORDING",
            folder.display()
        ),
        (Some(path), false) => {
            let question = format!("The bench test in {} is not finished. Go on with it?", path.display());
            Ok(if super::is_wanted(&question)? { vec![path] } else { Vec::new() })
        }
        (None, false) => Ok(Vec::new()),
    }
}

/// Whether a recording holds a guided test that did not come to its sheet.
fn is_unfinished(path: &Path) -> bool {
    let Ok(recording) = Recording::open(path) else { return false };
    let mut record = GuideRecord::default();
    let mut cursor = recording.cursor();
    while let Some(entry) = recording.next(&mut cursor) {
        if let Entry::Record(entry) = entry
            && let Body::Note(Note::Mark { kind: MarkKind::Remark, text }) = &entry.body
            && let Some(note) = GuideNote::parse(text)
        {
            record.observe(0.0, note);
        }
    }
    record.is_unfinished()
}
