//! Adding, listing, showing and removing sessions; the thresholds from those that fit.

use std::collections::BTreeMap;

use rusqlite::{Connection, OptionalExtension, Transaction, TransactionBehavior, params};

use crate::link::metrics::margin::{EvidenceSecond, FreezeEvidence};
use crate::profile::Profile;
use crate::summary::Threshold;
use crate::units::LevelUnit;

use super::threshold::{self, Estimate, LevelCount};
use super::{Choice, History, HistoryError, ListedSession, SessionRow, blob, equipment};

/// Fewer freezes than this are no reason to prefer RTP over marks.
const ENOUGH_FREEZES: u64 = 5;

/// A link's threshold with the sessions behind it.
#[derive(Clone, Debug)]
pub struct LinkThreshold {
    /// As in the summary.
    pub threshold: Threshold,
    /// How it was found.
    pub estimate: Estimate,
    /// `rtp` or `marks`.
    pub source: String,
    /// Hash and start of each session, in the order of the estimate's sessions.
    pub sessions: Vec<(String, Option<String>)>,
}

/// What one session says of one link, as far as the threshold needs it.
struct Say {
    session: i64,
    hash: String,
    start_utc: Option<String>,
    source: String,
    freezes: u64,
    counts: Vec<LevelCount>,
}

impl History {
    /// Adds a session; false, and nothing changes, where its recording is in the history already.
    pub fn add(&mut self, row: &SessionRow) -> Result<bool, HistoryError> {
        let path = self.path.display().to_string();
        let sqlite = |source| HistoryError::Sqlite { path: path.clone(), source };
        let transaction =
            self.connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(sqlite)?;
        let added = insert(&transaction, row).map_err(sqlite)?;
        transaction.commit().map_err(sqlite)?;
        Ok(added)
    }

    /// Forgets all sessions and keeps these instead, all at once or not at all.
    pub fn replace_all(&mut self, rows: &[SessionRow]) -> Result<usize, HistoryError> {
        let path = self.path.display().to_string();
        let sqlite = |source| HistoryError::Sqlite { path: path.clone(), source };
        let transaction =
            self.connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(sqlite)?;
        transaction.execute("DELETE FROM session", []).map_err(sqlite)?;
        let mut added = 0;
        for row in rows {
            added += usize::from(insert(&transaction, row).map_err(sqlite)?);
        }
        transaction.commit().map_err(sqlite)?;
        Ok(added)
    }

    /// All sessions in the order of their start, those of unknown start last.
    pub fn list(&self) -> Result<Vec<ListedSession>, HistoryError> {
        let list = || -> rusqlite::Result<Vec<(ListedSession, String)>> {
            let mut statement = self.connection.prepare(
                "SELECT hash, file, start_utc, tags, coalesce(sum(seconds), 0), coalesce(sum(freezes), 0)
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

    /// One session with all that is kept of it, by the first characters of its hash.
    pub fn show(&self, prefix: &str) -> Result<SessionRow, HistoryError> {
        let (id, hash) = self.find(prefix)?;
        let read = || -> rusqlite::Result<(String, Option<String>, String, String)> {
            self.connection.query_row(
                "SELECT file, start_utc, tags, summary FROM session JOIN detail ON session = id WHERE id = ?",
                [id],
                |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)),
            )
        };
        let (file, start_utc, tags, summary) = read().map_err(self.sqlite())?;
        let evidence = self.evidence(id)?;
        Ok(SessionRow { hash, file, start_utc, tags: self.tags(&tags)?, summary, evidence })
    }

    /// Forgets one session, by the first characters of its hash; gives the whole hash.
    pub fn remove(&mut self, prefix: &str) -> Result<String, HistoryError> {
        let (id, hash) = self.find(prefix)?;
        self.connection.execute("DELETE FROM session WHERE id = ?", [id]).map_err(self.sqlite())?;
        Ok(hash)
    }

    /// The threshold of each link of the profile, in its order, from the sessions of this choice.
    pub fn thresholds(&self, profile: &Profile, choice: &Choice<'_>) -> Result<Vec<Threshold>, HistoryError> {
        let all = self.link_thresholds(profile, choice)?;
        Ok(all.into_iter().map(|link| link.threshold).collect())
    }

    /// The same, with the sessions behind them.
    pub fn link_thresholds(
        &self,
        profile: &Profile,
        choice: &Choice<'_>,
    ) -> Result<Vec<LinkThreshold>, HistoryError> {
        let chosen = self.chosen(choice)?;
        let mut found = Vec::new();
        for link in &profile.link {
            let says = one_source(self.says(&link.name, link.unit(), &chosen)?);
            let Some(source) = says.first().map(|say| say.source.clone()) else { continue };
            let series = match says.as_slice() {
                [only] => self.series(only.session, &link.name)?,
                _ => None,
            };
            let counts: Vec<Vec<LevelCount>> = says.iter().map(|say| say.counts.clone()).collect();
            let Some(estimate) = threshold::estimate(&counts, series.as_deref()) else { continue };
            let threshold = Threshold {
                link: link.name.clone(),
                unit: link.unit(),
                level_p50: estimate.level_p50,
                level_p05: estimate.level_p05,
                level_p05_ci95: estimate.level_p05_ci95,
                base: estimate.base,
                sessions: says.len() as u64,
                freezes: u64::from(estimate.freezes),
                method: estimate.method.word().to_owned(),
            };
            let sessions = says.into_iter().map(|say| (say.hash, say.start_utc)).collect();
            found.push(LinkThreshold { threshold, estimate, source, sessions });
        }
        Ok(found)
    }

    /// Ids of the sessions of a choice.
    fn chosen(&self, choice: &Choice<'_>) -> Result<Vec<(i64, String, Option<String>)>, HistoryError> {
        type Row = (i64, String, Option<String>, Option<i64>, String);
        let before = choice.before.and_then(millis);
        let read = || -> rusqlite::Result<Vec<Row>> {
            let mut statement = self.connection.prepare(
                "SELECT id, hash, start_utc, start_ms, tags FROM session
                 ORDER BY start_ms IS NULL, start_ms, hash",
            )?;
            let row = |row: &rusqlite::Row<'_>| {
                Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?))
            };
            statement.query_map([], row)?.collect()
        };
        let wanted = choice.tags.map(equipment);
        let mut chosen = Vec::new();
        for (id, hash, start_utc, start_ms, tags) in read().map_err(self.sqlite())? {
            let earlier = before.is_none_or(|before| start_ms.is_some_and(|start| start < before));
            if !earlier || choice.except == Some(hash.as_str()) {
                continue;
            }
            let tags = self.tags(&tags)?;
            let fits = if choice.like.is_empty() {
                wanted.as_ref().is_none_or(|wanted| *wanted == equipment(&tags))
            } else {
                choice.like.iter().all(|(key, value)| tags.get(key) == Some(value))
            };
            if fits {
                chosen.push((id, hash, start_utc));
            }
        }
        Ok(chosen)
    }

    /// What the chosen sessions say of a link, in their order.
    fn says(
        &self,
        link: &str,
        unit: LevelUnit,
        chosen: &[(i64, String, Option<String>)],
    ) -> Result<Vec<Say>, HistoryError> {
        type Row = (String, i64, Vec<u8>, Vec<u8>);
        let mut says = Vec::new();
        let mut statement = self
            .connection
            .prepare(
                "SELECT source, freezes, counts, digest FROM evidence
                 WHERE session = ? AND link = ? AND unit = ?",
            )
            .map_err(self.sqlite())?;
        let unit = unit_word(unit);
        for (session, hash, start_utc) in chosen {
            let found: Option<Row> = statement
                .query_row(params![session, link, unit], |row| {
                    Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?))
                })
                .optional()
                .map_err(self.sqlite())?;
            let Some((source, freezes, bytes, digest)) = found else { continue };
            let whole = blob::digest(link, unit, &source, &bytes) == digest;
            let counts = blob::read_counts(&bytes).filter(|_| whole);
            let counts =
                counts.ok_or_else(|| self.damaged("the evidence of a session is not what was written"))?;
            says.push(Say {
                session: *session,
                hash: hash.clone(),
                start_utc: start_utc.clone(),
                source,
                freezes: freezes.unsigned_abs(),
                counts,
            });
        }
        Ok(says)
    }

    fn series(&self, session: i64, link: &str) -> Result<Option<Vec<EvidenceSecond>>, HistoryError> {
        let bytes: Option<Vec<u8>> = self
            .connection
            .query_row(
                "SELECT seconds FROM series WHERE session = ? AND link = ?",
                params![session, link],
                |row| row.get(0),
            )
            .optional()
            .map_err(self.sqlite())?;
        let Some(bytes) = bytes else { return Ok(None) };
        blob::read_seconds(&bytes)
            .map(Some)
            .ok_or_else(|| self.damaged("a series of levels is not what was written"))
    }

    fn evidence(&self, session: i64) -> Result<Vec<FreezeEvidence>, HistoryError> {
        let read = || -> rusqlite::Result<Vec<(String, String, String)>> {
            let mut statement = self
                .connection
                .prepare("SELECT link, unit, source FROM evidence WHERE session = ? ORDER BY link")?;
            statement.query_map([session], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?.collect()
        };
        let mut evidence = Vec::new();
        for (link, unit, source) in read().map_err(self.sqlite())? {
            let unit = if unit == unit_word(LevelUnit::Dbm) { LevelUnit::Dbm } else { LevelUnit::Raw };
            let seconds = self.series(session, &link)?.unwrap_or_default();
            evidence.push(FreezeEvidence { link, unit, source, seconds });
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

    fn tags(&self, json: &str) -> Result<BTreeMap<String, String>, HistoryError> {
        serde_json::from_str(json).map_err(|_| self.damaged("the tags of a session are not what was written"))
    }
}

fn insert(transaction: &Transaction<'_>, row: &SessionRow) -> rusqlite::Result<bool> {
    let connection: &Connection = transaction;
    let tags = serde_json::to_string(&row.tags)
        .map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.into()))?;
    let added = connection.execute(
        "INSERT INTO session (hash, file, start_utc, start_ms, tags) VALUES (?, ?, ?, ?, ?)
         ON CONFLICT (hash) DO NOTHING",
        params![row.hash, row.file, row.start_utc, row.start_utc.as_deref().and_then(millis), tags],
    )?;
    if added == 0 {
        return Ok(false);
    }
    let id = connection.last_insert_rowid();
    connection.execute("INSERT INTO detail (session, summary) VALUES (?, ?)", params![id, row.summary])?;
    for evidence in &row.evidence {
        let unit = unit_word(evidence.unit);
        let counts = blob::write_counts(&blob::counts_of(&evidence.seconds));
        let digest = blob::digest(&evidence.link, unit, &evidence.source, &counts);
        let freezes = evidence.seconds.iter().filter(|second| second.freeze_began).count();
        connection.execute(
            "INSERT INTO evidence (session, link, unit, source, seconds, freezes, counts, digest)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            params![
                id,
                evidence.link,
                unit,
                evidence.source,
                evidence.seconds.len() as i64,
                freezes as i64,
                counts,
                digest
            ],
        )?;
        connection.execute(
            "INSERT INTO series (session, link, seconds) VALUES (?, ?, ?)",
            params![id, evidence.link, blob::write_seconds(&evidence.seconds)],
        )?;
    }
    Ok(true)
}

/// Sessions with RTP and sessions with marks are never pooled: RTP, unless it has too few freezes and
/// marks have more.
fn one_source(says: Vec<Say>) -> Vec<Say> {
    let freezes =
        |source: &str| -> u64 { says.iter().filter(|say| say.source == source).map(|say| say.freezes).sum() };
    let (rtp, marks) = (freezes("rtp"), freezes("marks"));
    let source = if rtp >= ENOUGH_FREEZES || rtp >= marks && rtp > 0 { "rtp" } else { "marks" };
    let known = says.iter().any(|say| say.source == source);
    says.into_iter().filter(|say| !known || say.source == source).collect()
}

const fn unit_word(unit: LevelUnit) -> &'static str {
    match unit {
        LevelUnit::Dbm => "dbm",
        LevelUnit::Raw => "raw",
    }
}

/// RFC 3339 as milliseconds since 1970.
fn millis(stamp: &str) -> Option<i64> {
    stamp.parse::<jiff::Timestamp>().ok().map(jiff::Timestamp::as_millisecond)
}
