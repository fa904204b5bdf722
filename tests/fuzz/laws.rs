//! The laws of `tests/laws/`, for the targets.

#[path = "../laws/mod.rs"]
pub mod laws;
