//! What the chosen sessions say: each link's threshold, and the limit of vibration.

use std::collections::BTreeMap;
use std::panic::resume_unwind;

use rusqlite::{OptionalExtension, params};

use crate::link::context::{Earlier, VibrationLimit};
use crate::link::metrics::margin::EvidenceSecond;
use crate::link::metrics::vibration::SUSPECT_QUANTILE;
use crate::profile::{LinkProfile, LinkRole, Profile};
use crate::summary::Threshold;
use crate::units::LevelUnit;

use super::store::{VIBRATION, evidence_parts, millis, session_parts, unit_word};
use super::threshold::{self, LevelCount};
use super::{Choice, History, HistoryError, blob, equipment, link_threshold};

/// Fewer freezes than this are no reason to prefer RTP over marks.
const ENOUGH_FREEZES: u64 = 5;
/// Fewer seconds than this give no limit of vibration.
const LEAST_VIBRATION_S: u64 = 60;

/// Id, hash and start of a chosen session.
type Chosen = (i64, String, Option<String>);

/// What one session says of one link, as far as the threshold needs it.
struct Say {
    session: i64,
    hash: String,
    start_utc: Option<String>,
    source: String,
    freezes: u64,
    left_out: u64,
    counts: Vec<LevelCount>,
}

impl History {
    /// The threshold of each link of the profile, in its order, from the sessions of this choice.
    pub fn thresholds(&self, profile: &Profile, choice: &Choice<'_>) -> Result<Vec<Threshold>, HistoryError> {
        self.thresholds_of(profile, &self.chosen(choice)?)
    }

    fn thresholds_of(&self, profile: &Profile, chosen: &[Chosen]) -> Result<Vec<Threshold>, HistoryError> {
        let mut asked = Vec::new();
        for link in &profile.link {
            let says = one_source(self.says(&link.name, link.unit(), chosen)?, link.role);
            let series = match says.as_slice() {
                [only] => self.series(only.session, &link.name, Some(&only.counts))?,
                _ => None,
            };
            asked.push((link, says, series));
        }
        // The links know nothing of each other: a session's start waits for the slowest, not for all.
        let found: Vec<Option<Threshold>> = std::thread::scope(|scope| {
            let tasks: Vec<_> = asked
                .into_iter()
                .map(|(link, says, series)| scope.spawn(move || threshold_of(link, says, series.as_deref())))
                .collect();
            tasks.into_iter().map(|task| task.join().unwrap_or_else(|panic| resume_unwind(panic))).collect()
        });
        Ok(found.into_iter().flatten().collect())
    }

    /// All that the sessions of this choice showed, as a session's core takes it.
    pub fn earlier(&self, profile: &Profile, choice: &Choice<'_>) -> Result<Earlier, HistoryError> {
        let chosen = self.chosen(choice)?;
        let thresholds = self.thresholds_of(profile, &chosen)?.into();
        Ok(Earlier { thresholds, vibration: self.vibration_of(&chosen)? })
    }

    /// The 90th percentile of the vibration of the sessions of this choice; `None` where too little is known.
    pub fn vibration_limit(&self, choice: &Choice<'_>) -> Result<Option<VibrationLimit>, HistoryError> {
        self.vibration_of(&self.chosen(choice)?)
    }

    fn vibration_of(&self, chosen: &[Chosen]) -> Result<Option<VibrationLimit>, HistoryError> {
        let mut counts: Vec<(f32, u32)> = Vec::new();
        let mut sessions = 0;
        let mut statement = self.connection.prepare(VIBRATION).map_err(self.sqlite())?;
        for (id, ..) in chosen {
            let own = self.vibration(&mut statement, *id)?;
            sessions += u64::from(!own.is_empty());
            counts.extend(own);
        }
        let seconds: u64 = counts.iter().map(|(_, seconds)| u64::from(*seconds)).sum();
        if seconds < LEAST_VIBRATION_S {
            return Ok(None);
        }
        counts.sort_by(|a, b| a.0.total_cmp(&b.0));
        let rank = (SUSPECT_QUANTILE * seconds as f64).ceil() as u64;
        let mut passed = 0;
        let at_rank = counts.iter().find(|(_, count)| {
            passed += u64::from(*count);
            passed >= rank
        });
        Ok(at_rank.map(|(level, _)| VibrationLimit { limit: f64::from(*level), sessions }))
    }

    /// How many sessions with the equipment of these tags did not begin before a stamp (RFC 3339).
    pub fn dated_later(&self, tags: &BTreeMap<String, String>, stamp: &str) -> Result<usize, HistoryError> {
        let all = self.chosen(&Choice { tags: Some(tags), ..Choice::default() })?;
        let stamp = millis(stamp);
        Ok(all.iter().filter(|(.., start)| start.as_deref().and_then(millis) >= stamp).count())
    }

    /// The sessions of a choice.
    fn chosen(&self, choice: &Choice<'_>) -> Result<Vec<Chosen>, HistoryError> {
        type Row = (i64, String, Option<String>, Option<i64>, String, Option<Vec<u8>>);
        let before = choice.before.and_then(millis);
        let read = || -> rusqlite::Result<Vec<Row>> {
            let mut statement = self.connection.prepare(
                "SELECT id, hash, start_utc, start_ms, tags, digest FROM session
                 ORDER BY start_ms IS NULL, start_ms, hash",
            )?;
            let row = |row: &rusqlite::Row<'_>| {
                Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?, row.get(5)?))
            };
            statement.query_map([], row)?.collect()
        };
        let wanted = choice.tags.map(equipment);
        let mut chosen = Vec::new();
        for (id, hash, start_utc, start_ms, tags, digest) in read().map_err(self.sqlite())? {
            let written = || blob::digest(&session_parts(&hash, start_utc.as_deref(), &tags));
            if digest.is_some_and(|digest| digest != written()) {
                return Err(self.damaged("a session is not what was written"));
            }
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
    fn says(&self, link: &str, unit: LevelUnit, chosen: &[Chosen]) -> Result<Vec<Say>, HistoryError> {
        type Row = (String, i64, i64, Vec<u8>, Vec<u8>);
        let mut says = Vec::new();
        let mut statement = self
            .connection
            .prepare(
                "SELECT source, freezes, left_out, counts, digest FROM evidence
                 WHERE session = ? AND link = ? AND unit = ?",
            )
            .map_err(self.sqlite())?;
        let unit = unit_word(unit);
        for (session, hash, start_utc) in chosen {
            let found: Option<Row> = statement
                .query_row(params![session, link, unit], |row| {
                    Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?))
                })
                .optional()
                .map_err(self.sqlite())?;
            let Some((source, freezes, left_out, bytes, digest)) = found else { continue };
            let whole = blob::digest(&evidence_parts(link, unit, &source, &bytes)) == digest;
            let sum =
                |counts: &[LevelCount]| counts.iter().map(|count| i64::from(count.freezes)).sum::<i64>();
            let counts = blob::read_counts(&bytes).filter(|counts| whole && sum(counts) == freezes);
            let counts =
                counts.ok_or_else(|| self.damaged("the evidence of a session is not what was written"))?;
            says.push(Say {
                session: *session,
                hash: hash.clone(),
                start_utc: start_utc.clone(),
                source,
                freezes: freezes.unsigned_abs(),
                left_out: left_out.unsigned_abs(),
                counts,
            });
        }
        Ok(says)
    }
}

fn threshold_of(link: &LinkProfile, says: Vec<Say>, series: Option<&[EvidenceSecond]>) -> Option<Threshold> {
    let source = says.first()?.source.clone();
    let counts: Vec<Vec<LevelCount>> = says.iter().map(|say| say.counts.clone()).collect();
    let estimate = threshold::estimate(&counts, series)?;
    // Frames and inputs go missing for many reasons: only what follows the level has a limit.
    if link.role != LinkRole::Video && !estimate.follows_level {
        return None;
    }
    let left_out = says.iter().map(|say| say.left_out).sum();
    let sessions: Vec<(String, Option<String>)> =
        says.into_iter().map(|say| (say.hash, say.start_utc)).collect();
    Some(link_threshold::of(link, &estimate, source, left_out, &sessions))
}

/// Sessions of different sources are never pooled. Video: RTP, unless it has too few freezes and marks
/// have more.
fn one_source(says: Vec<Say>, role: LinkRole) -> Vec<Say> {
    let freezes =
        |source: &str| -> u64 { says.iter().filter(|say| say.source == source).map(|say| say.freezes).sum() };
    let (rtp, marks) = (freezes("rtp"), freezes("marks"));
    let source = match role {
        LinkRole::Telemetry => "sequence",
        LinkRole::Control => "holds",
        LinkRole::Video if rtp >= ENOUGH_FREEZES || rtp >= marks && rtp > 0 => "rtp",
        LinkRole::Video if marks > 0 => "marks",
        LinkRole::Video => "rtp",
    };
    says.into_iter().filter(|say| say.source == source).collect()
}
