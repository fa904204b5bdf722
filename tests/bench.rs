//! The bench sheet from the outside: a simulated bench test that passes, and the same with one thing changed.
//!
//! What must be said follows from what the scenario sets; its numbers are the truth.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use fadewatch::run::simulated_file;
use fadewatch::simulate::Scenario;
use serde_json::Value;

const PROFILE: &str = "[vehicle.failsafe_servo_us]\n1 = 1000\n2 = 1000\n3 = 1000\n4 = 1000\n
[[link]]\nname = \"telemetry\"\nrole = \"telemetry\"\ninterface = \"vehicle\"\n";

/// Writes the session, changed, and its profile.
fn session(folder: &Path, change: impl Fn(String) -> String) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/scenarios/bench_test.toml");
    let text = change(fs::read_to_string(&path).unwrap());
    let scenario = Scenario::parse(&text, &path).unwrap();
    simulated_file::run_to_file(&scenario, &folder.join("test.pcapng")).unwrap();
    fs::write(folder.join("p.toml"), PROFILE).unwrap();
}

fn bench(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_fadewatch"))
        .args(["bench", "--from", "test.pcapng", "--profile", "p.toml"])
        .args(arguments)
        .current_dir(folder)
        .env("XDG_DATA_HOME", folder)
        .env("FADEWATCH_PROFILE", "none")
        .output()
        .unwrap()
}

/// Exit code and sheet.
fn sheet(folder: &Path) -> (Option<i32>, Value) {
    let output = bench(folder, &["--json"]);
    (output.status.code(), serde_json::from_slice(&output.stdout).unwrap())
}

/// The words of all items of a name.
fn words<'a>(sheet: &'a Value, item: &str) -> Vec<&'a str> {
    let rows = sheet["items"].as_array().unwrap().iter().filter(|row| row["item"] == item);
    rows.map(|row| row["word"].as_str().unwrap()).collect()
}

#[test]
fn a_good_test_passes_and_its_sheet_says_by_what() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    session(folder, |text| text);
    let (code, sheet) = sheet(folder);
    assert_eq!((code, sheet["verdict"].as_str()), (Some(0), Some("passed")), "{sheet:#}");
    assert_eq!(sheet["version"], env!("CARGO_PKG_VERSION"));
    let sum = Command::new("sha256sum").arg(folder.join("test.pcapng")).output().unwrap();
    let sum = String::from_utf8(sum.stdout).unwrap();
    assert_eq!(sheet["sha256"].as_str(), sum.split(' ').next());
    // The scenario's own numbers: 800 us, and 0.6 and 0.9 s after the handset died.
    let value = |item: &str| {
        let row = sheet["items"].as_array().unwrap().iter().find(|row| row["item"] == item).unwrap();
        (row["value"].as_f64().unwrap(), row["interval"].clone())
    };
    assert_eq!((value("travel").0, value("drills").0), (800.0, 3.0));
    for (item, truth) in [("detected", 0.6), ("outputs", 0.9)] {
        let interval = value(item).1;
        let holds = interval[0].as_f64().unwrap() <= truth && truth <= interval[1].as_f64().unwrap() + 0.02;
        assert!(holds, "{item}: {interval}");
    }
    for row in sheet["sticks"].as_array().unwrap().iter().take(4) {
        assert_eq!(row["findings"].as_array().map(Vec::len), Some(0), "{row}");
        let number = row["channel"].as_u64();
        assert_eq!((row["stick"].as_u64(), row["outputs"][0]["servo"].as_u64()), (number, number), "{row}");
        let reversed = number == Some(2);
        assert_eq!(row["outputs"][0]["output_direction"] == "reversed", reversed, "{row}");
    }
    let text = String::from_utf8(bench(folder, &[]).stdout).unwrap();
    let markdown = String::from_utf8(bench(folder, &["--markdown"]).stdout).unwrap();
    for said in ["PASSED", "test.pcapng", "site=workbench", sum.split(' ').next().unwrap(), "Tested by"] {
        assert!(text.contains(said) && markdown.contains(said), "{said}: {text}{markdown}");
    }
    assert!(text.contains("ropellers off") && text.contains("not a safety device"), "{text}");
    assert!(text.lines().all(|line| line.chars().count() <= 100 || line.contains("ropellers")), "{text}");
    assert!(text.contains("not required"), "glass to glass: {text}");
}

#[test]
fn a_reversed_channel_fails_the_test() {
    let folder = tempfile::tempdir().unwrap();
    let reversed = |text: String| text + "\n[[control.channel]]\nnumber = 2\nscale = -1.0\n";
    session(folder.path(), reversed);
    let (code, sheet) = sheet(folder.path());
    assert_eq!((code, words(&sheet, "answers")), (Some(1), vec!["failed"]), "{sheet:#}");
    assert_eq!(sheet["sticks"][1]["findings"], serde_json::json!(["reversed"]));
    // It is meant so.
    fs::write(folder.path().join("p.toml"), format!("{PROFILE}\n[limits]\nmeant_channels = [2]\n")).unwrap();
    assert_eq!(self::sheet(folder.path()).0, Some(0));
}

#[test]
fn two_drills_prove_too_little_and_a_stricter_limit_fails_or_asks_for_more() {
    let folder = tempfile::tempdir().unwrap();
    session(folder.path(), |text| text.replace("duration_s = 270", "duration_s = 240"));
    let (code, two) = sheet(folder.path());
    assert_eq!((code, words(&two, "drills")), (Some(3), vec!["not proven"]), "{two:#}");
    fs::write(folder.path().join("p.toml"), format!("{PROFILE}\n[limits]\nlatency_p90_ms = 20\n")).unwrap();
    let (code, slow) = sheet(folder.path());
    assert_eq!((code, words(&slow, "latency_p90")), (Some(1), vec!["failed"]), "{slow:#}");
    // A limit that the profile gives is required: here nothing was entered.
    fs::write(folder.path().join("p.toml"), format!("{PROFILE}\n[limits]\nglass_to_glass_ms = 90\n"))
        .unwrap();
    let row = sheet(folder.path()).1;
    assert_eq!(words(&row, "glass_to_glass"), ["not measured"]);
}

#[test]
fn what_is_no_recording_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("p.toml"), "[limits]\nloss_ratio = 5\n").unwrap();
    let output = bench(folder.path(), &[]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2));
    assert!(said.contains("loss_ratio") && said.contains("line 2"), "{said}");
    fs::write(folder.path().join("p.toml"), "").unwrap();
    assert_eq!(bench(folder.path(), &[]).status.code(), Some(2));
}
