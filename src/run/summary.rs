//! `summary`: the figures of recordings, as text or JSON.

use std::io::{self, IsTerminal, Write};
use std::num::NonZero;
use std::path::Path;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::mpsc::sync_channel;

use indicatif::{ProgressBar, ProgressStyle};

use crate::capture::Recording;
use crate::cli::SummaryArgs;
use crate::profile::Profile;
use crate::report;
use crate::summary::Summary;

use super::analyse::analyse;
use super::earlier;

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
                report::text::write_to(&mut out, &summary)?;
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

/// Does the work of each item on as many threads as there are cores, and takes the results in order.
/// At most twice as many results as threads wait to be taken.
fn in_order<T: Sync, R: Send>(
    items: &[T],
    work: impl Fn(&T) -> R + Sync,
    take: &mut dyn FnMut(usize, R) -> anyhow::Result<()>,
) -> anyhow::Result<()> {
    let threads = std::thread::available_parallelism().map_or(1, NonZero::get).min(items.len());
    if threads < 2 {
        return items.iter().enumerate().try_for_each(|(index, item)| take(index, work(item)));
    }
    std::thread::scope(|scope| {
        let work = &work;
        // Each thread has its own channel and every so many-th item, so that order needs no bookkeeping.
        let results: Vec<_> = (0..threads)
            .map(|first| {
                let (sender, receiver) = sync_channel(1);
                scope.spawn(move || {
                    for item in items.iter().skip(first).step_by(threads) {
                        // Nobody takes any more: printing failed.
                        if sender.send(work(item)).is_err() {
                            return;
                        }
                    }
                });
                receiver
            })
            .collect();
        for index in 0..items.len() {
            // A thread that ended early panicked; the scope passes its panic on.
            let Ok(result) = results[index % threads].recv() else { break };
            take(index, result)?;
        }
        Ok(())
    })
}

fn one(args: &SummaryArgs, profile: &Arc<Profile>, file: &Path) -> anyhow::Result<(Summary, bool)> {
    let is_input = file.as_os_str() == "-";
    let recording = if is_input { Recording::read("-", io::stdin().lock())? } else { Recording::open(file)? };
    let earlier = earlier::showed_before(&args.common, profile, &recording)?;
    let bar = if args.files.len() == 1 { progress_bar() } else { ProgressBar::hidden() };
    let (monitor, facts) = analyse(&recording, profile, earlier, &|share| {
        bar.set_position((share * 1000.0) as u64);
    });
    bar.finish_and_clear();
    Ok((monitor.summary(&facts), facts.truncated))
}

/// A bar on a terminal, nothing elsewhere; shown only where a file takes long enough to wonder.
fn progress_bar() -> ProgressBar {
    if !io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let style = ProgressStyle::with_template("  reading {bar:40} {percent:>3} %, {eta} left")
        .unwrap_or_else(|_| ProgressStyle::default_bar());
    ProgressBar::new(1000).with_style(style)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The order is that of the list, however long each takes; nothing is left out.
    #[test]
    fn results_come_in_order() {
        for count in [0, 1, 2, 7, 40] {
            let items: Vec<u64> = (0..count).collect();
            let mut taken = Vec::new();
            // Earlier ones take longer.
            let work =
                |item: &u64| (0..(40 - item) * 1000).map(std::hint::black_box).fold(*item, |kept, _| kept);
            in_order(&items, work, &mut |index, result| {
                taken.push((index as u64, result));
                Ok(())
            })
            .unwrap();
            assert_eq!(taken, items.iter().map(|&item| (item, item)).collect::<Vec<_>>());
        }
    }

    #[test]
    fn a_failure_to_print_ends_it() {
        let items = [1, 2, 3, 4, 5, 6];
        let failed = in_order(&items, |item| *item, &mut |_, _| anyhow::bail!("no room"));
        assert!(failed.is_err());
    }
}
