//! How far a channel goes: lowest, highest, whether its ends were reached, and the least step.
//!
//! Unit: us. Window: the session. An end was reached where the channel came within 12 us of its extreme three times,
//! each time from over 60 us away: a hand that stops short of an end stops elsewhere each time. The least step is that
//! between two reports on end. Source: none, common practice. A gap, a restart and a duplicate change nothing.

/// So near an extreme it is the end.
const END_US: u16 = 12;
/// So far from it the channel has left it.
const LEFT_US: u16 = 60;
const TIMES: u32 = 3;
/// Less is no movement.
const MOVES_US: f64 = 30.0;

/// One end.
#[derive(Clone, Copy, Debug, Default)]
struct End {
    times: u32,
    is_in: bool,
}

impl End {
    /// `beyond`: how far past the extreme so far; `short`: how far before it.
    fn observe(&mut self, beyond: u16, short: u16) {
        if beyond > END_US {
            self.times = 0;
            self.is_in = false;
        }
        if short <= END_US {
            self.times += u32::from(!self.is_in);
            self.is_in = true;
        } else if short > LEFT_US {
            self.is_in = false;
        }
    }
}

/// What a channel reached.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Travel {
    pub(super) samples: u64,
    pub(super) low: u16,
    pub(super) high: u16,
    pub(super) step: Option<u16>,
    pub(super) last: u16,
    ends: [End; 2],
}

impl Travel {
    pub(super) fn observe(&mut self, pulse: u16) {
        if self.samples == 0 {
            (self.low, self.high, self.last) = (pulse, pulse, pulse);
        }
        self.samples += 1;
        let step = pulse.abs_diff(std::mem::replace(&mut self.last, pulse));
        if step > 0 {
            self.step = Some(self.step.map_or(step, |least| least.min(step)));
        }
        self.ends[0].observe(self.low.saturating_sub(pulse), pulse.saturating_sub(self.low));
        self.ends[1].observe(pulse.saturating_sub(self.high), self.high.saturating_sub(pulse));
        (self.low, self.high) = (self.low.min(pulse), self.high.max(pulse));
    }

    /// Whether it moved by more than it jitters.
    pub(super) fn moved(&self, jitter_us: Option<f64>) -> bool {
        let span = f64::from(self.high - self.low);
        // Of a normal scatter, twelve quartile ranges hold more than all samples of a day.
        span >= MOVES_US && span > 12.0 * jitter_us.unwrap_or(0.0)
    }

    /// Both ends were reached often enough to be the ends.
    pub(super) fn ends_seen(&self) -> bool {
        self.high - self.low > LEFT_US && self.ends.iter().all(|end| end.times >= TIMES)
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::stick_channels::travel::*;

    fn of(pulses: &[u16]) -> Travel {
        let mut travel = Travel::default();
        for pulse in pulses {
            travel.observe(*pulse);
        }
        travel
    }

    /// By the definition, worked by hand.
    #[test]
    fn ends_are_seen_where_they_are_reached_three_times() {
        let full = [1500, 1100, 1900, 1105, 1895, 1500, 1100, 1900];
        let travel = of(&full);
        assert_eq!((travel.low, travel.high, travel.ends_seen()), (1100, 1900, true));
        assert!(!of(&full[..6]).ends_seen(), "twice");
        // Each time farther, or held there without leaving.
        assert!(!of(&[1500, 1300, 1700, 1200, 1800, 1100, 1900]).ends_seen());
        assert!(!of(&[1500, 1100, 1101, 1100, 1900, 1901, 1900]).ends_seen());
        // A switch of two places.
        assert!(of(&[1000, 2000, 1000, 2000, 1000, 2000]).ends_seen());
    }

    #[test]
    fn a_step_is_that_of_reports_on_end_and_scatter_is_no_movement() {
        let travel = of(&[1500, 1500, 1504, 1512, 1508]);
        assert_eq!((travel.step, travel.moved(None)), (Some(4), false));
        assert_eq!(of(&[1500; 4]).step, None);
        let wide = of(&[1480, 1530]);
        assert!(wide.moved(Some(2.0)) && !wide.moved(Some(10.0)));
    }
}
