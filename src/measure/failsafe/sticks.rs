//! The handset's stick stream, and when it stopped.
//!
//! A stream counts only where the vehicle follows it (see [`Followed`]) and where it was regular: the 99th
//! percentile of its spacing under 0.5 s. It stopped where it is silent for 0.5 s and for 5 of its usual spacings.
//! Unit: ns. Window: the newest 2,000 spacings, halved; the silence of a loss is none of them. Source: none.
//! A stall of this computer is no silence. Bounded: [`MOST_SOURCES`] (see `heard_table`); what is followed stays.

use crate::measure::context::Context;
use crate::measure::latency::{Followed, SourceKey};
use crate::stats::heard_table::HeardTable;
use crate::units::Nanos;

const MOST_SOURCES: usize = 4;
const LEAST_SILENCE: Nanos = Nanos::from_millis(500);
const FEWEST: u32 = 10;
const MOST: u32 = 2000;

/// One source of sticks.
#[derive(Clone, Debug)]
struct Source {
    last: Nanos,
    usual: Option<Nanos>,
    spacings: u32,
    slow: u32,
    /// The vehicle's input went on after this stick message, though the stream did not.
    needless: Option<Nanos>,
}

impl Source {
    const fn new(at: Nanos) -> Self {
        Self { last: at, usual: None, spacings: 0, slow: 0, needless: None }
    }

    fn observe(&mut self, at: Nanos, after_loss: bool) {
        let spacing = at - self.last;
        self.last = at;
        if after_loss {
            return;
        }
        self.spacings += 1;
        if spacing >= LEAST_SILENCE {
            self.slow += 1;
            return;
        }
        let usual = self.usual.unwrap_or(spacing);
        self.usual = Some(Nanos(usual.0 + (spacing - usual).0 / 8));
        if self.spacings >= MOST {
            self.spacings /= 2;
            self.slow /= 2;
        }
    }

    /// How long it must be silent; `None` where it is not regular.
    fn limit(&self) -> Option<Nanos> {
        let regular = self.spacings >= FEWEST && u64::from(self.slow) * 100 < u64::from(self.spacings);
        regular.then(|| LEAST_SILENCE.max(Nanos(self.usual.unwrap_or_default().0 * 5)))
    }
}

/// All sources of sticks.
#[derive(Clone, Debug, Default)]
pub(in crate::measure) struct Sticks {
    sources: HeardTable<SourceKey, Option<Source>, MOST_SOURCES>,
    followed: Followed,
    /// When a followed source sent last; asked for at each message of the session.
    last: Option<Nanos>,
}

/// The stream stopped.
#[derive(Clone, Copy, Debug)]
pub(in crate::measure) struct Stop {
    /// Its last message.
    pub(in crate::measure) last: Nanos,
    /// Silence that is told from its usual spacing.
    pub(in crate::measure) limit: Nanos,
}

impl Sticks {
    pub(in crate::measure) fn follow(&mut self, followed: Followed) {
        self.followed = followed;
        self.last = self.newest().map(|source| source.last);
    }

    pub(in crate::measure) const fn followed(&self) -> &Followed {
        &self.followed
    }

    /// Takes a message; whether the vehicle follows this source. `after_loss`: the silence before it was a loss.
    pub(in crate::measure) fn observe(
        &mut self,
        at: Nanos,
        key: SourceKey,
        after_loss: bool,
        context: &Context,
    ) -> bool {
        let is_followed = self.followed.sources.contains(&key);
        if let Some(source) = self.sources.hear(at, key, |key| self.followed.rank(key, context)) {
            match source {
                Some(source) => source.observe(at, after_loss),
                None => *source = Some(Source::new(at)),
            }
            if is_followed {
                self.last = Some(at);
            }
        }
        is_followed
    }

    /// The followed source that sent last.
    fn newest(&self) -> Option<&Source> {
        let followed = self.sources.iter().filter(|(key, _)| self.followed.sources.contains(key));
        followed.filter_map(|(_, source)| source.as_ref()).max_by_key(|source| source.last)
    }

    /// The last message of a followed source.
    pub(in crate::measure) fn last(&self) -> Option<Nanos> {
        self.last
    }

    /// Where the stream is silent for too long.
    pub(in crate::measure) fn stopped(&self, at: Nanos) -> Option<Stop> {
        self.last.filter(|last| at - *last > LEAST_SILENCE)?;
        let source = self.newest()?;
        let limit = source.limit()?;
        let stopped = at - source.last > limit && source.needless != Some(source.last);
        stopped.then_some(Stop { last: source.last, limit })
    }

    /// This stop of the stream took nothing from the vehicle.
    pub(in crate::measure) fn dismiss(&mut self) {
        for source in self.sources.values_mut().flatten() {
            source.needless = Some(source.last);
        }
    }
}

/// Whether the stream was silent for longer than the limit while this computer was at work.
pub(in crate::measure) fn was_silent(from: Nanos, to: Nanos, limit: Nanos, context: &Context) -> bool {
    let mut free = from;
    for stall in context.stalls.iter().filter(|stall| stall.to > from && stall.from < to) {
        if stall.from - free > limit {
            return true;
        }
        free = free.max(stall.to);
    }
    to - free > limit
}

#[cfg(test)]
mod tests {
    use crate::measure::failsafe::sticks::*;

    /// A message after each spacing, in ms.
    fn of(spacings: impl IntoIterator<Item = i64>) -> Source {
        let mut source = Source::new(Nanos::ZERO);
        let mut at = Nanos::ZERO;
        for spacing in spacings {
            at += Nanos::from_millis(spacing);
            source.observe(at, false);
        }
        source
    }

    #[test]
    fn a_stream_must_be_silent_for_half_a_second_and_for_five_spacings() {
        let limit = |spacing: i64| of([spacing; 20]).limit().map(|limit| limit.millis().round() as i64);
        assert_eq!([20, 100, 110, 200].map(limit), [Some(500), Some(500), Some(550), Some(1000)]);
    }

    #[test]
    fn a_stream_with_one_pause_in_a_hundred_is_not_regular() {
        let with = |usual: usize| of(std::iter::repeat_n(50, usual).chain([600])).limit().is_some();
        assert!(!with(99) && with(100));
        // Nor is one of a few messages.
        assert!(of([50; 9]).limit().is_none() && of([50; 10]).limit().is_some());
    }
}
