//! Reports out of a summary: text and JSON.
