//! What holds of every summary and picture: counts add up, intervals hold their figure, shares lie between 0 and 1, nothing
//! is no number, nothing reaches a terminal that it would obey.
//!
//! The keys are those of the public JSON; loss ratio: RFC 7680.

use std::sync::Arc;

use fadewatch::monitor::{LinkMonitor, RecordingFacts};
use fadewatch::record::text::is_printable;
use fadewatch::report::{PlainText, session_text, write_json_to};
use fadewatch::snapshot::View;
use fadewatch::summary::Summary;
use serde_json::Value;

/// Whole seconds that a record may cost ([`LinkMonitor::seconds_walked`]).
const STEPS: u64 = 22;

/// Of a core that has taken so many records.
pub fn of_monitor(monitor: &LinkMonitor, records: u64) -> String {
    let walked = monitor.seconds_walked();
    assert!(walked <= STEPS * (records + 1), "{walked} steps of {records} records");
    let summary = Arc::new(monitor.summary(&RecordingFacts::default()));
    let now_s = monitor.now_s();
    assert!(now_s.is_finite() && now_s >= 0.0, "{now_s}");
    for (from_s, columns) in [(now_s - 120.0, 80), (0.0, 1), (-5.0, 512)] {
        let view = View { from_s, to_s: now_s, columns };
        let picture = monitor.snapshot(view, Arc::clone(&summary));
        assert!(picture.lanes.iter().all(|lane| lane.level.len() <= usize::from(columns)));
    }
    let summary_records = summary.recording.records;
    assert!(summary_records <= records, "{summary_records} of {records} records");
    of_summary(&summary)
}

/// Gives the JSON.
pub fn of_summary(summary: &Summary) -> String {
    let mut json = Vec::new();
    write_json_to(&mut json, summary).expect("memory");
    let json = String::from_utf8(json).expect("text");
    assert!(json.trim_end().chars().all(is_printable), "JSON holds what a terminal obeys");
    let value: Value = serde_json::from_str(&json).expect("JSON");
    of_value("", &value);
    // What must not be absent is a number.
    if let Err(error) = serde_json::from_str::<Summary>(&json) {
        panic!("a number is none: {error}\n{json}");
    }
    let mut told = summary.clone();
    let latency = &mut told.latency;
    let stages = [&mut latency.stick_to_servo, &mut latency.stick_to_input, &mut latency.input_to_servo];
    // For drawing alone, open on one side where the age is.
    stages.into_iter().flatten().for_each(|stage| stage.distribution.clear());
    let bare = without_strings(&format!("{told:?}"));
    for word in ["NaN", "inf"] {
        let at = bare.match_indices(word).find(|(at, _)| !bare.as_bytes()[at - 1].is_ascii_alphanumeric());
        if let Some((at, _)) = at {
            panic!("a figure is {word}: {}", &bare[at.saturating_sub(300)..at + 3]);
        }
    }
    counts_add_up(summary);
    let mut text = PlainText(Vec::new());
    session_text::write_to(&mut text, summary).expect("memory");
    let text = String::from_utf8(text.0).expect("text");
    assert!(text.chars().all(|letter| letter == '\n' || is_printable(letter)));
    assert!(!text.contains("NaN") || json.contains("NaN"), "{text}");
    json
}

/// Debug text with what stands between quotes left out.
fn without_strings(text: &str) -> String {
    let (mut out, mut letters, mut quoted) = (String::new(), text.chars(), false);
    while let Some(letter) = letters.next() {
        match letter {
            '\\' if quoted => {
                letters.next();
            }
            '"' => quoted = !quoted,
            _ if !quoted => out.push(letter),
            _ => {}
        }
    }
    out
}

fn counts_add_up(summary: &Summary) {
    let framing = summary.framing;
    assert!(framing.unknown_ids <= framing.frames);
    let told: u64 = summary.streams.iter().map(|stream| stream.received + stream.duplicates).sum();
    assert!(told <= framing.frames, "{told} of {} frames", framing.frames);
    for stream in &summary.streams {
        let (lost, ci95) = (stream.lost, stream.lost_ci95);
        assert_eq!(lost.is_some(), ci95.is_some(), "{stream:?}");
        if let (Some(lost), Some([low, high])) = (lost, ci95) {
            assert!(low <= lost && lost <= high, "{stream:?}");
            let runs: u64 = stream.burst_lengths.iter().map(|(_, count)| count).sum();
            assert_eq!(stream.loss_periods.map_or(0, |periods| periods.count), runs, "{stream:?}");
            if let Some(loss) = stream.loss {
                let ratio = lost as f64 / (stream.received + lost) as f64;
                assert!((loss.ratio - ratio).abs() < 1e-9, "{stream:?}");
            }
        }
    }
    for video in &summary.video_streams {
        assert!(video.frames_delivered <= video.frames, "{video:?}");
        let past = summary.recording.duration_s + 1e-6;
        for freeze in video.freeze_list.iter() {
            let ends = freeze.start_s + freeze.duration_s.unwrap_or(0.0);
            assert!(freeze.start_s >= 0.0 && ends <= past, "{freeze:?} in {past} s");
        }
    }
}

fn number(value: &Value, key: &str) -> Option<f64> {
    value.get(key).and_then(Value::as_f64)
}

/// Whatever a key's name promises.
fn of_value(key: &str, value: &Value) {
    match value {
        Value::Array(rows) => {
            if key.ends_with("ci95") || key.contains("_ci95_") || key.ends_with("_interval_s") {
                let both: Vec<Option<f64>> = rows.iter().map(Value::as_f64).collect();
                let [Some(low), Some(high)] = both[..] else { panic!("{key}: {value}") };
                assert!(low <= high, "{key}: {value}");
            }
            for row in rows {
                of_value("", row);
            }
        }
        Value::Object(members) => {
            for (name, member) in members {
                of_value(name, member);
            }
            let percentiles = ["p50_ms", "p90_ms", "p99_ms", "p999_ms"];
            let rising: Vec<f64> = percentiles.iter().filter_map(|name| number(value, name)).collect();
            assert!(rising.is_sorted(), "{key}: {value}");
            if let (Some(ratio), Some(ci95)) = (number(value, "ratio"), value.get("ci95")) {
                let [low, high] = [0, 1].map(|place| ci95[place].as_f64().expect("checked"));
                assert!(low <= ratio + 1e-9 && ratio <= high + 1e-9, "{key}: {value}");
            }
        }
        Value::Number(number) => {
            let number = number.as_f64().expect("a number");
            if key == "ratio" || key.ends_with("_ratio") {
                assert!((0.0..=1.0).contains(&number), "{key}: {number}");
            }
            if key.ends_with("_percent") {
                assert!((0.0..=100.0).contains(&number), "{key}: {number}");
            }
            if key.starts_with("duration")
                || key.contains("silen")
                || key == "freeze_s"
                || key.ends_with("_count")
            {
                assert!(number >= 0.0, "{key}: {number}");
            }
        }
        _ => {}
    }
}
