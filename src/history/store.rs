//! Adding, comparing, listing, showing and removing sessions.

use std::collections::BTreeMap;

use rusqlite::{Connection, OptionalExtension, Row, Transaction, TransactionBehavior, params};

use crate::clock::SessionClock;
use crate::judge::margin::{EvidenceSecond, FreezeEvidence};
use crate::units::LevelUnit;

use super::{History, HistoryError, ListedSession, SessionRow, blob, equipment};
use crate::judge::freeze_level::LevelCount;

pub(super) const SERIES_DAMAGED: &str = "a series of levels is not what was written";
/// The same of evidence.
pub(super) const EVIDENCE_DAMAGED: &str = "the evidence of a session is not what was written";
/// Asks for the vibration of sessions.
pub(super) const VIBRATION: &str = "SELECT counts, digest, session FROM vibration";

/// How a history compares with recordings, by the recordings' names.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Proof {
    /// Sessions that say what their recordings say.
    pub same: usize,
    /// Sessions that say something else.
    pub differ: Vec<String>,
    /// Sessions without a recording.
    pub without_recording: Vec<String>,
    /// Recordings without a session.
    pub new: Vec<String>,
}

impl Proof {
    /// Whether the history says all that the recordings say, and nothing else.
    #[must_use]
    pub const fn holds(&self) -> bool {
        self.differ.is_empty() && self.without_recording.is_empty() && self.new.is_empty()
    }
}

/// All but the summary, which of a live session holds the thresholds that it had then.
fn says_the_same(kept: &SessionRow, read: &SessionRow) -> bool {
    let link = |row: &SessionRow| {
        let mut links = row.evidence.clone();
        links.sort_by(|a, b| a.link.cmp(&b.link));
        links
    };
    kept.start_utc == read.start_utc
        && kept.tags == read.tags
        && kept.vibration == read.vibration
        && link(kept) == link(read)
}

/// So many characters of a hash are no slip of a finger.
const TELLING: usize = 8;

impl History {
    /// Adds a session; false, and nothing changes, where its recording is in the history already.
    pub fn add(&mut self, row: &SessionRow) -> Result<bool, HistoryError> {
        self.write(|transaction| insert(transaction, row))
    }

    /// All of it is written, or nothing.
    fn write<T>(
        &mut self,
        act: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<T>,
    ) -> Result<T, HistoryError> {
        let path = self.path.display().to_string();
        let written = || {
            let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let done = act(&transaction)?;
            transaction.commit().map(|()| done)
        };
        written().map_err(|cause| HistoryError::Sqlite { path, cause })
    }

    /// Forgets all sessions and keeps these instead, all at once or not at all.
    pub fn replace_all(&mut self, rows: &[SessionRow]) -> Result<usize, HistoryError> {
        self.write(|transaction| {
            transaction.execute("DELETE FROM session", [])?;
            let mut added = 0;
            for row in rows {
                added += usize::from(insert(transaction, row)?);
            }
            Ok(added)
        })
    }

    /// How these rows, read from recordings, compare with what the history keeps.
    pub fn compare(&self, rows: &[SessionRow]) -> Result<Proof, HistoryError> {
        let mut proof = Proof::default();
        let kept = self.list()?;
        for row in rows {
            if !kept.iter().any(|session| session.hash == row.hash) {
                proof.new.push(row.file.clone());
            } else if says_the_same(&self.show(&row.hash)?, row) {
                proof.same += 1;
            } else {
                proof.differ.push(row.file.clone());
            }
        }
        let gone = kept.into_iter().filter(|session| rows.iter().all(|row| row.hash != session.hash));
        proof.without_recording = gone.map(|session| session.file).collect();
        Ok(proof)
    }

    /// All sessions in the order of their start, those of unknown start last.
    pub fn list(&self) -> Result<Vec<ListedSession>, HistoryError> {
        let list = || -> rusqlite::Result<Vec<(ListedSession, String)>> {
            let mut statement = self.connection.prepare(
                "SELECT hash, file, start_utc, tags, coalesce(max(seconds), 0),
                        coalesce(sum(CASE WHEN source IN ('rtp', 'marks') THEN freezes END), 0), id, added_ms
                 FROM session LEFT JOIN evidence ON session = id
                 GROUP BY id ORDER BY start_ms IS NULL, start_ms, hash",
            )?;
            let rows = statement.query_map([], |row| {
                let session = ListedSession {
                    hash: row.get(0)?,
                    file: row.get(1)?,
                    start_utc: row.get(2)?,
                    tags: BTreeMap::new(),
                    seconds: row.get::<_, i64>(4)?.unsigned_abs(),
                    freezes: row.get::<_, i64>(5)?.unsigned_abs(),
                    place: row.get(6)?,
                    added_ms: row.get(7)?,
                };
                Ok((session, row.get(3)?))
            })?;
            rows.collect()
        };
        let rows = list().map_err(self.sqlite())?;
        rows.into_iter()
            .map(|(session, tags)| Ok(ListedSession { tags: self.tags(&tags)?, ..session }))
            .collect()
    }

    /// The equipment of all sessions, each once.
    pub fn equipments(&self) -> Result<Vec<BTreeMap<String, String>>, HistoryError> {
        let read = || -> rusqlite::Result<Vec<String>> {
            let mut statement = self.connection.prepare("SELECT DISTINCT tags FROM session ORDER BY tags")?;
            statement.query_map([], |row| row.get(0))?.collect()
        };
        let sets = read().map_err(self.sqlite())?;
        let mut all =
            sets.iter().map(|json| Ok(equipment(&self.tags(json)?))).collect::<Result<Vec<_>, _>>()?;
        all.sort();
        all.dedup();
        Ok(all)
    }

    /// One session with all that is kept of it, by the first characters of its hash.
    pub fn show(&self, prefix: &str) -> Result<SessionRow, HistoryError> {
        type Detail = (String, Option<String>, String, String, Option<Vec<u8>>, Option<i64>);
        let (id, hash) = self.find(prefix)?;
        let read = || -> rusqlite::Result<Detail> {
            self.connection.query_row(
                "SELECT file, start_utc, tags, summary, detail.digest, links
                 FROM session JOIN detail ON session = id WHERE id = ?",
                [id],
                |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?, row.get(5)?)),
            )
        };
        let (file, start_utc, tags, summary, digest, links) = read().map_err(self.sqlite())?;
        if digest.is_some_and(|digest| digest != blob::digest(&[summary.as_bytes()])) {
            return Err(self.damaged("the summary of a session is not what was written"));
        }
        let evidence = self.evidence((id, &hash))?;
        if links.is_some_and(|links| usize::try_from(links) != Ok(evidence.len())) {
            return Err(self.damaged(EVIDENCE_DAMAGED));
        }
        let mut vibration = Vec::new();
        self.each_row(&format!("{VIBRATION} WHERE session = {id}"), |row| {
            vibration = self.vibration(row)?;
            Ok(())
        })?;
        Ok(SessionRow { hash, file, start_utc, tags: self.tags(&tags)?, summary, evidence, vibration })
    }

    /// Forgets one session, by the first characters of its hash, at least [`TELLING`]; gives the whole hash.
    pub fn remove(&mut self, prefix: &str) -> Result<String, HistoryError> {
        let (id, hash) = self.find(prefix)?;
        if prefix.len() < TELLING {
            return Err(HistoryError::TooShort { prefix: prefix.to_owned(), needed: TELLING });
        }
        self.connection.execute("DELETE FROM session WHERE id = ?", [id]).map_err(self.sqlite())?;
        Ok(hash)
    }

    /// Looks at each row of a question.
    pub(super) fn each_row(
        &self,
        question: &str,
        mut look: impl FnMut(&Row<'_>) -> Result<(), HistoryError>,
    ) -> Result<(), HistoryError> {
        let mut statement = self.connection.prepare(question).map_err(self.sqlite())?;
        let mut rows = statement.query([]).map_err(self.sqlite())?;
        while let Some(row) = rows.next().map_err(self.sqlite())? {
            look(row)?;
        }
        Ok(())
    }

    /// A session's vibration, of a row that begins as [`VIBRATION`] asks.
    pub(super) fn vibration(&self, row: &Row<'_>) -> Result<Vec<(f32, u32)>, HistoryError> {
        let bytes =
            |column| row.get_ref(column).and_then(|value| Ok(value.as_blob()?)).map_err(self.sqlite());
        let (bytes, digest) = (bytes(0)?, bytes(1)?);
        let counts = blob::read_counts(bytes).filter(|_| blob::digest(&[bytes]) == digest);
        let counts =
            counts.ok_or_else(|| self.damaged("the vibration of a session is not what was written"))?;
        Ok(counts.iter().map(|count| (count.level, count.seconds)).collect())
    }

    /// A link's seconds in one session.
    pub(super) fn series(
        &self,
        (session, hash): (i64, &str),
        link: &str,
    ) -> Result<Option<Vec<EvidenceSecond>>, HistoryError> {
        let read: Option<(Vec<u8>, Option<Vec<u8>>)> = self
            .connection
            .query_row(
                "SELECT seconds, digest FROM series WHERE session = ? AND link = ?",
                params![session, link],
                |row| Ok((row.get(0)?, row.get(1)?)),
            )
            .optional()
            .map_err(self.sqlite())?;
        let Some((bytes, digest)) = read else { return Ok(None) };
        let is_whole = digest.is_none_or(|digest| digest == blob::digest(&series_parts(hash, link, &bytes)));
        let seconds = blob::read_seconds(&bytes).filter(|_| is_whole);
        seconds.map(Some).ok_or_else(|| self.damaged(SERIES_DAMAGED))
    }

    fn evidence(&self, session: (i64, &str)) -> Result<Vec<FreezeEvidence>, HistoryError> {
        type Kept = (String, String, String, i64, Vec<u8>, Vec<u8>);
        let read = || -> rusqlite::Result<Vec<Kept>> {
            let mut statement = self.connection.prepare(
                "SELECT link, unit, source, left_out, counts, digest FROM evidence
                 WHERE session = ? ORDER BY link",
            )?;
            let row = |row: &rusqlite::Row<'_>| {
                Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?, row.get(5)?))
            };
            statement.query_map([session.0], row)?.collect()
        };
        let mut evidence = Vec::new();
        for (link, unit, source, left_out, counts, digest) in read().map_err(self.sqlite())? {
            if digest != blob::digest(&evidence_parts(&link, &unit, &source, &counts)) {
                return Err(self.damaged(EVIDENCE_DAMAGED));
            }
            let unit = if unit == unit_word(LevelUnit::Dbm) { LevelUnit::Dbm } else { LevelUnit::Raw };
            let seconds = self.series(session, &link)?.ok_or_else(|| self.damaged(SERIES_DAMAGED))?;
            let left_out = u32::try_from(left_out).unwrap_or(0);
            evidence.push(FreezeEvidence { link, unit, source, seconds, left_out });
        }
        Ok(evidence)
    }

    fn find(&self, prefix: &str) -> Result<(i64, String), HistoryError> {
        let read = || -> rusqlite::Result<Vec<(i64, String)>> {
            let mut statement =
                self.connection.prepare("SELECT id, hash FROM session WHERE substr(hash, 1, ?) = ?")?;
            statement
                .query_map(params![prefix.len() as i64, prefix.to_ascii_lowercase()], |row| {
                    Ok((row.get(0)?, row.get(1)?))
                })?
                .collect()
        };
        let mut found = read().map_err(self.sqlite())?;
        match (found.len(), found.pop()) {
            (1, Some(only)) if !prefix.is_empty() => Ok(only),
            (0, _) => Err(HistoryError::Unknown(prefix.to_owned())),
            (count, _) => Err(HistoryError::Ambiguous { prefix: prefix.to_owned(), count }),
        }
    }

    pub(super) fn tags(&self, json: &str) -> Result<BTreeMap<String, String>, HistoryError> {
        serde_json::from_str(json).map_err(|_| self.damaged("the tags of a session are not what was written"))
    }
}

fn insert(transaction: &Transaction<'_>, row: &SessionRow) -> rusqlite::Result<bool> {
    let connection: &Connection = transaction;
    let tags = serde_json::to_string(&row.tags)
        .map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.into()))?;
    let start_utc = row.start_utc.as_deref();
    let digest = blob::digest(&session_parts(&row.hash, start_utc, &tags));
    let added = connection.execute(
        "INSERT INTO session (hash, file, start_utc, start_ms, tags, digest, added_ms, links)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?)
         ON CONFLICT (hash) DO NOTHING",
        params![
            row.hash,
            row.file,
            start_utc,
            start_utc.and_then(millis),
            tags,
            digest,
            now_ms(),
            row.evidence.len() as i64
        ],
    )?;
    if added == 0 {
        return Ok(false);
    }
    let id = connection.last_insert_rowid();
    connection.execute(
        "INSERT INTO detail (session, summary, digest) VALUES (?, ?, ?)",
        params![id, row.summary, blob::digest(&[row.summary.as_bytes()])],
    )?;
    if !row.vibration.is_empty() {
        let count = |&(level, seconds): &(f32, u32)| LevelCount { level, seconds, freezes: 0 };
        let counts = blob::write_counts(&row.vibration.iter().map(count).collect::<Vec<_>>());
        connection.execute(
            "INSERT INTO vibration (session, counts, digest) VALUES (?, ?, ?)",
            params![id, counts, blob::digest(&[&counts])],
        )?;
    }
    for evidence in &row.evidence {
        let unit = unit_word(evidence.unit);
        let counts = blob::write_counts(&blob::counts_of(&evidence.seconds));
        let digest = blob::digest(&evidence_parts(&evidence.link, unit, &evidence.source, &counts));
        let freezes = evidence.seconds.iter().filter(|second| second.freeze_began).count();
        connection.execute(
            "INSERT INTO evidence (session, link, unit, source, seconds, freezes, left_out, counts, digest)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            params![
                id,
                evidence.link,
                unit,
                evidence.source,
                evidence.seconds.len() as i64,
                freezes as i64,
                evidence.left_out,
                counts,
                digest
            ],
        )?;
        let seconds = blob::write_seconds(&evidence.seconds);
        connection.execute(
            "INSERT INTO series (session, link, seconds, digest) VALUES (?, ?, ?, ?)",
            params![
                id,
                evidence.link,
                seconds,
                blob::digest(&series_parts(&row.hash, &evidence.link, &seconds))
            ],
        )?;
    }
    Ok(true)
}

/// What the digest of a session covers.
pub(super) fn session_parts<'a>(hash: &'a str, start_utc: Option<&'a str>, tags: &'a str) -> [&'a [u8]; 3] {
    [hash.as_bytes(), start_utc.unwrap_or_default().as_bytes(), tags.as_bytes()]
}

/// What the digest of a series covers: whose it is too, since a damaged index may find another's.
fn series_parts<'a>(hash: &'a str, link: &'a str, seconds: &'a [u8]) -> [&'a [u8]; 3] {
    [hash.as_bytes(), link.as_bytes(), seconds]
}

/// What the digest of evidence covers.
pub(super) fn evidence_parts<'a>(
    link: &'a str,
    unit: &'a str,
    source: &'a str,
    counts: &'a [u8],
) -> [&'a [u8]; 4] {
    [link.as_bytes(), unit.as_bytes(), source.as_bytes(), counts]
}

pub(super) const fn unit_word(unit: LevelUnit) -> &'static str {
    match unit {
        LevelUnit::Dbm => "dbm",
        LevelUnit::Raw => "raw",
    }
}

/// This computer's clock: says when a session was added, and bears on no figure.
fn now_ms() -> i64 {
    SessionClock::start().now().0 / 1_000_000
}

/// RFC 3339 as milliseconds since 1970.
pub(super) fn millis(stamp: &str) -> Option<i64> {
    stamp.parse::<jiff::Timestamp>().ok().map(jiff::Timestamp::as_millisecond)
}
