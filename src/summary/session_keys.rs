//! Part of the machine-readable summary, schema 1: keys may be added, none renamed.
//!
//! How the session went, of each link and as a whole, as data; `text` is added when the object is written (see
//! `wording/session_sentence.rs`).

use crate::units::LevelUnit;

use super::{LastPlace, SessionWord};

/// What the silence at the end of a session means.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LostWord {
    /// There is none, or it says nothing.
    #[default]
    No,
    /// The vehicle is silent, and nothing tells why.
    Unknown,
    /// The vehicle is lost.
    Lost,
}

/// Why a link, or the session, is judged as it is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum SessionReason {
    /// It did its work.
    Worked,
    /// It failed for long, or again and again.
    Failures,
    /// The vehicle was lost over it.
    Lost,
    /// There was no trip.
    GroundOnly,
    /// A level alone was seen, no data.
    NoData,
    /// It worked for less of trips than is needed.
    TooShort {
        /// So much is needed.
        needed_s: u32,
    },
    /// Nothing of it ever came.
    #[default]
    NeverHeard,
}

/// How a link did in the session's trips, or the session as a whole.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SessionVerdict {
    /// A link's name, or `session`.
    pub about: String,
    /// In one word.
    pub word: SessionWord,
    /// Why.
    pub why: SessionReason,
    /// Of the whole: each link and its word.
    pub links: Vec<(String, SessionWord)>,
    /// The sentence of a summary that was written earlier.
    pub written: Option<String>,
    /// Failures in trips, those that overlap as one; of the whole: of all links.
    pub failures: u64,
    /// How long they lasted in all; `None` where a person marked them. Of the whole: any link.
    pub failed_s: Option<f64>,
    /// The longest.
    pub longest_s: Option<f64>,
    /// The nearest distance at which one began that made it fail.
    pub from_distance_m: Option<f64>,
    /// The strongest level at which one began that made it fail.
    pub from_level: Option<f64>,
    /// Unit of levels.
    pub unit: Option<LevelUnit>,
    /// Trips that are judged; `None` without an autopilot: all of the session is.
    pub trips: Option<u64>,
    /// How long it worked in trips; `None` of the whole.
    pub worked_s: Option<f64>,
    /// How far it is proven.
    pub worked_to_m: Option<f64>,
    /// The least margin of a trip.
    pub margin_min: Option<f64>,
    /// What the silence at the end means, and where the vehicle was last.
    pub lost: (LostWord, LastPlace),
}
