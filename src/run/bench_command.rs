//! `bench`: the sheet of a bench test, from a recording. Exit codes: 0 passed, 1 a limit failed, 3 not proven.

use std::io::Write as _;
use std::process::ExitCode;

use crate::capture::Recording;
use crate::cli::BenchArgs;
use crate::judge::bench;
use crate::monitor::LinkMonitor;
use crate::report;
use crate::report::bench_sheet;
use crate::summary::BenchWord;

use super::progress::Progress;
use super::{Reading, earlier_sessions};

/// Exit code where nothing failed, and not all that is required was shown.
const NOT_PROVEN: u8 = 3;

/// Prints the sheet of a recording.
pub(super) fn run(args: &BenchArgs) -> anyhow::Result<ExitCode> {
    let profile = super::profile(&args.common)?;
    let recording = Recording::open(&args.from)?;
    let earlier = earlier_sessions::showed_before(&args.common, &profile, &recording)?;
    let progress = Progress::new("reading", true);
    let mut monitor = LinkMonitor::with_earlier(profile, earlier).on_bench();
    let facts =
        super::analyse::feed(&recording, &mut monitor, Reading::of_files(1), &|share| progress.set(share));
    drop(progress);
    let summary = monitor.summary(&facts);
    let sheet = bench::sheet(&summary, monitor.profile(), Some(recording.hash()));
    let mut out = super::out();
    if args.json {
        report::write_json_to(&mut out, &sheet)?;
    } else if args.markdown {
        bench_sheet::write_markdown_to(&mut out, &sheet, &summary)?;
    } else {
        bench_sheet::write_text_to(&mut out, &sheet, &summary)?;
    }
    out.flush()?;
    Ok(match sheet.verdict {
        BenchWord::Passed => ExitCode::SUCCESS,
        BenchWord::Failed => ExitCode::from(super::LIMIT_FAILED),
        BenchWord::NotProven | BenchWord::NotMeasured => ExitCode::from(NOT_PROVEN),
    })
}
