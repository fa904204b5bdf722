//! `bench --from`: the sheet of a bench test, from its recordings. Exit codes: 0 passed, 1 a limit failed,
//! 3 not proven.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use crate::capture::Recording;
use crate::cli::{BenchArgs, Common};
use crate::judge::bench;
use crate::monitor::LinkMonitor;
use crate::profile::Profile;
use crate::report;
use crate::report::bench_sheet;
use crate::summary::{BenchSheet, BenchWord, Summary};
use crate::tui::widget::pen;

use super::progress::Progress;
use super::{Reading, earlier_sessions};

/// Exit code where nothing failed, and not all that is required was shown.
const NOT_PROVEN: u8 = 3;

/// Prints the sheet of a test's recordings.
pub(super) fn run(args: &BenchArgs) -> anyhow::Result<ExitCode> {
    let profile = super::profile(&args.common)?;
    print(args, &args.from, &profile)
}

/// The figures of one recording of a test.
#[derive(Debug)]
pub(super) struct Shown {
    pub(super) summary: Summary,
    pub(super) sha256: String,
    /// With the links that were named as they were heard.
    profile: Profile,
}

/// Reads a recording as a bench test.
pub(super) fn read(path: &Path, common: &Common, profile: &Arc<Profile>) -> anyhow::Result<Shown> {
    let recording = Recording::open(path)?;
    let earlier = earlier_sessions::showed_before(common, profile, &recording)?;
    let progress = Progress::new("recordings");
    let mut monitor = LinkMonitor::with_earlier(Arc::clone(profile), earlier).on_bench();
    let facts = super::analyse::feed(&recording, &mut monitor, Reading::of_files(1), &|share| {
        progress.show(share, (0, 1));
    });
    drop(progress);
    let summary = monitor.summary(&facts);
    Ok(Shown { summary, sha256: recording.hash(), profile: monitor.profile().clone() })
}

/// Prints the sheet of all recordings of a test; the exit code is its word.
pub(super) fn print(args: &BenchArgs, files: &[PathBuf], profile: &Arc<Profile>) -> anyhow::Result<ExitCode> {
    let shown: Vec<Shown> =
        files.iter().map(|path| read(path, &args.common, profile)).collect::<anyhow::Result<_>>()?;
    let parts: Vec<_> = shown
        .iter()
        .map(|one| bench::Part { summary: &one.summary, sha256: Some(one.sha256.as_str()) })
        .collect();
    let Some((sheet, last)) =
        shown.last().and_then(|last| Some((bench::joined(&parts, &last.profile)?, last)))
    else {
        anyhow::bail!("no recording to make a sheet of");
    };
    write(args, &sheet, &last.summary)?;
    Ok(match sheet.verdict {
        BenchWord::Passed => ExitCode::SUCCESS,
        BenchWord::Failed => ExitCode::from(super::LIMIT_FAILED),
        BenchWord::NotProven | BenchWord::NotMeasured => ExitCode::from(NOT_PROVEN),
    })
}

fn write(args: &BenchArgs, sheet: &BenchSheet, summary: &Summary) -> anyhow::Result<()> {
    let mut out = super::out();
    if args.json {
        report::write_json_to(&mut out, sheet)?;
    } else if args.markdown {
        bench_sheet::write_markdown_to(&mut out, sheet, summary)?;
    } else {
        bench_sheet::write_text_to(&mut out, sheet, summary, pen::wrapped)?;
    }
    out.flush()?;
    Ok(())
}
