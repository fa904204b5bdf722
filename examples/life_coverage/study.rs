//! One set of the study: four whole sessions, what the history learns of them, the next flight, and the truth of it.
//!
//! Units: metres, dB, seconds from a session's first record. The truth is the scenario's own: places, freezes.

use std::path::Path;
use std::sync::Arc;

use fadewatch::history::{Choice, History, SessionRow};
use fadewatch::monitor::{LinkMonitor, RecordingFacts};
use fadewatch::profile::Profile;
use fadewatch::simulate;
use fadewatch::simulate::Scenario;
use fadewatch::summary::Earlier;
use fadewatch::summary::Summary;
use serde_json::Value;

use crate::sessions;
use crate::sessions::{Kind, Session};

/// Sessions before the next flight.
const EARLIER: u64 = 4;
/// Distances are proven in bins of this many metres.
pub(crate) const BIN_M: f64 = 10.0;

/// What one set shows.
#[derive(Debug, Default)]
pub(crate) struct Set {
    pub(crate) error_db: Option<f64>,
    pub(crate) true_freezes: usize,
    pub(crate) early_alarms: usize,
    /// Proven less its truth, for each session; `None`: nothing was proven.
    pub(crate) proven: Vec<Option<f64>>,
    /// Sessions proven beyond the farthest point.
    pub(crate) beyond_farthest: usize,
    /// Distances given, where none can be known.
    pub(crate) distances: usize,
}

/// A session as the core saw it.
struct Seen {
    monitor: LinkMonitor,
    summary: Summary,
    json: Value,
    truth: Value,
}

fn see(session: &Session, profile: &Arc<Profile>, earlier: Earlier) -> Seen {
    let scenario = Scenario::parse(&session.toml, Path::new("study.toml")).unwrap();
    let simulated = simulate::run(&scenario);
    let mut monitor = LinkMonitor::with_earlier(Arc::clone(profile), earlier);
    for entry in simulated.entries() {
        monitor.handle(&entry);
    }
    let mut summary = monitor.summary(&RecordingFacts::default());
    summary.recording.start_utc = Some(scenario.start.clone());
    let json = serde_json::to_value(&summary).unwrap();
    Seen { monitor, summary, json, truth: simulated.truth }
}

fn rows<'a>(value: &'a Value, key: &str) -> &'a [Value] {
    value[key].as_array().map_or(&[], Vec::as_slice)
}

/// The truth's freezes that are the link's: start and end.
fn true_freezes(truth: &Value) -> Vec<[f64; 2]> {
    let own = rows(&truth["video"], "freeze_list").iter().filter(|row| row["of_link"] == true);
    own.map(|row| {
        let start_s = row["start_s"].as_f64().unwrap();
        [start_s, start_s + row["duration_s"].as_f64().unwrap()]
    })
    .collect()
}

/// The far edge of the last bin before the first true freeze, the farthest point at most; bins begin at the
/// nearest distance of the trip.
fn true_proof_m(session: &Session, truth: &Value) -> f64 {
    let [from_s, to_s] = session.trip_s;
    let tenths = |[from_s, to_s]: [f64; 2]| {
        let count = ((to_s - from_s) * 10.0) as usize;
        (0..=count).map(move |tenth| from_s + tenth as f64 / 10.0)
    };
    let trip: Vec<f64> = tenths([from_s, to_s]).map(|at_s| session.distance_m(at_s)).collect();
    let nearest = trip.iter().copied().fold(f64::INFINITY, f64::min);
    let farthest = trip.iter().copied().fold(0.0, f64::max);
    let frozen = true_freezes(truth).into_iter().flat_map(tenths).map(|at_s| session.distance_m(at_s));
    let first = frozen.fold(f64::INFINITY, f64::min);
    // A bin with under 5 s of data merges outward until it has them.
    let mut seconds = vec![0.0; ((farthest - nearest) / BIN_M) as usize + 1];
    for distance in &trip {
        seconds[((distance - nearest) / BIN_M) as usize] += 0.1;
    }
    let (mut edge, mut own_s) = (nearest, 0.0);
    for (bin, bin_s) in seconds.iter().enumerate() {
        own_s += bin_s;
        let far = (nearest + BIN_M * (bin + 1) as f64).min(farthest);
        if first < far {
            break;
        }
        if own_s >= 5.0 {
            (edge, own_s) = (far, 0.0);
        }
    }
    edge
}

fn proven_m(json: &Value) -> Option<f64> {
    rows(json, "range").iter().find(|row| row["link"] == "video").and_then(|row| row["proven_m"].as_f64())
}

/// How many distances a summary gives.
fn distances(json: &Value) -> usize {
    let range = rows(json, "range").iter().filter(|row| {
        ["max_distance_m", "proven_m", "predicted_freeze_m"].iter().any(|&key| row[key].is_number())
    });
    let freezes =
        rows(&json["video"], "freeze_list").iter().filter(|row| row["distance_m"].is_number()).count();
    range.count() + freezes
}

pub(crate) fn set(kind: Kind, seed: u64) -> Set {
    let profile = Arc::new(Profile::parse(sessions::PROFILE).unwrap());
    let mut history = History::open(Path::new(":memory:")).unwrap();
    let mut found = Set::default();
    for number in 0..EARLIER {
        let session = sessions::session(kind, seed, number);
        let seen = see(&session, &profile, Earlier::default());
        judge(kind, &session, &seen, &mut found);
        found.true_freezes += true_freezes(&seen.truth).len();
        let evidence = seen.monitor.session_evidence();
        let row = SessionRow {
            hash: format!("{seed:032x}{number:032x}"),
            file: format!("{number}.pcapng"),
            start_utc: seen.summary.recording.start_utc.clone(),
            tags: seen.summary.recording.tags.clone(),
            summary: seen.json.to_string(),
            evidence: evidence.links,
            vibration: evidence.vibration,
        };
        history.add(&row).unwrap();
    }
    let earlier = history.earlier(&profile, &Choice::default()).unwrap();
    let video = earlier.thresholds.iter().find(|threshold| threshold.link == "video");
    found.error_db = video.map(|threshold| threshold.level_p05 - sessions::TRUE_P05);
    let next = sessions::session(kind, seed, EARLIER);
    let seen = see(&next, &profile, earlier);
    // After walks the next flight has a position of its own.
    if kind != Kind::Walks {
        judge(kind, &next, &seen, &mut found);
    }
    let alarms = rows(&seen.json, "events").iter().filter(|event| event["kind"] == "alarm");
    found.early_alarms =
        alarms.filter(|event| event["at_s"].as_f64().is_some_and(|at_s| at_s < 60.0)).count();
    found
}

fn judge(kind: Kind, session: &Session, seen: &Seen, found: &mut Set) {
    if kind == Kind::Walks {
        found.distances += distances(&seen.json);
    } else {
        let truth = true_proof_m(session, &seen.truth);
        let proven = proven_m(&seen.json);
        // A position comes in centimetres, and its height in as many.
        let farthest = session.farthest_m() + 0.1;
        found.beyond_farthest += usize::from(proven.is_some_and(|proven| proven > farthest));
        found.proven.push(proven.map(|proven| proven - truth));
    }
}
