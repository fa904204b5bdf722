//! The losses that vehicle and radios report themselves: the other end's view.
//!
//! Definition: SYS_STATUS's share of dropped packets and its error counter; RADIO_STATUS's
//! receive errors, corrected packets, transmit buffer, and the levels at both ends. Units: the
//! message set's own (levels in device units). Window: the whole recording.
//!
//! - Wrap: the counters are uint16; a step is taken modulo 65,536. A step of over 32,767 is a
//!   restart: it counts from 0. The first report counts nothing. Gap: the next report brings all.
//! - Duplicates never get here; a late report can step back, which reads as a restart: rare, and
//!   it adds at most what the counter stands at. Bounded: 32 reporters (see `heard_table`).
//!
//! Source of the fields: the public MAVLink message set.

use super::context::{Context, Sender};
use crate::record::Direction;
use crate::stats::heard_table::HeardTable;
use crate::summary::{OwnReport, ReportSource};
use crate::units::Nanos;
use crate::wire::telemetry::Telemetry;

const MOST: usize = 32;

/// A counter of 16 bits that wraps.
#[derive(Clone, Copy, Debug, Default)]
struct Counter {
    last: Option<u16>,
    sum: u64,
}

impl Counter {
    fn take(&mut self, value: u16) {
        if let Some(last) = self.last {
            let step = value.wrapping_sub(last);
            self.sum += u64::from(if step > u16::MAX / 2 { value } else { step });
        }
        self.last = Some(value);
    }
}

#[derive(Clone, Debug, Default)]
struct Report {
    samples: u64,
    drop_ratio: Option<f64>,
    drop_ratio_max: Option<f64>,
    errors: Counter,
    corrected: Option<Counter>,
    tx_buffer_min: Option<u8>,
    levels: [Option<u8>; 4],
}

/// Everyone who reports.
#[derive(Clone, Debug, Default)]
pub struct ReportMeter {
    reports: HeardTable<(u8, u8, bool), Report, MOST>,
}

impl ReportMeter {
    /// Takes a report.
    pub fn observe(&mut self, at: Nanos, sender: Sender, telemetry: &Telemetry, context: &Context) {
        if sender.direction == Direction::Outbound {
            return;
        }
        let is_radio = match telemetry {
            Telemetry::SystemStatus { .. } => false,
            Telemetry::Radio { .. } => true,
            _ => return,
        };
        let key = (sender.system, sender.component, is_radio);
        let rank = |(system, component, _)| context.rank(system, component);
        let Some(report) = self.reports.hear(at, key, rank) else { return };
        report.samples += 1;
        match *telemetry {
            Telemetry::SystemStatus { drop_ratio, errors, .. } => {
                report.drop_ratio = drop_ratio.or(report.drop_ratio);
                let both = report.drop_ratio_max.into_iter().chain(drop_ratio);
                report.drop_ratio_max = both.reduce(f64::max);
                report.errors.take(errors);
            }
            Telemetry::Radio {
                rssi,
                remote_rssi,
                noise,
                remote_noise,
                tx_buffer_percent,
                rx_errors,
                fixed,
                ..
            } => {
                report.errors.take(rx_errors);
                report.corrected.get_or_insert_default().take(fixed);
                report.tx_buffer_min = report.tx_buffer_min.into_iter().chain(tx_buffer_percent).min();
                report.levels = [rssi, noise, remote_rssi, remote_noise];
            }
            _ => {}
        }
    }

    /// One row a reporter.
    #[must_use]
    pub fn summary(&self) -> Vec<OwnReport> {
        let row = |((system, component, is_radio), report): ((u8, u8, bool), &Report)| OwnReport {
            system,
            component,
            source: if is_radio { ReportSource::RadioStatus } else { ReportSource::SysStatus },
            samples: report.samples,
            drop_ratio: report.drop_ratio,
            drop_ratio_max: report.drop_ratio_max,
            errors: report.errors.sum,
            corrected: report.corrected.map(|counter| counter.sum),
            tx_buffer_min_percent: report.tx_buffer_min,
            level: report.levels[0],
            noise: report.levels[1],
            remote_level: report.levels[2],
            remote_noise: report.levels[3],
        };
        self.reports.iter().map(row).collect()
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::own_reports::*;
    use crate::record::InterfaceId;

    /// Steps counted by hand: 65,530 to 4 is 10, then a restart at 2 counts 2, then 5 more.
    #[test]
    fn counters_wrap_and_restart() {
        let mut meter = ReportMeter::default();
        let sender =
            Sender { interface: InterfaceId(0), direction: Direction::Inbound, system: 41, component: 110 };
        for (rx_errors, fixed) in [(65_530, 9), (4, 9), (40_000, 12), (2, 12), (7, 13)] {
            let radio = Telemetry::Radio {
                rssi: Some(180),
                remote_rssi: Some(170),
                noise: Some(60),
                remote_noise: None,
                tx_buffer_percent: Some(90),
                rx_errors,
                fixed,
                older: false,
            };
            meter.observe(Nanos::ZERO, sender, &radio, &Context::default());
        }
        let row = meter.summary().remove(0);
        // 40,000 after 4 is a step of 39,996: more than half a wrap, so it counts from 0.
        assert_eq!((row.errors, row.corrected, row.samples), (10 + 40_000 + 25_538 + 5, Some(4), 5));
        assert_eq!((row.level, row.remote_level, row.remote_noise), (Some(180), Some(170), None));
    }
}
