//! Distributions of what is known only within intervals.

pub mod distinct_sets;
pub mod ems;
pub mod turnbull;
