//! Resampling with a fixed seed.
