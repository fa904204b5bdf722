//! What calls for the pilot: a link in alarm, or failing, that nobody has acknowledged.
//!
//! Definition: a call begins as a link's state becomes `alarm` or `failing` in a trip. It ends when it is acknowledged, or
//! 10 s after the state turned milder; a state that cannot be known is no milder one. On the ground nothing calls.
//! Unit: instants of the session, at each look at the links. Source: IEC 62682 (from memory), an alarm asks for an
//! action and stands until somebody knows of it; the 10 s are common practice, no source. Gaps, duplicates, wraps, late
//! arrivals and restarts reach it through the state alone.

use crate::summary::LinkState;
use crate::units::Nanos;

/// A call goes on so long after its cause is gone.
const AFTER_CLEARED: Nanos = Nanos::from_secs(10);

/// The call of one link.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct AlarmCall {
    open: Option<Open>,
}

/// A call that was not acknowledged yet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Open {
    /// What it is: the state now, or the last before it turned milder.
    pub state: LinkState,
    /// Since when.
    pub from: Nanos,
    /// When the state turned milder.
    cleared: Option<Nanos>,
}

impl AlarmCall {
    /// How the link stands at an instant.
    pub fn observe(&mut self, at: Nanos, state: LinkState, is_acknowledged: bool, is_quiet: bool) {
        if is_quiet || (is_acknowledged && state.asks()) {
            self.open = None;
            return;
        }
        if state.rings() {
            let from = self.open.map_or(at, |open| open.from);
            self.open = Some(Open { state, from, cleared: None });
        } else if state != LinkState::Unknown
            && let Some(open) = &mut self.open
        {
            let cleared = *open.cleared.get_or_insert(at);
            if at - cleared >= AFTER_CLEARED {
                self.open = None;
            }
        }
    }

    /// The pilot knows.
    pub const fn acknowledge(&mut self) {
        self.open = None;
    }

    /// The call, where there is one.
    #[must_use]
    pub const fn open(&self) -> Option<Open> {
        self.open
    }
}

#[cfg(test)]
mod tests {
    use crate::judge::alarm_call::*;
    use LinkState::{Alarm, Failing, Good, Silent, Unknown, Warning};

    /// The state at each whole second of a trip; gives the state that calls then.
    fn run(call: &mut AlarmCall, from_s: i64, states: &[LinkState]) -> Vec<Option<LinkState>> {
        let seconds = from_s..;
        seconds
            .zip(states)
            .map(|(second, state)| {
                call.observe(Nanos::from_secs(second), *state, false, false);
                call.open().map(|open| open.state)
            })
            .collect()
    }

    #[test]
    fn only_alarm_and_failing_call() {
        for state in LinkState::ALL {
            let called = run(&mut AlarmCall::default(), 0, &[state])[0];
            assert_eq!(called, matches!(state, Alarm | Failing).then_some(state));
        }
    }

    #[test]
    fn it_ends_ten_seconds_after_it_cleared_and_begins_anew_later() {
        let mut call = AlarmCall::default();
        run(&mut call, 0, &[Failing, Alarm]);
        assert_eq!(run(&mut call, 2, &[Warning; 10]), [Some(Alarm); 10]);
        assert_eq!(run(&mut call, 12, &[Warning, Good]), [None, None]);
        assert_eq!(run(&mut call, 20, &[Alarm]), [Some(Alarm)]);
        assert_eq!(call.open().unwrap().from, Nanos::from_secs(20));
    }

    #[test]
    fn what_comes_again_before_that_is_the_same_call() {
        let mut call = AlarmCall::default();
        run(&mut call, 0, &[Alarm, Good, Good, Failing]);
        assert_eq!(run(&mut call, 4, &[Good; 10]), [Some(Failing); 10]);
        assert_eq!(call.open().unwrap().from, Nanos::ZERO);
    }

    #[test]
    fn what_cannot_be_seen_has_not_cleared() {
        let mut call = AlarmCall::default();
        run(&mut call, 0, &[Failing]);
        assert_eq!(run(&mut call, 1, &[Unknown; 60])[59], Some(Failing));
        assert_eq!(run(&mut call, 61, &[Silent; 11])[10], None);
    }

    #[test]
    fn an_acknowledged_one_is_over_and_a_new_one_is_not() {
        let mut call = AlarmCall::default();
        run(&mut call, 0, &[Alarm]);
        call.acknowledge();
        call.observe(Nanos::from_secs(1), Alarm, true, false);
        assert_eq!(call.open(), None);
        // The rules forget the acknowledgement when the state grows graver.
        assert_eq!(run(&mut call, 2, &[Failing]), [Some(Failing)]);
        // Acknowledged after it cleared.
        run(&mut call, 3, &[Good]);
        call.acknowledge();
        assert_eq!(run(&mut call, 4, &[Good, Warning]), [None, None]);
    }

    #[test]
    fn on_the_ground_nothing_calls_and_landing_ends_it() {
        let mut call = AlarmCall::default();
        call.observe(Nanos::ZERO, Failing, false, true);
        assert_eq!(call.open(), None);
        run(&mut call, 1, &[Failing]);
        call.observe(Nanos::from_secs(2), Failing, false, true);
        assert_eq!(call.open(), None);
    }
}
