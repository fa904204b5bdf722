//! One loss of control input, from its beginning to the recovery.

use crate::link::context::Context;
use crate::summary::FailsafeSummary;
use crate::units::Nanos;

/// A change of mode later than this is not taken for a word of the loss.
const MODE_WITHIN: Nanos = Nanos::from_secs(10);
const CONSTANT_FOR: Nanos = Nanos::from_secs(1);
const NEAR_US: u16 = 20;
/// Outputs that differ by no more are the same (the last digit of a pulse length).
const SAME_US: u16 = 1;

/// By what the loss is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Cause {
    /// The handset's stick stream stopped.
    Sticks,
    /// The vehicle's RC input is dead.
    Input,
    /// Only the vehicle's own word.
    Word,
}

/// What the vehicle says of itself.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Word {
    pub(super) at: Nanos,
    /// Its report of the same kind before.
    pub(super) before: Option<Nanos>,
    pub(super) mode: Option<u32>,
    pub(super) input_bad: bool,
    /// Critical or emergency.
    pub(super) failing: bool,
}

/// One sample of the outputs.
#[derive(Clone, Copy, Debug)]
pub(super) struct Outputs {
    pub(super) at: Nanos,
    pub(super) values: [u16; 16],
}

/// Instant known between the last sample before and the first after.
#[derive(Clone, Copy, Debug)]
struct Known {
    before: Nanos,
    at: Nanos,
}

/// One loss of input.
#[derive(Clone, Debug)]
pub(super) struct Incident {
    pub(super) lost_at: Nanos,
    pub(super) cause: Cause,
    pub(super) recovered: Option<Nanos>,
    said_before: Word,
    mode_after: Option<u32>,
    detected: Option<Known>,
    safe: Option<Known>,
    run: Option<Outputs>,
    run_before: Nanos,
    last_output: Option<Nanos>,
}

impl Incident {
    pub(super) fn begin<'a>(lost_at: Nanos, cause: Cause, words: impl Iterator<Item = &'a Word>) -> Self {
        let said_before = words.take_while(|word| word.at <= lost_at).last().copied().unwrap_or_default();
        Self {
            lost_at,
            cause,
            recovered: None,
            said_before,
            mode_after: None,
            detected: None,
            safe: None,
            run: None,
            run_before: lost_at,
            last_output: None,
        }
    }

    pub(super) fn hear(&mut self, word: &Word) {
        let timely = word.at - self.lost_at <= MODE_WITHIN;
        if self.said_before.mode.is_none() {
            self.said_before.mode = word.mode;
        }
        let changed = timely && word.mode.is_some() && word.mode != self.said_before.mode;
        if changed && self.mode_after.is_none() {
            self.mode_after = word.mode;
        }
        let worse =
            (word.input_bad && !self.said_before.input_bad) || (word.failing && !self.said_before.failing);
        if self.detected.is_none() && (changed || worse) {
            let before = word.before.unwrap_or(self.lost_at).max(self.lost_at);
            self.detected = Some(Known { before, at: word.at });
        }
    }

    pub(super) fn observe_outputs(&mut self, sample: &Outputs, context: &Context) {
        let before = self.last_output.unwrap_or(self.lost_at);
        self.last_output = Some(sample.at);
        let wanted = &context.profile.vehicle.failsafe_servo_us;
        if !wanted.is_empty() {
            let at_values = wanted.iter().all(|(servo, value)| {
                let index = servo.parse::<usize>().ok().and_then(|number| number.checked_sub(1));
                let output = index.and_then(|index| sample.values.get(index));
                output.is_some_and(|output| output.abs_diff(*value) <= NEAR_US)
            });
            self.safe = at_values.then(|| self.safe.unwrap_or(Known { before, at: sample.at }));
            return;
        }
        let same =
            |run: &Outputs| run.values.iter().zip(&sample.values).all(|(a, b)| a.abs_diff(*b) <= SAME_US);
        match self.run.filter(same) {
            Some(run) if sample.at - run.at >= CONSTANT_FOR => {
                self.safe = Some(Known { before: self.run_before, at: run.at });
            }
            Some(_) => {}
            None => {
                self.run = Some(*sample);
                self.run_before = before;
                self.safe = None;
            }
        }
    }

    pub(super) fn summary(&self, context: &Context) -> FailsafeSummary {
        let after = |at: Nanos| (at - self.lost_at).secs();
        let interval = |known: Known| [after(known.before), after(known.at)];
        let detected = self.detected.filter(|_| self.cause != Cause::Word);
        FailsafeSummary {
            input_lost_s: context.since_start_s(self.lost_at),
            detected_after_s: detected.map(|known| after(known.at)),
            servo_safe_after_s: self.safe.map(|known| after(known.at)),
            mode_before: self.said_before.mode,
            mode_after: self.mode_after,
            recovered_after_s: self.recovered.map(after),
            detected_after_interval_s: detected.map(interval),
            servo_safe_after_interval_s: self.safe.map(interval),
            drill: false,
            cause: None,
            outputs: None,
            evidence: None,
            why_not: None,
        }
    }
}
