//! The file: its tables, its migrations, and what is done with a damaged one.
//!
//! What the threshold reads at every start is small and has its own tables (`session`, `evidence`, `vibration`),
//! which are checked when the file is opened; summaries and whole series (`detail`, `series`) are
//! read on demand.

use std::fs;
use std::fs::File;
use std::io;
use std::io::{ErrorKind, Read};
use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, ErrorCode, TransactionBehavior};

use crate::capture::plain_kind;

use super::HistoryError;

/// Steps from one version to the next; the file's `user_version` says how many it has taken.
const MIGRATIONS: [&str; 4] = [
    "
CREATE TABLE session (
    id INTEGER PRIMARY KEY,
    hash TEXT NOT NULL UNIQUE,
    file TEXT NOT NULL,
    start_utc TEXT,
    start_ms INTEGER,
    tags TEXT NOT NULL
) STRICT;
CREATE TABLE detail (
    session INTEGER PRIMARY KEY REFERENCES session (id) ON DELETE CASCADE,
    summary TEXT NOT NULL
) STRICT;
CREATE TABLE evidence (
    session INTEGER NOT NULL REFERENCES session (id) ON DELETE CASCADE,
    link TEXT NOT NULL,
    unit TEXT NOT NULL,
    source TEXT NOT NULL,
    seconds INTEGER NOT NULL,
    freezes INTEGER NOT NULL,
    counts BLOB NOT NULL,
    digest BLOB NOT NULL,
    PRIMARY KEY (session, link)
) STRICT;
CREATE TABLE series (
    session INTEGER NOT NULL REFERENCES session (id) ON DELETE CASCADE,
    link TEXT NOT NULL,
    seconds BLOB NOT NULL,
    PRIMARY KEY (session, link)
) STRICT;
",
    // Vibration of earlier sessions, freezes that were left out, and digests of what had none; sessions
    // that were there before have none of them until the history is rebuilt.
    "
ALTER TABLE session ADD COLUMN digest BLOB;
ALTER TABLE detail ADD COLUMN digest BLOB;
ALTER TABLE evidence ADD COLUMN left_out INTEGER NOT NULL DEFAULT 0;
CREATE TABLE vibration (
    session INTEGER PRIMARY KEY REFERENCES session (id) ON DELETE CASCADE,
    counts BLOB NOT NULL,
    digest BLOB NOT NULL
) STRICT;
",
    // When a session was added, by the clock of then; the order of adding is that of the ids.
    "
ALTER TABLE session ADD COLUMN added_ms INTEGER;
",
    // A digest of each series, and how many links a session has evidence of; those that were there before have neither.
    "
ALTER TABLE series ADD COLUMN digest BLOB;
ALTER TABLE session ADD COLUMN links INTEGER;
",
];

/// What the check at the opening reads stays for the questions that follow; SQLite takes less than zero as KiB.
const CACHE_KIB: i32 = -16_384;
const MOST_SET_ASIDE: u32 = 1000;
/// Bytes that tell what else a file may be.
const BEGIN: u64 = 4096;

/// Opens the file; gives also the new name of a damaged one that was in its place.
pub(super) fn open(path: &Path, patience: Duration) -> Result<(Connection, Option<PathBuf>), HistoryError> {
    let file_error = |cause| HistoryError::File { path: path.display().to_string(), cause };
    if let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
        fs::DirBuilder::new().recursive(true).mode(0o700).create(folder).map_err(file_error)?;
    }
    match connect(path, patience) {
        Err(HistoryError::Sqlite { cause, .. }) if is_damage(&cause) => {}
        Err(HistoryError::Damaged { .. }) => {}
        other => return other.map(|connection| (connection, None)),
    }
    if let Some(what) = foreign(path).map_err(file_error)? {
        return Err(HistoryError::Foreign { path: path.display().to_string(), what });
    }
    let aside = set_aside(path, patience).map_err(file_error)?;
    connect(path, patience).map(|connection| (connection, aside))
}

fn connect(path: &Path, patience: Duration) -> Result<Connection, HistoryError> {
    let sqlite = |cause| HistoryError::Sqlite { path: path.display().to_string(), cause };
    // For this user alone, its log too: SQLite gives that the same rights.
    if path != Path::new(":memory:") {
        let made = fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(path);
        if let Err(cause) = made
            && cause.kind() != ErrorKind::AlreadyExists
        {
            return Err(HistoryError::File { path: path.display().to_string(), cause });
        }
    }
    let mut connection = Connection::open(path).map_err(sqlite)?;
    connection.busy_timeout(patience).map_err(sqlite)?;
    connection.pragma_update(None, "foreign_keys", true).map_err(sqlite)?;
    connection.pragma_update(None, "cache_size", CACHE_KIB).map_err(sqlite)?;
    write_ahead(&connection, patience).map_err(sqlite)?;
    let newest = i64::try_from(MIGRATIONS.len()).unwrap_or(i64::MAX);
    let version = migrate(&mut connection).map_err(sqlite)?;
    if version > newest {
        return Err(HistoryError::Newer { path: path.display().to_string() });
    }
    for table in ["session", "evidence", "vibration"] {
        let word: String = connection
            .query_row(&format!("PRAGMA quick_check('{table}')"), [], |row| row.get(0))
            .map_err(sqlite)?;
        if word != "ok" {
            return Err(HistoryError::Damaged { path: path.display().to_string(), what: word });
        }
    }
    Ok(connection)
}

/// Turns on the write-ahead log. Two processes that do so at the same moment may disturb each
/// other in spite of the patience, so try again.
fn write_ahead(connection: &Connection, patience: Duration) -> rusqlite::Result<()> {
    // Each may wait for as long as the patience.
    let tries = if patience < Duration::from_secs(1) { 2 } else { 50 };
    let mut result = Ok(());
    for _ in 0..tries {
        let mode = connection.pragma_query_value(None, "journal_mode", |row| row.get::<_, String>(0));
        result = match mode {
            Ok(mode) if mode == "wal" => return Ok(()),
            Ok(_) => connection.pragma_update_and_check(None, "journal_mode", "wal", |_| Ok(())),
            Err(error) => Err(error),
        };
        match &result {
            Err(error) if error.sqlite_error_code() == Some(ErrorCode::DatabaseBusy) => {
                std::thread::sleep(Duration::from_millis(20));
            }
            // A file that cannot be written can still be read.
            Err(error) if error.sqlite_error_code() == Some(ErrorCode::ReadOnly) => return Ok(()),
            _ => return result,
        }
    }
    result
}

/// Takes the steps that are missing; gives the version that the file then has.
fn migrate(connection: &mut Connection) -> rusqlite::Result<i64> {
    let version = |connection: &Connection| {
        connection.pragma_query_value(None, "user_version", |row| row.get::<_, i64>(0))
    };
    let newest = MIGRATIONS.len() as i64;
    let found = version(connection)?;
    if found >= newest {
        return Ok(found);
    }
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    // Another process may have been first.
    let found = version(&transaction)?;
    for step in MIGRATIONS.iter().skip(usize::try_from(found).unwrap_or(0)) {
        transaction.execute_batch(step)?;
    }
    transaction.pragma_update(None, "user_version", newest)?;
    transaction.commit()?;
    Ok(newest.max(found))
}

/// Whether an error says that the file itself is bad, not that it is busy or out of reach.
pub(super) fn is_damage(error: &rusqlite::Error) -> bool {
    matches!(error.sqlite_error_code(), Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase))
}

/// What a file plainly is, where it never was a history: a damaged one is neither a capture nor text.
fn foreign(path: &Path) -> io::Result<Option<&'static str>> {
    let mut begin = Vec::new();
    File::open(path)?.take(BEGIN).read_to_end(&mut begin)?;
    Ok(plain_kind(&begin))
}

/// Moves a damaged file, with its log, to a free name beside it. `None`: another process did so already.
fn set_aside(path: &Path, patience: Duration) -> io::Result<Option<PathBuf>> {
    let held = File::open(path)?;
    held.lock()?;
    match connect(path, patience) {
        Err(HistoryError::Sqlite { cause, .. }) if is_damage(&cause) => {}
        Err(HistoryError::Damaged { .. }) => {}
        _ => return Ok(None),
    }
    let named = |suffix: &str| {
        let mut name = path.as_os_str().to_owned();
        name.push(suffix);
        PathBuf::from(name)
    };
    let free = (1..=MOST_SET_ASIDE)
        .map(|number| format!(".damaged-{number}"))
        .find(|suffix| !named(suffix).exists());
    let suffix = free.ok_or_else(|| io::Error::other("too many damaged files beside it"))?;
    for log in ["-wal", "-shm"] {
        if named(log).exists() {
            fs::rename(named(log), named(&format!("{suffix}{log}")))?;
        }
    }
    fs::rename(path, named(&suffix))?;
    Ok(Some(named(&suffix)))
}
