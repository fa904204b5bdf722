//! Latency from stick to servo in three stages, and control holds.
//!
//! Definition: the age of the stick position that an output shows, at random instants while the stick moves; from
//! the position's appearance at this computer to the commanded output. Unit: ms. Window: the session. Source:
//! Turnbull (1976) for the distribution, Silverman et al. (1990) for its smooth form where sticks are held from
//! value to value (`delay_distribution`), Efron (1979) for its intervals, over movements. Each output sample allows
//! a set of ages (`age_intervals`); which samples count depends on their times alone.
//!
//! The way of the data: `movement_track` cuts movements out of the samples; `stage` keeps them, has `mapping` and
//! `curve` find what follows what, and reads `censoring` and `first_sightings` off them into `stage_evidence`;
//! `age_distribution` and `frame_period` estimate; `stage_estimate` makes the figures, `drawing` the pictures.
//!
//! Gap: a movement cut by one is left out and counted; samples of which no kernel stamp tells when they came in a
//! stall of this computer are left out, which makes one. Wrap: undone by the clocks. Duplicate or late
//! arrival: an output whose stamp is not newer is passed over. Restart: stages on the boot
//! clock start anew; host-time stages go on with the new epoch's fit. Bounded: see `movement_track`,
//! `stage` and `holds`; at most [`MOST_SOURCES`] stick sources, by the rule of `heard_table`.

mod age_distribution;
mod age_intervals;
mod archive;
mod archive_thinning;
mod censoring;
mod change;
mod curve;
mod delay_distribution;
mod drawing;
mod first_sightings;
mod frame_period;
mod holds;
mod kept_sticks;
mod mapping;
mod move_rows;
mod movement_sets;
mod movement_track;
mod sample_hold;
mod stage;
mod stage_estimate;
mod stage_evidence;

use std::collections::BTreeMap;

pub use move_rows::MoveRow;

use super::context::{Context, Sender};
use crate::clocks::{BootTime, Clocks};
use crate::record::{Direction, InterfaceKind};
use crate::snapshot::LatencyView;
use crate::stats::heard_table::{Rank, SMALL};
use crate::summary::{Bound, ControlHolds, LatencyChannel, LatencyStage, LatencySummary};
use crate::units::Nanos;
use crate::wire::telemetry::Telemetry;

use age_distribution::{AgeDistribution, TIGHT};
use frame_period::FramePeriod;
pub(crate) use holds::TimeSpans;
use holds::{HoldMeter, WatchedSource};
use kept_sticks::KeptSticks;
use movement_track::{ABSENT, Output, UNSAID, Values};
use stage::{ClockPair, StageMeter};
use stage_estimate::StageEstimate;
use stage_evidence::StageEvidence;

const MOST_SOURCES: usize = 4;
/// Half the resolution of a stamp in whole milliseconds.
const HALF_MILLI: Nanos = Nanos::from_micros(500);

/// Where sticks come from; the first in this order that moves is measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct SourceKey {
    /// 0: the handset's own interface, 1: a ground system heard, 2: sent from here.
    rank: u8,
    interface: u16,
    system: u8,
    component: u8,
    kind: u8,
}

impl SourceKey {
    /// Whether its sticks are numbered as the vehicle numbers its channels: RC messages are, axes are not.
    pub(crate) const fn numbers_channels(self) -> bool {
        self.kind <= 1
    }

    /// How much it counts where there are too many: those at the handset, and those that are named, before others.
    pub(crate) fn rank(self, context: &Context) -> Rank {
        let own = context.rank(self.system, self.component);
        if own == Rank::Stranger && self.rank == 0 { Rank::Kin } else { own }
    }
}

/// What is known to follow the sticks.
#[derive(Clone, Debug, Default)]
pub struct Followed {
    /// Sources whose movements the vehicle's input or outputs show.
    pub(crate) sources: Vec<SourceKey>,
    /// Outputs that follow a stick or an input, a bit each.
    pub(crate) outputs: u32,
    /// The longest lag of an output behind its stick, by correlation.
    pub(crate) lag: Option<Nanos>,
}

impl Followed {
    /// How much a source counts: what is followed is ours.
    pub(super) fn rank(&self, key: SourceKey, context: &Context) -> Rank {
        if self.sources.contains(&key) { Rank::Own } else { key.rank(context) }
    }
}

#[derive(Clone, Debug)]
struct Source {
    last: Nanos,
    /// How often it was heard.
    times: u64,
    kept: KeptSticks,
    servo: StageMeter,
    input: StageMeter,
}

/// Sticks, inputs and outputs of the session.
#[derive(Clone, Debug)]
pub struct LatencyMeter {
    sources: BTreeMap<SourceKey, Source>,
    onboard: StageMeter,
    onboard_epoch: Option<u32>,
    newer_input: bool,
    seen_input: bool,
    seen_servo: bool,
    holds: HoldMeter,
}

impl Default for LatencyMeter {
    fn default() -> Self {
        Self {
            sources: BTreeMap::new(),
            onboard: StageMeter::new(ClockPair::Boot, 0.5),
            onboard_epoch: None,
            newer_input: false,
            seen_input: false,
            seen_servo: false,
            holds: HoldMeter::default(),
        }
    }
}

impl LatencyMeter {
    /// Takes a stick, input or output sample. `clocks` has seen the message already.
    pub fn observe(
        &mut self,
        at: Nanos,
        sender: Sender,
        telemetry: &Telemetry,
        clocks: &Clocks,
        context: &Context,
    ) {
        // A movement with such samples has a gap.
        if context.is_late(at, sender.interface) {
            return;
        }
        if let Some((key, values)) = sticks(sender, telemetry, context) {
            self.observe_sticks(at, key, values, clocks, context);
            return;
        }
        let is_vehicle = context.roles.vehicle().is_none_or(|vehicle| vehicle == sender.system);
        if sender.direction == Direction::Outbound || !is_vehicle {
            return;
        }
        match telemetry {
            Telemetry::RcInput { channels, older, .. } => {
                self.newer_input |= !older;
                if *older && self.newer_input {
                    return;
                }
                self.seen_input = true;
                self.observe_input(at, sender, microseconds(channels), clocks, context);
            }
            Telemetry::ServoOutput { port: 0, outputs, .. } => {
                self.seen_servo = true;
                self.observe_servo(at, sender, outputs, clocks);
            }
            _ => {}
        }
    }

    /// Forgets a source that nothing follows (see `heard_table`).
    fn make_room(&mut self, at: Nanos, new: SourceKey, context: &Context) -> bool {
        let rank = |source: &Source, key: SourceKey| {
            let is_followed = source.servo.shows_sticks() || source.input.shows_sticks();
            if is_followed { Rank::Own } else { key.rank(context) }
        };
        let may_go = self.sources.iter().filter(|(key, source)| {
            rank(source, **key).makes_room(source.times < SMALL, at - source.last, new.rank(context))
        });
        let first =
            may_go.min_by_key(|(key, source)| (rank(source, **key), source.times >= SMALL, source.last));
        let first = first.map(|(key, _)| *key);
        first.and_then(|key| self.sources.remove(&key)).is_some()
    }

    fn observe_sticks(
        &mut self,
        at: Nanos,
        key: SourceKey,
        values: Values,
        clocks: &Clocks,
        context: &Context,
    ) {
        if !self.sources.contains_key(&key) {
            if self.sources.len() >= MOST_SOURCES && !self.make_room(at, key, context) {
                return;
            }
            let source = Source {
                last: at,
                times: 0,
                kept: KeptSticks::default(),
                servo: StageMeter::new(ClockPair::HostAndBoot, 0.0),
                input: StageMeter::new(ClockPair::HostAndBoot, 0.5),
            };
            self.sources.insert(key, source);
        }
        if let Some(source) = self.sources.get_mut(&key) {
            source.last = at;
            source.times += 1;
            let (all, samples) = source.kept.take(at, &values);
            source.servo.observe_sticks(at, samples, clocks);
            source.input.observe_sticks(at, samples, clocks);
            let watched = self.watched().any(|watched| watched.key == key);
            self.holds.observe_stick(at, key, &all, watched);
        }
    }

    fn observe_input(
        &mut self,
        at: Nanos,
        sender: Sender,
        values: Values,
        clocks: &Clocks,
        context: &Context,
    ) {
        let watched: Vec<WatchedSource> = self.watched().collect();
        self.holds.observe_input(at, &values, &watched, |from, to| context.stalled(from, to));
        let Some(boot) = clocks.newest(sender) else { return };
        let boot = BootTime { since_boot: boot.since_boot + HALF_MILLI, ..boot };
        let key = (sender.system, sender.component);
        for source in self.sources.values_mut() {
            source.input.observe_output(key, Output { order: at, boot, values }, clocks);
        }
        self.enter_epoch(boot.epoch);
        self.onboard.observe_sticks(boot.since_boot, values, clocks);
    }

    fn observe_servo(&mut self, at: Nanos, sender: Sender, outputs: &[u16; 16], clocks: &Clocks) {
        let Some(boot) = clocks.newest(sender) else { return };
        let mut values = [ABSENT; 18];
        for (slot, &output) in values.iter_mut().zip(outputs) {
            if output != 0 {
                *slot = half_microseconds(output);
            }
        }
        let key = (sender.system, sender.component);
        for source in self.sources.values_mut() {
            source.servo.observe_output(key, Output { order: at, boot, values }, clocks);
        }
        self.enter_epoch(boot.epoch);
        self.onboard.observe_output(key, Output { order: boot.since_boot, boot, values }, clocks);
    }

    /// The sources that the input follows.
    fn watched(&self) -> impl Iterator<Item = WatchedSource> {
        let watched = self.sources.iter().filter(|(_, source)| source.input.shows_sticks());
        watched.map(|(&key, source)| WatchedSource { key, lag: source.input.lags().next() })
    }

    fn enter_epoch(&mut self, epoch: u32) {
        if self.onboard_epoch.replace(epoch).is_some_and(|before| before != epoch) {
            self.onboard.track.cut();
        }
    }

    /// The source that is measured: the first that moves, else the first.
    fn source(&self) -> Option<&Source> {
        let moved = self.sources.values().find(|source| source.servo.moves() + source.input.moves() > 0);
        moved.or_else(|| self.sources.values().next())
    }

    /// What follows the sticks, as far as it is known by now.
    #[must_use]
    pub fn followed(&self) -> Followed {
        let shown = |source: &Source| source.input.shows_sticks() || source.servo.shows_sticks();
        let sources = self.sources.iter().filter(|(_, source)| shown(source)).map(|(key, _)| *key);
        let servos = || self.sources.values().map(|source| &source.servo);
        let outputs = servos().chain([&self.onboard]).flat_map(StageMeter::following);
        let lags = servos().flat_map(StageMeter::lags);
        Followed {
            sources: sources.collect(),
            outputs: outputs.fold(0, |all, output| all | 1 << output),
            lag: lags.max(),
        }
    }

    /// Movements taken so far: of the stage on board, or of the source that is measured.
    #[must_use]
    pub fn movements(&self) -> u64 {
        let source = self.source().map_or(0, |source| source.servo.moves().max(source.input.moves()));
        source.max(self.onboard.moves())
    }

    /// About how many bytes are held that an earlier copy of the same session, and others, do not share.
    pub(crate) fn own_bytes(&self, before: Option<&Self>) -> usize {
        let sources = self.sources.iter().map(|(key, source)| {
            let before = before.and_then(|before| before.sources.get(key));
            let [servo, input] = before.map_or([0; 2], |before| [before.servo.moves(), before.input.moves()]);
            source.servo.own_bytes(servo) + source.input.own_bytes(input)
        });
        let onboard = self.onboard.own_bytes(before.map_or(0, |before| before.onboard.moves()));
        sources.sum::<usize>() + onboard + self.holds.own_bytes()
    }

    /// A copy that is good for [`Self::summary`] alone: without what holds and movements add up to over a session.
    pub(crate) fn of_stages(&self) -> Self {
        let (sources, onboard) = (self.sources.clone(), self.onboard.clone());
        Self { sources, onboard, holds: HoldMeter::default(), ..*self }
    }

    /// The three stages.
    #[must_use]
    pub fn summary(&self, clocks: &Clocks, context: &Context) -> LatencySummary {
        let source = self.source();
        let stages = source.map_or([None, None], |source| [Some(&source.servo), Some(&source.input)]);
        let sampled = stages.map(|stage| {
            let evidence = stage?.evidence(clocks);
            let ages = evidence.distribution(None, TIGHT)?;
            Some((evidence, ages))
        });
        let frames = FramePeriod::new([0, 1].map(|of| sampled[of].as_ref().map(|(one, other)| (one, other))));
        let [servo_median, input_median] =
            frames.as_ref().map_or([None, None], |frames| frames.medians.each_ref().map(Option::as_ref));
        let period = frames.as_ref().and_then(|frames| frames.period_ms);
        let [servo, input] = sampled;
        let bound = |estimate: &StageEstimate| bound(estimate.evidence(), context);
        let estimate = |sampled: Option<(StageEvidence, AgeDistribution)>, median| {
            let estimate = sampled.map(|(evidence, ages)| StageEstimate::new(evidence, ages, median));
            unless_contradicted(estimate, |estimate| bound(estimate) != Bound::None)
        };
        let (servo, servo_withdrawn) = estimate(servo, servo_median);
        let (input, input_withdrawn) = estimate(input, input_median);
        let (on_board, on_board_withdrawn) = self.input_to_servo(servo.as_ref().zip(input.as_ref()), clocks);
        let row = |estimate: &StageEstimate, numbered: &dyn Fn(u8, u8) -> LatencyChannel| LatencyStage {
            change: change::change(estimate, context),
            ..estimate.summary(bound(estimate), numbered)
        };
        let servo_row = |own| row(own, &|stick, output| channel(Some(stick), None, Some(output)));
        let input_row = |own| row(own, &|stick, output| channel(Some(stick), Some(output), None));
        let mut summary = LatencySummary {
            stick_to_servo: servo.as_ref().map(servo_row),
            stick_to_input: input.as_ref().map(input_row),
            input_to_servo: on_board,
            control_frame_ms: period.map(|period| period.0),
            control_frame_ci95_ms: period.map(|period| period.1),
            drawing: drawing::drawing(source, [servo.as_ref(), input.as_ref()], clocks, context),
        };
        let withdrawn = [servo_withdrawn, input_withdrawn, on_board_withdrawn];
        summary.drawing.missing = drawing::all_missing(self, &summary, withdrawn);
        summary
    }

    /// The stage on board: by the stages from the sticks where those date both its ends, else by its own samples; and
    /// whether it was withdrawn.
    fn input_to_servo(
        &self,
        ends: Option<(&StageEstimate, &StageEstimate)>,
        clocks: &Clocks,
    ) -> (Option<LatencyStage>, bool) {
        let numbered = |input, servo| channel(None, Some(input), Some(servo));
        let evidence = self.onboard.evidence(clocks);
        if let Some(stage) = ends.and_then(|ends| stage_estimate::difference(&evidence, ends, numbered)) {
            return (Some(stage), false);
        }
        let ages = evidence.distribution(None, TIGHT);
        let estimate = ages.map(|ages| StageEstimate::new(evidence, ages, None));
        let (estimate, withdrawn) = unless_contradicted(estimate, |_| true);
        let stage = estimate.map(|own| stage_estimate::without_tails(own.summary(Bound::TwoSided, numbered)));
        (stage, withdrawn)
    }

    /// For drawing; `summary` is the newest result of [`Self::summary`].
    #[must_use]
    pub fn view(&self, context: &Context, summary: &LatencySummary) -> LatencyView {
        drawing::view(self, context, summary)
    }

    /// Spans in which the stick moved and the vehicle's input stood still, closed ones.
    pub(crate) const fn hold_spans(&self) -> &TimeSpans {
        &self.holds.holds.kept
    }

    /// Spans in which sticks moved.
    pub(crate) const fn moving_spans(&self) -> &TimeSpans {
        &self.holds.moving.kept
    }

    /// Their figures; `None` where sticks or inputs were never seen.
    #[must_use]
    pub fn holds(&self) -> Option<ControlHolds> {
        self.holds.summary()
    }
}

/// A stage, and whether it was withdrawn; `is_dated`: whether its ends are on clocks that know of each other.
fn unless_contradicted(
    estimate: Option<StageEstimate>,
    is_dated: impl Fn(&StageEstimate) -> bool,
) -> (Option<StageEstimate>, bool) {
    let withdrawn = estimate.as_ref().is_some_and(|estimate| estimate.is_contradicted(is_dated(estimate)));
    (estimate.filter(|_| !withdrawn), withdrawn)
}

/// A pair of channels, given from zero and numbered from one.
fn channel(stick: Option<u8>, input: Option<u8>, servo: Option<u8>) -> LatencyChannel {
    let [stick, input, servo] =
        [stick, input, servo].map(|from_zero| from_zero.map(|from_zero| from_zero + 1));
    LatencyChannel { stick, input, servo, events: 0, p50_ms: None, reversed: None, dead_band_us: None }
}

/// What the clocks make of a stage whose sticks are on host time.
fn bound(evidence: &StageEvidence, context: &Context) -> Bound {
    // Bare bytes: host time itself was made from the boot clock.
    let bare = !context.session.has_wall_clock
        && !context.interfaces.is_empty()
        && context.interfaces.iter().all(|interface| interface.kind == InterfaceKind::Stream);
    match evidence.uncertainty_ms {
        _ if bare => Bound::None,
        Some(_) => Bound::TwoSided,
        None => Bound::Upper,
    }
}

/// Where a message's sticks come from, if it is of a stick source.
pub(crate) fn stick_source(sender: Sender, telemetry: &Telemetry, context: &Context) -> Option<SourceKey> {
    sticks(sender, telemetry, context).map(|(key, _)| key)
}

/// Stick positions, if the message is of a stick source.
fn sticks(sender: Sender, telemetry: &Telemetry, context: &Context) -> Option<(SourceKey, Values)> {
    let inbound = sender.direction == Direction::Inbound;
    let at_handset = || inbound && context.interface_name(sender.interface) == "handset";
    let is_vehicle = || context.roles.vehicle() == Some(sender.system);
    // Sticks for another vehicle move nothing of this one.
    let is_meant =
        |target: u8| target == 0 || context.roles.vehicle().is_none_or(|vehicle| vehicle == target);
    let (kind, values) = match telemetry {
        Telemetry::RcInput { channels, .. } if at_handset() => (0, microseconds(channels)),
        Telemetry::RcOverride { target, channels, handed_back }
            if is_meant(*target) && (!is_vehicle() || at_handset()) =>
        {
            let mut values = microseconds(channels);
            for (stick, value) in values.iter_mut().enumerate() {
                if *value == ABSENT && handed_back >> stick & 1 == 0 {
                    *value = UNSAID;
                }
            }
            (1, values)
        }
        Telemetry::ManualControl { target, axes } if is_meant(*target) && (!is_vehicle() || at_handset()) => {
            let mut values = [ABSENT; 18];
            for (slot, axis) in values.iter_mut().zip(axes) {
                *slot = axis.unwrap_or(ABSENT);
            }
            (2, values)
        }
        Telemetry::Joystick { axes } => (3, axes.map(|axis| axis.unwrap_or(ABSENT))),
        _ => return None,
    };
    let rank = match (at_handset(), inbound) {
        (true, _) => 0,
        (false, true) => 1,
        (false, false) => 2,
    };
    let key = SourceKey {
        rank,
        interface: sender.interface.0,
        system: sender.system,
        component: sender.component,
        kind,
    };
    Some((key, values))
}

fn microseconds(channels: &[Option<u16>; 18]) -> Values {
    channels.map(|channel| channel.map_or(ABSENT, half_microseconds))
}

fn half_microseconds(value: u16) -> i16 {
    i16::try_from(u32::from(value) * 2).unwrap_or(i16::MAX)
}
