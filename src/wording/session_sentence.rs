//! How a session went, as sentences: of it as a whole, and of each link.

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::summary::{LostWord, SessionReason, SessionVerdict, SessionWord, Summary};
use crate::units::LevelUnit;

use super::{advice, event, failsafe_steps, health_words, quantity};

/// The sentence.
#[must_use]
pub fn text(verdict: &SessionVerdict) -> String {
    if let Some(written) = &verdict.written {
        return written.clone();
    }
    let said = if verdict.links.is_empty() { of_link(verdict) } else { of_all(verdict) };
    let parts: Vec<String> = said.into_iter().filter(|part| !part.is_empty()).collect();
    parts.join("; ")
}

/// The verdicts that people read: of one link alone the whole says nothing more.
#[must_use]
pub fn told(summary: &Summary) -> &[SessionVerdict] {
    let all = summary.session_verdicts.as_slice();
    if all.len() == 2 { &all[1..] } else { all }
}

/// What else a pilot asks at the end, one line each: the drills, and the latency.
#[must_use]
pub fn beside(summary: &Summary) -> Vec<(&'static str, String)> {
    let latency = summary.verdicts.iter().find(|verdict| verdict.about == "latency").map(advice::text);
    let drills = ("drill", failsafe_steps::drills(&summary.failsafe));
    let computer = summary.health.as_ref().map(|health| ("computer", health_words::whole(health)));
    [drills].into_iter().chain(latency.map(|latency| ("latency", latency))).chain(computer).collect()
}

fn of_link(verdict: &SessionVerdict) -> Vec<String> {
    let about = &verdict.about;
    let worked = quantity::seconds(verdict.worked_s.unwrap_or_default());
    let worked = match verdict.trips {
        Some(trips) => format!("{worked} in {}", quantity::counted(trips, "trip", "trips")),
        None => worked,
    };
    let beside = || {
        let short = quantity::counted(verdict.failures, "short failure", "short failures");
        if verdict.failures == 0 { String::new() } else { format!("{short}{}", lasting(verdict)) }
    };
    match verdict.why {
        SessionReason::Failures => {
            let failed = format!("{about} failed {}{}{}", often(verdict), lasting(verdict), from_on(verdict));
            vec![failed, margin(verdict)]
        }
        SessionReason::Lost => {
            let place = verdict.lost.1;
            let away = |distance| format!("{}{} away", event::then(place), quantity::metres(distance));
            let at = place.distance_m.map_or_else(String::new, away);
            vec![format!("{about} was lost with the vehicle{at}"), margin(verdict)]
        }
        SessionReason::Worked => {
            let to =
                verdict.worked_to_m.map_or_else(String::new, |far| format!(", to {}", quantity::metres(far)));
            vec![format!("{about} worked for {worked}{to}"), beside(), margin(verdict)]
        }
        SessionReason::GroundOnly => vec![format!("{about}: on the ground only")],
        SessionReason::NeverHeard => vec![format!("{about}: never heard")],
        SessionReason::NoData => vec![format!("{about}: a level alone was seen here, none of its data")],
        SessionReason::TooShort { needed_s } => {
            let needed = quantity::seconds(needed_s.into());
            vec![format!("{about} worked for {worked}, {needed} are needed"), beside()]
        }
    }
}

fn of_all(verdict: &SessionVerdict) -> Vec<String> {
    let named = |wanted: SessionWord| {
        let names = verdict.links.iter().filter(|(_, word)| *word == wanted).map(|(name, _)| name.as_str());
        let names = names.collect::<Vec<_>>().join(", ");
        if names.is_empty() { names } else { format!("{names} {}", wanted.word()) }
    };
    let words = [SessionWord::Failed, SessionWord::Worked, SessionWord::NotJudged].map(named);
    let words = words.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join("; ");
    let failures = quantity::counted(verdict.failures, "failure", "failures");
    let mut parts = match (verdict.word, verdict.why) {
        (_, SessionReason::Lost) => vec![event::lost(verdict.lost.1), words],
        (SessionWord::NotJudged, SessionReason::GroundOnly) => {
            vec!["on the ground only: nothing is judged".to_owned()]
        }
        (SessionWord::Failed, _) => {
            // Some were marked, others measured: each link says it of its own.
            let lasting = verdict.failed_s.map_or_else(String::new, |_| lasting(verdict));
            vec![words, format!("{failures}{lasting}{}", from_on(verdict))]
        }
        _ => vec![words],
    };
    if verdict.lost.0 == LostWord::Unknown {
        parts.push("silent at the end, cause not known".to_owned());
    }
    parts
}

fn often(verdict: &SessionVerdict) -> String {
    match verdict.failures {
        1 => "once".to_owned(),
        times => format!("{} times", quantity::count(times)),
    }
}

/// `, 12.9 s in all, 3.1 s at the longest`.
fn lasting(verdict: &SessionVerdict) -> String {
    match (verdict.failed_s, verdict.longest_s) {
        (Some(all_s), Some(longest_s)) if verdict.failures > 1 => {
            format!(", {} in all, {} at the longest", tenths(all_s), tenths(longest_s))
        }
        (Some(all_s), _) if verdict.failures == 1 => format!(", for {}", tenths(all_s)),
        (None, _) => ", as marked by hand".to_owned(),
        _ => String::new(),
    }
}

/// `, from 103 m and -81.0 dBm on`.
fn from_on(verdict: &SessionVerdict) -> String {
    let unit = verdict.unit.unwrap_or(LevelUnit::Raw);
    let level = verdict.from_level.map(|level| quantity::level(level, unit));
    let places: Vec<String> =
        verdict.from_distance_m.map(quantity::metres).into_iter().chain(level).collect();
    if places.is_empty() { String::new() } else { format!(", from {} on", places.join(" and ")) }
}

fn margin(verdict: &SessionVerdict) -> String {
    let least = verdict.margin_min.zip(verdict.unit);
    least.map_or_else(String::new, |(least, unit)| {
        format!("least margin {}", quantity::difference(least, unit))
    })
}

/// A span of time to a tenth up to two minutes.
fn tenths(seconds: f64) -> String {
    if seconds < 119.95 { format!("{seconds:.1} s") } else { quantity::seconds(seconds) }
}

/// What the public JSON has of a row.
#[derive(Serialize, Deserialize)]
struct Row {
    about: String,
    word: SessionWord,
    failures: u64,
    failed_s: Option<f64>,
    longest_s: Option<f64>,
    from_distance_m: Option<f64>,
    from_level: Option<f64>,
    unit: Option<LevelUnit>,
    trips: Option<u64>,
    worked_s: Option<f64>,
    worked_to_m: Option<f64>,
    margin_min: Option<f64>,
    text: String,
}

impl Serialize for SessionVerdict {
    fn serialize<S: Serializer>(&self, out: S) -> Result<S::Ok, S::Error> {
        let Self { word, failures, failed_s, longest_s, from_distance_m, from_level, unit, .. } = *self;
        let (about, text) = (self.about.clone(), text(self));
        let Self { trips, worked_s, worked_to_m, margin_min, .. } = *self;
        Row {
            about,
            word,
            failures,
            failed_s,
            longest_s,
            from_distance_m,
            from_level,
            unit,
            trips,
            worked_s,
            worked_to_m,
            margin_min,
            text,
        }
        .serialize(out)
    }
}

impl<'de> Deserialize<'de> for SessionVerdict {
    fn deserialize<D: Deserializer<'de>>(input: D) -> Result<Self, D::Error> {
        let Row {
            about,
            word,
            failures,
            failed_s,
            longest_s,
            from_distance_m,
            from_level,
            unit,
            trips,
            worked_s,
            worked_to_m,
            margin_min,
            text,
        } = Row::deserialize(input)?;
        Ok(Self {
            about,
            word,
            written: Some(text),
            failures,
            failed_s,
            longest_s,
            from_distance_m,
            from_level,
            unit,
            trips,
            worked_s,
            worked_to_m,
            margin_min,
            ..Self::default()
        })
    }
}

#[cfg(test)]
mod tests {
    use crate::wording::session_sentence::*;

    fn video(why: SessionReason, failures: u64) -> SessionVerdict {
        SessionVerdict {
            about: "video".to_owned(),
            why,
            failures,
            failed_s: Some(12.9),
            longest_s: Some(3.12),
            from_distance_m: Some(103.4),
            from_level: Some(-81.0),
            unit: Some(LevelUnit::Dbm),
            trips: Some(2),
            worked_s: Some(212.0),
            worked_to_m: Some(99.0),
            margin_min: Some(-4.3),
            ..SessionVerdict::default()
        }
    }

    #[test]
    fn a_link_that_failed_says_how_often_how_long_and_from_where_on() {
        let said = "video failed 11 times, 12.9 s in all, 3.1 s at the longest, from 103 m and -81.0 dBm on; least margin -4.3 dB";
        assert_eq!(text(&video(SessionReason::Failures, 11)), said);
        let once = SessionVerdict { from_level: None, margin_min: None, ..video(SessionReason::Failures, 1) };
        assert_eq!(text(&once), "video failed once, for 12.9 s, from 103 m on");
        let marked = SessionVerdict {
            failed_s: None,
            longest_s: None,
            from_distance_m: None,
            from_level: None,
            ..video(SessionReason::Failures, 3)
        };
        assert_eq!(text(&marked), "video failed 3 times, as marked by hand; least margin -4.3 dB");
    }

    #[test]
    fn a_link_that_worked_tells_its_short_failures_and_one_that_is_not_judged_says_what_is_missing() {
        let worked = SessionVerdict { margin_min: Some(5.8), ..video(SessionReason::Worked, 0) };
        assert_eq!(text(&worked), "video worked for 4 min in 2 trips, to 99 m; least margin 5.8 dB");
        let short =
            SessionVerdict { failed_s: Some(0.4), longest_s: Some(0.3), ..video(SessionReason::Worked, 2) };
        let said = "video worked for 4 min in 2 trips, to 99 m; 2 short failures, 0.4 s in all, 0.3 s at the longest; least margin -4.3 dB";
        assert_eq!(text(&short), said);
        let young =
            SessionVerdict { worked_s: Some(34.0), ..video(SessionReason::TooShort { needed_s: 60 }, 0) };
        assert_eq!(text(&young), "video worked for 34 s in 2 trips, 60 s are needed");
        assert_eq!(text(&video(SessionReason::GroundOnly, 0)), "video: on the ground only");
    }

    #[test]
    fn the_whole_names_what_failed_first() {
        let links = [("control", SessionWord::Worked), ("video", SessionWord::Failed)];
        let whole = SessionVerdict {
            about: "session".to_owned(),
            word: SessionWord::Failed,
            why: SessionReason::Failures,
            links: links.map(|(name, word)| (name.to_owned(), word)).to_vec(),
            failures: 11,
            failed_s: Some(12.9),
            longest_s: Some(3.1),
            from_distance_m: Some(103.0),
            ..SessionVerdict::default()
        };
        let said =
            "video failed; control worked; 11 failures, 12.9 s in all, 3.1 s at the longest, from 103 m on";
        assert_eq!(text(&whole), said);
    }
}
