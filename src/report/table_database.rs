//! Tables of any number of sessions in one SQLite file, each session once, by the hash of its recording.
//!
//! Tables as `session_tables` has them, with the number of their session before the columns; `session` and `tag` say which
//! it is. An addition is one transaction. The file is this user's alone.

use std::collections::HashSet;
use std::fs::OpenOptions;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::Path;

use anyhow::{Context as _, ensure};
use rusqlite::types::{ToSqlOutput, Value};
use rusqlite::{Connection, ToSql, params, params_from_iter};

use super::table::{Cell, Table};
use crate::summary::Summary;

/// "FWex", so that no other database is taken for one of these.
const APPLICATION: i64 = 0x4657_6578;
/// Of the tables below.
const SCHEMA: i64 = 2;

impl ToSql for Cell {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(ToSqlOutput::Owned(match self {
            Self::Absent => Value::Null,
            Self::Number(number) => Value::Real(*number),
            Self::Count(count) => Value::Integer(*count as i64),
            Self::Flag(flag) => Value::Integer(i64::from(*flag)),
            Self::Text(text) => Value::Text(text.clone()),
        }))
    }
}

/// The file, open.
#[derive(Debug)]
pub struct TableDatabase(Connection);

impl TableDatabase {
    /// Opens it, or makes it where there is none; a database of something else is an error, and stays as it is.
    pub fn open(path: &Path) -> anyhow::Result<Self> {
        let tried = || format!("cannot use the database '{}'", path.display());
        let made = OpenOptions::new().read(true).append(true).create(true).mode(0o600).open(path);
        let is_new = made.and_then(|file| file.metadata()).with_context(tried)?.len() == 0;
        let connection = Connection::open(path).with_context(tried)?;
        connection.busy_timeout(std::time::Duration::from_secs(5))?;
        if is_new {
            connection
                .execute_batch(&format!(
                    "PRAGMA application_id = {APPLICATION}; PRAGMA user_version = {SCHEMA};
                     CREATE TABLE IF NOT EXISTS session (id INTEGER PRIMARY KEY, hash TEXT NOT NULL UNIQUE,
                         file TEXT NOT NULL, start_utc TEXT, duration_s REAL NOT NULL, summary TEXT NOT NULL);
                     CREATE TABLE IF NOT EXISTS tag (session INTEGER NOT NULL REFERENCES session (id),
                         key TEXT NOT NULL, value TEXT NOT NULL, PRIMARY KEY (session, key));"
                ))
                .with_context(tried)?;
        }
        let asked =
            |name: &str| connection.query_row(&format!("PRAGMA {name}"), [], |row| row.get::<_, i64>(0));
        let found =
            (asked("application_id").with_context(tried)?, asked("user_version").with_context(tried)?);
        ensure!(
            found.0 == APPLICATION,
            "'{}' is a database of something else: name another file; this one stays as it is",
            path.display()
        );
        ensure!(found.1 == SCHEMA, "'{}' was made by another fadewatch: name another file", path.display());
        Ok(Self(connection))
    }

    /// The recordings that are in it.
    pub fn hashes(&self) -> anyhow::Result<HashSet<String>> {
        let mut statement = self.0.prepare("SELECT hash FROM session")?;
        let hashes = statement.query_map([], |row| row.get(0))?;
        Ok(hashes.collect::<rusqlite::Result<_>>()?)
    }

    /// Adds a session; false, and nothing changes, where its recording is in it already.
    pub fn add(&mut self, hash: &str, summary: &Summary, tables: &[Table]) -> anyhow::Result<bool> {
        let transaction = self.0.transaction()?;
        let recording = &summary.recording;
        let json = serde_json::to_string(summary)?;
        let added = transaction.execute(
            "INSERT OR IGNORE INTO session (hash, file, start_utc, duration_s, summary) VALUES (?, ?, ?, ?, ?)",
            params![hash, recording.file, recording.start_utc, recording.duration_s, json],
        )?;
        if added == 0 {
            return Ok(false);
        }
        let session = transaction.last_insert_rowid();
        for (key, value) in &recording.tags {
            transaction.execute("INSERT INTO tag VALUES (?, ?, ?)", params![session, key, value])?;
        }
        for Table { name, columns, rows } in tables {
            let named: Vec<String> = columns.iter().map(|column| format!("\"{column}\"")).collect();
            transaction.execute_batch(&format!(
                "CREATE TABLE IF NOT EXISTS \"{name}\"
                     (session INTEGER NOT NULL REFERENCES session (id), {});
                 CREATE INDEX IF NOT EXISTS \"{name}_of\" ON \"{name}\" (session);",
                named.join(", ")
            ))?;
            let places = ", ?".repeat(columns.len());
            let mut insert = transaction.prepare(&format!("INSERT INTO \"{name}\" VALUES (?{places})"))?;
            for row in rows {
                let session = Cell::Count(session as u64);
                insert.execute(params_from_iter(std::iter::once(&session).chain(row)))?;
            }
        }
        transaction.commit()?;
        Ok(true)
    }
}
