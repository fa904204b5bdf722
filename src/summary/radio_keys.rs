//! Part of the machine-readable summary, schema 1: keys may be added, none renamed.
//!
//! Levels, and the thresholds that earlier sessions showed.

use serde::{Deserialize, Serialize};

use crate::profile::LimitEvent;
use crate::units::LevelUnit;

use super::{Interval, Report, SignalDirection};

/// Levels of one radio in one direction.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SignalSummary {
    /// The link of the profile, if one names this radio.
    pub link: Option<String>,
    /// System id; `None` where the level is no MAVLink sender's.
    pub system: Option<u8>,
    /// Component id.
    pub component: Option<u8>,
    /// Address of the transmitter, or name of the card, where the level is no MAVLink sender's.
    #[serde(default)]
    pub radio: Option<String>,
    /// The receiver's antenna, where levels are given for each.
    #[serde(default)]
    pub antenna: Option<u8>,
    /// What the levels came in.
    pub source: Report,
    /// Which way the signal went.
    pub direction: SignalDirection,
    /// Unit of the levels.
    pub unit: LevelUnit,
    /// Known samples.
    pub samples: u64,
    /// Median level.
    pub median: Option<f64>,
    /// 5th percentile.
    pub p05: Option<f64>,
    /// Smallest.
    pub min: Option<f64>,
    /// Median noise level.
    pub noise_median: Option<f64>,
    /// Median of level less noise; `None` in device units.
    pub snr_median_db: Option<f64>,
}

impl SignalSummary {
    /// The same in few letters: an address by its last two bytes, `#` before the antenna.
    #[must_use]
    pub fn short_name(&self) -> String {
        let name = match (&self.radio, self.system, self.component) {
            (Some(radio), ..) => {
                if radio.len() == 17 { radio.get(12..) } else { None }.unwrap_or(radio).to_owned()
            }
            (None, Some(system), Some(component)) => format!("{system}/{component}"),
            _ => String::new(),
        };
        self.antenna.map_or(name.clone(), |antenna| format!("{name}#{antenna}"))
    }

    /// What the radio is called on screens and in reports.
    #[must_use]
    pub fn radio_name(&self) -> String {
        let name = match (&self.radio, self.system, self.component) {
            (Some(radio), ..) => radio.clone(),
            (None, Some(system), Some(component)) => format!("radio {system}/{component}"),
            _ => "radio".to_owned(),
        };
        self.antenna.map_or(name.clone(), |antenna| format!("{name} antenna {antenna}"))
    }
}

/// A link's threshold from earlier sessions: where a freeze (video), loss over 5 % (telemetry) or a hold
/// (control) begins.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Threshold {
    /// The link.
    pub link: String,
    /// Unit of the levels.
    pub unit: LevelUnit,
    /// Level with an even chance of a freeze per second.
    pub level_p50: Option<f64>,
    /// Level with a 5 % chance of a freeze per second: the limit that margins are counted from.
    pub level_p05: f64,
    /// Its interval.
    pub level_p05_ci95: Option<Interval>,
    /// Level that warnings are counted from: the safe end of the interval with few sessions or freezes behind it,
    /// else `level_p05`. `None`: not told, as in older recordings.
    #[serde(default)]
    pub warns_at: Option<f64>,
    /// Chance per second of a freeze that has nothing to do with the level.
    pub base: Option<f64>,
    /// Sessions behind it.
    pub sessions: u64,
    /// Freezes (or beginnings of loss, or holds) behind it.
    pub freezes: u64,
    /// `logistic` or `isotonic`.
    pub method: String,
    /// What begins there: `freeze`, `loss` (over 5 % of a second's frames, two at least) or `hold`.
    #[serde(default)]
    pub event: LimitEvent,
    /// `rtp` or `marks`, `sequence`, `holds`.
    #[serde(default)]
    pub source: String,
    /// Freezes that were judged not the radio's, and left out.
    #[serde(default)]
    pub left_out: u64,
    /// What its reader should know, such as that it rests on one session alone.
    #[serde(default)]
    pub note: Option<String>,
    /// Whether the sessions agree; `None` where fewer than two have a say.
    #[serde(default)]
    pub agreement: Option<ThresholdAgreement>,
    /// Each session's own level, oldest first; the newest 32 where there are more.
    #[serde(default)]
    pub each: Vec<ThresholdSession>,
}

impl Threshold {
    /// The level that warnings are counted from.
    #[must_use]
    pub fn warning_level(&self) -> f64 {
        self.warns_at.unwrap_or(self.level_p05)
    }
}

/// One session's own say of a threshold.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ThresholdSession {
    /// First ten characters of its recording's hash.
    pub session: String,
    /// When it began; `None`: unknown.
    pub start_utc: Option<String>,
    /// Its own level, with the slope and base of all; `None` where it says nothing of it.
    pub level_p05: Option<f64>,
    /// Its standard error.
    pub error: Option<f64>,
    /// Its freezes.
    pub freezes: u64,
    /// It lies apart from the others, by more than chance.
    pub outlier: bool,
}

/// Whether the sessions behind a threshold agree.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ThresholdAgreement {
    /// `agree`, `differ`, `outlier` or `drift`.
    pub word: String,
    /// Chance of differences as large where all sessions have one threshold.
    pub p: f64,
    /// Sessions compared, less one.
    pub degrees: u64,
    /// Change of the level from one session to the next.
    pub drift_per_session: Option<f64>,
    /// Chance of a drift as large where there is none.
    pub drift_p: Option<f64>,
    /// In plain words.
    pub text: String,
}
