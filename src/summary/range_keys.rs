//! Level and loss over distance, heading and height, and how far is proven.

use serde::{Deserialize, Serialize};

use crate::units::LevelUnit;

use super::{Interval, Origin, ProofWord, Reason, TheoryLimit};

/// Level against distance, and how far is proven.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RangeSummary {
    /// The link.
    pub link: String,
    /// Unit of the levels; `None` where the link has no level.
    pub unit: Option<LevelUnit>,
    /// Where the handset's position comes from; `None`: unknown, then no distances.
    pub origin: Option<Origin>,
    /// Level samples with a distance of 10 m or more.
    pub samples: u64,
    /// Seconds without position or level.
    pub seconds_excluded: u64,
    /// Fixes of vehicle or handset that lay far from their neighbours and from what the speed allows: in no distance.
    #[serde(default)]
    pub fixes_left_out: u64,
    /// Up to here the level tops out: from here on the line is fitted; `None`: it does not.
    #[serde(default)]
    pub saturated_to_m: Option<f64>,
    /// Seconds of level and distance that are left out of the line for that.
    #[serde(default)]
    pub saturated_s: Option<u64>,
    /// Path-loss exponent; `None` in device units.
    pub path_loss_exponent: Option<f64>,
    /// Its interval.
    pub path_loss_exponent_ci95: Option<Interval>,
    /// Fitted level at 1 m.
    pub level_at_1m: Option<f64>,
    /// Robust spread of the residuals; `None` in device units.
    pub shadowing_sigma_db: Option<f64>,
    /// Farthest fix seen.
    pub max_distance_m: Option<f64>,
    /// Far edge of the last bin before the first that fails.
    pub proven_m: Option<f64>,
    /// Seconds of data behind it.
    pub proven_s: Option<f64>,
    /// Times that the vehicle went out into the last proven bin and left it again.
    #[serde(default)]
    pub proven_passes: Option<u64>,
    /// What ended the proof.
    #[serde(default)]
    pub proof_end: Option<ProofEnd>,
    /// From the profile.
    pub claimed_m: Option<f64>,
    /// Where the fitted median level meets the freeze threshold.
    pub predicted_freeze_m: Option<f64>,
    /// Its interval.
    pub predicted_freeze_ci95_m: Option<Interval>,
    /// Where a freeze within 10 s has an even chance.
    pub first_freeze_expected_m: Option<f64>,
    /// How much farther the predicted freeze would lie with 3 dB more level: an estimate, by the fit.
    #[serde(default)]
    pub plus_3db_m: Option<f64>,
    /// Its interval.
    #[serde(default)]
    pub plus_3db_ci95_m: Option<Interval>,
    /// What theory claims, and what was seen against it; `None` without a budget in the profile.
    #[serde(default)]
    pub theory: Option<RangeTheory>,
    /// Against the direction of the handset as seen from the vehicle's nose; `None` without headings.
    #[serde(default)]
    pub heading: Option<HeadingSummary>,
    /// Against the height above the handset; `None` without positions.
    #[serde(default)]
    pub height: Option<HeightSummary>,
}

/// What ended the proof.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ProofEnd {
    /// Near edge of the bin.
    pub from_m: f64,
    /// Its far edge.
    pub to_m: f64,
    /// What was there.
    pub why: ProofWord,
}

/// Theory beside what was seen.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RangeTheory {
    /// What the range is counted to.
    pub limit: Option<TheoryLimit>,
    /// That level.
    pub limit_level: Option<f64>,
    /// Where free space reaches it.
    pub free_space_m: Option<f64>,
    /// Where two rays over flat ground reach it.
    pub two_ray_m: Option<f64>,
    /// The middle of the distances flown, geometric: there the levels are compared.
    pub compared_at_m: Option<f64>,
    /// The fitted level there, below what free space claims.
    pub below_free_space_db: Option<f64>,
    /// Its interval.
    pub below_free_space_ci95_db: Option<Interval>,
}

/// What one sector or layer showed, against the others, the distance taken out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Aspect {
    /// Seconds with a level.
    pub seconds: u64,
    /// How often the handset came to lie there; 2 are needed for a figure.
    pub passes: u64,
    /// Times of their own: blocks of at least 3 correlation times.
    pub blocks: u64,
    /// Median distance.
    pub distance_m: Option<f64>,
    /// Level above (below: negative) the others at the same distance, in the unit of the levels.
    pub level_against_others: Option<f64>,
    /// Its interval; it holds for all sectors (layers) together.
    pub level_against_others_ci95: Option<Interval>,
    /// Lost share.
    pub loss_ratio: Option<f64>,
    /// Its interval.
    pub loss_ci95: Option<Interval>,
    /// Seconds with a frozen picture; `None`: not watched.
    pub frozen_s: Option<u64>,
    /// A null: surely below the others, and by 3 dB or more.
    pub null: bool,
}

/// One direction of the handset as seen from the vehicle's nose, clockwise from above.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Sector {
    /// From here; 345 to 15 is straight ahead.
    pub from_deg: f64,
    /// To here.
    pub to_deg: f64,
    /// What it showed.
    #[serde(flatten)]
    pub aspect: Aspect,
}

/// All directions.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct HeadingSummary {
    /// Those in which the handset lay, from straight ahead on.
    pub sectors: Vec<Sector>,
    /// Why no sector is held against the others, and what to do.
    #[serde(skip_deserializing)]
    pub missing: Option<Reason>,
}

/// One layer of height above the handset.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Layer {
    /// From here.
    pub from_m: f64,
    /// To here.
    pub to_m: f64,
    /// What it showed.
    #[serde(flatten)]
    pub aspect: Aspect,
}

/// All layers.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct HeightSummary {
    /// Those that were flown, from below.
    pub layers: Vec<Layer>,
    /// Why no layer is held against the others, and what to do.
    #[serde(skip_deserializing)]
    pub missing: Option<Reason>,
}
