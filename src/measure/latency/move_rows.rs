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

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use crate::clocks::BootTime;
    use crate::measure::latency::kept_sticks::KeptSticks;
    use crate::measure::latency::move_rows::*;
    use crate::measure::latency::movement_track::Output;
    use crate::measure::latency::stage::{ClockPair, StageMeter};
    use crate::measure::latency::{Source, SourceKey};
    use crate::units::Nanos;

    /// When the stick leaves for which place; it takes 100 ms.
    const MOVES: [(i64, f64); 10] = [
        (1600, 3600.0),
        (3040, 2700.0),
        (4680, 3300.0),
        (6500, 2400.0),
        (7960, 3500.0),
        (9700, 3000.0),
        (11_240, 3700.0),
        (12_760, 2600.0),
        (14_480, 3200.0),
        (16_100, 2800.0),
    ];

    fn stick(ms: i64) -> i16 {
        let to = |from: f64, (start, target): (i64, f64)| {
            from + (target - from) * ((ms - start) as f64 / 100.0).clamp(0.0, 1.0)
        };
        MOVES.into_iter().fold(3000.0, to).round() as i16
    }

    /// Servo 5 shows the stick 60 ms later. A sample on the ramp dates the movement within some ms; one behind it says
    /// no more than that the age is anything from 0 up to the time since.
    #[test]
    fn a_movement_is_dated_by_the_narrowest_of_its_samples() {
        let (clocks, mut servo) = (Clocks::default(), StageMeter::new(ClockPair::Boot, 0.0));
        let row = |channel, value| std::array::from_fn(|own| if own == channel { value } else { 3000 });
        for ms in 0..20_000 {
            let at = Nanos::from_millis(ms);
            if ms % 20 == 0 {
                servo.observe_sticks(at, row(0, stick(ms)), &clocks);
            } else if ms % 20 == 7 {
                let boot = BootTime { epoch: 0, since_boot: at };
                let output = Output { order: at, boot, values: row(4, stick(ms - 60)) };
                servo.observe_output((1, 1), output, &clocks);
            }
        }
        let key = SourceKey { rank: 0, interface: 0, system: 255, component: 190, kind: 1 };
        let input = StageMeter::new(ClockPair::Boot, 0.0);
        let source = Source { last: Nanos::ZERO, times: 1, kept: KeptSticks::default(), servo, input };
        let meter = LatencyMeter { sources: BTreeMap::from([(key, source)]), ..LatencyMeter::default() };
        let context = Context { start: Some(Nanos::ZERO), ..Context::default() };
        let rows = meter.moves(&clocks, &context);
        let starts: Vec<f64> = rows.iter().map(|row| row.at_s).collect();
        assert_eq!(starts, MOVES.map(|(start, _)| start as f64 / 1e3));
        for row in rows {
            assert_eq!((row.is_input, row.stick, row.output), (false, 1, 5));
            let (low, high) = (row.age_low_ms, row.age_high_ms.unwrap());
            assert!(low <= 60.0 && 60.0 <= high && high - low < 20.0, "{row:?}");
        }
    }
}
