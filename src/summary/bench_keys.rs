//! The bench sheet: what a bench test showed, item by item; a JSON of its own.
//!
//! An item passes only if its whole interval lies on the right side of its limit, and fails only if all of it lies on
//! the wrong side. Else it is not proven, and `needs` says how much more it takes. Numbers and fixed words alone.

use serde::Serialize;

use super::{
    BenchItem, BenchNeed, BenchReason, BenchWord, FailsafeSummary, Interval, LimitSource, Reason,
    RecordingSummary, StickSummary,
};

/// How much more an item needs.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct BenchNeeds {
    /// Of what.
    pub what: BenchNeed,
    /// How many or how long; `None`: as close as this to its limit no number can be told.
    pub more: Option<u64>,
    /// Of which channels, from 1.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub channels: Vec<u8>,
}

/// One item of the sheet.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct BenchRow {
    /// What is judged.
    pub item: BenchItem,
    /// Of which link, sender or battery, where there may be several.
    pub of: Option<String>,
    /// The figure; of several the worst.
    pub value: Option<f64>,
    /// Its interval.
    pub interval: Option<Interval>,
    /// Its limit.
    pub limit: f64,
    /// Whose limit: the profile's or the default.
    pub limit_from: LimitSource,
    /// Passed, failed, not proven or not measured.
    pub word: BenchWord,
    /// Without it the test is not passed.
    pub required: bool,
    /// Channels that failed, from 1.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub failing_channels: Vec<u8>,
    /// How much more it needs.
    pub needs: Option<BenchNeeds>,
    /// Why it was not measured, or why it does not pass.
    pub reason: Option<BenchReason>,
    /// Why the latency was not measured; `reason` has a word of it.
    #[serde(skip)]
    pub missing: Option<Reason>,
}

/// A recording of the same test before the last one.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct BenchPart {
    /// The recording.
    pub recording: RecordingSummary,
    /// SHA-256 of that file.
    pub sha256: Option<String>,
}

/// The whole sheet.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct BenchSheet {
    /// Version of these keys.
    pub schema: u32,
    /// Of the program that wrote it.
    pub version: &'static str,
    /// Of the whole test: failed if any item is, passed if every required one is.
    pub verdict: BenchWord,
    /// The recording that it was made from.
    pub recording: RecordingSummary,
    /// SHA-256 of that file.
    pub sha256: Option<String>,
    /// Those before it, where the test was interrupted and gone on with.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub earlier_recordings: Vec<BenchPart>,
    /// What was judged.
    pub items: Vec<BenchRow>,
    /// Every channel.
    pub sticks: Vec<StickSummary>,
    /// Every loss of input.
    pub failsafe: Vec<FailsafeSummary>,
}
