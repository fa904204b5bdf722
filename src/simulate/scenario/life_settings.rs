//! What is switched on and off in a scenario, who is carried where, and how the recording ends.
//!
//! A list of spells (from, to), in seconds, says when something is on; where the list is absent it is on all
//! along, where it is empty never. A spell that begins after the session's start is a start of its own: clocks
//! and numbers begin again as the keys beside it say.

use serde::Deserialize;

/// Spells in which something is on; absent: all along.
pub(crate) type Spells = Option<Vec<[f64; 2]>>;

/// Whether something is on.
pub(crate) fn is_on(spells: &Spells, at_s: f64) -> bool {
    spells.as_ref().is_none_or(|all| all.iter().any(|spell| (spell[0]..spell[1]).contains(&at_s)))
}

/// How often it was started within the session, up to an instant, and when last.
pub(crate) fn starts(spells: &Spells, at_s: f64) -> (usize, Option<f64>) {
    let all = spells.iter().flatten().map(|spell| spell[0]);
    let begun = all.filter(|&from_s| from_s > 0.0 && from_s <= at_s);
    begun.fold((0, None), |(count, last), from_s| {
        (count + 1, Some(last.map_or(from_s, |l: f64| l.max(from_s))))
    })
}

/// When it was switched off last, before an instant.
pub(crate) fn last_off(spells: &Spells, at_s: f64) -> Option<f64> {
    spells.iter().flatten().map(|spell| spell[1]).filter(|&to_s| to_s <= at_s).reduce(f64::max)
}

/// What a radio at the ground reports while its far end is off.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum GoesOn {
    /// Its last levels, again and again.
    #[default]
    Last,
    /// Its own noise, and nothing of the far end.
    Noise,
    /// Nothing.
    None,
}

/// Whose battery the far end of a radio hangs on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum FarEnd {
    /// The vehicle's.
    #[default]
    Vehicle,
    /// The camera's.
    Camera,
}

/// How a camera that was off numbers its packets.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Numbering {
    /// Under a new SSRC, numbers and clock anew.
    #[default]
    New,
    /// Under the same SSRC, numbers and clock from the start.
    Anew,
    /// Under the same SSRC, numbers and clock going on.
    On,
}

/// Whether and how the handset tells where it is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum HandsetFix {
    /// It does not.
    #[default]
    None,
    /// GPS_RAW_INT, once a second.
    Gps,
    /// GLOBAL_POSITION_INT, once a second.
    Position,
}

/// Way of the handset; without waypoints it stands at the scenario's place.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct HandsetWay {
    /// Second, metres north, east and up of the place; straight between them.
    pub waypoints: Vec<[f64; 4]>,
    /// Whether it tells where it is.
    pub fix: HandsetFix,
}

/// A source of the recorder.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Source {
    /// What carries the vehicle's telemetry.
    Vehicle,
    /// What carries the handset's messages.
    Handset,
    /// What carries the video.
    Video,
}

/// A source that is unplugged and, maybe, plugged in again.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Unplugged {
    /// Which.
    pub source: Source,
    /// From here.
    pub from_s: f64,
    /// To here; beyond the end: not again.
    pub to_s: f64,
}

/// The recorder.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Recorder {
    /// It writes its end; false: it was killed.
    pub end_note: bool,
    /// Sources that went away.
    pub unplugged: Vec<Unplugged>,
}

impl Default for Recorder {
    fn default() -> Self {
        Self { end_note: true, unplugged: Vec::new() }
    }
}
