//! Pictures of recorded sessions, as the core makes them: of the bundled ones with the limits that those before
//! them give, of the real ones without a profile.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use fadewatch::capture::hash_of;
use fadewatch::history::{Asking, Choice, History, SessionRow};
use fadewatch::session::{Feed, Mode};
use fadewatch::snapshot::View;
use fadewatch::summary::{Earlier, Summary};
use fadewatch::{Entry, LinkMonitor, Profile, Recording};

/// The picture is about to freeze in the last bundled session: seconds from the first record.
const IN_FLIGHT_S: f64 = 130.0;
/// What the pages show, as far back as they show it at first.
const SPAN_S: f64 = 120.0;

fn folder(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

/// A session at one instant: pictures of any width can be asked of it.
pub(crate) struct Session {
    pub(crate) name: String,
    pub(crate) summary: Arc<Summary>,
    monitor: LinkMonitor,
    /// Whether it was watched to its end.
    pub(crate) at_end: bool,
}

impl Session {
    pub(crate) fn feed(&self, columns: u16) -> Feed {
        let to_s = self.monitor.now_s();
        let view = View { from_s: to_s - SPAN_S, to_s, columns };
        let mode = Mode::Replay { speed: 1.0, paused: false, duration_s: to_s, at_end: self.at_end };
        Feed {
            revision: 1,
            snapshot: Arc::new(self.monitor.snapshot(view, Arc::clone(&self.summary))),
            mode,
            recorder: None,
            ended: false,
            message: None,
        }
    }
}

/// Up to an instant, or to the end.
fn watched(path: &Path, profile: &Arc<Profile>, earlier: Earlier, until_s: Option<f64>) -> Session {
    let recording = Recording::open(path).expect("a recording");
    let mut monitor = LinkMonitor::with_earlier(Arc::clone(profile), earlier);
    let mut cursor = recording.cursor();
    while let Some(entry) = recording.next(&mut cursor) {
        monitor.handle(&entry);
        let is_late = until_s.is_some_and(|until_s| monitor.now_s() >= until_s);
        if is_late && matches!(entry, Entry::Record(_)) {
            break;
        }
    }
    let name = path.file_name().expect("a name").to_string_lossy().into_owned();
    let summary = Arc::new(monitor.summary(&recording.facts(&cursor)));
    Session { name, summary, monitor, at_end: until_s.is_none() }
}

/// The bundled sessions, each with what those before it showed; the last one in flight too.
pub(crate) fn bundled() -> Vec<Session> {
    let text = std::fs::read_to_string(folder("recordings/orchard-profile.toml")).expect("the profile");
    let profile = Arc::new(Profile::parse(&text).expect("a profile"));
    let mut history = History::open(Path::new(":memory:")).expect("a history");
    let mut sessions: Vec<Session> = Vec::new();
    for number in 1..=4 {
        let path = folder(&format!("recordings/orchard-{number}.pcapng"));
        let earlier = |summary: &Summary| {
            let start_utc = summary.recording.start_utc.as_deref();
            let asking = Asking { hash: None, start_utc };
            let tags = Some(&summary.recording.tags);
            let choice = Choice { tags, earlier_than: Some(asking), ..Choice::default() };
            history.earlier(&profile, &choice).expect("what earlier sessions showed")
        };
        let opening = watched(&path, &profile, Earlier::default(), Some(0.0));
        let earlier = earlier(&opening.summary);
        if number == 4 {
            sessions.push(watched(&path, &profile, earlier.clone(), Some(IN_FLIGHT_S)));
        }
        let session = watched(&path, &profile, earlier, None);
        let evidence = session.monitor.session_evidence();
        let row = SessionRow {
            hash: hash_of(session.name.as_bytes()),
            file: session.name.clone(),
            start_utc: session.summary.recording.start_utc.clone(),
            tags: session.summary.recording.tags.clone(),
            summary: String::new(),
            evidence: evidence.links,
            vibration: evidence.vibration,
        };
        history.add(&row).expect("a session more");
        sessions.push(session);
    }
    sessions
}

/// The cuts of real recordings, and whole ones where FADEWATCH_DATA names a folder that holds them.
pub(crate) fn real() -> Vec<Session> {
    let folders = [Some(folder("tests/data")), std::env::var_os("FADEWATCH_DATA").map(PathBuf::from)];
    let mut paths: Vec<PathBuf> = Vec::new();
    for folder in folders.into_iter().flatten() {
        let listed = std::fs::read_dir(&folder).expect("a folder of recordings");
        paths.extend(listed.map(|entry| entry.expect("a file").path()));
    }
    let is_recording = |path: &PathBuf| {
        path.extension().is_some_and(|ending| ["raw", "pcap", "pcapng"].iter().any(|own| ending == *own))
    };
    paths.retain(is_recording);
    paths.sort();
    let profile = Arc::new(Profile::parse("").expect("a profile"));
    paths.iter().map(|path| watched(path, &profile, Earlier::default(), None)).collect()
}
