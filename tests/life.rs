//! Ends and stops of ordinary sessions: what must be told of each, and what must not.
//!
//! Each row of the table (`ends/mod.rs`) is a short invented session, written down as physics: what is switched
//! on and off when, who moves where. What is expected of it is written from the definitions alone ("The life
//! of a session"), never from what the program printed. All rows run, and all that fail are printed at once.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]

mod ends;

use std::fmt::Write as _;
use std::path::Path;
use std::sync::Arc;

use fadewatch::monitor::{LinkMonitor, RecordingFacts};
use fadewatch::profile::Profile;
use fadewatch::simulate;
use fadewatch::simulate::Scenario;
use serde_json::Value;

use ends::{Failsafe, Proven, Row};

/// Distances are proven in bins of this many metres.
const BIN_M: f64 = 10.0;

const PROFILE: &str = r#"
[vehicle]
system = 1
failsafe_servo_us = { 1 = 1000 }

[handset]
system = 255

[[link]]
name = "control"
role = "control"
interface = "handset"
radio = { system = 41, component = 111 }
level = { slope_db = 0.5, offset_dbm = -125.0 }

[[link]]
name = "video"
role = "video"
radio = { system = 41, component = 112 }
level = { slope_db = 0.5, offset_dbm = -120.0 }
port = 5004

[[link]]
name = "telemetry"
role = "telemetry"
senders = [[1, 1], [1, 100]]
radio = { system = 41, component = 110 }
level = { slope_db = 0.5, offset_dbm = -125.0 }
"#;

fn summary(row: &Row) -> Value {
    let scenario = Scenario::parse(&row.toml(), Path::new(&row.name))
        .unwrap_or_else(|error| panic!("{}: {error}", row.name));
    let profile = Arc::new(Profile::parse(PROFILE).unwrap());
    let mut monitor = LinkMonitor::new(profile, Arc::from(Vec::new()));
    for entry in simulate::run(&scenario).entries() {
        monitor.handle(&entry);
    }
    serde_json::to_value(monitor.summary(&RecordingFacts::default())).unwrap()
}

fn list<'a>(value: &'a Value, key: &str) -> &'a [Value] {
    value[key].as_array().map_or(&[], Vec::as_slice)
}

fn words<'a>(rows: &'a [Value], key: &str) -> Vec<&'a str> {
    rows.iter().filter_map(|row| row[key].as_str()).collect()
}

/// The phases; `waiting` at the start lasts for less than what a fact takes, unless the row asks for it.
fn phases(row: &Row, summary: &Value, wrong: &mut Vec<String>) {
    let Some(expected) = row.phases else { return };
    let told = words(list(summary, "phases"), "phase");
    let skip = usize::from(told.first() == Some(&"waiting") && expected.first() != Some(&"waiting"));
    if told[skip..] != *expected {
        wrong.push(format!("phases {expected:?}, told {told:?}"));
    }
}

fn events(row: &Row, summary: &Value, wrong: &mut Vec<String>) {
    let kinds = words(list(summary, "events"), "kind");
    for wanted in row.told {
        if !wanted.split('|').any(|kind| kinds.contains(&kind)) {
            wrong.push(format!("event {wanted} not told"));
        }
    }
    for kind in row.never {
        let own = list(summary, "events").iter().filter(|event| event["kind"] == *kind);
        for event in own.take(3) {
            wrong.push(format!("told {kind} at {}: {}", event["at_s"], event["text"]));
        }
    }
}

fn freezes(row: &Row, summary: &Value, wrong: &mut Vec<String>) {
    let video = &summary["video"];
    if let Some(expected) = row.freezes {
        let found: Vec<Option<bool>> =
            list(video, "freeze_list").iter().map(|row| row["evidence"].as_bool()).collect();
        if found != expected {
            let starts: Vec<f64> =
                list(video, "freeze_list").iter().filter_map(|row| row["start_s"].as_f64()).collect();
            wrong.push(format!("evidence of freezes {expected:?}, found {found:?}, begun {starts:.1?}"));
        }
    }
    if let Some(counted) = row.counted
        && video["freezes"].as_u64().unwrap_or(0) != counted
    {
        wrong.push(format!("freezes {counted}, found {}", video["freezes"]));
    }
}

fn proven(row: &Row, summary: &Value, wrong: &mut Vec<String>) {
    let found = list(summary, "range").iter().find(|found| found["link"] == row.link);
    let proven = found.and_then(|found| found["proven_m"].as_f64());
    let farthest = found.and_then(|found| found["max_distance_m"].as_f64());
    let right = match row.proven {
        Proven::Any => true,
        Proven::Null => proven.is_none(),
        Proven::Near(wanted) => proven.is_some_and(|found| (found - wanted).abs() <= BIN_M),
        Proven::AtMost(bound) => proven.is_none_or(|found| found <= bound),
    };
    if !right {
        wrong.push(format!("proven {:?}, found {proven:?}", row.proven));
    }
    if proven.zip(farthest).is_some_and(|(proven, farthest)| proven > farthest + 1e-6) {
        wrong.push(format!("proven {proven:?} beyond the farthest point {farthest:?}"));
    }
}

fn failsafes(row: &Row, summary: &Value, wrong: &mut Vec<String>) {
    let Some(expected) = row.failsafes else { return };
    let found = list(summary, "failsafe");
    if found.len() != expected.len() {
        wrong.push(format!("{} failsafes, found {}", expected.len(), found.len()));
        return;
    }
    for (wanted, found) in expected.iter().zip(found) {
        let own = Failsafe {
            drill: found["drill"].as_bool().unwrap_or(false),
            evidence: found["evidence"].as_bool(),
            handset: found["cause"] == "handset",
            safe: found["servo_safe_after_s"].is_number(),
        };
        if own != *wanted {
            wrong.push(format!("failsafe {wanted:?}, found {own:?}, outputs {}", found["outputs"]));
        }
    }
}

/// What the scenario does not lose is not lost; switched off is no loss.
fn losses(row: &Row, summary: &Value, wrong: &mut Vec<String>) {
    if row.loses {
        return;
    }
    for stream in list(summary, "streams").iter().filter(|stream| stream["lost"].as_u64() != Some(0)) {
        wrong.push(format!(
            "lost {} {} of {}/{}",
            stream["lost"], stream["lost_ci95"], stream["system"], stream["component"]
        ));
    }
}

/// What is said of the session as a whole and of its links, by what happened in the row.
fn session(row: &Row, summary: &Value, wrong: &mut Vec<String>) {
    let verdicts = list(summary, "session_verdicts");
    let word =
        |about: &str| verdicts.iter().find(|one| one["about"] == about).and_then(|one| one["word"].as_str());
    if verdicts.first().is_none_or(|whole| whole["about"] != "session") {
        wrong.push("no verdict of the session".to_owned());
        return;
    }
    let is_trip = |phase: &str| matches!(phase, "walk" | "out" | "back");
    let phases = words(list(summary, "phases"), "phase");
    let ground_only = !phases.is_empty() && !phases.iter().any(|phase| is_trip(phase));
    let failed = |wrong: &mut Vec<String>, about: &str, should: bool| {
        if (word(about) == Some("failed")) != should {
            let text = verdicts.iter().find(|one| one["about"] == about).map(|one| one["text"].to_string());
            wrong.push(format!("{about} {}failed: {text:?}", if should { "not " } else { "" }));
        }
    };
    if ground_only {
        for verdict in verdicts.iter().filter(|verdict| verdict["word"] != "not judged") {
            wrong.push(format!("on the ground only, and {verdict}"));
        }
    }
    if row.told == ["lost-vehicle"] {
        failed(wrong, "session", true);
        failed(wrong, "telemetry", true);
    }
    // Nothing went wrong at all.
    if [ends::QUIET, ends::GRAVE].contains(&row.never) && row.counted == Some(0) && !row.loses {
        for about in ["session", "telemetry", "video"] {
            failed(wrong, about, false);
        }
    }
    // Half a second and more of a standing picture in a trip.
    let start = |phase: &Value| phase["from_s"].as_f64().unwrap_or_default();
    let all = list(summary, "phases");
    let trips: Vec<(f64, f64)> = (0..all.len())
        .filter(|place| is_trip(phases[*place]))
        .map(|place| (start(&all[place]), all.get(place + 1).map_or(f64::INFINITY, start)))
        .collect();
    let stood = list(&summary["video"], "freeze_list").iter().any(|freeze| {
        let (from, lasts) = (freeze["start_s"].as_f64().unwrap(), freeze["duration_s"].as_f64().unwrap());
        let counts = freeze["course"] != "off" && freeze["course"] != "stalled";
        counts && trips.iter().any(|trip| (from + lasts).min(trip.1) - from.max(trip.0) >= 0.5)
    });
    if stood {
        failed(wrong, "video", true);
    }
}

fn wrong(row: &Row) -> Vec<String> {
    let summary = summary(row);
    let mut wrong = Vec::new();
    for check in [phases, events, freezes, proven, failsafes, losses, session] {
        check(row, &summary, &mut wrong);
    }
    wrong
}

#[test]
fn ends_and_stops_are_told_as_they_are() {
    let only = std::env::var("FADEWATCH_END").unwrap_or_default();
    let rows = ends::all();
    assert!(rows.len() >= 40, "{} rows", rows.len());
    let (mut text, mut failing) = (String::new(), 0);
    for row in rows.iter().filter(|row| row.name.contains(&only)) {
        let wrong = wrong(row);
        failing += usize::from(!wrong.is_empty());
        if !wrong.is_empty() {
            let _ = writeln!(text, "{}:\n    {}", row.name, wrong.join("\n    "));
        }
    }
    assert!(failing == 0, "{failing} of {} rows fail\n{text}", rows.len());
}
