//! What to do for a latency that is not measured, or not well: only what is not done yet, and what can be done now.

use crate::record::{ASKS_FOR_RATES, ASKS_FOR_TIME};
use crate::snapshot::LatencyLimit;
use crate::summary::{Event, Reason, StickAdvice, Summary};

/// What is known of a session that advice depends on.
#[derive(Clone, Copy, Debug)]
pub struct Asked {
    /// Whether sticks can be moved.
    pub sticks: StickAdvice,
    /// Faster messages are asked for.
    pub rates: bool,
    /// The vehicle's time is asked for.
    pub time: bool,
    /// The handset has a source.
    pub handset: bool,
}

impl Asked {
    /// Of what is transmitted, in words, and of the sources' names.
    pub fn new<'a>(
        sticks: StickAdvice,
        mut transmits: impl Iterator<Item = &'a str> + Clone,
        mut sources: impl Iterator<Item = &'a str>,
    ) -> Self {
        Self {
            sticks,
            rates: transmits.clone().any(|what| what.contains(ASKS_FOR_RATES)),
            time: transmits.any(|what| what.contains(ASKS_FOR_TIME)),
            handset: sources.any(|name| name == "handset"),
        }
    }

    /// Of a session that is over.
    #[must_use]
    pub fn of_summary(summary: &Summary) -> Self {
        let transmits = summary.events.iter().filter_map(|event| match &event.event {
            Event::Transmits { what } => Some(what.as_str()),
            _ => None,
        });
        let sources = summary.streams.iter().map(|stream| stream.interface.as_str());
        Self::new(StickAdvice::NextTime, transmits, sources)
    }

    /// Asks for a movement of sticks, where that can be asked for.
    #[must_use]
    pub fn move_sticks(self, how: &str) -> Option<String> {
        match self.sticks {
            StickAdvice::Now => Some(format!("propellers off, {how}")),
            StickAdvice::NextTime => Some(format!("next time, propellers off, {how}")),
            StickAdvice::NotNow => None,
        }
    }

    /// What is so, and what to do about it by moving sticks.
    fn by_sticks(self, fact: &str, how: &str) -> String {
        self.move_sticks(how).map_or_else(|| fact.to_owned(), |advice| format!("{fact}: {advice}"))
    }

    /// Why a stage is not measured.
    #[must_use]
    pub fn missing(self, reason: Reason) -> String {
        let text = match reason {
            Reason::NoSticks if self.handset => {
                "no stick messages among what the handset sends: it takes MANUAL_CONTROL or RC_CHANNELS_OVERRIDE"
            }
            Reason::NoInput if self.rates => {
                "RC_CHANNELS is asked for, and does not come: look at the vehicle's port"
            }
            Reason::NoServo if self.rates => {
                "SERVO_OUTPUT_RAW is asked for, and does not come: look at the vehicle's port"
            }
            Reason::NoBound if self.time => {
                "its two ends are on two clocks that nothing ties together: no answer to TIMESYNC came"
            }
            Reason::SticksTogether => {
                return self.by_sticks("two sticks moved together", "move one stick at a time");
            }
            Reason::MixedOutputs => {
                let fact = "each output follows several sticks, and not in straight lines";
                return self.by_sticks(fact, "move one stick at a time, others centred");
            }
            Reason::Contradicted => {
                let fact = "withdrawn, its movements contradict each other or a second method";
                return self.by_sticks(fact, "move one stick at a time, 10 times");
            }
            Reason::FewMoves => {
                return self
                    .by_sticks("too few moves", "move one stick at a time, quickly, at least 5 times");
            }
            Reason::NothingFollows => {
                return self.by_sticks(
                    "nothing follows the sticks yet",
                    "move one quickly from end to end, 5 times",
                );
            }
            _ => return reason.to_string(),
        };
        text.to_owned()
    }

    /// What limits a stage's precision.
    #[must_use]
    pub fn limit(self, limit: LatencyLimit) -> String {
        match limit {
            LatencyLimit::OneWayClock if self.time => {
                "clock: an upper bound until answers to TIMESYNC come, and none came yet".to_owned()
            }
            LatencyLimit::SecondMethod { .. } => {
                self.by_sticks(&limit.to_string(), "move one stick at a time")
            }
            LatencyLimit::Rate if self.rates => {
                "telemetry rate: faster messages are asked for; more moves help too".to_owned()
            }
            _ => limit.to_string(),
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::wording::latency_advice::*;

    fn asked(sticks: StickAdvice, transmits: &[&str]) -> Asked {
        Asked::new(sticks, transmits.iter().copied(), std::iter::empty())
    }

    #[test]
    fn sticks_are_moved_on_the_ground_only_and_with_propellers_off() {
        let moves = [
            Reason::SticksTogether,
            Reason::MixedOutputs,
            Reason::Contradicted,
            Reason::FewMoves,
            Reason::NothingFollows,
        ];
        for reason in moves {
            let text = |sticks| asked(sticks, &[]).missing(reason);
            assert!(
                text(StickAdvice::Now).contains(": propellers off, move one"),
                "{}",
                text(StickAdvice::Now)
            );
            assert!(text(StickAdvice::NextTime).contains(": next time, propellers off, move one"));
            assert!(!text(StickAdvice::NotNow).contains("move one"), "{}", text(StickAdvice::NotNow));
        }
    }

    #[test]
    fn what_is_done_already_is_not_asked_for() {
        let done = asked(
            StickAdvice::Now,
            &[
                "transmits: asks the vehicle for RC_CHANNELS and SERVO_OUTPUT_RAW 20 times a second",
                "transmits: a TIMESYNC request once a second",
            ],
        );
        let none = asked(StickAdvice::Now, &[]);
        for reason in [Reason::NoInput, Reason::NoServo, Reason::NoBound] {
            assert!(none.missing(reason).contains("(transmits)"), "{}", none.missing(reason));
            assert!(!done.missing(reason).contains("(transmits)"), "{}", done.missing(reason));
        }
        for limit in [LatencyLimit::OneWayClock, LatencyLimit::Rate] {
            assert!(none.limit(limit).contains("(transmits)") && !done.limit(limit).contains("(transmits)"));
        }
        let with = Asked::new(StickAdvice::Now, std::iter::empty(), ["vehicle", "handset"].into_iter());
        assert!(none.missing(Reason::NoSticks).contains("--handset"));
        assert!(!with.missing(Reason::NoSticks).contains("--handset"));
    }
}
