//! A link's threshold as the summary gives it: the estimate with the sessions behind it, in words too.

use crate::profile::LinkProfile;
use crate::summary::{Threshold, ThresholdAgreement, ThresholdSession};

use crate::judge::freeze_level::{Agreement, Estimate, Finding, LEAST_FREEZES, Method};

/// Sessions listed one by one at most, the newest.
const MOST_LISTED: usize = 32;
/// Characters of a hash that name a session.
const HASH_SHOWN: usize = 10;

/// The estimate for a link; `sessions` are hash and start of each, in the order of the estimate's.
pub(super) fn of(
    link: &LinkProfile,
    estimate: &Estimate,
    source: String,
    left_out: u64,
    sessions: &[(String, Option<String>)],
) -> Threshold {
    let outlier = match estimate.agreement.map(|agreement| agreement.finding) {
        Some(Finding::Outlier(index)) => Some(index),
        _ => None,
    };
    let skipped = sessions.len().saturating_sub(MOST_LISTED);
    let each = estimate.sessions.iter().zip(sessions).enumerate().skip(skipped);
    let each = each.map(|(index, (own, (hash, start_utc)))| ThresholdSession {
        session: short(hash),
        start_utc: start_utc.clone(),
        level_p05: own.level_p05,
        error: own.error,
        freezes: u64::from(own.freezes),
        outlier: outlier == Some(index),
    });
    Threshold {
        link: link.name.clone(),
        unit: link.unit(),
        level_p50: estimate.level_p50,
        level_p05: estimate.level_p05,
        level_p05_ci95: estimate.level_p05_ci95,
        warns_at: Some(estimate.warns_at),
        base: estimate.base,
        sessions: sessions.len() as u64,
        freezes: u64::from(estimate.freezes),
        method: estimate.method.word().to_owned(),
        event: link.role.limit_event(),
        source,
        left_out,
        note: note(estimate),
        agreement: estimate.agreement.map(|found| agreement(link, &found, estimate, sessions)),
        each: each.collect(),
    }
}

fn short(hash: &str) -> String {
    hash.chars().take(HASH_SHOWN).collect()
}

fn note(estimate: &Estimate) -> Option<String> {
    let text = match (estimate.method, estimate.one_session) {
        (Method::Logistic, _) if !estimate.follows_level => {
            "they do not clearly follow the level: look for another cause, or fly more sessions near the limit"
        }
        (Method::Logistic, false) => return None,
        (Method::Logistic, true) => {
            "one session alone: the interval rests on blocks of 10 s, and knows nothing of how sessions differ"
        }
        (Method::Isotonic, _) if estimate.freezes < LEAST_FREEZES => {
            "too few for a curve: the isotonic estimate, without an interval; fly more sessions near the limit"
        }
        (Method::Isotonic, _) => {
            "no curve that falls with the level: the isotonic estimate, without an interval; look for another cause"
        }
    };
    Some(text.to_owned())
}

fn agreement(
    link: &LinkProfile,
    found: &Agreement,
    estimate: &Estimate,
    sessions: &[(String, Option<String>)],
) -> ThresholdAgreement {
    let unit = link.unit().difference_label();
    let (word, text) = match found.finding {
        Finding::Agree => ("agree", "the sessions agree".to_owned()),
        Finding::Differ => {
            ("differ", "the sessions differ by more than chance: tag what was different".to_owned())
        }
        Finding::Outlier(index) => {
            let name = sessions.get(index).map_or_else(String::new, named);
            let apart = estimate.sessions.get(index).and_then(|own| own.level_p05).map_or_else(
                || "saw none where the others did".to_owned(),
                |level| {
                    let by = level - estimate.level_p05;
                    let side = if by < 0.0 { "below" } else { "above" };
                    format!("lies {:.1} {unit} {side} the level of all", by.abs())
                },
            );
            ("outlier", format!("session {name} {apart}: tag what was different in it, or remove it"))
        }
        Finding::Drift => {
            let step = found.drift_per_session.unwrap_or_default();
            let way = if step < 0.0 { "down" } else { "up" };
            let text = format!(
                "the level goes {way} by {:.2} {unit} from session to session: look for what ages or came loose",
                step.abs()
            );
            ("drift", text)
        }
    };
    ThresholdAgreement {
        word: word.to_owned(),
        p: found.p,
        degrees: u64::from(found.degrees),
        drift_per_session: found.drift_per_session,
        drift_p: found.drift_p,
        text,
    }
}

fn named((hash, start_utc): &(String, Option<String>)) -> String {
    match start_utc.as_deref().and_then(|start| start.get(..10)) {
        Some(day) => format!("{} of {day}", short(hash)),
        None => short(hash),
    }
}
