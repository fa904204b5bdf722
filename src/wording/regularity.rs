//! How regularly things come, in words: half of the times, then the rare ones that a pilot sees as stutter.

use crate::record::text::clean;
use crate::summary::{TimingSummary, TimingWhat};

use super::quantity;

/// Whose times they are.
#[must_use]
pub fn name(row: &TimingSummary) -> String {
    let what = match row.what {
        TimingWhat::VideoFrame => return "from picture to picture".to_owned(),
        TimingWhat::RoundTrip => return "TIMESYNC round trip".to_owned(),
        TimingWhat::Lateness => "lateness",
        TimingWhat::Message => "messages",
    };
    let sender = row.system.zip(row.component).map(|(system, component)| format!(" of {system}/{component}"));
    let heard = row.interface.as_ref().map(|interface| format!(" on {}", clean(interface)));
    let from = row.endpoint.as_ref().map(|endpoint| format!(" from {endpoint}"));
    [Some(what.to_owned()), sender, heard, from].into_iter().flatten().collect()
}

/// A time from one to the next, `34 ms`, `2.4 s`.
#[must_use]
pub fn short(ms: f64) -> String {
    if ms < 999.5 { format!("{ms:.0} ms") } else { quantity::seconds(ms / 1000.0) }
}

/// The figures, each by itself.
#[must_use]
pub fn parts(row: &TimingSummary) -> Vec<String> {
    let within = |words: &str, ms: Option<f64>| Some(format!("{words} within {}", short(ms?)));
    let parts = [
        within("half", Some(row.p50_ms)),
        within("99 of 100", row.p99_ms),
        within("999 of 1,000", row.p999_ms),
        Some(format!("longest {}", short(row.max_ms))),
    ];
    parts.into_iter().flatten().collect()
}
