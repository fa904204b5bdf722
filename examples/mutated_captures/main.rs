//! Captures damaged by seed, through opening, core, figures and pictures: `mutated_captures -- FIRST COUNT [BYTES]`.
//!
//! Counts panics and broken laws, and work that the bytes do not warrant: whole seconds walked, entries, and bytes
//! allocated (counted, since seconds depend on the machine). A capture that is not done within a minute is told as a hang,
//! and ends the run. BYTES: of a capture before it is damaged, 200,000 at most unless told.

#![expect(clippy::print_stdout, reason = "its output is the point")]
#![expect(clippy::print_stderr, reason = "a hang is told where it is seen")]

#[path = "../../tests/laws/mod.rs"]
mod laws;
#[path = "../../tests/mutated/mod.rs"]
mod mutated;

mod allocated;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::Duration;
use std::{env, process, thread};

use laws::{captures, sessions};
use mutated::{Captures, Mutant};

/// No capture of some hundred kilobytes takes so long on any machine.
const PATIENCE: Duration = Duration::from_mins(1);
/// Bytes allocated in all: for a core with its tables and three pictures, and for each byte of the capture. Seeds 1 to 2000
/// of 40,000 bytes took 38 % of it at most.
const ALLOCATED: (u64, u64) = (200_000_000, 3_000);

static SEED: AtomicU64 = AtomicU64::new(0);

fn play(mutant: &Mutant, seed: u64) -> bool {
    captures::entries_are_sound(&mutant.bytes, [1460, 7]);
    let Some(recording) = captures::opened(&mutant.bytes) else { return false };
    sessions::played(&recording, &sessions::PROFILES[seed as usize % 3]);
    true
}

/// Tells of a capture that is not done in time.
fn watch() -> std::sync::mpsc::Sender<()> {
    let (done, next) = channel();
    thread::spawn(move || {
        loop {
            match next.recv_timeout(PATIENCE) {
                Ok(()) => {}
                Err(RecvTimeoutError::Disconnected) => return,
                Err(RecvTimeoutError::Timeout) => {
                    eprintln!("seed {}: not done in {PATIENCE:?}", SEED.load(Ordering::Relaxed));
                    process::abort();
                }
            }
        }
    });
    done
}

fn main() {
    let words: Vec<String> = env::args().skip(1).collect();
    let number =
        |place: usize, usual: u64| words.get(place).and_then(|word| word.parse().ok()).unwrap_or(usual);
    let (first, count, most) = (number(0, 10_001), number(1, 1_000), number(2, 200_000) as usize);
    let all = Captures::new(60.0);
    let done = watch();
    let (mut opened, mut panics, mut over, mut bytes, mut worst) = (0, 0, 0, 0, (0.0, 0));
    for seed in first..first + count {
        SEED.store(seed, Ordering::Relaxed);
        let mutant = all.mutant(seed, most);
        bytes += mutant.bytes.len();
        let before = allocated::bytes();
        if let Ok(was_opened) = catch_unwind(AssertUnwindSafe(|| play(&mutant, seed))) {
            opened += u64::from(was_opened);
        } else {
            panics += 1;
            println!("seed {seed}: a law is broken: {}", mutant.about);
        }
        let spent = allocated::bytes() - before;
        let allowed = ALLOCATED.0 + ALLOCATED.1 * mutant.bytes.len() as u64;
        let share = spent as f64 / allowed as f64;
        if share > worst.0 {
            worst = (share, seed);
        }
        if spent > allowed {
            over += 1;
            println!("seed {seed}: {spent} bytes allocated of {allowed}: {}", mutant.about);
        }
        let _ = done.send(());
    }
    println!("{count} captures from seed {first}, {opened} opened, {:.1} MB", bytes as f64 / 1e6);
    println!("broken laws and panics {panics}, over budget {over}, hangs 0");
    println!("most allocated: {:.0} % of the budget, seed {}", 100.0 * worst.0, worst.1);
    if panics + over > 0 {
        process::exit(1);
    }
}
