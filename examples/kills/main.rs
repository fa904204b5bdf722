//! Kills the real binary while it records: `cargo run --release --example kills -- PROGRAM COUNT SEED`.
//!
//! Half of the sessions listen to datagrams, half to a serial port; of each, every third has syncs that take 3 s longer
//! (`strace` does that; without it they are left out). The instants are drawn, half of them from the first half second on,
//! half from the first six seconds. Wanted: each file opens, and at most 1 s of what was sent before the kill is missing.

#![expect(clippy::print_stdout, reason = "its output is the point")]

mod killed_session;

use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::time::Duration;

use killed_session::{Kill, Left};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};

fn main() -> anyhow::Result<()> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let program = PathBuf::from(words.first().map_or("target/release/fadewatch", String::as_str));
    let program = program.canonicalize()?;
    let number =
        |place: usize, otherwise| words.get(place).and_then(|word| word.parse().ok()).unwrap_or(otherwise);
    let (count, seed) = (number(1, 200), number(2, 10_001));
    let has_strace = Command::new("strace").arg("-V").stdout(Stdio::null()).status().is_ok();
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let (mut there, mut wrong, mut worst_ms) = (0, 0, [0.0_f64; 2]);
    for place in 0..count {
        let longest_s = if place % 2 == 0 { 0.5 } else { 6.0 };
        let kill = Kill {
            over_serial: place % 4 >= 2,
            after: Duration::from_secs_f64(longest_s * random.random::<f64>()),
            slow_syncs: has_strace && place % 3 == 0,
        };
        let folder = tempfile::tempdir()?;
        let left = killed_session::run(&program, folder.path(), &kill)?;
        let Left { is_there, opens, missing, has_holes, .. } = left;
        there += u64::from(is_there);
        let worst = &mut worst_ms[usize::from(kill.slow_syncs)];
        *worst = worst.max(missing.millis());
        if is_there && !opens || missing.secs() > 1.0 || has_holes {
            wrong += 1;
            println!("kill {place}: {kill:?} left {left:?}");
        }
    }
    println!(
        "{count} kills, {there} files, {wrong} wrong; at most {:.0} ms missing, {:.0} ms with slow syncs",
        worst_ms[0], worst_ms[1]
    );
    anyhow::ensure!(wrong == 0, "{wrong} of {count} kills lost more than they may");
    Ok(())
}
