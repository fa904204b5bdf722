//! How each link stands at each moment: gathers what the rules of [`crate::judge::condition`] ask for.
//!
//! Looked at every whole second, and at records in between, at most ten times a second: the same records give the same
//! states, whoever looks and when.

use crate::judge::alarm_call::{AlarmCall, Open};
use crate::judge::condition::{Condition, Failed, LinkFacts, Now, Scale, SecondOfLink};
use crate::measure::life::Phase;
use crate::measure::video::Latest;
use crate::profile::LinkRole;
use crate::summary::{Failure, LinkState};
use crate::units::{LevelUnit, Nanos};

use super::LinkMonitor;

/// Between two looks.
const STEP: Nanos = Nanos::from_millis(100);
/// Failures are asked for so far back.
const BACK: Nanos = Nanos::from_secs(60);
/// Pictures of so many seconds are looked at together.
const PICTURES_S: usize = 3;

/// The links' states.
#[derive(Clone, Debug, Default)]
pub(super) struct Conditions {
    links: Vec<Condition>,
    calls: Vec<AlarmCall>,
    looked: Option<Nanos>,
    /// When each link last had a level.
    levels: Vec<Option<Nanos>>,
    /// Counts of the last whole seconds.
    pictures: Vec<Latest>,
}

impl Conditions {
    /// That of a link of the profile.
    pub(super) fn link(&self, index: usize) -> Option<&Condition> {
        self.links.get(index)
    }
}

impl LinkMonitor {
    /// A record came: looks at the links if the last look is old.
    pub(super) fn look_at_links(&mut self, at: Nanos) {
        if self.conditions.looked.is_none_or(|looked| at - looked >= STEP) {
            self.each_link(at, Condition::step);
        }
    }

    /// A whole second has passed.
    pub(super) fn second_of_links(&mut self, at: Nanos) {
        let second = self.context.since_start_s(at).round() as usize;
        if let Some(latest) = self.video.latest(&self.context, second.saturating_sub(1)) {
            let pictures = &mut self.conditions.pictures;
            pictures.push(latest);
            if pictures.len() > PICTURES_S + 1 {
                pictures.remove(0);
            }
        }
        let links = 0..self.context.profile.link.len();
        let mut brought: Vec<SecondOfLink> = links.rev().map(|index| self.brought(index, at)).collect();
        self.each_link(at, |condition, facts| condition.second(brought.pop().unwrap_or_default(), facts));
    }

    fn each_link(&mut self, at: Nanos, mut look: impl FnMut(&mut Condition, &LinkFacts)) {
        self.conditions.looked = Some(at);
        let mut links = std::mem::take(&mut self.conditions.links);
        links.resize_with(self.context.profile.link.len(), Condition::default);
        self.conditions.levels.resize(links.len(), None);
        self.conditions.calls.resize(links.len(), AlarmCall::default());
        let is_quiet = self.context.life.is_quiet();
        let distance_m = self.range.distance(at, &self.context).map(|distance| distance.0);
        for (index, condition) in links.iter_mut().enumerate() {
            let level = self.signal.level(index, at);
            if level.is_some() {
                self.conditions.levels[index] = Some(at);
            }
            look(condition, &self.link_facts(index, at, level, distance_m));
            let now = condition.now();
            self.conditions.calls[index].observe(at, now.state, now.acknowledged, is_quiet);
        }
        self.conditions.links = links;
        self.tell_states(at);
    }

    /// How a link of the profile stands, as of the last look.
    pub(super) fn condition(&self, index: usize) -> Now {
        self.conditions.link(index).map(Condition::now).unwrap_or_default()
    }

    /// The pilot acknowledges what a link says.
    pub(super) fn acknowledge(&mut self, link: &str) {
        self.margin.acknowledge(link);
        let conditions = self.conditions.links.iter_mut().zip(&mut self.conditions.calls);
        let links = self.context.profile.link.iter().zip(conditions);
        for (_, (condition, call)) in links.filter(|(profile, _)| profile.name == link) {
            condition.acknowledge();
            call.acknowledge();
        }
    }

    /// What calls for the pilot on a link of the profile.
    pub(super) fn call(&self, index: usize) -> Option<Open> {
        self.conditions.calls.get(index).and_then(AlarmCall::open)
    }

    fn link_facts(&self, index: usize, at: Nanos, level: Option<f64>, distance_m: Option<f64>) -> LinkFacts {
        let (context, link) = (&self.context, &self.context.profile.link[index]);
        let ((own, spacing), standing) = (self.last_and_spacing(index), self.margin.standing(index));
        let data = self.data_or_told(index, own);
        let is_told = link.role == LinkRole::Control && own.is_none();
        let stalled = context.stalls.last().filter(|stall| stall.from <= at && at < stall.to);
        let is_blind =
            stalled.is_some() || self.is_source_down(index) || (is_told && self.is_vehicle_silent(at));
        LinkFacts {
            at,
            role: link.role,
            heard: self.data_or_level(index, data).map(|heard| at - context.at_work(heard, at)),
            has_data: data.is_some(),
            has_clock: !self.is_bare(),
            // What this computer missed itself shows nothing.
            in_trip: context.life.is_judged(at) && !context.stalled(at - Nanos::from_secs(1), at),
            spacing,
            is_off: context.life.now() == Some(Phase::Off) || self.is_handset_off(index),
            is_blind,
            failed: self.failed(link.role, index, at),
            margin: if context.life.is_quiet() { LinkState::Unknown } else { standing.state },
            is_over_limit: standing
                .warning_margin
                .zip(link.effective_limits())
                .is_some_and(|(margin, limits)| margin >= limits.warning_margin),
            level,
            scale: if link.unit() == LevelUnit::Dbm { Scale::Decibels } else { Scale::Units },
            distance_m,
            damaged: (link.role == LinkRole::Video).then(|| self.damaged()).flatten(),
        }
    }

    /// When data of a link last came. A control link that nobody hears here shows itself in what the vehicle tells of its
    /// input.
    pub(super) fn data_heard(&self, index: usize) -> Option<Nanos> {
        self.data_or_told(index, self.last_heard(index))
    }

    fn data_or_told(&self, index: usize, own: Option<Nanos>) -> Option<Nanos> {
        let is_control = self.context.profile.link[index].role == LinkRole::Control;
        own.or_else(|| is_control.then(|| self.failsafe.input_heard()).flatten())
    }

    fn data_or_level(&self, index: usize, data: Option<Nanos>) -> Option<Nanos> {
        data.or_else(|| self.conditions.levels.get(index).copied().flatten())
    }

    /// When data of a link last came, else a level: the picture may be shown elsewhere.
    pub(super) fn shown_at(&self, index: usize) -> Option<Nanos> {
        self.data_or_level(index, self.data_or_told(index, self.last_heard(index)))
    }

    /// When anything of a link's own traffic last came, and how far apart it usually comes.
    pub(super) fn last_and_spacing(&self, index: usize) -> (Option<Nanos>, Option<Nanos>) {
        let link = &self.context.profile.link[index];
        let packets = self.of_packets(link, |video| video.last_heard(&self.context));
        let streams = self.of_packets(link, |video| video.has_stream().then_some(Nanos::ZERO));
        if packets.is_some() && streams.is_some() {
            return (packets, streams);
        }
        let (last, spacing) = self.loss.last_and_spacing(&self.context, link);
        (packets.or(last), streams.or(spacing))
    }

    /// Whether the vehicle's own telemetry, which tells of a link that is not heard here, is silent.
    fn is_vehicle_silent(&self, at: Nanos) -> bool {
        let heard = self.loss.vehicle_heard(&self.context).autopilot_last;
        heard.is_none_or(|heard| self.context.at_work(heard, at) > Nanos::from_secs(2))
    }

    /// Share of the last pictures that came in part, or depend on lost ones.
    fn damaged(&self) -> Option<f64> {
        let (first, last) = (self.conditions.pictures.first()?, self.conditions.pictures.last()?);
        last.damaged_since(first)
    }

    /// Pictures that stood, holds and lost inputs of the last minute.
    fn failed(&self, role: LinkRole, index: usize, at: Nanos) -> Vec<Failed> {
        let context = &self.context;
        let mut spans = Vec::new();
        if context.profile.is_video_link(&context.profile.link[index]) {
            let (from_s, to_s) = (context.since_start_s(at - BACK), context.since_start_s(at));
            for freeze in self.video.freezes_within(context, (from_s, to_s)) {
                if !freeze.course.is_made_here() {
                    let to = freeze.ended.then_some(freeze.end);
                    spans.push(Failed { what: Failure::Frozen, from: freeze.start, to });
                }
            }
        }
        if role == LinkRole::Control {
            let lost = self.failsafe.spans_since(at - BACK, context).into_iter();
            spans.extend(lost.map(|(from, to)| Failed { what: Failure::InputLost, from, to }));
            let holds = self.latency.hold_spans();
            let first = holds.partition_point(|(_, to)| to < at - BACK);
            let held = holds.range(first, usize::MAX).map(|(_, span)| span);
            spans.extend(held.map(|(from, to)| Failed { what: Failure::Held, from, to: Some(to) }));
        }
        spans.sort_by_key(|failed| failed.from);
        spans
    }

    /// What the whole second before an instant brought; nothing where this computer lost data itself.
    fn brought(&self, index: usize, at: Nanos) -> SecondOfLink {
        let (context, link) = (&self.context, &self.context.profile.link[index]);
        let to_s = context.since_start_s(at).round();
        let dropped = context.host_drops.last().is_some_and(|drop| at - drop.at <= Nanos::from_secs(1));
        if dropped || context.stalled(at - Nanos::from_secs(1), at) || to_s < 1.0 {
            return SecondOfLink::default();
        }
        let packets = self.of_packets(link, |video| video.latest(context, to_s as usize - 1));
        if let Some(latest) = packets {
            return SecondOfLink { received: latest.received, lost: latest.lost };
        }
        let (received, lost) = self.loss.brought(context, link, to_s - 1.0);
        SecondOfLink { received, lost }
    }
}
