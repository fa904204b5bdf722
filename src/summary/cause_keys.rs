//! Part of the machine-readable summary, schema 1: keys may be added, none renamed.
//!
//! What lay behind bad pictures.

use serde::{Deserialize, Serialize};

use super::{BadPicture, PictureCause};

/// What lay behind the bad pictures of one kind.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PictureCauses {
    /// Which.
    pub what: BadPicture,
    /// How many.
    pub count: u64,
    /// What explains them: empty: none of what was looked at; `None`: it cannot be told.
    pub causes: Option<Vec<PictureCause>>,
    /// Two or more fit, and came together so that they cannot be told apart.
    pub together: bool,
    /// What the packets themselves show: the sender, or this computer.
    pub certain: Vec<CertainCause>,
    /// Each that was held against the other instants.
    pub weighed: Vec<WeighedCause>,
}

/// A cause that packets show.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CertainCause {
    /// Which.
    pub cause: PictureCause,
    /// Of how many bad pictures.
    pub count: u64,
}

/// A possible cause, held against the other instants of the session.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct WeighedCause {
    /// Which.
    pub cause: PictureCause,
    /// Whether it explains them; `None`: it cannot be told.
    pub told: Option<bool>,
    /// Bad pictures so far apart that each is a witness of its own.
    pub apart: u64,
    /// Share of the other instants that it was worse than, the mean of all; `None`: not measured.
    pub rank: Option<f64>,
    /// The chance that instants at random rank so high.
    pub chance: Option<f64>,
    /// The value at a bad picture, the median; radio: level, airframe: vibration, computer: share strained.
    pub at_bad: Option<f64>,
    /// The same of the other instants.
    pub otherwise: Option<f64>,
}
