//! Fadewatch: how far can this handset and its video link be relied on?
//!
//! ```text
//! bytes ──> wire ──> measure ──> judge ──> monitor ──> Snapshot, Summary ──> screens, reports
//! ```
//!
//! Bytes are stamped once, on arrival; recorder and core get the same entries in
//! the same order; screens and reports only scale and format.
//!
//! A recording's figures, without a screen:
//!
//! ```
//! use std::path::Path;
//!
//! use fadewatch::{LinkMonitor, Profile, Recording};
//!
//! let profile = Profile::parse(&std::fs::read_to_string("recordings/orchard-profile.toml")?)?;
//! let recording = Recording::open(Path::new("recordings/orchard-1.pcapng"))?;
//! let mut monitor = LinkMonitor::new(profile.into(), [].into());
//! let mut cursor = recording.cursor();
//! while let Some(entry) = recording.next(&mut cursor) {
//!     monitor.handle(&entry);
//! }
//! let summary = monitor.summary(&recording.facts(&cursor));
//! let video = summary.video.expect("the session has a picture");
//! println!("the picture froze {} times", video.freezes);
//! # assert!(video.packets.is_some_and(|packets| packets > 1000) && summary.framing.frames > 1000);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! The rooms, each naming only what stands below it (`tests/architecture.rs` reads the imports):
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
//! | `monitor` | `LinkMonitor`: hand on, tick, summarise, picture |
//! | `judge` | range, evidence, freeze-level model, margin, verdicts |
//! | `measure` | one meter a question: loss, latency, signal, video, vibration, power, failsafe |
//! | `clocks` | a sender's boot clock: unwrapping, restarts, alignment |
//! | `wire` | bytes to typed, stamped messages, and what tells them apart |
//! | `stats` | estimators that know nothing of radios |
//! | `summary`, `snapshot` | the public JSON; what screens draw |
//! | `profile`, `record` | what the builder says; what flows |
//! | `units`, `clock` | newtypes; the only reader of system clocks |

#![cfg_attr(not(feature = "internals"), allow(unreachable_pub, reason = "rooms are open to tests alone"))]
// A terminal that was closed makes a panic of it.
#![warn(clippy::print_stderr)]

// Tests, benches and examples look into the rooms; a user of the library sees the face below, and so does the
// compiler when it looks for code that nobody uses.
#[cfg(not(feature = "internals"))]
mod capture;
#[cfg(not(feature = "internals"))]
mod cli;
#[cfg(not(feature = "internals"))]
mod clock;
#[cfg(not(feature = "internals"))]
mod clocks;
#[cfg(not(feature = "internals"))]
mod history;
#[cfg(not(feature = "internals"))]
mod judge;
#[cfg(not(feature = "internals"))]
mod measure;
#[cfg(not(feature = "internals"))]
mod monitor;
#[cfg(not(feature = "internals"))]
mod profile;
#[cfg(not(feature = "internals"))]
mod record;
#[cfg(not(feature = "internals"))]
mod report;
#[cfg(not(feature = "internals"))]
mod run;
#[cfg(not(feature = "internals"))]
mod session;
#[cfg(not(feature = "internals"))]
mod simulate;
#[cfg(not(feature = "internals"))]
mod snapshot;
#[cfg(not(feature = "internals"))]
mod source;
#[cfg(not(feature = "internals"))]
mod stats;
#[cfg(not(feature = "internals"))]
mod summary;
#[cfg(not(feature = "internals"))]
mod tui;
#[cfg(not(feature = "internals"))]
mod units;
#[cfg(not(feature = "internals"))]
mod wire;
#[cfg(not(feature = "internals"))]
mod wording;

#[cfg(feature = "internals")]
pub mod capture;
#[cfg(feature = "internals")]
pub mod cli;
#[cfg(feature = "internals")]
pub mod clock;
#[cfg(feature = "internals")]
pub mod clocks;
#[cfg(feature = "internals")]
pub mod history;
#[cfg(feature = "internals")]
pub mod judge;
#[cfg(feature = "internals")]
pub mod measure;
#[cfg(feature = "internals")]
pub mod monitor;
#[cfg(feature = "internals")]
pub mod profile;
#[cfg(feature = "internals")]
pub mod record;
#[cfg(feature = "internals")]
pub mod report;
#[cfg(feature = "internals")]
pub mod run;
#[cfg(feature = "internals")]
pub mod session;
#[cfg(feature = "internals")]
pub mod simulate;
#[cfg(feature = "internals")]
pub mod snapshot;
#[cfg(feature = "internals")]
pub mod source;
#[cfg(feature = "internals")]
pub mod stats;
#[cfg(feature = "internals")]
pub mod summary;
#[cfg(feature = "internals")]
pub mod tui;
#[cfg(feature = "internals")]
pub mod units;
#[cfg(feature = "internals")]
pub mod wire;
#[cfg(feature = "internals")]
pub mod wording;

pub use capture::{CaptureError, Cursor, Recording};
pub use monitor::{LinkMonitor, RecordingFacts};
pub use profile::{LinkProfile, LinkRole, Profile, ProfileError};
pub use record::{Body, Direction, Entry, Record};
#[doc(hidden)]
pub use run::start;
pub use summary::{
    Earlier, EventSummary, FailsafeSummary, Framing, Freeze, LatencyStage, LatencySummary, LinkSummary,
    PowerSummary, RangeSummary, RecordingSummary, SignalSummary, Stream, Summary, Threshold, Verdict,
    VibrationSummary, VideoSummary,
};
pub use units::Nanos;
