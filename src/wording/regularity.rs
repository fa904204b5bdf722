//! How regularly things come, in words: half of the times, then the rare ones that a pilot sees as stutter.

use crate::summary::{TimingSummary, TimingWhat};

use super::quantity;

/// Whose times they are.
#[must_use]
pub fn name(row: &TimingSummary) -> String {
    match (row.what, row.system.zip(row.component)) {
        (TimingWhat::VideoFrame, _) => "from picture to picture".to_owned(),
        (TimingWhat::RoundTrip, _) => "TIMESYNC round trip".to_owned(),
        (TimingWhat::Lateness, Some((system, component))) => format!("lateness of {system}/{component}"),
        (TimingWhat::Message, Some((system, component))) => {
            format!("message {} of {system}/{component}", row.id.unwrap_or_default())
        }
        (TimingWhat::Lateness | TimingWhat::Message, None) => "messages".to_owned(),
    }
}

/// The figures, each by itself.
#[must_use]
pub fn parts(row: &TimingSummary) -> Vec<String> {
    let short = |ms: f64| if ms < 999.5 { format!("{ms:.0} ms") } else { quantity::seconds(ms / 1000.0) };
    vec![
        format!("half within {}", short(row.p50_ms)),
        format!("99 of 100 within {}", short(row.p99_ms)),
        format!("999 of 1,000 within {}", short(row.p999_ms)),
        format!("longest {}", short(row.max_ms)),
    ]
}
