//! One loss of control input, from its beginning to the recovery.

use crate::measure::context::Context;
use crate::measure::life::Phase;
use crate::summary::{FailsafeSummary, LossCause, Reason};
use crate::units::Nanos;

use super::outputs::{Known, Outputs, Rule, Settling};
use super::sticks::was_silent;

/// A change of mode later than this is not taken for a word of the loss.
const MODE_WITHIN: Nanos = Nanos::from_secs(10);
/// Telemetry that goes on for so long shows that the vehicle is there and its input is not.
const GOES_ON: Nanos = Nanos::from_secs(10);
/// A mark stands for a loss that begins within this.
pub(super) const MARK_BEFORE: Nanos = Nanos::from_secs(30);
/// What a sample shows was so up to this long before it arrived here.
const ON_THE_WAY: Nanos = Nanos::from_millis(50);
/// What the vehicle sent before the loss arrives within this.
const STILL_COMING: Nanos = Nanos::from_millis(500);

/// By what the loss is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Cause {
    /// The handset's stick stream stopped: silence longer than this tells it.
    Sticks { limit: Nanos },
    /// The vehicle's RC input is dead.
    Input,
    /// Only the vehicle's own word.
    Word,
}

impl Cause {
    /// The higher, the more it says of the loss.
    pub(super) const fn rank(self) -> u8 {
        match self {
            Self::Word => 0,
            Self::Input => 1,
            Self::Sticks { .. } => 2,
        }
    }
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

/// One loss of input.
#[derive(Clone, Debug)]
pub(super) struct Incident {
    pub(super) lost_at: Nanos,
    /// The first sample that shows it, where samples do.
    pub(super) dead_at: Nanos,
    pub(super) cause: Cause,
    pub(super) recovered: Option<Nanos>,
    /// A person marked it as a drill.
    pub(super) marked: bool,
    /// The vehicle's last message before the recovery.
    pub(super) heard: Option<Nanos>,
    /// The vehicle restarted: what it does from then on is not of this loss.
    pub(super) restarted: bool,
    /// Samples in which the input moved all the same, and the first of them.
    pub(super) moves: Option<(u32, Nanos)>,
    said_before: Word,
    mode_after: Option<u32>,
    detected: Option<Known>,
    outputs: Settling,
}

impl Incident {
    pub(super) fn begin<'a>(
        lost_at: Nanos,
        dead_at: Nanos,
        cause: Cause,
        words: impl Iterator<Item = &'a Word>,
    ) -> Self {
        let said_before = words.take_while(|word| word.at <= lost_at).last().copied().unwrap_or_default();
        Self {
            lost_at,
            dead_at,
            cause,
            recovered: None,
            marked: false,
            heard: None,
            restarted: false,
            moves: None,
            said_before,
            mode_after: None,
            detected: None,
            outputs: Settling::new(lost_at, matches!(cause, Cause::Sticks { .. })),
        }
    }

    pub(super) const fn by_sticks(&self) -> bool {
        matches!(self.cause, Cause::Sticks { .. })
    }

    pub(super) fn hear(&mut self, word: &Word) {
        if self.restarted {
            return;
        }
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

    pub(super) fn observe_outputs(&mut self, sample: &Outputs, rule: &Rule<'_>) {
        if !self.restarted {
            self.outputs.observe(sample, rule);
        }
    }

    pub(super) fn still_lost(&mut self, at: Nanos) {
        self.outputs.still_lost(at);
    }

    /// Whether it is a loss of input at all, as far as is known by now.
    pub(super) fn is_told(&self, context: &Context) -> bool {
        if context.life.phase_at(self.lost_at) == Some(Phase::Off) {
            return false;
        }
        // Where the vehicle is silent from then on too, nothing is known of its input.
        let heard = self.heard.is_some_and(|heard| heard > self.lost_at + STILL_COMING);
        let Cause::Sticks { limit } = self.cause else { return heard };
        heard && was_silent(self.lost_at, self.end(context), limit, context)
    }

    /// The recovery, or now.
    pub(super) fn end(&self, context: &Context) -> Nanos {
        self.recovered.unwrap_or(context.now)
    }

    fn is_drill(&self, context: &Context) -> bool {
        let phase = context.life.phase_at(self.lost_at);
        self.marked || matches!(phase, Some(Phase::Waiting | Phase::Ground))
    }

    /// Whether it ends a proof: a loss of the link in judged time, no drill, and not the handset's own.
    pub(super) fn fails_proof(&self, context: &Context) -> bool {
        !self.is_drill(context) && !self.by_sticks() && context.life.is_judged(self.lost_at)
    }

    /// Whether it shows a loss of the control link, and why not.
    fn evidence(&self, context: &Context) -> (Option<bool>, Option<Reason>) {
        let goes_on = self.heard.is_some_and(|heard| heard - self.lost_at >= GOES_ON);
        if self.is_drill(context) {
            (Some(false), Some(Reason::Drill))
        } else if self.by_sticks() {
            (Some(false), Some(Reason::HandsetStopped))
        } else if self.recovered.is_some() || goes_on {
            (Some(true), None)
        } else {
            (None, Some(Reason::InputNotBack))
        }
    }

    pub(super) fn summary(&self, context: &Context) -> FailsafeSummary {
        let after = |at: Nanos| (at - self.lost_at).secs();
        let interval = |known: Known| {
            let low = (known.before - ON_THE_WAY).max(self.lost_at);
            // What waited while this computer stood still has no time of its own.
            let whole = !context.stalled(self.lost_at - ON_THE_WAY, known.at);
            whole.then(|| [after(low), after(known.at)])
        };
        let detected = self.detected.filter(|_| self.cause != Cause::Word).and_then(interval);
        let safe = self.outputs.safe().and_then(interval);
        let middle = |[low, high]: [f64; 2]| f64::midpoint(low, high);
        let (evidence, why_not) = self.evidence(context);
        FailsafeSummary {
            input_lost_s: context.since_start_s(self.lost_at),
            detected_after_s: detected.map(middle),
            servo_safe_after_s: safe.map(middle),
            mode_before: self.said_before.mode,
            mode_after: self.mode_after,
            recovered_after_s: self.recovered.map(after),
            detected_after_interval_s: detected,
            servo_safe_after_interval_s: safe,
            drill: self.is_drill(context),
            cause: self.by_sticks().then_some(LossCause::Handset),
            outputs: self.outputs.word(),
            evidence,
            why_not,
        }
    }
}
