//! Scenarios with a known truth, as stamped bytes.
