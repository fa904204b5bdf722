//! Warning and alarm of one link, with hysteresis.
//!
//! Raised when the condition stands at two whole seconds on end; cleared when margin and time have
//! been above the clearing limits at five on end. An absent margin changes nothing. Limits: the
//! profile's, common practice, no source.

use crate::profile::Limits;
use crate::summary::{LinkState, MarginChange};

const RAISE_SECONDS: u32 = 2;
const CLEAR_SECONDS: u32 = 5;

/// The state of one link.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Alarm {
    state: LinkState,
    near_for: u32,
    grave_for: u32,
    clear_for: u32,
    calm_for: u32,
    pub(super) warnings: u64,
    pub(super) alarms: u64,
    pub(super) acknowledged: bool,
}

impl Alarm {
    pub(super) const fn state(&self) -> LinkState {
        self.state
    }

    /// Nothing rings here: what stood is over, and nothing begins.
    pub(super) const fn rest(&mut self) {
        *self = Self {
            state: LinkState::Good,
            near_for: 0,
            grave_for: 0,
            clear_for: 0,
            calm_for: 0,
            warnings: self.warnings,
            alarms: self.alarms,
            acknowledged: false,
        };
    }

    /// Takes a second's margin, and the time until the threshold where it is approached.
    pub(super) fn take(
        &mut self,
        margin: f64,
        seconds: Option<f64>,
        limits: &Limits,
    ) -> Option<MarginChange> {
        let soon = |limit: f64| margin < limits.forecast_margin && seconds.is_some_and(|left| left < limit);
        let far = seconds.is_none_or(|left| left > limits.clear_s);
        let count = |count: u32, stands: bool| if stands { count.saturating_add(1) } else { 0 };
        self.near_for = count(self.near_for, margin < limits.warning_margin || soon(limits.warning_s));
        self.grave_for = count(self.grave_for, margin < limits.alarm_margin || soon(limits.alarm_s));
        self.clear_for = count(self.clear_for, margin >= limits.warning_margin + limits.clear_margin && far);
        self.calm_for = count(self.calm_for, margin >= limits.alarm_margin + limits.clear_margin && far);
        if self.state == LinkState::Unknown {
            self.state = LinkState::Good;
        }
        if self.state != LinkState::Alarm && self.grave_for >= RAISE_SECONDS {
            self.state = LinkState::Alarm;
            self.alarms += 1;
            self.acknowledged = false;
            return Some(MarginChange::Alarm);
        }
        if self.state == LinkState::Good && self.near_for >= RAISE_SECONDS {
            self.state = LinkState::Warning;
            self.warnings += 1;
            self.acknowledged = false;
            return Some(MarginChange::Warning);
        }
        if matches!(self.state, LinkState::Warning | LinkState::Alarm) && self.clear_for >= CLEAR_SECONDS {
            self.state = LinkState::Good;
            self.acknowledged = false;
            return Some(MarginChange::Cleared);
        }
        if self.state == LinkState::Alarm && self.calm_for >= CLEAR_SECONDS {
            self.state = LinkState::Warning;
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use crate::judge::margin::alarm::*;

    fn run(alarm: &mut Alarm, margins: &[f64]) -> Vec<Option<MarginChange>> {
        margins.iter().map(|&margin| alarm.take(margin, None, &Limits::default())).collect()
    }

    #[test]
    fn one_second_raises_nothing_two_do() {
        let mut alarm = Alarm::default();
        assert_eq!(run(&mut alarm, &[5.0, 7.0, 5.0]), [None; 3]);
        assert_eq!(run(&mut alarm, &[5.9]), [Some(MarginChange::Warning)]);
        assert_eq!(run(&mut alarm, &[2.0, 2.0]), [None, Some(MarginChange::Alarm)]);
        assert_eq!((alarm.warnings, alarm.alarms), (1, 1));
    }

    #[test]
    fn it_clears_two_above_the_limit_after_five_seconds() {
        let mut alarm = Alarm::default();
        run(&mut alarm, &[5.0, 5.0]);
        assert_eq!(run(&mut alarm, &[7.9; 10]), [None; 10]);
        assert_eq!(run(&mut alarm, &[8.0; 4]), [None; 4]);
        assert_eq!(run(&mut alarm, &[8.0]), [Some(MarginChange::Cleared)]);
        assert_eq!(alarm.state(), LinkState::Good);
    }

    #[test]
    fn an_alarm_calms_down_to_a_warning_first() {
        let mut alarm = Alarm::default();
        run(&mut alarm, &[1.0, 1.0]);
        run(&mut alarm, &[5.0; 5]);
        assert_eq!(alarm.state(), LinkState::Warning);
        assert_eq!(alarm.warnings, 0, "calming down is no new warning");
    }

    #[test]
    fn time_counts_only_under_the_forecast_margin() {
        let limits = Limits::default();
        let mut alarm = Alarm::default();
        assert_eq!(alarm.take(16.0, Some(5.0), &limits), None);
        assert_eq!(alarm.take(16.0, Some(5.0), &limits), None);
        assert_eq!(alarm.take(14.0, Some(19.0), &limits), None);
        assert_eq!(alarm.take(14.0, Some(18.0), &limits), Some(MarginChange::Warning));
        assert_eq!(alarm.take(14.0, Some(7.0), &limits), None);
        assert_eq!(alarm.take(13.0, Some(6.0), &limits), Some(MarginChange::Alarm));
        // Time must be above 30 s to clear, whatever the margin.
        for _ in 0..10 {
            assert_eq!(alarm.take(20.0, Some(29.0), &limits), None);
        }
        for _ in 0..4 {
            assert_eq!(alarm.take(20.0, None, &limits), None);
        }
        assert_eq!(alarm.take(20.0, None, &limits), Some(MarginChange::Cleared));
    }
}
