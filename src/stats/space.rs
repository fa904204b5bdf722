//! Distances on the ground and the theory of a radio path.

pub mod geodesic;
pub mod propagation;
