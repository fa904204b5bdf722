//! Whether the vehicle's channels answer to the handset's sticks: each to its own, to another's, against it, or to none.
//!
//! Definition: a step is a stick that stood within 40 us for a second, and then again at another place, 60 us or more
//! away; a channel answers by 30 us or more. Where no other stick moved meanwhile the step is alone, and shows which
//! channels follow, and which way. A channel follows a stick at three answers, and three in four of its steps alone.
//! Crossed: it follows another's and its own does not move it, or that other moves its own channel as little. Dead (never
//! moved) or stuck (moved before): four steps of its stick on end without an answer, each between answers of other
//! steps at most a minute apart, so that the link was live, in two such spells or over 10 s, so that no outage of the link
//! hid them all (unavailable time, ITU-T G.826); a stick that moves another channel has none.
//! Unit: us. Window: the session. Source: none, common practice. Only sources that number their sticks as channels.
//! Gap: steps are told from where sticks stand, so one that telemetry missed is none; a loss of input forgets what waits. A
//! restart changes nothing. A control link that is slower than a second shows steps as unanswered: all of them, so that
//! nothing is told. Bounded: [`MOST_SOURCES`] (see `heard_table`); what is followed stays.

use crate::measure::latency::SourceKey;
use crate::stats::heard_table::{HeardTable, Rank};
use crate::summary::{StickDirection, StickFinding};
use crate::units::Nanos;

use super::CHANNELS;

const MOST_SOURCES: usize = 4;
const STANDS: Nanos = Nanos::from_secs(1);
/// A stick message older than this says nothing of now.
const FRESH: Nanos = Nanos::from_millis(500);
const STILL_US: u16 = 40;
const STEP_US: u16 = 60;
const ANSWER_US: u16 = 30;
const FOLLOWS: u16 = 3;
const UNANSWERED: u16 = 4;
/// Answers before and after steps without one.
const BETWEEN: Nanos = Nanos::from_secs(60);
/// An outage of the link that hides steps is shorter, or a loss of input that is told.
const NO_OUTAGE: Nanos = Nanos::from_secs(10);

type Pulses = [Option<u16>; CHANNELS];

/// Where a stick stood, and what the channels showed.
#[derive(Clone, Copy, Debug)]
struct Stand {
    at: Nanos,
    stick: u16,
    channels: Pulses,
}

/// One stick of the handset.
#[derive(Clone, Copy, Debug, Default)]
struct Stick {
    /// Lowest and highest since it stands still.
    still: Option<(u16, u16)>,
    since: Nanos,
    stood: Option<Stand>,
    alone: u16,
    /// By channel: answers the same way, and the other way.
    same: [u16; CHANNELS],
    against: [u16; CHANNELS],
    unanswered: Unanswered,
    /// Steps that wait for an answer of another.
    waiting: u16,
    waits_since: Nanos,
    waits_until: Nanos,
}

/// Steps that its own channel did not answer while others were answered.
#[derive(Clone, Copy, Debug, Default)]
struct Unanswered {
    steps: u16,
    /// Runs of them between answers of others, and the longest.
    spells: u16,
    longest: Nanos,
}

impl Unanswered {
    fn is_shown(self) -> bool {
        self.steps >= UNANSWERED && (self.spells >= 2 || self.longest >= NO_OUTAGE)
    }
}

impl Stick {
    fn hits(&self, channel: usize) -> u16 {
        self.same[channel] + self.against[channel]
    }

    fn moves(&self, channel: usize) -> bool {
        let hits = self.hits(channel);
        hits >= FOLLOWS && 4 * u32::from(hits) >= 3 * u32::from(self.alone)
    }

    fn moves_not(&self, channel: usize) -> bool {
        self.alone >= FOLLOWS && self.hits(channel) == 0
    }

    /// Another channel answered: the link was live before and after the steps that wait.
    fn is_live_again(&mut self, at: Nanos) {
        if self.waiting > 0 && at - self.waits_since <= BETWEEN {
            let unanswered = &mut self.unanswered;
            unanswered.steps = unanswered.steps.saturating_add(self.waiting);
            unanswered.spells = unanswered.spells.saturating_add(1);
            unanswered.longest = unanswered.longest.max(self.waits_until - self.waits_since);
        }
        self.waiting = 0;
    }

    fn direction(&self, channel: usize) -> Option<StickDirection> {
        let (same, against) = (self.same[channel], self.against[channel]);
        if same >= 10 * against {
            Some(StickDirection::Same)
        } else {
            (against >= 10 * same).then_some(StickDirection::Reversed)
        }
    }

    fn observe(&mut self, at: Nanos, position: u16) {
        let (low, high) = self.still.unwrap_or((position, position));
        let wider = (low.min(position), high.max(position));
        if self.still.is_none() || wider.1 - wider.0 > STILL_US {
            self.still = Some((position, position));
            self.since = at;
        } else {
            self.still = Some(wider);
        }
    }

    /// Where it stands, once it does for long enough.
    fn stands(&self, at: Nanos) -> Option<u16> {
        self.still.filter(|_| at - self.since >= STANDS).map(|(low, high)| u16::midpoint(low, high))
    }
}

/// A source of sticks.
#[derive(Clone, Debug, Default)]
struct Source {
    sticks: [Stick; CHANNELS],
    last: Nanos,
    answered: u64,
    answered_at: Option<Nanos>,
}

impl Source {
    fn look(&mut self, at: Nanos, channels: &Pulses) {
        if at - self.last > FRESH {
            return;
        }
        for index in 0..CHANNELS {
            let Some(stick) = self.sticks[index].stands(at) else { continue };
            let now = Stand { at, stick, channels: *channels };
            let before = self.sticks[index].stood.replace(now);
            if let Some(before) = before.filter(|before| before.stick.abs_diff(stick) >= STEP_US) {
                self.step(index, &before, &now);
            }
        }
    }

    fn step(&mut self, index: usize, before: &Stand, now: &Stand) {
        let others = self.sticks.iter().enumerate().filter(|(other, _)| *other != index);
        let alone = others.into_iter().all(|(_, other)| other.since <= before.at);
        let rises = now.stick > before.stick;
        let answer = |channel: usize| {
            let (was, is) = before.channels[channel].zip(now.channels[channel])?;
            (was.abs_diff(is) >= ANSWER_US).then_some((is > was) == rises)
        };
        let stick = &mut self.sticks[index];
        let mut is_answered = false;
        if alone {
            stick.alone = stick.alone.saturating_add(1);
            for channel in 0..CHANNELS {
                let Some(same) = answer(channel) else { continue };
                let side = if same { &mut stick.same } else { &mut stick.against };
                side[channel] = side[channel].saturating_add(1);
                is_answered = true;
            }
        }
        if answer(index).is_some() {
            is_answered = true;
            (stick.unanswered, stick.waiting) = (Unanswered::default(), 0);
        } else if before.channels[index].and(now.channels[index]).is_some() {
            if stick.waiting == 0 {
                stick.waits_since = before.at;
            }
            let is_live = self.answered_at.is_some_and(|last| stick.waits_since - last <= BETWEEN);
            stick.waiting = if is_live { stick.waiting.saturating_add(1) } else { 0 };
            stick.waits_until = now.at;
        }
        if is_answered {
            self.answered += 1;
            self.answered_at = Some(now.at);
            self.sticks.iter_mut().for_each(|stick| stick.is_live_again(now.at));
        }
    }
}

/// What a channel is found to be.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Answer {
    pub(super) compared: Option<bool>,
    /// From 0, with its direction.
    pub(super) stick: Option<(usize, Option<StickDirection>)>,
    pub(super) findings: Vec<StickFinding>,
}

/// All sources of sticks.
#[derive(Clone, Debug, Default)]
pub(super) struct Answers {
    sources: HeardTable<SourceKey, Source, MOST_SOURCES>,
}

impl Answers {
    /// `rank`: how much each source counts.
    pub(super) fn observe_sticks(
        &mut self,
        at: Nanos,
        key: SourceKey,
        positions: &Pulses,
        rank: impl Fn(SourceKey) -> Rank,
    ) {
        let Some(source) = self.sources.hear(at, key, rank) else { return };
        if at - source.last > FRESH {
            // What it did meanwhile was not seen.
            for stick in &mut source.sticks {
                stick.still = None;
            }
        }
        source.last = at;
        for (stick, position) in source.sticks.iter_mut().zip(positions) {
            if let Some(position) = position {
                stick.observe(at, *position);
            }
        }
    }

    pub(super) fn observe_channels(&mut self, at: Nanos, channels: &Pulses) {
        for source in self.sources.values_mut() {
            source.look(at, channels);
        }
    }

    /// Input is lost: nothing answers.
    pub(super) fn cut(&mut self) {
        for source in self.sources.values_mut() {
            source.answered_at = None;
            for stick in &mut source.sticks {
                (stick.stood, stick.waiting) = (None, 0);
            }
        }
    }

    /// Of a channel, from 0, that `moved` or not.
    pub(super) fn of(&self, channel: usize, moved: bool) -> Answer {
        let Some(source) = self.sources.iter().map(|(_, source)| source).max_by_key(|source| source.answered)
        else {
            return Answer::default();
        };
        let own = &source.sticks[channel];
        let others = || source.sticks.iter().enumerate().filter(|(stick, _)| *stick != channel);
        let follows = if own.moves(channel) {
            Some(channel)
        } else {
            let mut movers = others().filter(|(_, stick)| stick.moves(channel)).map(|(stick, _)| stick);
            movers.next().filter(|_| movers.next().is_none())
        };
        let direction = follows.and_then(|stick| source.sticks[stick].direction(channel));
        let mut findings = Vec::new();
        let leads_elsewhere = others().any(|(other, _)| own.moves(other));
        if own.unanswered.is_shown() && follows.is_none() && !leads_elsewhere {
            findings.push(if moved { StickFinding::Stuck } else { StickFinding::Dead });
        } else if own.unanswered.is_shown() && follows == Some(channel) {
            findings.push(StickFinding::Stuck);
        }
        let is_crossed = |stick: usize| own.moves_not(channel) || source.sticks[stick].moves_not(stick);
        if follows.is_some_and(|stick| stick != channel && is_crossed(stick)) {
            findings.push(StickFinding::Crossed);
        }
        if direction == Some(StickDirection::Reversed) {
            findings.push(StickFinding::Reversed);
        }
        let steps = own.alone.max(own.unanswered.steps);
        Answer { compared: Some(steps >= FOLLOWS), stick: follows.map(|stick| (stick, direction)), findings }
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::stick_channels::answers::*;

    /// Two sticks that step back and forth at these seconds, ten reports a second; from one second to another the channels
    /// of those that are `hidden` stand. Whether the first stick's channel is shown not to answer.
    fn is_shown(first: &[f64], second: &[f64], hidden: [bool; 2], (from, to): (f64, f64)) -> bool {
        let place = |steps: &[f64], seconds: f64| {
            let steps = steps.iter().filter(|step| **step <= seconds).count();
            Some(if steps.is_multiple_of(2) { 1500 } else { 1700 })
        };
        let mut source = Source::default();
        for tick in 0..400 {
            let seconds = f64::from(tick) / 10.0;
            let at = Nanos::from_secs_f64(seconds);
            let mut channels: Pulses = [None; CHANNELS];
            for (index, steps) in [first, second].into_iter().enumerate() {
                let stands = hidden[index] && (from..to).contains(&seconds);
                channels[index] = place(steps, if stands { from } else { seconds });
                source.sticks[index].observe(at, place(steps, seconds).unwrap());
            }
            source.last = at;
            source.look(at, &channels);
        }
        source.sticks[0].unanswered.is_shown()
    }

    /// By the definition, worked by hand.
    #[test]
    fn an_outage_that_hides_steps_of_one_stick_is_no_dead_channel() {
        let steps = |from: f64, count: u32| -> Vec<f64> {
            (0..count).map(|step| from + 1.5 * f64::from(step)).collect()
        };
        // Four steps in 6 s, all of them in one outage: the handset's other stick stood.
        assert!(!is_shown(&steps(10.0, 4), &[5.0, 20.0], [true, true], (9.5, 16.5)));
        // The same in two outages of 5 s each, with an answer of both between.
        let twice = [steps(10.0, 2), vec![14.6], steps(21.0, 2)].concat();
        assert!(!is_shown(&twice, &[5.0, 16.5, 28.0], [true, true], (9.5, 14.0)));
        // It alone stands: for over 10 s, and in two runs.
        assert!(is_shown(&steps(10.0, 8), &[5.0, 24.0], [true, false], (0.0, 40.0)));
        assert!(!is_shown(&steps(10.0, 6), &[5.0, 24.0], [true, false], (0.0, 40.0)));
        let runs = [steps(10.0, 2), steps(16.0, 2)].concat();
        assert!(is_shown(&runs, &[5.0, 14.0, 20.0], [true, false], (0.0, 40.0)));
        // Never between answers of another: it is not known whether the link was live.
        assert!(!is_shown(&steps(10.0, 8), &[5.0], [true, false], (0.0, 40.0)));
    }

    #[test]
    fn a_channel_answers_by_thirty_microseconds_either_way() {
        let stand = |seconds: i64, stick: u16, channel: u16| {
            let mut channels: Pulses = [None; CHANNELS];
            channels[0] = Some(channel);
            Stand { at: Nanos::from_secs(seconds), stick, channels }
        };
        let answers = |to: u16| {
            let mut source = Source::default();
            source.step(0, &stand(0, 1500, 1500), &stand(3, 1700, to));
            (source.sticks[0].same[0], source.sticks[0].against[0])
        };
        assert_eq!([1529, 1530].map(answers), [(0, 0), (1, 0)]);
        assert_eq!([1471, 1470].map(answers), [(0, 0), (0, 1)]);
    }

    #[test]
    fn a_stick_stands_within_forty_microseconds_for_a_second() {
        let stands = |width: u16, last_ms: i64| {
            let mut stick = Stick::default();
            for tenth in 0..=last_ms / 100 {
                let position = if tenth % 2 == 0 { 1500 } else { 1500 + width };
                stick.observe(Nanos::from_millis(100 * tenth), position);
            }
            stick.stands(Nanos::from_millis(last_ms))
        };
        assert_eq!((stands(40, 1000), stands(41, 1000)), (Some(1520), None));
        assert_eq!(stands(40, 999), None);
    }
}
