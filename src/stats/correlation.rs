//! Lag of the greatest cross-correlation.
