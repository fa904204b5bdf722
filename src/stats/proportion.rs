//! Intervals for proportions, with and without bursts.
