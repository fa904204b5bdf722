//! The share of each second that lies within spans of time.
//!
//! Seconds are asked for in order, so that nothing of the hundred thousand spans of a day is held.

use std::iter::Peekable;

use crate::measure::context::Context;
use crate::units::Nanos;

/// Spans in order of their starts, those that the seconds have not passed yet.
pub(super) struct SpanShare<'a, Spans: Iterator> {
    context: &'a Context,
    spans: Peekable<Spans>,
}

impl<'a, Spans: Iterator<Item = (Nanos, Nanos)> + Clone> SpanShare<'a, Spans> {
    pub(super) fn new(context: &'a Context, spans: Spans) -> Self {
        Self { context, spans: spans.peekable() }
    }

    /// How much of a whole second (0: the first) lies within, none earlier than the one before.
    pub(super) fn of(&mut self, second: usize) -> f64 {
        let (from, to) = (second as f64, second as f64 + 1.0);
        let since = |at: Nanos| self.context.since_start_s(at);
        while self.spans.next_if(|(_, end)| since(*end) <= from).is_some() {}
        let touching = self.spans.clone().take_while(|(start, _)| since(*start) < to);
        touching.fold(0.0, |share, (start, end)| {
            (share + (since(end).min(to) - since(start).max(from)).max(0.0)).min(to - from)
        })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use crate::judge::range::span_share::*;

    proptest! {
        /// Counting milliseconds is the oracle.
        #[test]
        fn it_is_what_counting_milliseconds_gives(
            gaps in prop::collection::vec((0_i64..3000, 1_i64..4000), 0..30),
            skipped in 1_usize..4,
        ) {
            let context = Context { start: Some(Nanos::from_secs(7)), ..Context::default() };
            let mut at = 0;
            let spans: Vec<(i64, i64)> = gaps
                .into_iter()
                .map(|(gap, length)| {
                    let span = (at + gap, at + gap + length);
                    at = span.1;
                    span
                })
                .collect();
            let stamp = |ms: i64| Nanos::from_secs(7) + Nanos::from_millis(ms);
            let stamped: Vec<(Nanos, Nanos)> =
                spans.iter().map(|&(from, to)| (stamp(from), stamp(to))).collect();
            let mut shares = SpanShare::new(&context, stamped.iter().copied());
            for second in (0..240).step_by(skipped) {
                let own = second as i64 * 1000..(second as i64 + 1) * 1000;
                let within = own.filter(|ms| spans.iter().any(|(from, to)| ms >= from && ms < to)).count();
                let share = shares.of(second);
                prop_assert!((share - within as f64 / 1000.0).abs() < 1e-9, "second {second}: {share}");
            }
        }
    }
}
