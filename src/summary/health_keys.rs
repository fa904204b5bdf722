//! Part of the machine-readable summary, schema 1: keys may be added, none renamed.
//!
//! How this computer itself did.

use serde::{Deserialize, Serialize};

use super::HostStrain;

impl HostStrain {
    /// All of them, in their order.
    pub const ALL: [Self; 5] = [Self::Hot, Self::Throttled, Self::Undervoltage, Self::Memory, Self::Disk];
}

/// A part of this computer near its own limit.
#[derive(Clone, Debug, PartialEq)]
pub struct Heat {
    /// The part.
    pub part: String,
    /// How warm it is, degrees Celsius.
    pub celsius: f64,
    /// Its own limit, degrees Celsius.
    pub limit: f64,
}

/// What strains this computer now.
#[derive(Clone, Debug, PartialEq)]
pub struct Strained {
    /// What.
    pub strain: HostStrain,
    /// The part, where one is hot.
    pub heat: Option<Heat>,
}

/// One sensor of this computer.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PartTemperature {
    /// The part, in the kernel's words.
    pub part: String,
    /// The highest of two readings in a row, degrees Celsius.
    pub max_c: f64,
    /// Its own limit.
    pub limit_c: Option<f64>,
}

/// What supplies this computer.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct HostSupply {
    /// Its name, in the kernel's words.
    pub supply: String,
    /// Lowest voltage.
    pub low_v: Option<f64>,
    /// Charge at the first reading, 0 to 1.
    pub charge_start_ratio: Option<f64>,
    /// Charge at the last reading.
    pub charge_end_ratio: Option<f64>,
    /// It was discharging at the last reading.
    pub discharging: Option<bool>,
}

/// How this computer itself did.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct HealthSummary {
    /// Readings, about one a second.
    pub readings: u64,
    /// The sensors, the one nearest to its own limit first, then the warmest.
    pub temperatures: Vec<PartTemperature>,
    /// How long the processor was slowed down.
    pub throttled_s: Option<f64>,
    /// The highest clock allowed at the first reading, of the fastest processor.
    pub clock_start_mhz: Option<f64>,
    /// The lowest that was allowed later.
    pub clock_low_mhz: Option<f64>,
    /// How long a supply's own alarm said that its voltage was too low.
    pub supply_low_s: Option<f64>,
    /// What supplies it.
    pub supplies: Vec<HostSupply>,
    /// Share of the time in which some task waited for a processor.
    pub cpu_wait_ratio: Option<f64>,
    /// Share in which all tasks waited for memory.
    pub memory_wait_ratio: Option<f64>,
    /// Seconds in which they did so for a fifth of the time or more.
    pub memory_wait_s: Option<f64>,
    /// Share in which all tasks waited for a disk.
    pub disk_wait_ratio: Option<f64>,
    /// Seconds in which they did so for half of the last ten, or more.
    pub disk_wait_s: Option<f64>,
    /// Tasks that ran or waited: the largest mean of a minute.
    pub load_max: Option<f64>,
    /// Processors that could run them.
    pub processors: Option<u64>,
    /// The least memory that programs could have, million bytes.
    pub memory_low_mb: Option<f64>,
}
