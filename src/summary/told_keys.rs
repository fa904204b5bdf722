//! Part of the machine-readable output, schema 1: keys may be added, none renamed.
//!
//! What a session tells as it goes, one object each: what `--stream` prints.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::profile::LinkRole;
use crate::units::LevelUnit;

use super::{EventSummary, Phase, SessionVerdict, Verdict};

/// One thing that was told.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "what", rename_all = "lowercase")]
pub enum Told {
    /// The first record came.
    Begin(SessionBegin),
    /// A link stands otherwise than before.
    State(Box<StateChange>),
    /// Something happened.
    Event(ToldEvent),
    /// A whole second has passed.
    Second(SecondSummary),
    /// The reader did not keep up.
    Dropped(Dropped),
    /// The last record came.
    End(SessionTold),
}

/// How a session begins.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct SessionBegin {
    /// Of the first record; `None` where the file has no wall clock.
    pub start_utc: Option<String>,
    /// Session tags.
    pub tags: BTreeMap<String, String>,
}

/// A link that changed its state, or whose state was acknowledged, or rings no more since the vehicle is on the ground.
/// Written with the verdict's sentence as `text` (see `wording/advice.rs`).
#[derive(Clone, Debug, PartialEq)]
pub struct StateChange {
    /// When it was seen.
    pub at_s: f64,
    /// What the sentence is made of.
    pub verdict: Verdict,
    /// Its state before; `None`: it is told of for the first time.
    pub was: Option<&'static str>,
    /// The pilot knows of it.
    pub acknowledged: bool,
    /// On the ground: nothing rings.
    pub quiet: bool,
    /// How it stands in figures.
    pub link: LinkSecond,
}

/// An event, and when it was told.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ToldEvent {
    /// By then it was known.
    pub told_s: f64,
    /// It.
    #[serde(flatten)]
    pub event: EventSummary,
}

/// The figures of a whole second, as they were known at its end.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SecondSummary {
    /// Its end.
    pub at_s: f64,
    /// Where the vehicle is in its life.
    pub phase: Option<Phase>,
    /// From the handset, slant.
    pub distance_m: Option<f64>,
    /// One a link.
    pub links: Vec<LinkSecond>,
}

/// A link at an instant.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LinkSecond {
    /// Its name.
    pub link: String,
    /// What it is for.
    pub role: LinkRole,
    /// Its state in one word.
    pub state: &'static str,
    /// Its level.
    pub level: Option<f64>,
    /// Unit of level and margin; `None` where it has no level at all.
    pub unit: Option<LevelUnit>,
    /// Level less limit.
    pub margin: Option<f64>,
    /// Time until the limit.
    pub seconds_left: Option<f64>,
    /// Distance until it.
    pub metres_left: Option<f64>,
    /// Frames or packets of the last whole second; `None` where its traffic is not seen.
    pub received: Option<u32>,
    /// Lost in it; `None` also where no number tells.
    pub lost: Option<u32>,
    /// The picture stood, or the input held, in part of it; `None` where that is not measured.
    pub frozen: Option<bool>,
}

/// What is missing from a stream.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Dropped {
    /// Objects that were left out here.
    pub dropped: u64,
}

/// How a session ended.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SessionTold {
    /// The last record.
    pub at_s: f64,
    /// How it went.
    pub session_verdicts: Vec<SessionVerdict>,
}
