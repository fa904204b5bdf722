//! The loss of frames per sender and interface, counted from sequence numbers.
//!
//! Definition: lost / (received + lost), RFC 7680, in frames; loss periods by RFC 3357;
//! out of order by RFC 4737. Numbers are modulo 256, read from headers: a message that
//! does not decode was still received. Window: the whole session, and per second.
//!
//! - Gap: the missing numbers are lost. Longer than the numbers can tell: a multiple of
//!   256 more, by the sender's own recent rate, where its regular messages are missing too, with that uncertainty.
//! - Wrap: numbers are unwrapped. Duplicate: the same number and bytes within 0.5 s and 127
//!   numbers, counted apart. Two different frames under one number: both received.
//! - Late within 0.5 s and 127 numbers: taken off the lost again, counted out of order.
//! - Restart: the boot clock falls by over 1 s, its own or, around a jump of the numbers without a clock, that of another
//!   component of its system; or a jump without a clock disagrees with rate times time (see `sequence/jump.rs`): nothing
//!   lost. Boot clock still over a silence: likewise.
//! - Silence at the end is never loss, but an outage.
//!
//! - Several counters that interleave under one id: no loss is told (see `numberings.rs`).
//!
//! Bounded: 256 flows, 16 of one sender, by the rule of `heard_table`. What finds no room is left out. The last day by the second
//! for up to 16 senders (the last hour and a half for more), what is older by spans. Whole figures rest on counts and
//! runs of the whole session; bad spells of what is older are found span by span. See the files below this one.

mod bad_spells;
mod far_side;
mod gaps;
mod joint_loss;
mod link_loss;
mod numberings;
mod rate;
mod regular;
mod seconds;
mod sender_flow;
mod sequence;
mod shared_counters;
mod silence;

use std::collections::BTreeMap;
use std::net::SocketAddr;

use super::claims::Claim;
use super::context::Sender;
use super::series;
use crate::record::{Direction, InterfaceId};
use crate::stats::heard_table::{Rank, SMALL};
use crate::summary::RatioEstimate;
use crate::units::Nanos;
use crate::wire::framer::{FrameHeader, Standing};
use crate::wire::message::MavlinkMessage;

use joint_loss::{JointLoss, MOST_TOGETHER};
pub use sender_flow::LinkSeconds;
use sender_flow::SenderFlow;
use sequence::{Arriving, Outcome, Shown};
use shared_counters::Components;

/// Share of lost frames over which a second, a distance or a link is not good. Common practice, no source.
pub(crate) const MUCH_LOST: f64 = 0.05;
const MOST_FLOWS: usize = 256;
const MOST_FLOWS_OF_ONE: usize = 16;
const MOST_SYSTEMS: usize = 64;
const MOST_HELD: usize = 64;
const MOST_RESTARTS: usize = 1024;
/// A flow that was silent for longer hands over to a new address: they are not simultaneous.
const HANDED_OVER: Nanos = Nanos::from_secs(2);
/// Beyond so many senders each is kept by the second for a shorter time.
const MANY: usize = 16;

/// What an arrival was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Arrival {
    /// A frame not seen before.
    New,
    /// A copy of one seen before: its message was already taken.
    Duplicate,
}

/// The traffic of one link now: its senders together, or its packets.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Traffic {
    /// Lost share; `None` where nothing came.
    pub loss: Option<RatioEstimate>,
    /// Silence at the end.
    pub silent_at_end_s: Option<f64>,
}

/// A sender began its numbers anew.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Restart {
    /// The first frame after it.
    pub at: Nanos,
    /// Whose numbers.
    pub sender: Sender,
    /// Its own boot clock fell; else its numbers, or the clock of another component of its system, say so.
    pub by_clock: bool,
}

/// How steadily the traffic of one link came, over the whole session.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Steadiness {
    /// Share of whole seconds with data.
    pub availability_ratio: Option<f64>,
    /// Longest time without data, the end included.
    pub longest_silence_s: Option<f64>,
}

/// A frame that may turn out to be one.
#[derive(Clone, Copy, Debug)]
struct Held {
    sender: Sender,
    arriving: Arriving,
}

/// All senders' sequence accounting.
#[derive(Clone, Debug, Default)]
pub struct LossMeter {
    base: Option<Nanos>,
    flows: Vec<SenderFlow>,
    /// Places of flows that made room.
    vacant: Vec<usize>,
    /// Flows of each sender, in the order of their appearance.
    senders: BTreeMap<Sender, Vec<usize>>,
    systems: BTreeMap<(InterfaceId, Direction, u8), usize>,
    components: Vec<Components>,
    /// Where the flow of a sender was found last, by a small hash.
    places: [u16; PLACES],
    joints: Vec<JointLoss>,
    held: Vec<Held>,
    restarts: Vec<Restart>,
}

impl LossMeter {
    /// About how many bytes are held that copies do not share.
    pub(crate) fn own_bytes(&self) -> usize {
        let sequences: usize = self.flows.iter().map(|flow| flow.sequence.own_bytes()).sum();
        sequences + size_of_val(self.flows.as_slice())
    }

    /// The session's first record: seconds count from here.
    pub fn begin(&mut self, start: Nanos) {
        self.base.get_or_insert(start);
    }

    /// Takes a frame of whoever owns its id. `endpoint` is the sending address of a datagram.
    #[cfg(feature = "internals")]
    #[inline]
    pub fn observe(
        &mut self,
        at: Nanos,
        sender: Sender,
        endpoint: Option<SocketAddr>,
        message: &MavlinkMessage,
    ) -> Arrival {
        self.observe_claimed(at, sender, endpoint, message, Claim::Owned)
    }

    /// The same for a frame of an id that several addresses may use.
    #[inline]
    pub fn observe_claimed(
        &mut self,
        at: Nanos,
        sender: Sender,
        endpoint: Option<SocketAddr>,
        message: &MavlinkMessage,
        claim: Claim,
    ) -> Arrival {
        let MavlinkMessage { header, fingerprint: hash, boot, .. } = *message;
        let arriving = Arriving { at, sequence: header.sequence, message: header.message, hash, boot };
        if let Some(index) = self.found_last(sender, endpoint)
            && let Some(flow) = self.flows.get_mut(index)
            && header.standing == Standing::Accepted
            && flow.is_apart == (claim == Claim::Apart)
            && flow.sequence.observe_in_order(&arriving)
        {
            flow.steps.go_on(arriving.sequence);
            if flow.system.is_some() || flow.joint.is_some() {
                self.count_together(index, arriving);
            }
            return Arrival::New;
        }
        self.observe_any(sender, endpoint, arriving, (header, claim))
    }

    /// The flow of a sender and address, if it is the one that was found last.
    #[inline]
    fn found_last(&self, sender: Sender, endpoint: Option<SocketAddr>) -> Option<usize> {
        let key = sender.key();
        let index = usize::from(self.places[place_of(key)]);
        self.flows
            .get(index)
            .is_some_and(|flow| flow.key == key && flow.endpoint == endpoint)
            .then_some(index)
    }

    /// The number of a sender's flow from an address: what is told apart here is told apart elsewhere too.
    pub(crate) fn flow_number(&self, sender: Sender, endpoint: Option<SocketAddr>) -> Option<usize> {
        let all = || {
            self.senders.get(&sender)?.iter().copied().find(|&index| self.flows[index].endpoint == endpoint)
        };
        self.found_last(sender, endpoint).or_else(all)
    }

    /// The same, whatever comes.
    #[inline(never)]
    fn observe_any(
        &mut self,
        sender: Sender,
        endpoint: Option<SocketAddr>,
        arriving: Arriving,
        (header, claim): (FrameHeader, Claim),
    ) -> Arrival {
        match header.standing {
            Standing::Accepted => self.accepted(sender, endpoint, arriving, (header.known, claim)),
            Standing::Witness => {
                if self.held.len() >= MOST_HELD {
                    self.held.remove(0);
                }
                self.held.push(Held { sender, arriving });
                Arrival::Duplicate
            }
            Standing::Recalled => {
                self.recalled(sender, arriving);
                Arrival::New
            }
        }
    }

    fn accepted(
        &mut self,
        sender: Sender,
        endpoint: Option<SocketAddr>,
        arriving: Arriving,
        (known, claim): (bool, Claim),
    ) -> Arrival {
        let base = *self.base.get_or_insert(arriving.at);
        let is_apart = claim == Claim::Apart;
        let Some(index) = self.flow_of(sender, endpoint, arriving, claim) else {
            // A frame of unknown id never makes a sender.
            if known {
                self.begin_flow(sender, (endpoint, is_apart), arriving, base);
            }
            return Arrival::New;
        };
        let flow = &mut self.flows[index];
        flow.is_apart = is_apart;
        let outcome = flow.sequence.observe(arriving);
        if outcome == Outcome::Duplicate {
            return Arrival::Duplicate;
        }
        flow.steps.observe(arriving.sequence);
        if is_apart {
            return Arrival::New;
        }
        if let Outcome::Restart(shown) = outcome {
            self.restarted(sender, shown);
        }
        self.count_together(index, arriving);
        Arrival::New
    }

    /// A sender restarted: where its clock shows it, the others of its system without a clock may have, too.
    fn restarted(&mut self, sender: Sender, shown: Shown) {
        let Shown { at, by_clock, .. } = shown;
        self.note_restart(Restart { at, sender, by_clock });
        if !by_clock {
            return;
        }
        for index in 0..self.flows.len() {
            let flow = &mut self.flows[index];
            let is_sibling = !flow.is_apart
                && flow.sender != sender
                && Sender { component: sender.component, ..flow.sender } == sender;
            if !is_sibling {
                continue;
            }
            let (sibling, joint) = (flow.sender, flow.joint);
            if let Some(at) = flow.sequence.told(shown) {
                self.note_restart(Restart { at, sender: sibling, by_clock: false });
            }
            if let Some(joint) = joint {
                self.joints[joint].told(shown);
            }
        }
    }

    fn note_restart(&mut self, restart: Restart) {
        if self.restarts.len() < MOST_RESTARTS {
            self.restarts.push(restart);
        }
    }

    /// A new frame of a flow, beside those of others.
    fn count_together(&mut self, index: usize, arriving: Arriving) {
        let flow = &self.flows[index];
        if let Some(system) = flow.system {
            self.components[system].observe(flow.sender.component, arriving.sequence);
        }
        if let Some(joint) = flow.joint {
            self.joints[joint].observe(arriving);
        }
    }

    /// Whether a frame would begin a flow for which there is no room.
    pub(crate) fn is_full_for(&self, sender: Sender, endpoint: Option<SocketAddr>) -> bool {
        if self.found_last(sender, endpoint).is_some() {
            return false;
        }
        let of_it = self.senders.get(&sender);
        let is_known = |&index: &usize| self.flows[index].endpoint == endpoint;
        let is_crowded = of_it.is_some_and(|flows| flows.len() >= MOST_FLOWS_OF_ONE);
        let is_full = self.flows.len() >= MOST_FLOWS && self.vacant.is_empty();
        (is_crowded || is_full) && !of_it.is_some_and(|flows| flows.iter().any(is_known))
    }

    /// Forgets a flow, for one of this sender: the number that it had.
    pub(crate) fn make_room(
        &mut self,
        at: Nanos,
        sender: Sender,
        rank: impl Fn(Sender) -> Rank,
    ) -> Option<usize> {
        let is_crowded = self.senders.get(&sender).is_some_and(|flows| flows.len() >= MOST_FLOWS_OF_ONE);
        let new = if is_crowded { Rank::Stranger } else { rank(sender) };
        let rank_of = |flow: &SenderFlow| if flow.is_apart { Rank::Stranger } else { rank(flow.sender) };
        let is_small = |flow: &SenderFlow| flow.sequence.received < SMALL;
        let may_go = |flow: &SenderFlow| {
            let is_meant = (!is_crowded || flow.sender == sender) && flow.joint.is_none();
            is_meant && rank_of(flow).makes_room(is_small(flow), at - flow.sequence.last_at, new)
        };
        let is_there = |flow: &SenderFlow| flow.key != u64::MAX;
        let may =
            (0..self.flows.len()).filter(|&index| is_there(&self.flows[index]) && may_go(&self.flows[index]));
        let index = may.min_by_key(|&index| {
            let flow = &self.flows[index];
            (!flow.is_apart, rank_of(flow), !is_small(flow), flow.sequence.last_at)
        })?;
        let flows = self.senders.get_mut(&self.flows[index].sender)?;
        flows.retain(|&each| each != index);
        if flows.is_empty() {
            self.senders.remove(&self.flows[index].sender);
        }
        // Nothing finds it from here on.
        (self.flows[index].key, self.flows[index].is_apart) = (u64::MAX, true);
        self.vacant.push(index);
        Some(index)
    }

    /// A sender was heard first: its numbers are counted beside those of its system's other components.
    fn begin_component(&mut self, sender: Sender, number: u8) {
        let key = (sender.interface, sender.direction, sender.system);
        if self.systems.len() >= MOST_SYSTEMS && !self.systems.contains_key(&key) {
            return;
        }
        let system = *self.systems.entry(key).or_insert_with(|| {
            self.components.push(Components::default());
            self.components.len() - 1
        });
        let components = &mut self.components[system];
        if components.begin(sender.component) {
            for &component in components.several() {
                let flows = self.senders.get(&Sender { component, ..sender });
                if let Some(&first) = flows.and_then(|flows| flows.first()) {
                    self.flows[first].system = Some(system);
                }
            }
            components.observe(sender.component, number);
        }
    }

    fn recalled(&mut self, sender: Sender, arriving: Arriving) {
        let held = self.held.iter().rposition(|held| {
            held.sender == sender
                && held.arriving.hash == arriving.hash
                && held.arriving.sequence == arriving.sequence
        });
        let Some(held) = held.map(|index| self.held.remove(index)) else { return };
        if let Some(&index) = self.senders.get(&sender).and_then(|flows| flows.first()) {
            let flow = &mut self.flows[index];
            if held.arriving.at >= flow.sequence.first_at {
                flow.sequence.recall(held.arriving);
            }
            if let Some(joint) = flow.joint {
                self.joints[joint].recall(held.arriving);
            }
        }
    }

    /// The flow that an arrival belongs to. One whose very next number comes from a new address takes that on, and so
    /// does a silent one.
    fn flow_of(
        &mut self,
        sender: Sender,
        endpoint: Option<SocketAddr>,
        arriving: Arriving,
        claim: Claim,
    ) -> Option<usize> {
        let flows = self.senders.get(&sender)?;
        if let Some(&index) = flows.iter().find(|&&index| self.flows[index].endpoint == endpoint) {
            self.places[place_of(sender.key())] = index as u16;
            return Some(index);
        }
        if claim == Claim::Apart {
            return None;
        }
        let owned = || flows.iter().filter(|&&index| !self.flows[index].is_apart);
        let is_next = |&&index: &&usize| self.flows[index].sequence.is_next(&arriving);
        let is_silent = |&&index: &&usize| arriving.at - self.flows[index].sequence.last_at > HANDED_OVER;
        let newest = || owned().max_by_key(|&&index| self.flows[index].sequence.last_at);
        let moved = || newest().filter(|_| claim == Claim::Moved);
        let index = *owned().find(is_next).or_else(moved).or_else(|| owned().find(is_silent))?;
        self.flows[index].endpoint = endpoint;
        Some(index)
    }

    fn begin_flow(
        &mut self,
        sender: Sender,
        (endpoint, is_apart): (Option<SocketAddr>, bool),
        arriving: Arriving,
        base: Nanos,
    ) {
        let place = self.vacant.last().copied().unwrap_or(self.flows.len());
        let is_crowded = self.senders.get(&sender).is_some_and(|flows| flows.len() >= MOST_FLOWS_OF_ONE);
        if place >= MOST_FLOWS || is_crowded {
            return;
        }
        let flows = self.senders.entry(sender).or_default();
        let is_first = flows.is_empty();
        flows.push(place);
        let mut flow = SenderFlow::new(sender, endpoint, arriving, base);
        flow.is_apart = is_apart;
        if is_first && sender.direction == Direction::Inbound {
            flow.joint = self.joint_of(sender, place, arriving, base);
        }
        if self.vacant.pop().is_some() {
            self.flows[place] = flow;
        } else {
            self.flows.push(flow);
        }
        if is_first {
            self.begin_component(sender, arriving.sequence);
        }
        if self.flows.len() > MANY {
            self.flows.iter_mut().for_each(|flow| flow.sequence.seconds.keep_blocks(series::DAY));
        }
    }

    /// The joint count of a sender that is heard on another interface already; it takes part as the next flow.
    fn joint_of(&mut self, sender: Sender, next: usize, arriving: Arriving, base: Nanos) -> Option<usize> {
        let other = self.flows.iter().position(|flow| {
            let heard = flow.sender;
            (heard.system, heard.component, heard.direction)
                == (sender.system, sender.component, sender.direction)
                && heard.interface != sender.interface
                && !flow.is_apart
        })?;
        if let Some(joint) = self.flows[other].joint {
            self.joints[joint].join(next);
            self.joints[joint].observe(arriving);
            return Some(joint);
        }
        if self.joints.len() >= MOST_TOGETHER {
            return None;
        }
        self.joints.push(JointLoss::new((other, &self.flows[other]), next, arriving, base));
        let joint = Some(self.joints.len() - 1);
        self.flows[other].joint = joint;
        joint
    }

    /// This computer lost data of an interface itself, noticed at a stamp.
    pub fn host_dropped(&mut self, at: Nanos, interface: InterfaceId) {
        self.own_loss(at, at, interface);
    }

    /// What is missing of an interface between two stamps is no loss of the link.
    pub fn own_loss(&mut self, from: Nanos, to: Nanos, interface: InterfaceId) {
        let Some(base) = self.base else { return };
        let ((from, _), (_, to)) =
            (sender_flow::own_span((from - base).secs()), sender_flow::own_span((to - base).secs()));
        let (from, to) = (base + Nanos::from_secs_f64(from), base + Nanos::from_secs_f64(to));
        for flow in self.flows.iter_mut().filter(|flow| flow.sender.interface == interface) {
            flow.sequence.mark_own(from, to);
        }
    }
}

const PLACES: usize = 32;

/// Where the flow of a sender is looked for first.
const fn place_of(key: u64) -> usize {
    (key.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 59) as usize
}
