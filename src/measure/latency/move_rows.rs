//! The stick movements behind the latency, one row each: what dated it, the narrowest of its samples' ages.
//!
//! Older movements than the archive keeps are not among them (`left_out.thinned` counts them).

use crate::clocks::Clocks;
use crate::measure::context::Context;

use super::LatencyMeter;

/// One stick movement.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MoveRow {
    /// When it began, seconds from the first record.
    pub at_s: f64,
    /// What shows it is an RC input, not a servo.
    pub is_input: bool,
    /// Stick, from 1.
    pub stick: u8,
    /// Servo or input, from 1.
    pub output: u8,
    /// The age lies above this, ms.
    pub age_low_ms: f64,
    /// And below this; `None`: no upper end.
    pub age_high_ms: Option<f64>,
}

impl LatencyMeter {
    /// The movements of the source that is measured, in order of time.
    pub(crate) fn moves(&self, clocks: &Clocks, context: &Context) -> Vec<MoveRow> {
        let mut rows = Vec::new();
        let Some(source) = self.source() else { return rows };
        for (stage, is_input) in [(&source.servo, false), (&source.input, true)] {
            for movement in stage.evidence(clocks).movements {
                let ranges = movement.samples(None).filter_map(|ranges| ranges.first().copied());
                let width = |(low, high): (f64, f64)| high - low;
                let narrowest = ranges.min_by(|one, other| width(one.ms()).total_cmp(&width(other.ms())));
                let Some(range) = narrowest else { continue };
                let (low, high) = range.ms();
                rows.push(MoveRow {
                    at_s: context.since_start_s(movement.start),
                    is_input,
                    stick: movement.stick + 1,
                    output: range.output + 1,
                    age_low_ms: low.max(0.0),
                    age_high_ms: high.is_finite().then_some(high),
                });
            }
        }
        rows.sort_by(|one, other| one.at_s.total_cmp(&other.at_s));
        rows
    }
}
