//! The sender's own word on its stream: VIDEO_STREAM_STATUS.
//!
//! A report with frame or bit rate 0 means "stopped at the sender": listed, never a freeze of the
//! link. With several stream ids, all must have stopped. A silence that was already
//! open when the report came began with the stop, unless it is older than a report's usual period
//! (at least 3 s). Bounded: 256 ids, 1,000 spans.

use std::collections::BTreeMap;

use crate::measure::context::Context;
use crate::summary::StoppedSpan;
use crate::units::Nanos;

const MOST_SPANS: usize = 1000;
const LEAST_REACH: Nanos = Nanos::from_secs(3);

/// What the sender last said, and when it had stopped.
#[derive(Clone, Debug, Default)]
pub(super) struct SenderStatus {
    stopped: BTreeMap<u8, bool>,
    since: Option<Nanos>,
    spans: Vec<(Nanos, Nanos)>,
    last: Option<Nanos>,
    period: Nanos,
}

impl SenderStatus {
    pub(super) fn observe(&mut self, at: Nanos, stream: u8, stopped: bool) {
        if let Some(last) = self.last {
            self.period = at - last;
        }
        self.last = Some(at);
        self.stopped.insert(stream, stopped);
        let all = self.stopped.values().all(|stopped| *stopped);
        match self.since {
            None if all => self.since = Some(at),
            Some(since) if !all => {
                if self.spans.len() < MOST_SPANS {
                    self.spans.push((since, at));
                }
                self.since = None;
            }
            _ => {}
        }
    }

    pub(super) const fn is_stopped(&self) -> bool {
        self.since.is_some()
    }

    /// How far before a report the stop may lie.
    pub(super) fn reach(&self) -> Nanos {
        LEAST_REACH.max(self.period + Nanos(self.period.0 / 2))
    }

    pub(super) fn spans(&self, context: &Context) -> Vec<StoppedSpan> {
        let open = self.since.map(|since| (since, context.now));
        self.spans
            .iter()
            .copied()
            .chain(open)
            .map(|(start, end)| StoppedSpan {
                start_s: context.since_start_s(start),
                duration_s: (end - start).secs(),
            })
            .collect()
    }
}
