//! Recordings, however many: each is worked on by one of as many threads as there are cores, and gives one value; the values
//! are taken on the caller's thread, in the order in which the files were named.
//!
//! Bounded: two files a thread are begun and not taken yet. One that cannot be worked on, and one on which the program
//! itself fails, is named and costs only itself; the exit code tells. Among several, a pipe or a device is refused,
//! since the others would wait for whoever writes into it.

use std::cell::Cell;
use std::collections::BTreeMap;
use std::num::NonZero;
use std::os::unix::fs::FileTypeExt as _;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::sync::{Mutex, PoisonError};
use std::thread::available_parallelism;
use std::time::Duration;

use anyhow::{anyhow, bail};

use super::progress::Progress;
use super::{WRONG_USE, tell};

/// Between two looks at how far the threads are.
const LOOK: Duration = Duration::from_millis(200);

/// Files that failed are named here, and counted.
#[derive(Debug, Default)]
pub(super) struct Failures(u64);

impl Failures {
    /// One file failed: says why, and the others go on.
    pub(super) fn tell(&mut self, error: &anyhow::Error) {
        self.0 += 1;
        tell(format_args!("fadewatch: {error:#}"));
    }

    /// How the command ends that worked on them all.
    pub(super) fn code(&self) -> ExitCode {
        if self.0 == 0 { ExitCode::SUCCESS } else { ExitCode::from(WRONG_USE) }
    }
}

/// Does the work of every file, which may say how far it is (0 to 1), and takes what each gives, by its number. An error of
/// `take` ends it all; what concerns one file alone goes into the failures.
pub(super) fn each<R: Send>(
    files: &[PathBuf],
    work: impl Fn(&Path, &dyn Fn(f64)) -> anyhow::Result<R> + Sync,
    take: &mut dyn FnMut(&mut Failures, usize, R) -> anyhow::Result<()>,
) -> anyhow::Result<Failures> {
    let sizes = files.iter().map(|file| file.metadata().map_or(0, |file| file.len()));
    let sizes: Vec<u64> = sizes.map(|size| size.max(1)).collect();
    let (all, done) = (sizes.iter().sum::<u64>(), AtomicU64::new(0));
    let progress = Progress::new("recordings");
    let show = |taken: usize| {
        let share = done.load(Ordering::Relaxed) as f64 / all as f64;
        progress.show(share, (taken, files.len()));
    };
    let one = |number: usize| {
        let (file, size) = (&*files[number], sizes[number]);
        let counted = Cell::new(0);
        let report = |share: f64| {
            let bytes = (share.clamp(0.0, 1.0) * size as f64) as u64;
            let more = bytes.saturating_sub(counted.get());
            counted.set(counted.get() + more);
            done.fetch_add(more, Ordering::Relaxed);
        };
        let value = if files.len() > 1 && waits_for_others(file) {
            Err(anyhow!("'{}' is a pipe or a device, which may never end: name it alone", file.display()))
        } else {
            unless_it_panics(file, || work(file, &report))
        };
        report(1.0);
        value
    };
    let mut failures = Failures::default();
    let threads = available_parallelism().map_or(1, NonZero::get);
    in_order(files.len(), threads, one, &mut |event| match event {
        Happened::Nothing { taken } => {
            show(taken);
            Ok(())
        }
        Happened::Done { number, value } => {
            Progress::clear();
            match value {
                Ok(value) => take(&mut failures, number, value)?,
                Err(error) => failures.tell(&error),
            }
            show(number + 1);
            Ok(())
        }
    })?;
    Ok(failures)
}

/// A named pipe or a device; what a shell gives as a file by way of a link is there to be read.
fn waits_for_others(file: &Path) -> bool {
    file.symlink_metadata().is_ok_and(|file| {
        let kind = file.file_type();
        kind.is_fifo() || kind.is_char_device() || kind.is_block_device()
    })
}

/// A fault of this program that one file shows is no reason to leave the others undone.
fn unless_it_panics<R>(file: &Path, work: impl FnOnce() -> anyhow::Result<R>) -> anyhow::Result<R> {
    // What the work shares with other files it only reads.
    catch_unwind(AssertUnwindSafe(work)).unwrap_or_else(|_| {
        Err(anyhow!("fadewatch itself failed on '{}': send the file to those who make it", file.display()))
    })
}

/// What the caller's thread hears.
enum Happened<R> {
    /// A while went by; so many are taken.
    Nothing { taken: usize },
    /// This one is done, and all before it.
    Done { number: usize, value: R },
}

/// Works on numbers up to a count on so many threads; the values are handed on in order.
fn in_order<R: Send>(
    count: usize,
    threads: usize,
    work: impl Fn(usize) -> R + Sync,
    hear: &mut dyn FnMut(Happened<R>) -> anyhow::Result<()>,
) -> anyhow::Result<()> {
    let threads = threads.clamp(1, count.max(1));
    let (ask, asked) = channel::<usize>();
    let (asked, is_over) = (Mutex::new(asked), AtomicBool::new(false));
    let next = || asked.lock().unwrap_or_else(PoisonError::into_inner).recv();
    std::thread::scope(|scope| {
        // Dropped where this ends, so that the threads end too.
        let ask = ask;
        let (done, values) = channel();
        for _ in 0..threads {
            let (done, next, work, is_over) = (done.clone(), &next, &work, &is_over);
            scope.spawn(move || {
                while let Ok(number) = next() {
                    if is_over.load(Ordering::Relaxed) || done.send((number, work(number))).is_err() {
                        return;
                    }
                }
            });
        }
        drop(done);
        let (mut begun, mut waiting) = (0, BTreeMap::new());
        for number in 0..count {
            let value = loop {
                while begun < count.min(number + 2 * threads) {
                    ask.send(begun)?;
                    begun += 1;
                }
                if let Some(value) = waiting.remove(&number) {
                    break value;
                }
                match values.recv_timeout(LOOK) {
                    Ok((other, value)) => drop(waiting.insert(other, value)),
                    Err(RecvTimeoutError::Timeout) => hear(Happened::Nothing { taken: number })?,
                    Err(RecvTimeoutError::Disconnected) => bail!("the threads ended before their work did"),
                }
            };
            let heard = hear(Happened::Done { number, value });
            is_over.store(heard.is_err(), Ordering::Relaxed);
            heard?;
        }
        Ok(())
    })
}

#[cfg(test)]
mod tests {
    use crate::run::batch::*;

    /// What each thread count gives, in the order in which it was taken; earlier numbers take longer.
    fn taken(count: usize, threads: usize) -> Vec<(usize, usize)> {
        let work = |number: usize| {
            (0..(count - number) * 1000).map(std::hint::black_box).fold(number * 3, |kept, _| kept)
        };
        let mut all = Vec::new();
        let mut hear = |happened| {
            if let Happened::Done { number, value } = happened {
                all.push((number, value));
            }
            Ok(())
        };
        in_order(count, threads, work, &mut hear).unwrap();
        all
    }

    #[test]
    fn one_thread_and_many_give_the_same_in_order() {
        for count in [0, 1, 2, 7, 40] {
            let expected: Vec<_> = (0..count).map(|number| (number, number * 3)).collect();
            for threads in [1, 2, 3, 64] {
                assert_eq!(taken(count, threads), expected, "{count} on {threads}");
            }
        }
    }

    /// While the first is worked on, no more than two a thread are begun.
    #[test]
    fn what_is_begun_and_not_taken_is_bounded() {
        let (begun, taken, most) = (AtomicU64::new(0), AtomicU64::new(0), AtomicU64::new(0));
        let work = |_: usize| {
            let waiting = begun.fetch_add(1, Ordering::SeqCst) + 1 - taken.load(Ordering::SeqCst);
            most.fetch_max(waiting, Ordering::SeqCst);
        };
        let mut hear = |happened| {
            if let Happened::Done { .. } = happened {
                taken.fetch_add(1, Ordering::SeqCst);
            }
            Ok(())
        };
        in_order(500, 3, work, &mut hear).unwrap();
        assert_eq!(begun.into_inner(), 500);
        assert!(most.into_inner() <= 6);
    }

    #[test]
    fn an_error_of_the_caller_ends_it() {
        let begun = AtomicU64::new(0);
        let work = |_: usize| begun.fetch_add(1, Ordering::SeqCst);
        let mut hear = |happened| match happened {
            Happened::Done { number: 3, .. } => bail!("no room"),
            _ => Ok(()),
        };
        assert!(in_order(1000, 2, work, &mut hear).is_err());
        assert!(begun.into_inner() < 10);
    }

    #[test]
    fn one_bad_file_costs_only_itself() {
        let files: Vec<PathBuf> = ["a", "bad", "c", "worse", "e"].map(PathBuf::from).into();
        let work = |file: &Path, _: &dyn Fn(f64)| match file.to_str() {
            Some("bad") => bail!("'bad' cannot be read"),
            Some("worse") => panic!("this is a test of a panic"),
            _ => Ok(file.to_owned()),
        };
        let mut good = Vec::new();
        let failures = each(&files, work, &mut |_, number, value| {
            good.push((number, value));
            Ok(())
        });
        assert_eq!(failures.unwrap().0, 2);
        let expected: Vec<_> = [0, 2, 4].map(|number| (number, files[number].clone())).into();
        assert_eq!(good, expected);
    }
}
