//! Wiring: sources, session, recorder, history, then screens or reports.
