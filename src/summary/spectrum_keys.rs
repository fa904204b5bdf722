//! Part of the machine-readable summary, schema 1: keys may be added, none renamed.
//!
//! The spectrum of the vehicle's inertial messages.

use serde::{Deserialize, Serialize};

use super::{AccelerationUnit, Axis, Interval, Reason};

/// The spectrum of one inertial sensor, of all that send the one with the most spectra.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct VibrationSpectrum {
    /// System id.
    pub system: u8,
    /// Component id.
    pub component: u8,
    /// The message that brings it.
    pub message: u32,
    /// Which sensor, as the message numbers them.
    pub instance: u8,
    /// Of levels.
    pub unit: AccelerationUnit,
    /// Samples a second, by the sender's own clock.
    pub rate_hz: Option<f64>,
    /// Two peaks nearer than this are one.
    pub resolution_hz: Option<f64>,
    /// Below it a peak cannot be told from the vehicle's own motion.
    pub lowest_hz: Option<f64>,
    /// Half the rate: what lies above is folded below it.
    pub highest_hz: Option<f64>,
    /// How many spectra peaks were looked for in.
    pub spectra: u64,
    /// Lowest and highest motor speed meanwhile, turns a second; `None`: none is told.
    pub motor_hz: Option<Interval>,
    /// The worst axis first; empty without a spectrum.
    pub axes: Vec<SpectrumAxis>,
    /// Why there is none.
    #[serde(skip_deserializing)]
    pub why_not: Option<Reason>,
}

/// One axis of a spectrum.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SpectrumAxis {
    /// Which.
    pub axis: Axis,
    /// Root of the mean square between the lowest and the highest frequency.
    pub rms: f64,
    /// Peaks that were followed over three spectra or more, the strongest first.
    pub peaks: Vec<FollowedPeak>,
}

/// A peak that was followed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FollowedPeak {
    /// Its mean frequency.
    pub mean_hz: f64,
    /// Lowest and highest.
    pub between_hz: Interval,
    /// Root of its mean square, over the floor.
    pub rms: f64,
    /// From its first spectrum.
    pub from_s: f64,
    /// To the end of its last.
    pub to_s: f64,
    /// Spectra that have it.
    pub spectra: u64,
    /// What multiple of the motor speed it is; `None`: none, or it cannot be told.
    pub motor: Option<MotorMultiple>,
}

/// A peak's multiple of the motor speed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct MotorMultiple {
    /// Times the turns a second.
    pub times: u8,
    /// It lies above the highest frequency and is seen folded below it.
    pub folded: bool,
}
