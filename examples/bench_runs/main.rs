//! Leads whole guided bench tests of the real binary, side by side, at true speed:
//! `cargo run --example bench_runs -- PROGRAM`. Some 5 minutes.
//!
//! The test of `tests/scenarios/bench_test.toml` by keys in a pseudo-terminal, with `simulate` on another as the vehicle's
//! serial port and the handset over UDP: as it is; with a channel reversed; with outputs that hold; without its third drill;
//! and killed in the middle and gone on with. A line each: the verdict wanted and what came, whether `bench --from` of
//! the recordings gives the same sheet and exit code, and whether the recordings are whole.

#![expect(clippy::print_stdout, reason = "its output is the point")]

mod guided_run;

use std::path::{Path, PathBuf};

use guided_run::{Got, Run};

/// The last drill is over, and what it shows has come.
const PATIENCE_S: f64 = 280.0;

/// One test: its name, the scenario changed, when it is killed, the exit code, and what must stand in its sheet.
type Case = (&'static str, fn(String) -> String, Option<(&'static str, f64)>, i32, [&'static str; 2]);

const CASES: [Case; 5] = [
    ("as it is", |text| text, None, 0, ["PASSED", "failsafe drills: 3"]),
    (
        "channel 2 reversed",
        |text| text + "\n[[control.channel]]\nnumber = 2\nscale = -1.0\n",
        None,
        1,
        ["FAILED", "failed: channel 2"],
    ),
    (
        "outputs hold",
        |text| text.replace("safe_after_s = 0.9", "safe_after_s = 30"),
        None,
        1,
        ["FAILED", "in a drill outputs held what they showed"],
    ),
    (
        "two drills",
        |text| text.replace("duration_s = 270", "duration_s = 240"),
        None,
        3,
        ["NOT PROVEN", "needs 1 more drill"],
    ),
    ("killed and resumed", |text| text, Some(("loss", 150.0)), 0, ["PASSED", "failsafe drills: 3"]),
];

fn main() -> anyhow::Result<()> {
    let program =
        std::env::args().nth(1).map_or_else(|| PathBuf::from("target/debug/fadewatch"), PathBuf::from);
    let program = program.canonicalize()?;
    let scenario = std::fs::read_to_string(
        Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/scenarios/bench_test.toml"),
    )?;
    let runs = CASES.map(|(name, change, killed, code, words)| {
        let (program, scenario) = (program.clone(), change(scenario.clone()));
        let led = std::thread::spawn(move || {
            let folder = tempfile::tempdir()?;
            guided_run::lead(&program, folder.path(), &Run { scenario, patience_s: PATIENCE_S, killed })
        });
        (name, code, words, led)
    });
    let mut wrong = 0;
    for (name, code, words, led) in runs {
        let got = led.join().map_err(|_| anyhow::anyhow!("{name}: whoever leads it failed"))?;
        let is_right = match &got {
            Ok(got) => is_right(got, code, &words),
            Err(_) => false,
        };
        wrong += u32::from(!is_right);
        let said = got.as_ref().map_or_else(ToString::to_string, line);
        println!(
            "{name:20} wanted exit {code} ({}): {said}: {}",
            words.join("; "),
            if is_right { "right" } else { "WRONG" }
        );
        if let (Ok(got), false) = (&got, is_right) {
            println!("{}\n{}", got.shown, got.again.1);
        }
    }
    anyhow::ensure!(wrong == 0, "{wrong} of {} tests came out otherwise", CASES.len());
    Ok(())
}

fn is_right(got: &Got, code: i32, words: &[&str]) -> bool {
    got.code == Some(code)
        && got.again.0 == Some(code)
        && got.is_whole
        && got.same_sheet()
        && words.iter().all(|word| got.shown.contains(word))
}

fn line(got: &Got) -> String {
    let code = got.code.map_or_else(|| "none".to_owned(), |code| code.to_string());
    let sheet = if got.same_sheet() { "same sheet" } else { "ANOTHER SHEET" };
    let whole = if got.is_whole { "whole" } else { "NOT WHOLE" };
    format!("exit {code}, {sheet} from its recordings, {whole}; steps {}", got.steps.join(" "))
}
