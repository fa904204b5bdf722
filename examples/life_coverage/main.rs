//! What whole sessions teach: freeze limits, alarms and proven distances where the truth is known.
//!
//! An invented, seeded study. In each set four earlier sessions and a next flight, each a whole life: bench, a drill
//! beside the handset, out and back until it lands, switched off in one order or another, the recorder left
//! running. The sessions go through the core and the history as recordings do; nothing is fed to an
//! estimator by hand. `cargo run --release --example life_coverage -- FIRST_SEED SETS [flights|cut|quiet|walks]`
//! prints shares of sets (10001 and 200 unless given; half as many walks). Truth: the scenario's own
//! numbers.
#![expect(clippy::print_stdout, reason = "a study prints its findings")]
#![expect(clippy::unwrap_used, reason = "a study that cannot go on stops")]

mod sessions;

use std::path::Path;
use std::sync::Arc;

use fadewatch::history::{Choice, History, SessionRow};
use fadewatch::link::context::Earlier;
use fadewatch::link::{LinkMonitor, RecordingFacts};
use fadewatch::profile::Profile;
use fadewatch::simulate::{self, Scenario};
use fadewatch::summary::Summary;
use serde_json::Value;

use sessions::{Kind, Session};

/// Sessions before the next flight.
const EARLIER: u64 = 4;
/// Asked of the freeze limit.
const TOLERANCE_DB: f64 = 0.7;
/// Distances are proven in bins of this many metres.
const BIN_M: f64 = 10.0;

/// What one set shows.
#[derive(Default)]
struct Set {
    error_db: Option<f64>,
    true_freezes: usize,
    early_alarms: usize,
    /// Proven less its truth, for each session; `None`: nothing was proven.
    proven: Vec<Option<f64>>,
    /// Distances given, where none can be known.
    distances: usize,
}

/// A session as the core saw it.
struct Seen {
    monitor: LinkMonitor,
    summary: Summary,
    json: Value,
    truth: Value,
}

fn see(session: &Session, profile: &Arc<Profile>, earlier: Earlier) -> Seen {
    let scenario = Scenario::parse(&session.toml).unwrap();
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

fn set(kind: Kind, seed: u64) -> Set {
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
        found.proven.push(proven_m(&seen.json).map(|proven| proven - truth));
    }
}

/// All sets, on both cores, in the order of their seeds.
fn sets(kind: Kind, first: u64, count: u64) -> Vec<Set> {
    let half = |parity: u64| {
        (0..count).filter(move |set| set % 2 == parity).map(move |set| set_of(kind, first, set))
    };
    std::thread::scope(|scope| {
        let odd = scope.spawn(move || half(1).collect::<Vec<Set>>());
        let mut all: Vec<Set> = half(0).collect();
        all.extend(odd.join().unwrap());
        all
    })
}

fn set_of(kind: Kind, first: u64, number: u64) -> Set {
    set(kind, first + number)
}

fn share(name: &str, good: usize, of: usize) {
    println!("  {name:<62} {good:>4} of {of}");
}

fn print(kind: Kind, first: u64, count: u64) {
    let all = sets(kind, first, count);
    let freezes: usize = all.iter().map(|set| set.true_freezes).sum();
    println!(
        "{}: seeds {first} to {}, {:.0} true freezes a set",
        kind.name(),
        first + count - 1,
        freezes as f64 / count as f64
    );
    let errors: Vec<f64> = all.iter().filter_map(|set| set.error_db).collect();
    if kind == Kind::Quiet {
        share("sets without a freeze that have a freeze limit (wanted: 0)", errors.len(), all.len());
    } else {
        let near = errors.iter().filter(|error| error.abs() <= TOLERANCE_DB).count();
        share("freeze limit within 0.7 dB", near, all.len());
        println!("  {:<62} {:+.2} dB", "its mean error", errors.iter().sum::<f64>() / errors.len() as f64);
    }
    let rung = all.iter().filter(|set| set.early_alarms > 0).count();
    share("alarms in the first minute of the next flight (wanted: 0)", rung, all.len());
    if kind == Kind::Walks {
        let wrong = all.iter().filter(|set| set.distances > 0).count();
        share("sets of walks with any distance (wanted: 0)", wrong, all.len());
        return;
    }
    let proven: Vec<Option<f64>> = all.iter().flat_map(|set| set.proven.iter().copied()).collect();
    let near = proven.iter().flatten().filter(|error| error.abs() <= BIN_M).count();
    let beyond = proven.iter().flatten().filter(|error| **error > BIN_M).count();
    share("sessions whose proven distance is within one bin", near, proven.len());
    share("sessions proven beyond that", beyond, proven.len());
    share(
        "sessions with nothing proven",
        proven.iter().filter(|error| error.is_none()).count(),
        proven.len(),
    );
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let number =
        |index: usize, without: u64| words.get(index).and_then(|word| word.parse().ok()).unwrap_or(without);
    let (first, count) = (number(0, 10_001), number(1, 200).max(1));
    let only = words.get(2).map(String::as_str);
    for kind in [Kind::Flights, Kind::Cut, Kind::Quiet, Kind::Walks] {
        if only.is_none_or(|only| only == kind.name()) {
            print(kind, first, if kind == Kind::Walks { count.div_ceil(2) } else { count });
        }
    }
}
