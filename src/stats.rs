//! Estimators that know nothing of radios, each with its oracle test.

pub mod censored;
pub mod curve_fit;
pub mod heard_table;
pub mod sample;
pub mod space;
pub mod time_series;
