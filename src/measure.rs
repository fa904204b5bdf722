//! The figures, each in its own file: `observe` takes samples, `summary` gives the figure.

pub mod attitude;
pub mod claims;
pub mod context;
pub mod failsafe;
pub mod glass_to_glass;
pub mod health;
pub mod latency;
pub mod life;
pub mod loss;
pub mod own_reports;
pub mod position;
pub mod power;
pub mod roles;
mod sequence_numbers;
pub mod series;
pub mod signal;
pub mod stick_channels;
pub mod timing;
pub mod vibration;
pub mod video;
pub mod wifi_transmitters;
