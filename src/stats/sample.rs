//! Samples, counts and means, with their uncertainty.

pub mod bootstrap;
pub mod mean_uncertainty;
pub mod multiplicity;
pub mod poisson;
pub mod proportion;
pub mod quantile;
pub mod two_sample;
