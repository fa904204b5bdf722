//! The only reader of the system clocks.
