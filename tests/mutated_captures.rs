//! A few dozen captures, damaged by seed, under the laws of recordings and sessions; the long way is the study of the
//! same name.

#![expect(clippy::print_stdout, reason = "a broken law is told with its capture")]

mod laws;
mod mutated;

use laws::{captures, sessions};
use mutated::Captures;

/// Bytes of a capture before it is damaged.
const MOST: usize = 24_000;

#[test]
fn damaged_captures_are_read_within_the_work_that_their_bytes_are_worth() {
    let all = Captures::new(20.0);
    let mut opened = 0;
    for seed in 1..=60 {
        let mutant = all.mutant(seed, MOST);
        println!("seed {seed}: {}", mutant.about);
        captures::entries_are_sound(&mutant.bytes, [1460, 7]);
        if let Some(recording) = captures::opened(&mutant.bytes) {
            opened += 1;
            sessions::played(&recording, &sessions::PROFILES[seed as usize % 2]);
        }
    }
    assert!(opened >= 45, "{opened} of 60 opened: the others test nothing");
}
