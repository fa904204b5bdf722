//! `summary`: the figures of recordings, as text or JSON.

use std::io;
use std::io::Write;
use std::path::Path;
use std::process::ExitCode;
use std::sync::Arc;

use indicatif::ProgressBar;

use crate::capture::Recording;
use crate::cli::SummaryArgs;
use crate::profile::Profile;
use crate::report;
use crate::summary::Summary;

use super::in_order::in_order;
use super::{Reading, analyse, earlier_sessions};

/// Prints every file's summary in the order in which they were named, read on all cores; a file that cannot
/// be read is one line and exit code 2, the others go on.
pub(super) fn run(args: &SummaryArgs) -> anyhow::Result<ExitCode> {
    let mut out = io::stdout().lock();
    let mut code = ExitCode::SUCCESS;
    let profile = super::profile(&args.common)?;
    let mut print = |index: usize, result: anyhow::Result<(Summary, bool)>| -> anyhow::Result<()> {
        match result {
            Ok((summary, truncated)) => {
                if truncated {
                    let file = args.files[index].display();
                    eprintln!("fadewatch: warning: '{file}' ends inside a record; all before it is counted");
                }
                if args.json {
                    return Ok(report::write_json_to(&mut out, &summary)?);
                }
                if index > 0 {
                    writeln!(out)?;
                }
                report::session_text::write_to(&mut out, &summary)?;
            }
            Err(error) => {
                eprintln!("fadewatch: {error:#}");
                code = ExitCode::from(super::WRONG_USE);
            }
        }
        Ok(())
    };
    in_order(&args.files, |file| one(args, &profile, file), &mut print)?;
    out.flush()?;
    Ok(code)
}

fn one(args: &SummaryArgs, profile: &Arc<Profile>, file: &Path) -> anyhow::Result<(Summary, bool)> {
    let is_input = file.as_os_str() == "-";
    let recording = if is_input { Recording::read("-", io::stdin().lock())? } else { Recording::open(file)? };
    let earlier = earlier_sessions::showed_before(&args.common, profile, &recording)?;
    let bar = if args.files.len() == 1 {
        super::progress_bar(1000, "  reading {bar:40} {percent:>3} %, {eta} left")
    } else {
        ProgressBar::hidden()
    };
    let (monitor, facts) =
        analyse(&recording, profile, earlier, Reading::of_files(args.files.len()), &|share| {
            bar.set_position((share * 1000.0) as u64);
        });
    bar.finish_and_clear();
    std::thread::scope(|scope| {
        // Taking the map of a large file down takes as long as many an estimate.
        scope.spawn(move || drop(recording));
        Ok((monitor.summary(&facts), facts.truncated))
    })
}
