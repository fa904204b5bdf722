//! Simulated minutes with random faults of all kinds, against the truth (study: `examples/soak`).

#[path = "../examples/soak/faulty_sender.rs"]
mod faulty_sender;
#[path = "../examples/soak/recorded.rs"]
mod recorded;

use std::path::Path;

/// Loss, bursts, copies, late frames, stalls, restarts, unplugging, strangers, noise, steps of the clock.
#[test]
fn ten_minutes_of_faults_give_the_figures_of_the_generator() {
    for seed in 10_001..10_004 {
        figures_are_true(seed, 600, recorded::SELDOM);
    }
}

/// A plug that has no hold: what is lost by it stays apart, however often it comes out again.
#[test]
fn twenty_minutes_with_a_loose_plug_give_the_figures_of_the_generator() {
    figures_are_true(10_004, 1200, 20.0);
}

fn figures_are_true(seed: u64, seconds: u64, unplugged_every: f64) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("soak.pcapng");
    let senders = recorded::write(&path, seed, seconds, unplugged_every).expect("it is written");
    let (summary, _) =
        recorded::summary(Path::new(env!("CARGO_BIN_EXE_fadewatch")), &path).expect("its figures");
    for sender in &senders {
        let (wrong, _) = sender.compare(&summary, &[]);
        assert!(wrong.is_empty(), "seed {seed}: {wrong:?}, {:?}", sender.truth());
    }
    let truths = senders.iter().map(faulty_sender::FaultySender::truth);
    let (stalls, restarts) = truths.fold((0, 0), |sum, truth| (sum.0 + truth.stalls, sum.1 + truth.restarts));
    assert!(stalls > 4 && restarts > 0, "seed {seed}: {stalls} stalls, {restarts} restarts");
}
