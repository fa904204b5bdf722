//! The figures, each in its own file: `observe` takes samples, `summary` gives the figure.

pub mod air;
pub mod failsafe;
pub mod latency;
pub mod loss;
pub mod margin;
pub mod pose;
pub mod power;
pub mod range;
pub mod reports;
pub mod signal;
pub mod vibration;
pub mod video;
