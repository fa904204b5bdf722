//! Histograms in the open log format of HdrHistogram (version 2, compressed), which its other implementations read.
//!
//! One line a histogram, all over the whole recording, values in microseconds; the tag says whose it is:
//! `message:INTERFACE/SYSTEM/COMPONENT/ID`, `lateness:INTERFACE/SYSTEM/COMPONENT` (the address behind the interface, where
//! one sender is heard from several), `round_trip`, `video_frame:SSRC`, and `latency:STAGE`. A latency is an estimate from intervals, not a list of values: it is written as a thousand equal shares
//! of the estimated distribution.
//! Source: HdrHistogram, `HistogramLogWriter.java` and `HistogramLogProcessor`.

use std::io::{self, Write};
use std::time::Duration;

use hdrhistogram::Histogram;
use hdrhistogram::serialization::V2DeflateSerializer;
use hdrhistogram::serialization::interval_log::{IntervalLogWriterBuilder, Tag};

use crate::monitor::LinkMonitor;
use crate::snapshot::StageView;
use crate::summary::{TimingSummary, TimingWhat};

/// Shares that a latency is written as.
const SHARES: f64 = 1000.0;
const STAGES: [&str; 3] = ["stick_to_servo", "stick_to_input", "input_to_servo"];

/// Writes all histograms of a session; `stages`: the latency's, as a screen draws them.
pub fn write_to(out: &mut dyn Write, monitor: &LinkMonitor, stages: &[StageView; 3]) -> io::Result<()> {
    let mut serializer = V2DeflateSerializer::new();
    let mut out = out;
    let mut log = IntervalLogWriterBuilder::new()
        .add_comment("[Histogram log format version 1.3]")
        .add_comment("values in microseconds, each histogram over the whole recording")
        .begin_log_with(&mut out, &mut serializer)?;
    let length = Duration::from_secs_f64(monitor.now_s().max(0.0));
    let mut write = |tag: &str, histogram: &Histogram<u32>| {
        log.write_histogram(histogram, Duration::ZERO, length, Tag::new(tag))
            .map_err(|error| io::Error::other(format!("a histogram cannot be written: {error:?}")))
    };
    for (row, histogram) in monitor.histograms() {
        write(&tag_of(&row), histogram)?;
    }
    for (name, stage) in STAGES.iter().zip(stages) {
        if !stage.bins.is_empty() {
            write(&format!("latency:{name}"), &of_bins(&stage.bins))?;
        }
    }
    Ok(())
}

fn tag_of(row: &TimingSummary) -> String {
    let number = |number: Option<u8>| number.map_or_else(String::new, |number| format!("/{number}"));
    // A tag ends at a comma or a space.
    let interface = row.interface.as_deref().unwrap_or_default().replace([',', ' '], "_");
    let endpoint = row.endpoint.as_ref().map_or_else(String::new, |endpoint| format!("/{endpoint}"));
    let sender = format!("{interface}{endpoint}{}{}", number(row.system), number(row.component));
    match row.what {
        TimingWhat::Message => format!("message:{sender}/{}", row.id.unwrap_or_default()),
        TimingWhat::Lateness => format!("lateness:{sender}"),
        TimingWhat::RoundTrip => "round_trip".to_owned(),
        TimingWhat::VideoFrame => format!("video_frame:{:#x}", row.ssrc.unwrap_or_default()),
    }
}

/// Bins of (lower ms, upper ms, share): each counts by its share, at its middle.
fn of_bins(bins: &[(f64, f64, f64)]) -> Histogram<u32> {
    let mut histogram = Histogram::new(3).expect("three digits are allowed");
    for &(low, high, share) in bins {
        let middle = (500.0 * (low + high)).max(0.0) as u64;
        let _ = histogram.record_n(middle, (share * SHARES).round() as u32);
    }
    histogram
}
