//! Estimators that know nothing of radios, each with its oracle test.

pub mod bootstrap;
pub mod contrasts;
pub mod correlation;
pub mod geodesic;
pub mod hull;
pub mod isotonic;
pub mod lattice;
pub mod local_trend;
pub mod logistic;
pub mod loss_runs;
pub mod path_loss;
pub mod periodogram;
pub mod propagation;
pub mod proportion;
pub mod quantile;
pub mod smoothed;
pub mod symmetric;
pub mod theil_sen;
pub mod turnbull;
