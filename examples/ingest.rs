//! Times the way of a recording through all metrics beside reading it, and the final estimates apart.
//!
//! `cargo run --release --example ingest -- FILE [PROFILE] [ROUNDS]`: processor seconds of this process,
//! medians of alternating rounds: the file read in pieces, as `cat` to the null device does; bare MAVLink
//! bytes through the `mavlink` crate's own reader loop; the recording walked without the core; through
//! the core (`summary` without its estimates); the estimates.

#[path = "../benches/rivals/mod.rs"]
mod rivals;

use std::fs::File;
use std::hint::black_box;
use std::io::Read;
use std::path::Path;
use std::sync::Arc;

use fadewatch::capture::Recording;
use fadewatch::link::{LinkMonitor, RecordingFacts};
use fadewatch::profile::Profile;

type Failure = Box<dyn std::error::Error>;

#[expect(clippy::print_stdout, reason = "an example prints its table")]
fn main() -> Result<(), Failure> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let path = Path::new(words.first().ok_or("usage: ingest FILE [PROFILE] [ROUNDS]")?);
    let text = words.get(1).map_or(Ok(String::new()), std::fs::read_to_string)?;
    let profile = Arc::new(Profile::parse(&text)?);
    let rounds = words.get(2).map_or(Ok(5), |rounds| rounds.parse())?;
    let is_bare = path.extension().is_some_and(|ending| ending == "bin" || ending == "raw");
    let names = ["read in pieces", "the crate's loop", "walk", "through the core", "estimates"];
    let mut seconds: [Vec<f64>; 5] = Default::default();
    for _ in 0..rounds {
        seconds[0].push(timed(|| read_in_pieces(path))?);
        if is_bare {
            seconds[1].push(timed(|| std::fs::read(path).map(|bytes| rivals::crate_loop(&bytes)))?);
        }
        seconds[2].push(timed(|| walk(path))?);
        let mut done = None;
        seconds[3].push(timed(|| -> Result<(), Failure> {
            done = Some(through_the_core(path, &profile)?);
            Ok(())
        })?);
        if let Some((monitor, facts)) = done {
            seconds[4].push(timed(|| Ok::<_, Failure>(monitor.summary(&facts)))?);
        }
    }
    for (name, mut times) in names.into_iter().zip(seconds) {
        times.sort_by(f64::total_cmp);
        if let Some(median) = times.get(times.len() / 2) {
            println!("{name:>18} {median:8.3} s");
        }
    }
    Ok(())
}

/// Processor seconds of this thread until now.
fn processor_s() -> Result<f64, Failure> {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat")?;
    Ok(text.split(' ').next().unwrap_or_default().parse::<f64>()? / 1e9)
}

fn timed<T, E: Into<Failure>>(work: impl FnOnce() -> Result<T, E>) -> Result<f64, Failure> {
    let before = processor_s()?;
    black_box(work().map_err(Into::into)?);
    Ok(processor_s()? - before)
}

fn read_in_pieces(path: &Path) -> std::io::Result<usize> {
    let mut file = File::open(path)?;
    let mut buffer = vec![0; 128 << 10];
    let mut all = 0;
    loop {
        match file.read(&mut buffer)? {
            0 => return Ok(all),
            count => all += black_box(count),
        }
    }
}

fn walk(path: &Path) -> Result<u64, Failure> {
    let recording = Recording::open(path)?;
    let mut cursor = recording.cursor();
    let mut entries = 0;
    while let Some(entry) = recording.next(&mut cursor) {
        black_box(&entry);
        entries += 1;
    }
    Ok(entries)
}

fn through_the_core(path: &Path, profile: &Arc<Profile>) -> Result<(LinkMonitor, RecordingFacts), Failure> {
    let recording = Recording::open(path)?;
    let mut monitor = LinkMonitor::new(Arc::clone(profile), Arc::default());
    let mut cursor = recording.cursor();
    while let Some(entry) = recording.next(&mut cursor) {
        monitor.handle(&entry);
    }
    let facts = recording.facts(&cursor);
    Ok((monitor, facts))
}
