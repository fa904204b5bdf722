//! Lines, curves and steps through points.

pub mod ancova;
pub mod isotonic;
pub mod local_trend;
pub mod logistic;
pub mod lower_hull;
pub mod matched_effects;
pub mod path_loss;
pub mod symmetric;
pub mod theil_sen;
