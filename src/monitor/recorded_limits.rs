//! The limits of earlier sessions as a recording keeps them: compact JSON in a [`crate::record::Note::Limits`].
//!
//! Written by a live session right behind its first tick, also where there were none, and read by whoever opens the
//! recording. The live session itself takes what stands in the note, so that both have the same numbers to the last
//! digit. Bounded to [`MOST_BYTES`]: what each session showed goes first, then whole limits from the end.
//!
//! A recording may be a stranger's: only limits of the profile's links are taken, at most one a link, in its unit and
//! of what begins on it, with numbers that a level can be, and with words that a terminal can show.

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize};
use serde_json::Value;

use crate::profile::{LimitEvent, LinkProfile, Profile};
use crate::summary::{Interval, Threshold, ThresholdAgreement};

use crate::record::text::clean;
use crate::summary::{Earlier, VibrationLimit};

/// A comment of a recording has room for 65,000 bytes, its first words included.
const MOST_BYTES: usize = 64_000;
/// Sessions listed one by one at most, the newest.
const MOST_LISTED: usize = 32;
/// No level, in dBm or in a device's units, is farther from zero.
const LARGEST_LEVEL: f64 = 1e6;

#[derive(Default, Serialize, Deserialize)]
struct Recorded {
    #[serde(default, deserialize_with = "known")]
    thresholds: Vec<Threshold>,
    #[serde(default)]
    vibration: Option<VibrationLimit>,
}

impl Earlier {
    /// As a recording keeps them.
    #[must_use]
    pub fn to_json(&self) -> String {
        let vibration = self.vibration.filter(is_plausible_vibration);
        let thresholds = self.thresholds.iter().cloned().filter_map(sound).collect();
        let mut recorded = Recorded { thresholds, vibration };
        let mut json = written(&recorded);
        if json.len() > MOST_BYTES {
            recorded.thresholds.iter_mut().for_each(|threshold| threshold.each.clear());
            json = written(&recorded);
        }
        while json.len() > MOST_BYTES && recorded.thresholds.pop().is_some() {
            json = written(&recorded);
        }
        json
    }

    /// Those of a recording that are about the profile's links; `None` where it is not what [`Self::to_json`] writes.
    #[must_use]
    pub fn from_json(json: &str, profile: &Profile) -> Option<Self> {
        if json.len() > MOST_BYTES {
            return None;
        }
        let Recorded { thresholds, vibration } = serde_json::from_str(json).ok()?;
        let of_link = |link: &LinkProfile| {
            let fits = |threshold: &&Threshold| {
                threshold.link == link.name
                    && threshold.unit == link.unit()
                    && threshold.event == link.role.limit_event()
            };
            thresholds.iter().find(fits).cloned().and_then(sound).map(fit_to_show)
        };
        Some(Self {
            thresholds: profile.link.iter().filter_map(of_link).collect(),
            vibration: vibration.filter(is_plausible_vibration),
        })
    }
}

/// All but those of an event that this program does not know, as another version may write them.
fn known<'de, D: Deserializer<'de>>(input: D) -> Result<Vec<Threshold>, D::Error> {
    let all = Vec::<Value>::deserialize(input)?.into_iter();
    let known = all.filter(|one| one.get("event").is_none_or(|event| LimitEvent::deserialize(event).is_ok()));
    known.map(|one| serde_json::from_value(one).map_err(D::Error::custom)).collect()
}

fn written(recorded: &Recorded) -> String {
    // Numbers, words and lists of them can always be written.
    serde_json::to_string(recorded).unwrap_or_default()
}

fn is_plausible_vibration(limit: &VibrationLimit) -> bool {
    limit.limit >= 0.0 && limit.limit <= f64::from(f32::MAX)
}

fn is_level(level: f64) -> bool {
    level.abs() <= LARGEST_LEVEL
}

fn is_chance(chance: f64) -> bool {
    (0.0..=1.0).contains(&chance)
}

/// A limit with what is no number of its kind taken out; `None` where the level itself is none.
fn sound(mut threshold: Threshold) -> Option<Threshold> {
    let ordered = |[low, high]: &Interval| is_level(*low) && is_level(*high) && low <= high;
    threshold.level_p50 = threshold.level_p50.filter(|level| is_level(*level));
    threshold.level_p05_ci95 = threshold.level_p05_ci95.filter(ordered);
    threshold.warns_at = threshold.warns_at.filter(|level| is_level(*level) && *level >= threshold.level_p05);
    threshold.base = threshold.base.filter(|base| is_chance(*base));
    threshold.agreement = threshold.agreement.filter(is_agreement);
    for session in &mut threshold.each {
        session.level_p05 = session.level_p05.filter(|level| is_level(*level));
        session.error = session.error.filter(|error| is_level(*error));
    }
    is_level(threshold.level_p05).then_some(threshold)
}

fn is_agreement(agreement: &ThresholdAgreement) -> bool {
    is_chance(agreement.p)
        && agreement.drift_p.is_none_or(is_chance)
        && agreement.drift_per_session.is_none_or(is_level)
}

/// Its words without what a terminal would obey, and no more sessions than a page lists.
fn fit_to_show(mut threshold: Threshold) -> Threshold {
    let skipped = threshold.each.len().saturating_sub(MOST_LISTED);
    threshold.each.drain(..skipped);
    for session in &mut threshold.each {
        session.session = clean(&session.session);
        session.start_utc = session.start_utc.as_deref().map(clean);
    }
    if let Some(agreement) = &mut threshold.agreement {
        agreement.word = clean(&agreement.word);
        agreement.text = clean(&agreement.text);
    }
    threshold.note = threshold.note.as_deref().map(clean);
    threshold.method = clean(&threshold.method);
    threshold.source = clean(&threshold.source);
    threshold
}

#[cfg(test)]
mod tests;
