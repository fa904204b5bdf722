//! Earlier sessions in SQLite: what the freeze threshold and the comparison need.
//!
//! The recordings are the truth; the history only saves reading them again. A session is kept under
//! the SHA-256 of its recording, so that adding it twice changes nothing; an addition is one
//! transaction, so that a killed one leaves nothing half done. Two processes may use one file at once
//! (write-ahead log, a wait of 5 s for each other). A damaged file is set aside under a new name,
//! which [`History::set_aside`] tells, and is never replaced in silence.

mod blob;
mod choice;
mod link_threshold;
mod schema;
mod store;

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::Connection;

use crate::judge::margin::FreezeEvidence;
use crate::units::Nanos;

/// Tag keys that say nothing of the equipment; all others do.
pub const NOT_EQUIPMENT: [&str; 4] = ["date", "note", "pilot", "place"];

/// Why the history could not be used.
#[derive(Debug, thiserror::Error)]
pub enum HistoryError {
    /// SQLite refused.
    #[error("cannot use the history '{path}': {cause}")]
    Sqlite {
        /// The file.
        path: String,
        /// Why.
        cause: rusqlite::Error,
    },
    /// The file, or its folder, cannot be reached.
    #[error("cannot use the history '{path}': {cause}")]
    File {
        /// The file.
        path: String,
        /// Why.
        cause: io::Error,
    },
    /// A newer program made it.
    #[error("the history '{path}' was made by a newer fadewatch: use that one, or another --history file")]
    Newer {
        /// The file.
        path: String,
    },
    /// Its contents contradict themselves.
    #[error(
        "the history '{path}' is damaged ({what}): run 'fadewatch history rebuild DIR' with the folder of the recordings"
    )]
    Damaged {
        /// The file.
        path: String,
        /// What was found.
        what: String,
    },
    /// Never was one.
    #[error("'{path}' is {what}, no history: give --history another file; this one stays as it is")]
    Foreign {
        /// The file.
        path: String,
        /// What it is.
        what: &'static str,
    },
    /// No session has such a hash.
    #[error("no session in the history has a hash that begins with '{0}': see 'fadewatch history list'")]
    Unknown(String),
    /// Several sessions have.
    #[error("{count} sessions in the history have a hash that begins with '{prefix}': give more characters")]
    Ambiguous {
        /// The characters that were given.
        prefix: String,
        /// How many match.
        count: usize,
    },
    /// One session has, and a slip of a finger may name it.
    #[error(
        "'{prefix}' names a session, and forgetting it needs {needed} characters of its hash: see 'fadewatch history list'"
    )]
    TooShort {
        /// The characters that were given.
        prefix: String,
        /// How many are needed.
        needed: usize,
    },
}

/// One session as the history keeps it.
#[derive(Clone, Debug, PartialEq)]
pub struct SessionRow {
    /// SHA-256 of the recording, in hexadecimal.
    pub hash: String,
    /// The recording's name.
    pub file: String,
    /// RFC 3339; `None` where the recording has no wall clock.
    pub start_utc: Option<String>,
    /// Its tags, the profile's among them.
    pub tags: BTreeMap<String, String>,
    /// Its summary, as JSON.
    pub summary: String,
    /// What it says of each link's threshold.
    pub evidence: Vec<FreezeEvidence>,
    /// Its vibration: level and seconds at it, in order of level.
    pub vibration: Vec<(f32, u32)>,
}

impl SessionRow {
    /// Whether it has a date, and one that can be.
    #[must_use]
    pub fn has_credible_date(&self) -> bool {
        self.start_utc.as_deref().and_then(store::millis).is_some_and(is_credible)
    }
}

/// One line of the list of sessions.
#[derive(Clone, Debug, PartialEq)]
pub struct ListedSession {
    /// SHA-256 of the recording, in hexadecimal.
    pub hash: String,
    /// The recording's name.
    pub file: String,
    /// RFC 3339; `None` where the recording has no wall clock.
    pub start_utc: Option<String>,
    /// Its tags.
    pub tags: BTreeMap<String, String>,
    /// Seconds with a level, of the link that has most.
    pub seconds: u64,
    /// Freezes of the picture that began in them.
    pub freezes: u64,
    /// Its place in the order in which sessions were added.
    pub place: i64,
    /// When it was added by this computer's clock, ms since 1970; `None` in a history of an older program.
    pub added_ms: Option<i64>,
}

impl ListedSession {
    /// Why its date cannot be trusted, where this computer's clock says `now_ms`; `None` also where it has no date.
    #[must_use]
    pub fn doubt(&self, now_ms: i64) -> Option<&'static str> {
        let start = self.start_utc.as_deref().and_then(store::millis)?;
        if !is_credible(start) {
            Some("before any recording of this kind could be")
        } else if start > now_ms {
            Some("later than this computer's clock")
        } else {
            self.added_ms.filter(|added| start > *added).map(|_| "later than when it was added")
        }
    }
}

/// The recording whose earlier sessions are asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Asking<'a> {
    /// SHA-256 of it, in hexadecimal, where it may be in the history itself ([`History::may_hold`]).
    pub hash: Option<&'a str>,
    /// When it began (RFC 3339); `None`: unknown.
    pub start_utc: Option<&'a str>,
}

/// Whether a recording may be from then.
const fn is_credible(start_ms: i64) -> bool {
    start_ms >= Nanos::OLDEST_DATE.0 / 1_000_000
}

/// Which sessions a threshold may rest on.
#[derive(Clone, Copy, Debug, Default)]
pub struct Choice<'a> {
    /// Sessions with exactly the equipment of these tags: all keys but [`NOT_EQUIPMENT`], where a key
    /// that only one of the two has is a difference. Not looked at where `like` is given.
    pub tags: Option<&'a BTreeMap<String, String>>,
    /// Sessions with all of these tags, whatever else they have.
    pub like: &'a [(String, String)],
    /// Only sessions earlier than this recording, and never itself: those that were added before it, where it is in
    /// the history, and those that began before it. A date that cannot be shows nothing: where the recording is not
    /// in the history, such sessions count, and all do if its own date is such a one. A session without any date
    /// counts by the order of adding alone.
    pub earlier_than: Option<Asking<'a>>,
}

/// The history, open.
#[derive(Debug)]
pub struct History {
    connection: Connection,
    path: PathBuf,
    set_aside: Option<PathBuf>,
}

impl History {
    /// Opens the history, and makes it and its folder where they are not there yet.
    pub fn open(path: &Path) -> Result<Self, HistoryError> {
        Self::open_within(path, Self::PATIENCE)
    }

    /// How long one process usually waits for another.
    pub const PATIENCE: Duration = Duration::from_secs(5);

    fn open_within(path: &Path, patience: Duration) -> Result<Self, HistoryError> {
        let (connection, set_aside) = schema::open(path, patience)?;
        Ok(Self { connection, path: path.to_owned(), set_aside })
    }

    /// Opens the history if there is one; waits so long for another process that holds it.
    pub fn open_existing(path: &Path, patience: Duration) -> Result<Option<Self>, HistoryError> {
        if path.exists() { Self::open_within(path, patience).map(Some) } else { Ok(None) }
    }

    /// Where the history is, unless told otherwise: the XDG data folder; `None` without a home.
    #[must_use]
    pub fn default_path() -> Option<PathBuf> {
        Some(xdg_folder("XDG_DATA_HOME", ".local/share")?.join("history.sqlite"))
    }

    /// Where a damaged history was moved to when this one was opened in its place: tell the pilot.
    #[must_use]
    pub fn set_aside(&self) -> Option<&Path> {
        self.set_aside.as_deref()
    }

    fn sqlite(&self) -> impl Fn(rusqlite::Error) -> HistoryError + '_ {
        |cause| HistoryError::Sqlite { path: self.path.display().to_string(), cause }
    }

    fn damaged(&self, what: &str) -> HistoryError {
        HistoryError::Damaged { path: self.path.display().to_string(), what: what.to_owned() }
    }
}

/// This program's folder in one of the XDG base directories: the variable's, else that one in the home folder. What is no
/// absolute path counts as not set, as the specification says.
pub(crate) fn xdg_folder(variable: &str, in_home: &str) -> Option<PathBuf> {
    let absolute = |name: &str| std::env::var_os(name).map(PathBuf::from).filter(|path| path.is_absolute());
    let base = absolute(variable).or_else(|| Some(absolute("HOME")?.join(in_home)))?;
    Some(base.join("fadewatch"))
}

/// The tags that say what equipment was used.
#[must_use]
pub fn equipment(tags: &BTreeMap<String, String>) -> BTreeMap<String, String> {
    let is_equipment = |key: &str| !NOT_EQUIPMENT.contains(&key);
    tags.iter()
        .filter(|(key, _)| is_equipment(key))
        .map(|(key, value)| (key.clone(), value.clone()))
        .collect()
}
