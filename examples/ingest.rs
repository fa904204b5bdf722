//! Times the way of a recording through all metrics beside reading it, and the final estimates apart.
//!
//! `cargo run --release --example ingest -- FILE [PROFILE] [ROUNDS]`: wall seconds, and processor seconds of
//! the core's own thread, medians of alternating rounds: the file read in pieces, as `cat` to the null device
//! does; bare MAVLink bytes through the `mavlink` crate's own reader loop; the recording walked without the
//! core; through the core on one thread; the same with the file read ahead on another (`summary` without its
//! estimates); the estimates.

#[path = "../benches/rivals/mod.rs"]
mod rivals;

use std::fs::File;
use std::hint::black_box;
use std::io::Read;
use std::path::Path;
use std::sync::Arc;

use fadewatch::capture::Recording;
use fadewatch::clock::SessionClock;
use fadewatch::monitor::{LinkMonitor, RecordingFacts};
use fadewatch::profile::Profile;
use fadewatch::run::{Reading, analyse};
use fadewatch::summary::Earlier;

type Failure = Box<dyn std::error::Error>;

#[expect(clippy::print_stdout, reason = "an example prints its table")]
fn main() -> Result<(), Failure> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let path = Path::new(words.first().ok_or("usage: ingest FILE [PROFILE] [ROUNDS]")?);
    let text = words.get(1).map_or(Ok(String::new()), std::fs::read_to_string)?;
    let profile = Arc::new(Profile::parse(&text)?);
    let rounds = words.get(2).map_or(Ok(5), |rounds| rounds.parse())?;
    let is_bare = path.extension().is_some_and(|ending| ending == "bin" || ending == "raw");
    let names =
        ["read in pieces", "the crate's loop", "walk", "core, in turn", "core, read ahead", "estimates"];
    let mut costs: [Vec<Cost>; 6] = Default::default();
    for _ in 0..rounds {
        costs[0].push(timed(|| read_in_pieces(path))?.1);
        if is_bare {
            costs[1].push(timed(|| std::fs::read(path).map(|bytes| rivals::crate_loop(&bytes)))?.1);
        }
        costs[2].push(timed(|| walk(path))?.1);
        costs[3].push(timed(|| through_the_core(path, &profile, Reading::InTurn))?.1);
        let ((monitor, facts), cost) = timed(|| through_the_core(path, &profile, Reading::Ahead))?;
        costs[4].push(cost);
        costs[5].push(timed(|| Ok::<_, Failure>(monitor.summary(&facts)))?.1);
    }
    println!("{:>18} {:>8} {:>11}", "", "wall", "processor");
    for (name, costs) in names.into_iter().zip(costs).filter(|(_, costs)| !costs.is_empty()) {
        let median = |of: fn(&Cost) -> f64| {
            let mut times: Vec<f64> = costs.iter().map(of).collect();
            times.sort_by(f64::total_cmp);
            times[times.len() / 2]
        };
        println!("{name:>18} {:8.3} {:9.3} s", median(|cost| cost.wall_s), median(|cost| cost.processor_s));
    }
    Ok(())
}

/// What something took.
#[derive(Clone, Copy)]
struct Cost {
    wall_s: f64,
    /// Of this thread.
    processor_s: f64,
}

/// Processor seconds of this thread until now.
fn processor_s() -> Result<f64, Failure> {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat")?;
    Ok(text.split(' ').next().unwrap_or_default().parse::<f64>()? / 1e9)
}

fn timed<T, E: Into<Failure>>(work: impl FnOnce() -> Result<T, E>) -> Result<(T, Cost), Failure> {
    let (clock, before) = (SessionClock::start(), processor_s()?);
    let begun = clock.now();
    let done = black_box(work().map_err(Into::into)?);
    let wall_s = (clock.now() - begun).secs();
    Ok((done, Cost { wall_s, processor_s: processor_s()? - before }))
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

fn through_the_core(
    path: &Path,
    profile: &Arc<Profile>,
    reading: Reading,
) -> Result<(LinkMonitor, RecordingFacts), Failure> {
    let recording = Recording::open(path)?;
    Ok(analyse(&recording, profile, Earlier::default(), reading, &|_| {}))
}
