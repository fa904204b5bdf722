//! Estimators that know nothing of radios, each with its oracle test.

pub mod ancova;
pub mod block_mean;
pub mod bootstrap;
pub mod change_point;
pub mod coincidence;
pub mod correlation;
pub mod distinct_sets;
pub mod ems;
pub mod geodesic;
pub mod heard_table;
pub mod isotonic;
pub mod local_trend;
pub mod logistic;
pub mod loss_runs;
pub mod lower_hull;
pub mod mean_uncertainty;
pub mod path_loss;
pub mod periodogram;
pub mod poisson;
pub mod propagation;
pub mod proportion;
pub mod quantile;
pub mod symmetric;
pub mod theil_sen;
pub mod tick_phase;
pub mod turnbull;
