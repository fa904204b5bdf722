//! Monotone fits: pool adjacent violators.
