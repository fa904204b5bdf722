//! Part of the machine-readable output, schema 1: keys may be added, none renamed.
//!
//! Sessions held against each other: what `compare --json` prints. Values, differences and intervals are in the `unit`
//! beside them. `text` and the sentences of `cautions` and `why_not` are added when it is written (see
//! `wording/comparison_words.rs`).

use std::collections::BTreeMap;

use serde::Serialize;

use super::{ChangeWord, ComparedFigure, Interval, MatchedBy};

/// Two sides, or sessions over time where there is one side alone.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Comparison {
    /// Tags that differ between the sides.
    pub changed_tags: Vec<TagChange>,
    /// What its reader should know before he believes it.
    pub cautions: Vec<ComparisonCaution>,
    /// Every figure that either side has; empty of sessions over time.
    pub figures: Vec<FigureDifference>,
    /// Which of them differs and matters most, by its place; `None`: none differs.
    pub gravest: Option<usize>,
    /// Where that one got worse, what matters most of those that got better.
    pub gained: Option<usize>,
    /// What the difference of a level is worth in distance.
    pub reach: Option<ReachDifference>,
    /// Every session: side by side as they were named, or by their time.
    pub sessions: Vec<ComparedSessionRow>,
}

/// A tag that one side has otherwise than the other.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct TagChange {
    /// Its key.
    pub tag: String,
    /// Its values in the sessions of the first side.
    pub tag_before: Vec<String>,
    /// In those of the second.
    pub tag_after: Vec<String>,
}

/// What stands against a plain reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ComparisonCaution {
    /// One session a side: a day's own share is not known.
    OneSessionEach,
    /// Two sessions on one side, or less: the days' scatter is hardly known.
    FewSessions,
    /// More than one tag differs.
    SeveralTags,
    /// No tag tells the sides apart.
    NoTagDiffers,
    /// The vehicles have other system ids.
    OtherVehicles,
    /// No session of either side has a trip.
    OnlyGround,
    /// The farthest distances are far apart: what is beyond the nearer one counts nowhere.
    OtherDistances,
}

/// One figure of both sides.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FigureDifference {
    /// Which.
    pub figure: ComparedFigure,
    /// Of which link; `None`: of the vehicle, or of all.
    pub link: Option<String>,
    /// Of all numbers here.
    pub unit: &'static str,
    /// The first side, under the conditions that both had.
    pub value_before: Option<f64>,
    /// The second.
    pub value_after: Option<f64>,
    /// The second less the first.
    pub difference: Option<f64>,
    /// Its interval, of this figure alone.
    pub difference_ci95: Option<Interval>,
    /// In one word, allowing for all figures that were looked at; `None`: not to be judged.
    pub change: Option<ChangeWord>,
    /// Chance of a difference as large where there is none, allowing for all figures.
    pub by_luck: Option<f64>,
    /// A true difference of this size would be told nine times in ten.
    pub tells_from: Option<f64>,
    /// More sessions like these on each side after which a difference of this size would be told; `None`: it is told, or
    /// more than a hundred.
    pub more_sessions_each: Option<u64>,
    /// What both were matched by; `None`: by nothing.
    pub matched_by: Option<MatchedBy>,
    /// Seconds, or values, behind the first side.
    pub samples_before: u64,
    /// Behind the second.
    pub samples_after: u64,
    /// Why it is not judged.
    pub why_not: Option<NotCompared>,
}

/// Why a figure cannot be held against its like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NotCompared {
    /// The first side does not have it.
    NotBefore,
    /// The second does not.
    NotAfter,
    /// Neither distance nor level is known in both.
    NothingToMatchBy,
    /// Nowhere the same distance, direction or level on both sides.
    NothingInCommon,
    /// Too few stretches at several places.
    FewPlaces,
    /// One side never left the ground.
    GroundAndTrips,
    /// Levels are in dBm on one side, in device units on the other.
    OtherUnits,
    /// Marks on one side, packets on the other.
    MarksAndPackets,
    /// A clock is aligned one way only.
    OneWayClock,
    /// Too few losses of the input: four are needed on each side.
    FewDrills,
    /// One session says nothing of how it varies: more are needed on each side.
    FewSessions {
        /// So many.
        needed: u64,
    },
}

/// The distance that a level's difference is worth.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ReachDifference {
    /// Of which link.
    pub link: String,
    /// So much farther (nearer: negative), by the fitted fall of the level.
    pub gained_m: f64,
    /// At this distance.
    pub at_m: f64,
}

/// One session.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ComparedSessionRow {
    /// Its file.
    pub session: String,
    /// `before` or `after`; `None` of sessions over time.
    pub side: Option<&'static str>,
    /// When it began.
    pub began_utc: Option<String>,
    /// Its tags.
    pub session_tags: BTreeMap<String, String>,
    /// Farthest distance.
    pub farthest_m: Option<f64>,
    /// Median latency from stick to servo.
    pub stick_to_servo_p50_ms: Option<f64>,
    /// Each link.
    pub link_rows: Vec<ComparedLinkRow>,
}

/// One link of one session.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ComparedLinkRow {
    /// Its name.
    pub link_name: String,
    /// Its level against the mean of these sessions at the same distances and directions.
    pub level_beside: Option<f64>,
    /// Unit of that: `db` or `raw`.
    pub level_unit: Option<&'static str>,
    /// Share of lost frames or packets, wherever it was.
    pub lost_ratio: Option<f64>,
    /// Freezes of the whole session.
    pub freeze_count: Option<u64>,
}
