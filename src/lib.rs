//! Fadewatch: how far can this handset and its video link be relied on?
//!
//! ```text
//! source ──> record ──> capture (recorder)
//!               │
//!               └─────> link (pure core) ──> summary ──> report
//!                                       └──> snapshot ──> tui
//! ```
//!
//! Bytes are stamped once, on arrival; recorder and core get the same entries in
//! the same order; screens and reports only scale and format. Arrows never point back.

pub mod budget;
pub mod capture;
pub mod caution;
pub mod cli;
pub mod clock;
pub mod figure;
pub mod history;
pub mod link;
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
