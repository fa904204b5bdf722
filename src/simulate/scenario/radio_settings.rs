//! Radios of a scenario, and what happens on their way.

use serde::Deserialize;

use super::{FarEnd, GoesOn};

/// What a radio carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Carries {
    /// Sticks to the vehicle.
    Control,
    /// The picture.
    Video,
    /// Telemetry.
    Telemetry,
}

/// A radio pair.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Radio {
    /// What it carries; the first of a kind counts.
    pub carries: Carries,
    /// System id of its reports.
    pub system: u8,
    /// Component id of its reports.
    pub component: u8,
    /// The reporting end is in the vehicle: its reports come by telemetry.
    #[serde(default)]
    pub on_vehicle: bool,
    /// Reports a second.
    pub report_hz: f64,
    /// Path-loss exponent.
    pub exponent: f64,
    /// Median level received at the ground, at 1 m.
    pub level_at_1m: f64,
    /// Standard deviation of the shadowing.
    pub sigma_db: f64,
    /// Its correlation time; 0: time brings no change.
    #[serde(default)]
    pub correlation_s: f64,
    /// Its correlation length along the way; 0: way brings no change.
    #[serde(default)]
    pub correlation_m: f64,
    /// Fast fading: standard deviation of each report beside its neighbours.
    #[serde(default)]
    pub fading_db: f64,
    /// The uplink is this much stronger than the downlink.
    #[serde(default)]
    pub uplink_db: f64,
    /// Noise floor.
    pub noise_dbm: f64,
    /// dBm a device unit.
    pub slope_db: f64,
    /// Level at device unit 0.
    pub offset_dbm: f64,
    /// What it reports while its far end is off.
    #[serde(default)]
    pub goes_on: GoesOn,
    /// Whose battery its far end hangs on.
    #[serde(default)]
    pub far_end: FarEnd,
    /// Attenuators put in and taken out (from, to, dB), both ways.
    #[serde(default)]
    pub attenuator: Vec<[f64; 3]>,
}

impl Radio {
    /// What attenuators take away.
    pub(crate) fn attenuated_db(&self, at_s: f64) -> f64 {
        let put_in = self.attenuator.iter().filter(|put| (put[0]..put[1]).contains(&at_s));
        put_in.map(|put| put[2]).sum()
    }
}

/// What happens to telemetry on its way.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Telemetry {
    /// Least one-way delay to the ground.
    pub down_ms: f64,
    /// Least one-way delay to the vehicle.
    pub up_ms: f64,
    /// Mean of the exponential part on top, both ways.
    pub extra_ms: f64,
    /// Loss.
    pub loss: Loss,
    /// Share of frames that arrive twice.
    pub duplicates: f64,
    /// Share of frames that are overtaken.
    pub reordered: f64,
    /// Frames are handed on together, this often; 0: each by itself.
    pub burst_ms: f64,
}

impl Default for Telemetry {
    fn default() -> Self {
        Self {
            down_ms: 8.0,
            up_ms: 8.0,
            extra_ms: 2.0,
            loss: Loss::default(),
            duplicates: 0.0,
            reordered: 0.0,
            burst_ms: 0.0,
        }
    }
}

/// Loss in bursts (Gilbert 1960), its ratio following the level.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Loss {
    /// Ratio at any level.
    pub fixed: f64,
    /// Level at which half is lost; none: the level has no say.
    pub p50_dbm: Option<f64>,
    /// Width of the logistic.
    pub scale_db: f64,
    /// Mean length of a burst, frames.
    pub burst: f64,
}

impl Default for Loss {
    fn default() -> Self {
        Self { fixed: 0.0, p50_dbm: None, scale_db: 1.5, burst: 1.0 }
    }
}
