//! `report`: sessions as one page, or their pictures alone.
//!
//! Recordings are read on all cores; one that cannot be read is one line and exit code 2, the others are on the page. What
//! is written is this user's alone, and overwrites nothing unasked.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use anyhow::ensure;

use crate::capture::Recording;
use crate::cli::ReportArgs;
use crate::judge::bench;
use crate::profile::Profile;
use crate::report::page;
use crate::report::page::{PagePart, PageSession};
use crate::snapshot::View;
use crate::summary::{Phase, Summary};

use super::{Reading, analyse, batch, bench_command, earlier_sessions, private_file, tell};

/// Columns of every picture over time: as many as a view has at most.
const COLUMNS: u16 = 512;

/// Writes the page of all files, and the pictures of each.
pub(super) fn run(args: &ReportArgs) -> anyhow::Result<ExitCode> {
    if let Some(out) = &args.out {
        super::may_overwrite(out, args.yes)?;
    }
    let profile = super::profile(&args.common)?;
    let (mut parts, mut files) = (Vec::new(), Vec::new());
    let one = |file: &Path, progress: &dyn Fn(f64)| one(args, &profile, file, progress);
    let failures = batch::each(&args.files, one, &mut |_, number, part| {
        parts.push(part);
        files.push(&*args.files[number]);
        Ok(())
    })?;
    ensure!(!parts.is_empty(), "no recording could be read: no report is written");
    if let Some(folder) = &args.svg {
        pictures(folder, &files, &parts, args.yes)?;
    }
    if let Some(out) = &args.out {
        write(out, &page::html(&parts), args.yes)?;
        tell(format_args!("wrote {}", out.display()));
    }
    Ok(failures.code())
}

/// A recording's part of the page.
fn one(
    args: &ReportArgs,
    profile: &Arc<Profile>,
    file: &Path,
    progress: &dyn Fn(f64),
) -> anyhow::Result<PagePart> {
    let recording = Recording::open(file)?;
    let earlier = earlier_sessions::showed_before(&args.common, profile, &recording)?;
    let (monitor, facts) =
        analyse(&recording, profile, earlier, Reading::of_files(args.files.len()), progress);
    let summary = monitor.summary(&facts);
    let view = window(&summary, monitor.now_s());
    let picture = monitor.snapshot(view, Arc::new(summary));
    let hash = recording.hash();
    let mut session = PageSession::new(&monitor, &picture, &hash);
    let shown = if session.summary.guide.on.is_some() {
        Some(bench_command::read(file, &args.common, profile)?)
    } else {
        None
    };
    let sheet = shown.as_ref().and_then(|shown| {
        let part = bench::Part { summary: &shown.summary, sha256: Some(&shown.sha256) };
        bench::joined(&[part], monitor.profile())
    });
    session.bench = sheet.as_ref().zip(shown.as_ref().map(|shown| &shown.summary));
    Ok(PagePart::of(&session))
}

/// What pictures show: all of the session, but for the long waits before the vehicle was heard and after it was switched
/// off, of which a little stays. Whole seconds, so that no column holds a part of one that another shows.
fn window(summary: &Summary, now_s: f64) -> View {
    let phases = &summary.phases;
    let heard = phases.iter().find(|row| row.phase != Phase::Waiting).map_or(0.0, |row| row.from_s);
    let off = phases.last().filter(|row| row.phase == Phase::Off).map_or(now_s, |row| row.from_s);
    let some = (0.05 * (off - heard)).max(10.0);
    let (from_s, to_s) = ((heard - some).max(0.0).floor(), (off + some).min(now_s).ceil());
    View { from_s, to_s: to_s.max(from_s + 1.0), columns: COLUMNS }
}

/// A file for each picture, named after recording and picture.
fn pictures(folder: &Path, files: &[&Path], parts: &[PagePart], yes: bool) -> anyhow::Result<()> {
    super::make_private(folder)?;
    let mut all: BTreeMap<PathBuf, String> = BTreeMap::new();
    for (file, part) in files.iter().zip(parts) {
        let stem: String =
            file.file_stem().unwrap_or_default().to_string_lossy().chars().map(plain).collect();
        for (name, picture) in part.pictures() {
            let path = folder.join(format!("{stem}-{name}.svg"));
            super::may_overwrite(&path, yes)?;
            let twice = all.insert(path, picture);
            ensure!(
                twice.is_none(),
                "two recordings are named '{stem}': write their pictures to two folders"
            );
        }
    }
    // Nothing is written before all can be.
    for (path, picture) in &all {
        write(path, picture, yes)?;
    }
    tell(format_args!("wrote {} pictures to {}", all.len(), folder.display()));
    Ok(())
}

/// A letter of a file's name.
fn plain(letter: char) -> char {
    if letter.is_alphanumeric() || "-_.".contains(letter) { letter } else { '_' }
}

/// A page or a picture, whole or not at all.
pub(super) fn write(path: &Path, text: &str, yes: bool) -> anyhow::Result<()> {
    private_file::write(path, yes, &mut |out| out.write_all(text.as_bytes()))
}

#[cfg(test)]
mod tests {
    use crate::run::report_command::*;
    use crate::summary::{PhaseReason, PhaseSummary};

    /// Half an hour on a table before and behind a flight of five minutes is not drawn; without phases, or where the
    /// vehicle may have been lost, all is.
    #[test]
    fn pictures_show_what_the_vehicle_took_part_in() {
        let shown = |phases: &[(Phase, f64)], now_s: f64| {
            let phase =
                |&(phase, from_s): &(Phase, f64)| PhaseSummary { phase, from_s, why: PhaseReason::NotHeard };
            let summary = Summary { phases: phases.iter().map(phase).collect(), ..Summary::default() };
            let view = window(&summary, now_s);
            (view.from_s, view.to_s)
        };
        let flight =
            [(Phase::Waiting, 0.0), (Phase::Ground, 1800.0), (Phase::Out, 1810.0), (Phase::Off, 2100.0)];
        assert_eq!(shown(&flight, 3900.0), (1785.0, 2115.0));
        assert_eq!(shown(&flight[..3], 3900.4), (1694.0, 3901.0), "silent, not switched off");
        assert_eq!(shown(&[], 290.2), (0.0, 291.0));
        assert_eq!(shown(&[(Phase::Waiting, 0.0)], 0.0), (0.0, 1.0));
        let again = [(Phase::Ground, 1.0), (Phase::Off, 60.0), (Phase::Ground, 600.0)];
        assert_eq!(shown(&again, 700.0), (0.0, 700.0));
    }
}
