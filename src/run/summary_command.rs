//! `summary`: the figures of recordings, as text or JSON.

use std::io;
use std::io::Write;
use std::path::Path;
use std::process::ExitCode;
use std::sync::Arc;

use anyhow::{Context as _, ensure};

use crate::capture::Recording;
use crate::cli::SummaryArgs;
use crate::monitor::LinkMonitor;
use crate::profile::Profile;
use crate::report;
use crate::snapshot::View;
use crate::summary::Summary;

use super::{Reading, analyse, batch, earlier_sessions, tell};

/// Prints every file's summary in the order in which they were named, read on all cores; a file that cannot
/// be read is one line and exit code 2, the others go on.
pub(super) fn run(args: &SummaryArgs) -> anyhow::Result<ExitCode> {
    ensure!(
        args.histograms.is_none() || args.files.len() == 1,
        "--histograms takes the histograms of one recording, and {} were named: run it once for each",
        args.files.len()
    );
    if let Some(path) = &args.histograms {
        super::may_overwrite(path, args.yes)?;
    }
    let mut out = super::out();
    let profile = super::profile(&args.common)?;
    let work = |file: &Path, progress: &dyn Fn(f64)| one(args, &profile, file, progress);
    let failures = batch::each(&args.files, work, &mut |_, number, (summary, truncated)| {
        if truncated {
            let file = args.files[number].display();
            tell(format_args!("fadewatch: warning: '{file}' ends inside a record; all before it is counted"));
        }
        if args.json {
            return Ok(report::write_json_to(&mut out, &summary)?);
        }
        if number > 0 {
            writeln!(out)?;
        }
        Ok(report::session_text::write_to(&mut out, &summary)?)
    })?;
    out.flush()?;
    Ok(failures.code())
}

fn one(
    args: &SummaryArgs,
    profile: &Arc<Profile>,
    file: &Path,
    progress: &dyn Fn(f64),
) -> anyhow::Result<(Summary, bool)> {
    let is_input = file.as_os_str() == "-";
    let recording = if is_input { Recording::read("-", io::stdin().lock())? } else { Recording::open(file)? };
    let earlier = earlier_sessions::showed_before(&args.common, profile, &recording)?;
    let reading = Reading::of_files(args.files.len());
    let (monitor, facts) = analyse(&recording, profile, earlier, reading, progress);
    if let Some(path) = &args.histograms {
        write_histograms(path, &monitor, monitor.summary(&facts))
            .with_context(|| format!("cannot write the histograms to '{}'", path.display()))?;
    }
    std::thread::scope(|scope| {
        // Taking the map of a large file down takes as long as many an estimate.
        scope.spawn(move || drop(recording));
        Ok((monitor.summary(&facts), facts.truncated))
    })
}

fn write_histograms(path: &Path, monitor: &LinkMonitor, summary: Summary) -> io::Result<()> {
    let view = View { from_s: 0.0, to_s: monitor.now_s(), columns: 1 };
    let picture = monitor.snapshot(view, Arc::new(summary));
    let mut file = io::BufWriter::new(std::fs::File::create(path)?);
    report::histogram_log::write_to(&mut file, monitor, &picture.latency.stages)?;
    file.flush()
}
