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
//! Bounded: 256 flows, 16 of one sender, what is beyond them is left out; the last day by the second
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

use super::context::Sender;
use super::series;
use crate::record::{Direction, InterfaceId};
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

    /// Takes a frame. `endpoint` is the sending address of a datagram.
    #[inline]
    pub fn observe(
        &mut self,
        at: Nanos,
        sender: Sender,
        endpoint: Option<SocketAddr>,
        message: &MavlinkMessage,
    ) -> Arrival {
        let MavlinkMessage { header, fingerprint: hash, boot, .. } = *message;
        let arriving = Arriving { at, sequence: header.sequence, message: header.message, hash, boot };
        if let Some(index) = self.found_last(sender, endpoint)
            && let Some(flow) = self.flows.get_mut(index)
            && header.standing == Standing::Accepted
            && flow.sequence.observe_in_order(&arriving)
        {
            flow.steps.go_on(arriving.sequence);
            if flow.system.is_some() || flow.joint.is_some() {
                self.count_together(index, arriving);
            }
            return Arrival::New;
        }
        self.observe_any(sender, endpoint, arriving, header)
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
        header: FrameHeader,
    ) -> Arrival {
        match header.standing {
            Standing::Accepted => self.accepted(sender, endpoint, arriving, header.known),
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
        known: bool,
    ) -> Arrival {
        let base = *self.base.get_or_insert(arriving.at);
        let Some(index) = self.flow_of(sender, endpoint, arriving) else {
            // A frame of unknown id never makes a sender.
            if known {
                self.begin_flow(sender, endpoint, arriving, base);
            }
            return Arrival::New;
        };
        let flow = &mut self.flows[index];
        let outcome = flow.sequence.observe(arriving);
        if outcome == Outcome::Duplicate {
            return Arrival::Duplicate;
        }
        flow.steps.observe(arriving.sequence);
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
            let is_sibling =
                flow.sender != sender && Sender { component: sender.component, ..flow.sender } == sender;
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
    fn flow_of(&mut self, sender: Sender, endpoint: Option<SocketAddr>, arriving: Arriving) -> Option<usize> {
        let flows = self.senders.get(&sender)?;
        if let Some(&index) = flows.iter().find(|&&index| self.flows[index].endpoint == endpoint) {
            self.places[place_of(sender.key())] = index as u16;
            return Some(index);
        }
        let is_next = |&&index: &&usize| self.flows[index].sequence.is_next(&arriving);
        let is_silent = |&&index: &&usize| arriving.at - self.flows[index].sequence.last_at > HANDED_OVER;
        let index = *flows.iter().find(is_next).or_else(|| flows.iter().find(is_silent))?;
        self.flows[index].endpoint = endpoint;
        Some(index)
    }

    fn begin_flow(&mut self, sender: Sender, endpoint: Option<SocketAddr>, arriving: Arriving, base: Nanos) {
        if self.flows.len() >= MOST_FLOWS {
            return;
        }
        let flows = self.senders.entry(sender).or_default();
        if flows.len() >= MOST_FLOWS_OF_ONE {
            return;
        }
        let is_first = flows.is_empty();
        flows.push(self.flows.len());
        let mut flow = SenderFlow::new(sender, endpoint, arriving, base);
        if is_first && sender.direction == Direction::Inbound {
            flow.joint = self.joint_of(sender, arriving, base);
        }
        self.flows.push(flow);
        if is_first {
            self.begin_component(sender, arriving.sequence);
        }
        if self.flows.len() > MANY {
            self.flows.iter_mut().for_each(|flow| flow.sequence.seconds.keep_blocks(series::DAY));
        }
    }

    /// The joint count of a sender that is heard on another interface already; it takes part as the next flow.
    fn joint_of(&mut self, sender: Sender, arriving: Arriving, base: Nanos) -> Option<usize> {
        let next = self.flows.len();
        let other = self.flows.iter().position(|flow| {
            let heard = flow.sender;
            (heard.system, heard.component, heard.direction)
                == (sender.system, sender.component, sender.direction)
                && heard.interface != sender.interface
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
