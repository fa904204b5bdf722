//! Sessions held against each other, in words: the sentence on top, each figure's line, what stands against a plain reading.

use std::fmt;

use serde::{Serialize, Serializer};

use crate::summary::{
    ChangeWord, ComparedFigure, ComparedSessionRow, Comparison, ComparisonCaution, FigureDifference,
    MatchedBy, NotCompared, ReachDifference, TagChange,
};

use super::quantity;
use super::quantity::NOT_MEASURED;

impl fmt::Display for NotCompared {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(match self {
            Self::NotBefore => "the first side does not have it",
            Self::NotAfter => "the second side does not have it",
            Self::NothingToMatchBy => {
                "neither distance nor level is known in both, so that a farther flight would look worse: let the vehicle \
                 send its position, and mark where the handset is"
            }
            Self::NothingInCommon => {
                "no distance, direction or level that both sides have: fly the same way with both"
            }
            Self::FewPlaces => {
                "too few places that both sides have: a long stay at one place is one sample of it, so move"
            }
            Self::GroundAndTrips => "one side never left the ground",
            Self::OtherUnits => "levels are in dBm on one side and in device units on the other",
            Self::MarksAndPackets => "freezes were marked by hand in one session and seen in its packets in another",
            Self::OneWayClock => "a clock is aligned one way only, so that the shortest delay is unknown: use --timesync",
            Self::FewDrills => "four losses of the input are needed on each side",
            Self::FewSessions { needed } => {
                return write!(out, "one value a session: {needed} sessions are needed on each side");
            }
        })
    }
}

impl Serialize for NotCompared {
    fn serialize<S: Serializer>(&self, out: S) -> Result<S::Ok, S::Error> {
        out.collect_str(self)
    }
}

impl fmt::Display for ComparisonCaution {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(match self {
            Self::OneSessionEach => {
                "one session a side: what differs may be the day (weather, places, battery) and not what you changed; \
                 two more of each would show how much days differ"
            }
            Self::FewSessions => {
                "two sessions or one on a side: how much days differ is hardly known, and intervals are wide"
            }
            Self::SeveralTags => "several tags differ: no figure says which of them it was",
            Self::NoTagDiffers => "no tag differs: give what you changed as a tag, such as --tag antenna=panel",
            Self::OtherVehicles => "the vehicles have other system ids: they may be two",
            Self::OnlyGround => "no session left the ground: nothing here holds for a trip",
            Self::OtherDistances => {
                "one side went much farther: what lies beyond the nearer side's farthest point counts nowhere"
            }
        })
    }
}

/// What `compare --json` prints.
#[derive(Serialize)]
struct Written<'a> {
    /// The sentence.
    pub text: String,
    pub changed_tags: &'a [TagChange],
    /// Sentences.
    pub cautions: Vec<String>,
    pub figures: &'a [FigureDifference],
    pub reach: &'a Option<ReachDifference>,
    pub sessions: &'a [ComparedSessionRow],
}

impl Serialize for Comparison {
    fn serialize<S: Serializer>(&self, out: S) -> Result<S::Ok, S::Error> {
        let written = Written {
            text: sentence(self),
            changed_tags: &self.changed_tags,
            cautions: self.cautions.iter().map(ToString::to_string).collect(),
            figures: &self.figures,
            reach: &self.reach,
            sessions: &self.sessions,
        };
        written.serialize(out)
    }
}

/// All of it in one sentence.
#[must_use]
pub fn sentence(comparison: &Comparison) -> String {
    if comparison.sessions.iter().all(|row| row.side.is_none()) {
        let count = comparison.sessions.len() as u64;
        return format!(
            "{} over time; to compare two groups put -- between them",
            quantity::counted(count, "session", "sessions")
        );
    }
    let subject = subject(comparison);
    if let Some(place) = comparison.gravest {
        let told = |place: usize| {
            let row = &comparison.figures[place];
            let reach = comparison.reach.as_ref().filter(|reach| Some(&reach.link) == row.link.as_ref());
            let reach = reach.filter(|_| row.figure == ComparedFigure::Level).map(reach_text);
            format!("{}{}", change(row), reach.unwrap_or_default())
        };
        let gained = comparison.gained.map(|place| format!("; but {}", told(place)));
        let others = comparison.figures.iter().enumerate();
        let others = others.filter(|(other, _)| *other != place && Some(*other) != comparison.gained);
        let others: Vec<&FigureDifference> = others.map(|(_, row)| row).collect();
        return format!("{subject}{}{}{}", told(place), gained.unwrap_or_default(), counts(&others));
    }
    let judged = judged(comparison);
    if judged == 0 {
        let why =
            comparison.figures.iter().find_map(|row| Some(format!("of {}: {}", name(row), row.why_not?)));
        return format!(
            "nothing can be compared: {}",
            why.unwrap_or_else(|| "the sessions have no figure in common".to_owned())
        );
    }
    let size = comparison.figures.iter().find_map(|row| Some((row, row.tells_from?)));
    let size = size.map_or_else(String::new, |(row, size)| {
        format!(
            "; of {} a difference of {} would have been told, nine times in ten",
            name(row),
            amount(row, size)
        )
    });
    format!("{subject}no difference shown in {}{size}", quantity::counted(judged, "figure", "figures"))
}

fn subject(comparison: &Comparison) -> String {
    if comparison.cautions.contains(&ComparisonCaution::OneSessionEach) {
        return "between these two sessions: ".to_owned();
    }
    match &comparison.changed_tags[..] {
        [one] => format!("{} {}: ", one.tag, values(&one.tag_after)),
        _ => "from the first sessions to the second: ".to_owned(),
    }
}

fn change(row: &FigureDifference) -> String {
    let difference = row.difference.unwrap_or_default();
    let ends = row.difference_ci95.map(|[low, high]| {
        let ends = if difference < 0.0 { [-high, -low] } else { [low, high] };
        format!(" ({} to {})", digits(row, ends[0]), digits(row, ends[1]))
    });
    let ends = ends.unwrap_or_default();
    let size = amount(row, difference.abs());
    let matched = conditions(row);
    if row.figure == ComparedFigure::Level {
        let verb = if difference > 0.0 { "gained" } else { "lost" };
        return format!("{} {verb} {size}{ends}{matched}", row.link.as_deref().unwrap_or("the link"));
    }
    let word = row.change.map_or("", ChangeWord::word);
    let way = if difference > 0.0 { "more" } else { "less" };
    format!("{} {word}, {size}{ends} {way}{matched}", name(row))
}

fn reach_text(reach: &ReachDifference) -> String {
    let way = if reach.gained_m > 0.0 { "farther" } else { "nearer" };
    format!(", about {} {way} at {}", quantity::metres(reach.gained_m.abs()), quantity::metres(reach.at_m))
}

/// What else was told, in numbers.
fn counts(others: &[&FigureDifference]) -> String {
    let count = |word| others.iter().filter(|row| row.change == Some(word)).count();
    let parts: Vec<String> = [ChangeWord::Better, ChangeWord::Worse]
        .into_iter()
        .filter(|word| count(*word) > 0)
        .map(|word| format!("{} {}", count(word), spoken(word.word())))
        .collect();
    if parts.is_empty() { String::new() } else { format!("; of the other figures {}", parts.join(", ")) }
}

const fn conditions(row: &FigureDifference) -> &'static str {
    match row.matched_by {
        Some(MatchedBy::Distance) => " at equal distance",
        Some(MatchedBy::Level) => " at equal level",
        Some(MatchedBy::Ground) => " on the ground",
        Some(MatchedBy::Direction | MatchedBy::Session) | None => "",
    }
}

/// A figure with its link.
#[must_use]
pub fn name(row: &FigureDifference) -> String {
    let figure = match row.figure {
        ComparedFigure::StickToServo90 => "stick to servo, 9 in 10".to_owned(),
        other => spoken(other.word()),
    };
    row.link.as_ref().map_or_else(|| figure.clone(), |link| format!("{link} {figure}"))
}

/// A fixed word of the JSON as it is said.
fn spoken(word: &str) -> String {
    word.replace('_', " ")
}

/// Values of a tag; none is `-`.
#[must_use]
pub fn values(values: &[String]) -> String {
    let shown = values.iter().map(|value| if value.is_empty() { "-" } else { value.as_str() });
    shown.collect::<Vec<_>>().join(", ")
}

/// A difference without its unit; nothing is never less than nothing.
#[must_use]
pub fn digits(row: &FigureDifference, value: f64) -> String {
    let text = match row.unit {
        "ratio" => format!("{:.2}", value * 100.0),
        "s" | "per min" => format!("{value:.2}"),
        _ => format!("{value:.1}"),
    };
    let is_nothing = text.trim_matches(['-', '0', '.']).is_empty();
    if is_nothing { text.trim_start_matches('-').to_owned() } else { text }
}

/// A difference on an axis whose labels lie a step apart: as many digits as tell them from each other.
#[must_use]
pub fn on_axis(row: &FigureDifference, value: f64, step: f64) -> String {
    let scale = if row.unit == "ratio" { 100.0 } else { 1.0 };
    let places = (-(step * scale).log10()).ceil().max(0.0) as usize;
    // Zero has no sign.
    let value = if value.abs() < step / 2.0 { 0.0 } else { value };
    format!("{:.places$}", value * scale)
}

const fn unit(row: &FigureDifference) -> &'static str {
    match row.unit.as_bytes() {
        b"db" => " dB",
        b"raw" => " units",
        b"ratio" => " %",
        b"ms" => " ms",
        b"s" => " s",
        b"per min" => " a minute",
        _ => "",
    }
}

/// A difference with its unit.
fn amount(row: &FigureDifference, value: f64) -> String {
    format!("{}{}", digits(row, value), unit(row))
}

/// One side's value.
#[must_use]
pub fn side(row: &FigureDifference, value: Option<f64>) -> String {
    let unit = match row.unit {
        "db" => " dBm",
        _ => unit(row),
    };
    // What is not compared has no value of this kind; the word says why, and which side measured nothing.
    let absent = if row.why_not.is_some() { "-" } else { NOT_MEASURED };
    value.map_or_else(|| absent.to_owned(), |value| format!("{}{unit}", digits(row, value)))
}

/// Columns of a table of figures.
pub const COLUMNS: [&str; 5] = ["figure", "before", "after", "difference", "verdict"];
/// Over the sessions.
pub const SESSIONS: &str = "Sessions (levels against the mean of these sessions at the same distances)";

/// How many figures a word is said of.
fn judged(comparison: &Comparison) -> u64 {
    comparison.figures.iter().filter(|row| row.change.is_some()).count() as u64
}

/// Over the figures.
#[must_use]
pub fn figures_head(comparison: &Comparison) -> String {
    format!("Figures (intervals 95 %; the words allow for looking at {})", judged(comparison))
}

/// A tag that differs.
#[must_use]
pub fn tag_change(change: &TagChange) -> String {
    format!("{} {} -> {}", change.tag, values(&change.tag_before), values(&change.tag_after))
}

/// Over a picture of differences in one unit.
#[must_use]
pub fn picture_title(row: &FigureDifference) -> String {
    let of = match unit(row).trim() {
        "" => String::new(),
        unit if unit.starts_with("a ") => format!(" {unit}"),
        unit => format!(" in {unit}"),
    };
    format!("second side less first{of}, each with its interval; green: better, red: worse")
}

/// The difference with its interval.
#[must_use]
pub fn difference(row: &FigureDifference) -> String {
    let Some(value) = row.difference else { return "-".to_owned() };
    let sign = if value > 0.0 { "+" } else { "" };
    let ends =
        row.difference_ci95.map(|[low, high]| format!(" ({} to {})", digits(row, low), digits(row, high)));
    format!("{sign}{}{}", amount(row, value), ends.unwrap_or_default())
}

/// What the brackets behind a word hold.
pub const BRACKETS: &str = "in brackets: a difference of this size would have been told, nine times in ten; so many more sessions on each side \
     would tell the one that was seen";

/// The word, and what would decide it; or why there is none.
#[must_use]
pub fn word(row: &FigureDifference) -> String {
    if let Some(why) = row.why_not {
        return format!("not compared: {why}");
    }
    let Some(change) = row.change else { return NOT_MEASURED.to_owned() };
    if change != ChangeWord::NoDifference {
        return spoken(change.word());
    }
    let size = row.tells_from.map(|size| format!("from {}", amount(row, size)));
    let more = row.more_sessions_each.map(|more| format!("{more} more a side"));
    let both: Vec<String> = size.into_iter().chain(more).collect();
    let word = spoken(change.word());
    if both.is_empty() { word } else { format!("{word} ({})", both.join("; ")) }
}
