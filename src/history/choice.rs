//! The answer of the chosen sessions: each link's threshold, and the limit of vibration.

use std::collections::{BTreeMap, HashMap};
use std::panic::resume_unwind;

use crate::judge::margin::EvidenceSecond;
use crate::profile::{LinkProfile, LinkRole, Profile};
use crate::summary::Threshold;
use crate::summary::{Earlier, VibrationLimit};

use rusqlite::{OptionalExtension, Row, params};

use super::store::{
    EVIDENCE_DAMAGED, SERIES_DAMAGED, VIBRATION, evidence_parts, millis, session_parts, unit_word,
};
use super::{Choice, History, HistoryError, blob, equipment, is_credible, link_threshold};
use crate::judge::freeze_level;
use crate::judge::freeze_level::LevelCount;
use crate::stats::sample::quantile;

/// Fewer freezes than this are no reason to prefer RTP over marks.
const ENOUGH_FREEZES: u64 = 5;
/// Fewer seconds than this give no limit of vibration.
const LEAST_VIBRATION_S: u64 = 60;

/// Id, hash and start of a chosen session.
type Chosen = (i64, String, Option<String>);

/// What one session says of one link, as far as the threshold needs it: as it is kept, not looked at yet.
struct Say {
    /// Its place among the chosen.
    session: usize,
    source: String,
    freezes: i64,
    left_out: i64,
    counts: Vec<u8>,
    digest: Vec<u8>,
}

impl Say {
    /// `None`: not what was written.
    fn counts(&self, link: &LinkProfile) -> Option<Vec<LevelCount>> {
        let parts = evidence_parts(&link.name, unit_word(link.unit()), &self.source, &self.counts);
        let counts = blob::read_counts(&self.counts).filter(|_| blob::digest(&parts) == self.digest)?;
        let freezes: i64 = counts.iter().map(|count| i64::from(count.freezes)).sum();
        (freezes == self.freezes).then_some(counts)
    }
}

impl History {
    /// All that the sessions of this choice showed, as a session's core takes it.
    pub fn earlier(&self, profile: &Profile, choice: &Choice<'_>) -> Result<Earlier, HistoryError> {
        let chosen = self.chosen(choice)?;
        let (thresholds, vibration) =
            self.thresholds_beside(profile, &chosen, || self.vibration_of(&chosen))?;
        Ok(Earlier { thresholds: thresholds.into(), vibration: vibration? })
    }

    /// The thresholds, and what else is to be done meanwhile.
    fn thresholds_beside<T>(
        &self,
        profile: &Profile,
        chosen: &[Chosen],
        meanwhile: impl FnOnce() -> T,
    ) -> Result<(Vec<Threshold>, T), HistoryError> {
        let mut asked = Vec::new();
        for (link, says) in profile.link.iter().zip(self.says(profile, chosen)?) {
            let source = source_of(&says, link.role);
            let mut of_source = says.iter().filter(|say| say.source == source);
            let series = match (of_source.next(), of_source.next()) {
                (Some(only), None) => {
                    let (id, hash, _) = &chosen[only.session];
                    self.series((*id, hash), &link.name)?
                }
                _ => None,
            };
            asked.push((link, says, source, series));
        }
        // The links know nothing of each other: a session's start waits for the slowest, not for all.
        std::thread::scope(|scope| {
            let task = |(link, says, source, series): (_, Vec<Say>, _, Option<Vec<EvidenceSecond>>)| {
                scope.spawn(move || threshold_of(link, &says, source, series.as_deref(), chosen))
            };
            let tasks: Vec<_> = asked.into_iter().map(task).collect();
            let beside = meanwhile();
            let found =
                tasks.into_iter().map(|task| task.join().unwrap_or_else(|panic| resume_unwind(panic)));
            let found: Result<Vec<Option<Threshold>>, &str> = found.collect();
            let found = found.map_err(|what| self.damaged(what))?;
            Ok((found.into_iter().flatten().collect(), beside))
        })
    }

    /// The 90th percentile of the vibration of the sessions of this choice; `None` where too little is known.
    fn vibration_of(&self, chosen: &[Chosen]) -> Result<Option<VibrationLimit>, HistoryError> {
        let places = places(chosen);
        let mut counts: Vec<(f32, u32)> = Vec::new();
        let mut sessions = 0;
        self.each_row(VIBRATION, |row| {
            if places.contains_key(&row.get(2).map_err(self.sqlite())?) {
                let own = self.vibration(row)?;
                sessions += u64::from(!own.is_empty());
                counts.extend(own);
            }
            Ok(())
        })?;
        let seconds: u64 = counts.iter().map(|(_, seconds)| u64::from(*seconds)).sum();
        if seconds < LEAST_VIBRATION_S {
            return Ok(None);
        }
        counts.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        let rank = (VibrationLimit::QUANTILE * seconds as f64).ceil() as u64;
        let counted = counts.iter().map(|(level, seconds)| (*level, u64::from(*seconds)));
        let limit = quantile::of_rank(counted, rank.saturating_sub(1));
        Ok(limit.map(|level| VibrationLimit { limit: f64::from(level), sessions }))
    }

    /// How many sessions with the equipment of these tags did not begin before a stamp (RFC 3339).
    pub fn dated_later(&self, tags: &BTreeMap<String, String>, stamp: &str) -> Result<usize, HistoryError> {
        let all = self.chosen(&Choice { tags: Some(tags), ..Choice::default() })?;
        let stamp = millis(stamp);
        Ok(all.iter().filter(|(.., start)| start.as_deref().and_then(millis) >= stamp).count())
    }

    /// Whether a recording of this name or start may be in this history: only then is it worth its hash.
    pub fn may_hold(&self, file: &str, start_utc: Option<&str>) -> Result<bool, HistoryError> {
        let question = "SELECT EXISTS (SELECT 1 FROM session WHERE file = ? OR start_utc IS ?)";
        let held = self.connection.query_row(question, params![file, start_utc], |row| row.get(0));
        held.map_err(self.sqlite())
    }

    /// A session's place in the order of adding.
    fn place(&self, hash: &str) -> Result<Option<i64>, HistoryError> {
        let place =
            self.connection.query_row("SELECT id FROM session WHERE hash = ?", [hash], |row| row.get(0));
        place.optional().map_err(self.sqlite())
    }

    /// The sessions of a choice: in the order of their dates, those without one last, or in the order of adding where
    /// a date cannot be.
    fn chosen(&self, choice: &Choice<'_>) -> Result<Vec<Chosen>, HistoryError> {
        type Row = (i64, String, Option<String>, Option<i64>, String, Option<Vec<u8>>);
        let own =
            choice.earlier_than.and_then(|asking| asking.hash).map(|hash| self.place(hash)).transpose()?;
        let earlier = Earliness {
            own: own.flatten(),
            start_ms: choice.earlier_than.and_then(|asking| asking.start_utc).and_then(millis),
        };
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
        let mut all_credible = true;
        for (id, hash, start_utc, start_ms, tags, digest) in read().map_err(self.sqlite())? {
            let written = || blob::digest(&session_parts(&hash, start_utc.as_deref(), &tags));
            if digest.is_some_and(|digest| digest != written()) {
                return Err(self.damaged("a session is not what was written"));
            }
            if choice.earlier_than.is_some() && !earlier.holds(id, start_ms) {
                continue;
            }
            let tags = self.tags(&tags)?;
            let fits = if choice.like.is_empty() {
                wanted.as_ref().is_none_or(|wanted| *wanted == equipment(&tags))
            } else {
                choice.like.iter().all(|(key, value)| tags.get(key) == Some(value))
            };
            if fits {
                all_credible &= start_ms.is_none_or(is_credible);
                chosen.push((id, hash, start_utc));
            }
        }
        if !all_credible {
            chosen.sort_unstable_by_key(|(id, ..)| *id);
        }
        Ok(chosen)
    }

    /// What the chosen sessions say of each link of the profile, in their order. The table is read from end to
    /// end: a question for each session and link takes longer than the fit.
    fn says(&self, profile: &Profile, chosen: &[Chosen]) -> Result<Vec<Vec<Say>>, HistoryError> {
        let places = places(chosen);
        let mut says: Vec<Vec<Say>> = profile.link.iter().map(|_| Vec::new()).collect();
        let read = |row: &Row<'_>, says: &mut [Vec<Say>]| -> rusqlite::Result<()> {
            let Some(&session) = places.get(&row.get(0)?) else { return Ok(()) };
            let (name, unit) = (row.get_ref(1)?.as_str()?, row.get_ref(2)?.as_str()?);
            for (link, says) in profile.link.iter().zip(says) {
                if link.name == name && unit_word(link.unit()) == unit {
                    says.push(Say {
                        session,
                        source: row.get(3)?,
                        freezes: row.get(4)?,
                        left_out: row.get(5)?,
                        counts: row.get(6)?,
                        digest: row.get(7)?,
                    });
                }
            }
            Ok(())
        };
        let question = "SELECT session, link, unit, source, freezes, left_out, counts, digest FROM evidence";
        self.each_row(question, |row| read(row, &mut says).map_err(self.sqlite()))?;
        for says in &mut says {
            says.sort_by_key(|say| say.session);
        }
        Ok(says)
    }
}

/// What makes a session an earlier one: see [`Choice::earlier_than`].
struct Earliness {
    /// The place of the recording that asks, where it is in the history.
    own: Option<i64>,
    start_ms: Option<i64>,
}

impl Earliness {
    fn holds(&self, id: i64, start_ms: Option<i64>) -> bool {
        if let Some(own) = self.own.filter(|own| id <= *own) {
            return id < own;
        }
        match (start_ms, self.start_ms) {
            (Some(start), Some(own)) if is_credible(start) && is_credible(own) => start < own,
            // Only the order of adding could say that it is a later one.
            (Some(_), Some(_)) => self.own.is_none(),
            _ => false,
        }
    }
}

/// Where each of the chosen stands, by its id.
fn places(chosen: &[Chosen]) -> HashMap<i64, usize> {
    chosen.iter().enumerate().map(|(place, (id, ..))| (*id, place)).collect()
}

/// The threshold that the sessions of this source show. Those of others are looked at too: a source may be
/// another by damage.
fn threshold_of(
    link: &LinkProfile,
    says: &[Say],
    source: &str,
    series: Option<&[EvidenceSecond]>,
    chosen: &[Chosen],
) -> Result<Option<Threshold>, &'static str> {
    let (mut sessions, mut counts, mut left_out) = (Vec::new(), Vec::new(), 0);
    for say in says {
        let own = say.counts(link).ok_or(EVIDENCE_DAMAGED)?;
        if say.source == source {
            let (_, hash, start_utc) = &chosen[say.session];
            sessions.push((hash.clone(), start_utc.clone()));
            counts.push(own);
            left_out += say.left_out.unsigned_abs();
        }
    }
    if series.is_some_and(|series| counts.first() != Some(&blob::counts_of(series))) {
        return Err(SERIES_DAMAGED);
    }
    let Some(estimate) = freeze_level::estimate(&counts, series) else { return Ok(None) };
    // Frames and inputs go missing for many reasons: only what follows the level has a limit.
    if link.role != LinkRole::Video && !estimate.follows_level {
        return Ok(None);
    }
    Ok(Some(link_threshold::of(link, &estimate, source.to_owned(), left_out, &sessions)))
}

/// Sessions of different sources are never pooled. Video: RTP, unless it has too few freezes and marks
/// have more.
fn source_of(says: &[Say], role: LinkRole) -> &'static str {
    let freezes = |source: &str| {
        says.iter().filter(|say| say.source == source).map(|say| say.freezes.unsigned_abs()).sum::<u64>()
    };
    let (rtp, marks) = (freezes("rtp"), freezes("marks"));
    match role {
        LinkRole::Telemetry => "sequence",
        LinkRole::Control => "holds",
        LinkRole::Video if rtp >= ENOUGH_FREEZES || rtp >= marks && rtp > 0 => "rtp",
        LinkRole::Video if marks > 0 => "marks",
        LinkRole::Video => "rtp",
    }
}
