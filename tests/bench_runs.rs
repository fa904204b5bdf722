//! A guided bench test of the real binary in a pseudo-terminal, killed and gone on with (study: `examples/bench_runs`).

#[path = "../examples/bench_runs/guided_run.rs"]
mod guided_run;

use std::path::Path;

use guided_run::Run;

/// The vehicle comes from `simulate` as a serial port, the handset over UDP. The program is killed at the step of sticks, and
/// the person gives everything up from there: nothing is proven, and nothing is lost of what was answered.
#[test]
fn a_test_that_was_killed_goes_on_and_its_recordings_give_its_sheet() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/scenarios/bench_test.toml");
    let scenario = std::fs::read_to_string(path).expect("the scenario");
    let folder = tempfile::tempdir().expect("a folder");
    let program = Path::new(env!("CARGO_BIN_EXE_fadewatch"));
    let run = Run { scenario, patience_s: 0.0, killed: Some(("sticks", 0.0)) };
    let got = guided_run::lead(program, folder.path(), &run).expect("a test that ends");
    assert_eq!((got.code, got.again.0), (Some(3), Some(3)), "{}", got.shown);
    assert!(got.same_sheet(), "{}\n{}", got.shown, got.again.1);
    assert!(got.is_whole && got.shown.contains("NOT PROVEN"), "{}", got.shown);
    // Asked about propellers again, it goes on where it was.
    let first = ["propellers", "links", "sticks"];
    let later = ["propellers", "sticks", "latency", "loss", "far", "drills", "supply", "glass", "sheet"];
    assert_eq!(got.steps, [&first[..], &later].concat());
    // What came to its end is in the history, as a rebuild of it would make it.
    std::fs::create_dir(folder.path().join("kept")).expect("a folder");
    std::fs::rename(folder.path().join("b.pcapng"), folder.path().join("kept/b.pcapng"))
        .expect("the recording");
    let check = ["history", "rebuild", "kept", "--check", "--profile", "p.toml"];
    let check = guided_run::fadewatch(program, folder.path(), &check).output().expect("it runs");
    assert!(check.status.success(), "{}", String::from_utf8_lossy(&check.stderr));
}
