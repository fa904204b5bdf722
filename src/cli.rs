//! What was typed, and then what it means.
