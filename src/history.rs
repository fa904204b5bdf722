//! Earlier sessions in SQLite: what the threshold needs.
