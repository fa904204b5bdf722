//! Fadewatch: how far can this handset and its video link be relied on?
//!
//! ```text
//! bytes ──> wire ──> measure ──> judge ──> monitor ──> Snapshot, Summary ──> screens, reports
//! ```
//!
//! Bytes are stamped once, on arrival; recorder and core get the same entries in
//! the same order; screens and reports only scale and format. The rooms, each naming only what
//! stands below it (`tests/architecture.rs` reads the imports):
//!
//! | room | holds |
//! | --- | --- |
//! | `cli`, `run` | what was typed, what each command wires together |
//! | `tui` | terminal, keys, pages, widgets |
//! | `report` | text and JSON |
//! | `wording` | every sentence and quantity that a person reads |
//! | `session` | live and replay: who feeds the monitor, who publishes pictures |
//! | `history` | earlier sessions in SQLite |
//! | `source`, `capture` | bytes in, stamped; recordings in and out |
//! | `simulate` | scenarios with a known truth; names nothing of the core |
//! | [`monitor`] | `LinkMonitor`: hand on, tick, summarise, picture |
//! | `judge` | range, evidence, freeze-level model, margin, verdicts |
//! | `measure` | one meter a question: loss, latency, signal, video, vibration, power, failsafe |
//! | `clocks` | a sender's boot clock: unwrapping, restarts, alignment |
//! | `wire` | bytes to typed, stamped messages, and what tells them apart |
//! | `stats` | estimators that know nothing of radios |
//! | [`summary`], `snapshot` | the public JSON; what screens draw |
//! | [`profile`], [`record`] | what the builder says; what flows |
//! | [`units`], `clock` | newtypes; the only reader of system clocks |

pub mod capture;
pub mod cli;
pub mod clock;
pub mod clocks;
pub mod history;
pub mod judge;
pub mod measure;
pub mod monitor;
pub mod profile;
pub mod record;
pub mod report;
pub mod run;
pub mod session;
pub mod simulate;
pub mod snapshot;
pub mod source;
pub mod stats;
pub mod summary;
pub mod tui;
pub mod units;
pub mod wire;
pub mod wording;
