//! `compare`: what differs between recordings, and whether it is more than luck.
//!
//! Recordings are read on all cores. One that cannot be read is one line and exit code 2, and the others are compared all
//! the same, as long as each side has one. A figure that is worse is no error: exit code 0.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use anyhow::{bail, ensure};

use crate::capture::Recording;
use crate::cli::{Common, CompareArgs};
use crate::judge::comparison;
use crate::judge::comparison::ComparedSession;
use crate::profile::Profile;
use crate::report;
use crate::report::page;
use crate::summary::Earlier;

use super::batch::Failures;
use super::{Reading, analyse, batch, tell};

/// Compares two sides, or lists sessions over time.
pub(super) fn run(args: &CompareArgs) -> anyhow::Result<ExitCode> {
    let files: Vec<PathBuf> = args.files.iter().chain(&args.after).cloned().collect();
    ensure!(
        files.len() > 1,
        "compare takes two recordings at least, and one was named: fadewatch compare A B, or A... -- B..."
    );
    if let Some(out) = &args.out {
        super::may_overwrite(out, args.yes)?;
    }
    // Where the second side begins; nowhere: sessions over time.
    let second = match (args.after.is_empty(), args.files.len()) {
        (false, count) => Some(count),
        (true, 2) => Some(1),
        (true, _) => None,
    };
    let common = Common { profile: args.profile.clone(), tags: args.tags.clone(), history: None };
    let profile = super::profile(&common)?;
    let (sessions, failures) = read(&files, &profile)?;
    let side = |after: bool| -> Vec<&ComparedSession> {
        let own = sessions.iter().filter(|(index, _)| second.is_some_and(|second| *index >= second) == after);
        own.map(|(_, session)| session).collect()
    };
    let (before, after) = (side(false), side(true));
    if before.is_empty() || second.is_some() && after.is_empty() {
        bail!("nothing is left to compare: none of the recordings of one side can be read");
    }
    let found =
        if second.is_some() { comparison::compare(&before, &after) } else { comparison::over_time(&before) };
    if let Some(out) = &args.out {
        super::report_command::write(out, &page::comparison(&found), args.yes)?;
        tell(format_args!("wrote {}", out.display()));
    }
    let mut out = super::out();
    if args.json {
        report::write_json_to(&mut out, &found)?;
    } else {
        report::comparison_text::write_to(&mut out, &found)?;
    }
    Ok(failures.code())
}

/// Every recording that can be read, with its number, and how many cannot.
fn read(
    files: &[PathBuf],
    profile: &Arc<Profile>,
) -> anyhow::Result<(Vec<(usize, ComparedSession)>, Failures)> {
    let one = |file: &Path, progress: &dyn Fn(f64)| -> anyhow::Result<(String, bool, ComparedSession)> {
        let recording = Recording::open(file)?;
        let reading = Reading::of_files(files.len());
        let (monitor, facts) = analyse(&recording, profile, Earlier::default(), reading, progress);
        Ok((recording.hash(), facts.truncated, monitor.compared(monitor.summary(&facts))))
    };
    let mut sessions = Vec::new();
    let mut seen: HashMap<String, usize> = HashMap::new();
    let failures = batch::each(files, one, &mut |_, number, (hash, truncated, session)| {
        let file = files[number].display();
        if let Some(other) = seen.insert(hash, number) {
            bail!("'{file}' is the same recording as '{}': name each once", files[other].display());
        }
        if truncated {
            tell(format_args!("fadewatch: warning: '{file}' ends inside a record; all before it is counted"));
        }
        sessions.push((number, session));
        Ok(())
    })?;
    Ok((sessions, failures))
}
