//! Simulated sessions against their known truth.
//!
//! The truth comes from the simulation's own events (see `src/simulate/truth.rs`); the
//! tolerances stand beside each check, counts are exact. A key that the truth has and the
//! summary has not is a failure too.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]

use std::path::{Path, PathBuf};
use std::sync::Arc;

use fadewatch::capture::Recording;
use fadewatch::monitor::{LinkMonitor, RecordingFacts};
use fadewatch::profile::Profile;
use fadewatch::simulate;
use fadewatch::simulate::Scenario;
use serde_json::Value;

fn folder(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

fn orchard_profile() -> Profile {
    Profile::parse(&std::fs::read_to_string(folder("recordings/orchard-profile.toml")).unwrap()).unwrap()
}

fn monitor(profile: Profile) -> LinkMonitor {
    LinkMonitor::new(Arc::new(profile), Arc::from(Vec::new()))
}

/// Truth and summary of a bundled recording.
fn bundled(number: usize) -> (Value, Value) {
    let path = folder(&format!("recordings/orchard-{number}.pcapng"));
    let recording = Recording::open(&path).unwrap();
    let mut cursor = recording.cursor();
    let mut monitor = monitor(orchard_profile());
    while let Some(entry) = recording.next(&mut cursor) {
        monitor.handle(&entry);
    }
    let summary = serde_json::to_value(monitor.summary(&recording.facts(&cursor))).unwrap();
    let truth = std::fs::read_to_string(fadewatch::run::simulated_file::truth_path(&path)).unwrap();
    (serde_json::from_str(&truth).unwrap(), summary)
}

/// Truth and summary of a scenario, without a file between.
fn played(scenario: &str, profile: &str) -> (Value, Value) {
    let scenario = Scenario::load(&folder(&format!("tests/scenarios/{scenario}.toml"))).unwrap();
    let session = simulate::run(&scenario);
    let mut monitor = monitor(Profile::parse(profile).unwrap());
    for entry in session.entries() {
        monitor.handle(&entry);
    }
    (session.truth, serde_json::to_value(monitor.summary(&RecordingFacts::default())).unwrap())
}

/// Collects what does not agree, and counts what was compared: an absent truth is no comparison.
#[derive(Default)]
struct Findings {
    wrong: Vec<String>,
    compared: usize,
}

impl Findings {
    fn near(&mut self, what: &str, truth: &Value, found: &Value, tolerance: f64) {
        self.compared += usize::from(truth.is_number());
        match (truth.as_f64(), found.as_f64()) {
            (None, _) => {}
            (Some(truth), Some(found)) if (truth - found).abs() <= tolerance => {}
            _ => self.wrong.push(format!("{what}: true {truth}, found {found}, tolerance {tolerance}")),
        }
    }

    fn same(&mut self, what: &str, truth: &Value, found: &Value) {
        self.compared += usize::from(!truth.is_null());
        if !truth.is_null() && truth != found {
            self.wrong.push(format!("{what}: true {truth}, found {found}"));
        }
    }

    /// The row of the summary that agrees with the truth's in these keys.
    fn row<'a>(&mut self, what: &str, rows: &'a Value, truth: &Value, keys: &[&str]) -> Option<&'a Value> {
        let found = rows
            .as_array()
            .and_then(|rows| rows.iter().find(|row| keys.iter().all(|&key| row[key] == truth[key])));
        if found.is_none() {
            self.wrong.push(format!("{what}: no row for {truth}"));
        }
        found
    }

    /// Nothing disagrees, and so many comparisons were made: fewer are a truth that went missing.
    fn check(self, compared: usize) {
        assert!(self.wrong.is_empty(), "\n{}", self.wrong.join("\n"));
        assert!(self.compared >= compared, "{} comparisons, not {compared}", self.compared);
    }
}

fn rows(value: &Value) -> &[Value] {
    value.as_array().map_or(&[], Vec::as_slice)
}

/// Counts: exact.
fn counts(findings: &mut Findings, truth: &Value, summary: &Value) {
    for key in ["frames", "crc_errors", "skipped_bytes", "unknown_ids"] {
        findings.same(&format!("framing.{key}"), &truth["framing"][key], &summary["framing"][key]);
    }
    for row in rows(&truth["streams"]) {
        let what = format!("streams {} {}/{}", row["interface"], row["system"], row["component"]);
        let keys = ["interface", "system", "component"];
        let Some(found) = findings.row(&what, &summary["streams"], row, &keys) else { continue };
        for key in ["received", "duplicates", "out_of_order", "restarts"] {
            findings.same(&format!("{what} {key}"), &row[key], &found[key]);
        }
        findings.same(&format!("{what} lost"), &row["lost"], &found["lost"]);
        for key in ["count", "max_length"] {
            let (periods, own) = (&row["loss_periods"][key], &found["loss_periods"][key]);
            findings.same(&format!("{what} loss_periods.{key}"), periods, own);
        }
        // Copies say nothing new and end no silence.
        for key in ["longest_silence_s", "silent_at_end_s"] {
            findings.near(&format!("{what} {key}"), &row[key], &found[key], 0.001);
        }
    }
}

/// Video: counts exact, times to the stamp.
fn video(findings: &mut Findings, truth: &Value, summary: &Value) {
    let (truth, found) = (&truth["video"], &summary["video"]);
    for key in ["source", "ssrc", "packets", "packets_lost", "frames", "frames_delivered", "freezes"] {
        findings.same(&format!("video.{key}"), &truth[key], &found[key]);
    }
    findings.near("video.freeze_s", &truth["freeze_s"], &found["freeze_s"], 1e-3);
    for (index, freeze) in rows(&truth["freeze_list"]).iter().enumerate() {
        let own = &found["freeze_list"][index];
        let what = format!("freeze {index}");
        findings.near(&format!("{what} start_s"), &freeze["start_s"], &own["start_s"], 1e-3);
        if freeze["off"] == true {
            // Listed, but no freeze: until when is a matter of when it was judged.
            findings.same(&format!("{what} evidence"), &Value::from(false), &own["evidence"]);
            continue;
        }
        findings.near(&format!("{what} duration_s"), &freeze["duration_s"], &own["duration_s"], 1e-3);
        findings.same(&format!("{what} ended"), &freeze["ended"], &own["ended"]);
        // Level and place are those of a whole second nearby: shadowing of 3 dB keeps exp(-1/3 - 2/15)
        // of itself over that second, so the two differ by 2.6 dB in the root mean square.
        findings.near(&format!("{what} signal"), &freeze["signal"], &own["signal"], 8.0);
        // 2.5 m/s at most, over a second and the age of a fix.
        findings.near(&format!("{what} distance_m"), &freeze["distance_m"], &own["distance_m"], 3.0);
    }
}

fn vibration_and_power(findings: &mut Findings, truth: &Value, summary: &Value) {
    for axis in ["x", "y", "z"] {
        for key in ["median", "max"] {
            let (of, own) = (&truth["vibration"][axis][key], &summary["vibration"][axis][key]);
            findings.near(&format!("vibration.{axis}.{key}"), of, own, 1e-3);
        }
    }
    findings.same("vibration.clipping", &truth["vibration"]["clipping"], &summary["vibration"]["clipping"]);
    for row in rows(&truth["power"]) {
        let keys = ["system", "component", "battery"];
        let Some(found) = findings.row("power", &summary["power"], row, &keys) else { continue };
        // Charge is sent in whole mAh.
        findings.near("power.used_mah", &row["used_mah"], &found["used_mah"], 1.0);
        // SYS_STATUS and BATTERY_STATUS are sampled at instants of their own.
        findings.near("power.voltage_start_v", &row["voltage_start_v"], &found["voltage_start_v"], 0.05);
        findings.near("power.voltage_min_v", &row["voltage_min_v"], &found["voltage_min_v"], 0.05);
    }
}

/// Levels as sent: exact up to a device unit's step.
fn signal(findings: &mut Findings, truth: &Value, summary: &Value) {
    for row in rows(&truth["signal"]) {
        let keys = ["link", "system", "component", "direction", "unit"];
        let Some(found) = findings.row("signal", &summary["signal"], row, &keys) else { continue };
        let what = format!("signal {} {}", row["link"], row["direction"]);
        findings.same(&format!("{what} samples"), &row["samples"], &found["samples"]);
        findings.near(&format!("{what} median"), &row["median"], &found["median"], 1e-6);
        findings.near(&format!("{what} min"), &row["min"], &found["min"], 1e-6);
    }
}

/// Fits on one session of 190 to 290 s: shadowing of 2.5 to 3 dB, correlated over 3 s and 15 m,
/// leaves some 40 independent levels over a factor of 20 in distance: the exponent's standard
/// error is near 0.2, the level at 1 m follows it (10 x 0.2 x log10 of the middle distance).
fn range(findings: &mut Findings, truth: &Value, summary: &Value) {
    for row in rows(&truth["range"]) {
        let Some(found) = findings.row("range", &summary["range"], row, &["link", "unit", "origin"]) else {
            continue;
        };
        let what = format!("range {}", row["link"]);
        findings.near(
            &format!("{what} max_distance_m"),
            &row["max_distance_m"],
            &found["max_distance_m"],
            1.0,
        );
        let key = "path_loss_exponent";
        findings.near(&format!("{what} {key}"), &row[key], &found[key], 0.6);
        findings.near(&format!("{what} level_at_1m"), &row["level_at_1m"], &found["level_at_1m"], 11.0);
        let key = "shadowing_sigma_db";
        findings.near(&format!("{what} {key}"), &row[key], &found[key], 1.2);
        if let Some(interval) = found["path_loss_exponent_ci95"].as_array() {
            let exponent = row["path_loss_exponent"].as_f64().unwrap();
            let (low, high) = (interval[0].as_f64().unwrap(), interval[1].as_f64().unwrap());
            // A 95 % interval misses one time in 20: half its width more must hold it.
            let more = (high - low) / 4.0;
            if exponent < low - more || exponent > high + more {
                findings.wrong.push(format!("{what} exponent {exponent} outside {low} to {high}"));
            }
        }
    }
}

fn clocks(findings: &mut Findings, truth: &Value, summary: &Value) {
    for row in rows(&truth["clocks"]) {
        let Some(found) = findings.row("clocks", &summary["clocks"], row, &["system", "component"]) else {
            continue;
        };
        // One-way: late by the least delay, here 8 ms and up to a burst of 40 ms.
        let uncertainty_ms = found["uncertainty_ms"].as_f64().unwrap_or(48.0);
        findings.near("clocks.offset_ms", &row["offset_ms"], &found["offset_ms"], uncertainty_ms.max(1.0));
        findings.near("clocks.skew_ppm", &row["skew_ppm"], &found["skew_ppm"], 20.0);
    }
}

/// `onboard_ms`: for the median of `input_to_servo`, both ends of which are sampled slowly: 3 ms is asked
/// at 25 Hz and 6 ms at 10 Hz, in proportion to the period between. Nothing is asked of its p90.
fn latency(findings: &mut Findings, truth: &Value, summary: &Value, stick_ms: (f64, f64), onboard_ms: f64) {
    let (p50_ms, p90_ms) = stick_ms;
    let (of, own) = (&truth["latency"]["input_to_servo"], &summary["latency"]["input_to_servo"]);
    findings.near("latency.input_to_servo.p50_ms", &of["p50_ms"], &own["p50_ms"], onboard_ms);
    for stage in ["stick_to_input", "stick_to_servo"] {
        let (of, own) = (&truth["latency"][stage], &summary["latency"][stage]);
        findings.near(&format!("latency.{stage}.p50_ms"), &of["p50_ms"], &own["p50_ms"], p50_ms);
        findings.near(&format!("latency.{stage}.p90_ms"), &of["p90_ms"], &own["p90_ms"], p90_ms);
    }
}

/// A dead control link while a stick moves is one hold, known to within a sample at 20 Hz and the
/// radio's own delay at each end.
fn holds(findings: &mut Findings, truth: &Value, summary: &Value) {
    let outages = rows(&truth["control_outages"]);
    let found = &summary["control_holds"];
    if outages.is_empty() {
        return;
    }
    findings.same("control_holds.count", &Value::from(outages.len()), &found["count"]);
    let lengths = outages.iter().map(|span| span[1].as_f64().unwrap() - span[0].as_f64().unwrap());
    let longest = Value::from(lengths.fold(0.0, f64::max));
    findings.near("control_holds.longest_s", &longest, &found["longest_s"], 0.15);
    are_events(findings, ("hold", 0.15), outages.iter().map(|span| span[0].clone()), summary);
}

/// Each of some kind is an event too, at its time.
fn are_events(
    findings: &mut Findings,
    (kind, tolerance): (&str, f64),
    times: impl Iterator<Item = Value>,
    summary: &Value,
) {
    let mut events = rows(&summary["events"]).iter().filter(|event| event["kind"] == kind);
    for time in times {
        let at = events.next().map_or(Value::Null, |event| event["at_s"].clone());
        findings.near(&format!("event {kind}"), &time, &at, tolerance);
    }
    findings.same(&format!("further events {kind}"), &Value::from(0), &Value::from(events.count()));
}

fn failsafe(findings: &mut Findings, truth: &Value, summary: &Value) {
    let lost = rows(&truth["failsafe"]).iter().map(|drill| drill["input_lost_s"].clone());
    are_events(findings, ("failsafe", 1e-3), lost, summary);
    let (drills, found) = (rows(&truth["failsafe"]), rows(&summary["failsafe"]));
    if drills.len() != found.len() {
        findings.wrong.push(format!("failsafe: true {drills:?}, found {found:?}"));
    }
    for (drill, own) in drills.iter().zip(found) {
        findings.near("failsafe.input_lost_s", &drill["input_lost_s"], &own["input_lost_s"], 1e-3);
        // All bundled drills lie on the ground, beside the handset.
        findings.same("failsafe.drill", &Value::from(true), &own["drill"]);
        for key in ["mode_before", "mode_after"] {
            findings.same(&format!("failsafe.{key}"), &drill[key], &own[key]);
        }
        // Input comes back within some radio frames; seen by what is sampled at 20 Hz.
        let key = "recovered_after_s";
        findings.near(&format!("failsafe.{key}"), &drill[key], &own[key], 0.25);
        for key in ["detected_after", "servo_safe_after"] {
            let truth_s = drill[format!("{key}_s")].as_f64().unwrap();
            let interval = &own[format!("{key}_interval_s")];
            let (low, high) = (interval[0].as_f64(), interval[1].as_f64());
            // The vehicle's word takes up to some 30 ms to this computer.
            if !low.zip(high).is_some_and(|(low, high)| low - 0.03 <= truth_s && truth_s <= high + 0.001) {
                findings.wrong.push(format!("failsafe.{key}: true {truth_s}, found {interval}"));
            }
        }
    }
}

/// The phases in order, each to the second that its rule takes and what facts are late: 3 s disarmed, 2 s standing, a
/// position and a heartbeat a second.
fn phases(findings: &mut Findings, truth: &Value, summary: &Value) {
    let (of, told) = (rows(&truth["phases"]), rows(&summary["phases"]));
    if of.is_empty() {
        return;
    }
    // Until its first word the vehicle is waited for.
    let told =
        told.strip_prefix(&[told[0].clone()]).filter(|_| told[0]["phase"] == "waiting").unwrap_or(told);
    let words = |rows: &[Value]| rows.iter().map(|row| row["phase"].clone()).collect::<Value>();
    findings.same("phases", &words(of), &words(told));
    for (row, own) in of.iter().zip(told) {
        findings.near(&format!("phase {}", row["phase"]), &row["from_s"], &own["from_s"], 6.0);
    }
}

/// What is told of a session that ended at home, switched off: no alarm, loss or silence of its end.
fn ends_quietly(findings: &mut Findings, truth: &Value, summary: &Value) {
    let Some(off_s) = truth["phases"].as_array().and_then(|phases| phases.last()?["from_s"].as_f64()) else {
        return;
    };
    let grave = |event: &&Value| {
        let kind = event["kind"].as_str().unwrap();
        event["at_s"].as_f64().unwrap() >= off_s
            && ["alarm", "warning", "freeze", "lost", "failsafe", "hold", "restart"].contains(&kind)
    };
    let told: Vec<&Value> = rows(&summary["events"]).iter().filter(grave).collect();
    if !told.is_empty() {
        findings.wrong.push(format!("told after it was switched off: {told:?}"));
    }
}

/// `compared`: so many figures the truth of this session holds.
fn everything(number: usize, compared: usize) {
    let (truth, summary) = bundled(number);
    let mut findings = Findings::default();
    findings.near("duration_s", &truth["recording"]["duration_s"], &summary["recording"]["duration_s"], 1e-6);
    findings.same("tags", &truth["recording"]["tags"], &summary["recording"]["tags"]);
    counts(&mut findings, &truth, &summary);
    video(&mut findings, &truth, &summary);
    vibration_and_power(&mut findings, &truth, &summary);
    signal(&mut findings, &truth, &summary);
    range(&mut findings, &truth, &summary);
    clocks(&mut findings, &truth, &summary);
    // Two modes 24 ms apart, the slower in 15 % of the time: the 90th percentile of 84 movements
    // lies on the edge between them.
    latency(&mut findings, &truth, &summary, (3.0, 9.0), 3.5);
    failsafe(&mut findings, &truth, &summary);
    holds(&mut findings, &truth, &summary);
    phases(&mut findings, &truth, &summary);
    ends_quietly(&mut findings, &truth, &summary);
    findings.check(compared);
}

#[test]
fn first_orchard_session() {
    everything(1, 127);
}

#[test]
fn second_orchard_session() {
    everything(2, 152);
}

#[test]
fn third_orchard_session() {
    everything(3, 155);
}

#[test]
fn fourth_orchard_session() {
    everything(4, 189);
}

#[test]
fn bundled_sessions_are_what_their_scenarios_give() {
    let folder = folder("recordings");
    let scratch = tempfile::tempdir().unwrap();
    for number in 1..=4 {
        let scenario = Scenario::load(&folder.join(format!("orchard-{number}.toml"))).unwrap();
        let again = scratch.path().join(format!("orchard-{number}.pcapng"));
        let truth = fadewatch::run::simulated_file::run_to_file(&scenario, &again).unwrap();
        for (new, old) in [(&again, "pcapng"), (&truth, "truth.json")] {
            let bundled = folder.join(format!("orchard-{number}.{old}"));
            assert!(std::fs::read(new).unwrap() == std::fs::read(&bundled).unwrap(), "{}", bundled.display());
        }
    }
}

#[test]
fn bench_with_forty_moves() {
    let (truth, summary) = played("bench", "");
    let mut findings = Findings::default();
    counts(&mut findings, &truth, &summary);
    clocks(&mut findings, &truth, &summary);
    latency(&mut findings, &truth, &summary, (2.5, 4.0), 3.0);
    findings.check(38);
}

/// The same bench with a radio that sends on the handset's messages: their hold is known, the radio's beat is
/// found, and both narrow the figures.
#[test]
fn bench_with_a_radio_that_holds_the_sticks() {
    let mut scenario = Scenario::load(&folder("tests/scenarios/bench.toml")).unwrap();
    scenario.control.as_mut().unwrap().held = true;
    // At 25 Hz every output would be taken at the same moment of a position's hold.
    scenario.vehicle.rates.rc_channels = 23.0;
    scenario.vehicle.rates.servo = 23.0;
    let session = simulate::run(&scenario);
    let mut monitor = monitor(Profile::parse("").unwrap());
    for entry in session.entries() {
        monitor.handle(&entry);
    }
    let summary = serde_json::to_value(monitor.summary(&RecordingFacts::default())).unwrap();
    let mut findings = Findings::default();
    findings.near("control_frame_ms", &Value::from(14.0), &summary["latency"]["control_frame_ms"], 0.01);
    // Shown to two decimals: an interval of 0.01 ms to either side is still of use.
    let interval = &summary["latency"]["control_frame_ci95_ms"];
    findings.near("control_frame_ci95_ms from", &Value::from(13.995), &interval[0], 0.005);
    findings.near("control_frame_ci95_ms to", &Value::from(14.005), &interval[1], 0.005);
    latency(&mut findings, &session.truth, &summary, (1.5, 2.5), 1.5);
    findings.check(8);
}

#[test]
fn lossy_with_reboot() {
    let (truth, summary) = played("lossy", "");
    let mut findings = Findings::default();
    counts(&mut findings, &truth, &summary);
    video(&mut findings, &truth, &summary);
    findings.check(46);
}

#[test]
fn silent_sources() {
    let (truth, summary) = played("silent", "");
    let mut findings = Findings::default();
    counts(&mut findings, &truth, &summary);
    video(&mut findings, &truth, &summary);
    findings.check(43);
    // The scenario's own times; the handset's silence is no link's.
    let told: Vec<(&str, f64)> = rows(&summary["events"])
        .iter()
        .filter_map(|event| Some((event["kind"].as_str()?, event["at_s"].as_f64()?)))
        .filter(|(kind, _)| matches!(*kind, "lost" | "back"))
        .collect();
    let expected = [("lost", 20.0), ("back", 32.5), ("lost", 50.0), ("back", 53.0), ("lost", 80.0)];
    assert_eq!(told.len(), expected.len(), "{told:?}");
    for ((kind, at_s), (own_kind, own_s)) in expected.iter().zip(&told) {
        assert!(kind == own_kind && (at_s - own_s).abs() < 0.6, "{told:?}");
    }
}

#[test]
fn two_vehicles_on_one_interface() {
    let (truth, summary) = played("two_vehicles", "");
    let mut findings = Findings::default();
    counts(&mut findings, &truth, &summary);
    findings.check(22);
}

/// Writes the bundled recordings again: `cargo test --test scenarios -- --ignored write_the_bundled`.
#[test]
#[ignore = "writes files: run it after a change to a bundled scenario"]
fn write_the_bundled_recordings() {
    for number in 1..=4 {
        let scenario = Scenario::load(&folder(&format!("recordings/orchard-{number}.toml"))).unwrap();
        fadewatch::run::simulated_file::run_to_file(
            &scenario,
            &folder(&format!("recordings/orchard-{number}.pcapng")),
        )
        .unwrap();
    }
}
