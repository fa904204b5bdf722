//! Loss periods and distances, RFC 3357, and a two-state burst model.
