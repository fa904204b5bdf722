//! What a link should do on paper: the `budget` table of a link in the profile.
//!
//! Values that cannot be meant (a frequency in gigahertz, a height below ground) are refused where
//! they stand, so that the message has key and line.

use serde::{Deserialize, Deserializer};

use super::checked::within;

/// A link's powers, gains, losses and heights, as their makers and the builder say.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BudgetProfile {
    /// Frequency, megahertz.
    #[serde(deserialize_with = "frequency_mhz")]
    pub frequency_mhz: f64,
    /// Transmitter power, dBm.
    #[serde(deserialize_with = "power_dbm")]
    pub tx_power_dbm: f64,
    /// Gain of the sending antenna, dBi.
    #[serde(deserialize_with = "gain_dbi")]
    pub tx_gain_dbi: f64,
    /// Gain of the receiving antenna, dBi.
    #[serde(deserialize_with = "gain_dbi")]
    pub rx_gain_dbi: f64,
    /// Cables, connectors, polarisation, at both ends together, dB.
    #[serde(default, deserialize_with = "losses_db")]
    pub losses_db: f64,
    /// The level that the receiver needs, as its maker says, dBm.
    #[serde(default, deserialize_with = "sensitivity_dbm")]
    pub sensitivity_dbm: Option<f64>,
    /// Height of the handset's antenna above ground, m.
    #[serde(default, deserialize_with = "height_m")]
    pub ground_height_m: Option<f64>,
    /// Height of the vehicle's antenna above ground, m.
    #[serde(default, deserialize_with = "height_m")]
    pub vehicle_height_m: Option<f64>,
}

fn frequency_mhz<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    within(
        from,
        10.0,
        300_000.0,
        "is no frequency of such a link: give frequency_mhz in megahertz, such as 5800",
    )
}

fn power_dbm<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    within(from, -50.0, 60.0, "is no power of such a link: give tx_power_dbm in dBm, 20 for 100 mW")
}

fn gain_dbi<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    within(from, -40.0, 60.0, "is no gain of an antenna: give it in dBi, -40 to 60")
}

fn losses_db<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    within(from, 0.0, 100.0, "cannot be: give losses_db as decibels lost, 0 or more")
}

fn sensitivity_dbm<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    within(from, -180.0, 0.0, "is no sensitivity: give sensitivity_dbm in dBm, below 0, such as -90")
        .map(Some)
}

fn height_m<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    within(from, 0.01, 20_000.0, "is no height of an antenna: give metres above ground, more than 0")
        .map(Some)
}
