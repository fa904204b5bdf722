//! What went missing, per sender and interface, from sequence numbers.
//!
//! Definition: lost / (received + lost), RFC 7680, in frames; loss periods by RFC 3357;
//! out of order by RFC 4737. Numbers are modulo 256, read from headers: a message that
//! does not decode was still received. Window: the whole session, and per second.
//!
//! - Gap: the missing numbers are lost. Longer than the numbers can tell: a multiple of
//!   256 more, by the sender's own recent rate, with that uncertainty.
//! - Wrap: numbers are unwrapped. Duplicate: the same number and bytes within 0.5 s and 127
//!   numbers, counted apart. Two different frames under one number: both received.
//! - Late within 0.5 s and 127 numbers: taken off the lost again, counted out of order.
//! - Restart (the boot clock falls by over 1 s; without one, a jump that disagrees with
//!   rate times time by more than 64): nothing lost. Boot clock still over a silence: likewise.
//! - Silence at the end is never loss, but an outage.
//!
//! Bounded: 256 senders, 4 flows each, strangers beyond them are one count; 26 h of seconds
//! for up to 16 senders (8,192 each for more), then coarser; see the files below this one.

mod boot;
mod flow;
mod gaps;
mod rate;
mod seconds;
mod sequence;
mod shared;
mod silence;
mod spells;
mod together;

use std::collections::BTreeMap;
use std::net::SocketAddr;

use crate::link::context::{Context, Sender};
use crate::link::framer::{Frame, Standing};
use crate::link::telemetry::BootStamp;
use crate::profile::LinkProfile;
use crate::record::{Direction, InterfaceId};
use crate::snapshot::{LossCell, View, WindowLoss};
use crate::stats::loss_runs::Runs;
use crate::summary::{RatioEstimate, Stream, Together};
use crate::units::Nanos;

use flow::Flow;
pub use flow::LinkSeconds;
use sequence::{Arriving, Outcome};
use shared::Components;
pub use spells::Spell;
use together::{Joint, MOST_TOGETHER};

const MOST_FLOWS: usize = 256;
const MOST_FLOWS_OF_ONE: usize = 4;
const MOST_SYSTEMS: usize = 64;
const MOST_HELD: usize = 64;
const MOST_RESTARTS: usize = 1024;
/// A flow that was silent for longer hands over to a new address: they are not simultaneous.
const HANDED_OVER: Nanos = Nanos::from_secs(2);
/// Seconds kept: 26 h.
const MOST_SECONDS: usize = 93_600;
const MOST_SECONDS_OF_MANY: usize = 8_192;
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
    flows: Vec<Flow>,
    /// Flows of each sender, in the order of their appearance.
    senders: BTreeMap<Sender, Vec<usize>>,
    systems: BTreeMap<(InterfaceId, Direction, u8), usize>,
    components: Vec<Components>,
    /// Where the flow of a sender was found last, by a small hash.
    places: Vec<u16>,
    joints: Vec<Joint>,
    held: Vec<Held>,
    restarts: Vec<(Nanos, Sender)>,
    strangers: u64,
}

impl LossMeter {
    /// The session's first record: seconds count from here.
    pub fn begin(&mut self, start: Nanos) {
        self.base.get_or_insert(start);
    }

    /// Takes an accepted frame. `endpoint` is the sending address of a datagram.
    pub fn observe(
        &mut self,
        at: Nanos,
        sender: Sender,
        endpoint: Option<SocketAddr>,
        frame: &Frame<'_>,
        boot: Option<BootStamp>,
    ) -> Arrival {
        let arriving = Arriving { at, sequence: frame.header.sequence, hash: fingerprint(frame), boot };
        match frame.header.standing {
            Standing::Accepted => self.accepted(sender, endpoint, arriving, frame.header.known),
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
        let Some(index) = self.flow_of(sender, endpoint, arriving.at) else {
            // A frame of unknown id never makes a sender.
            if known {
                self.begin_flow(sender, endpoint, arriving, base);
            }
            return Arrival::New;
        };
        let most = if self.flows.len() <= MANY { MOST_SECONDS } else { MOST_SECONDS_OF_MANY };
        let flow = &mut self.flows[index];
        let outcome = flow.sequence.observe(arriving);
        flow.sequence.seconds.trim(most);
        if outcome == Outcome::Duplicate {
            return Arrival::Duplicate;
        }
        if outcome == Outcome::Restart && self.restarts.len() < MOST_RESTARTS {
            self.restarts.push((arriving.at, sender));
        }
        if let Some((system, place)) = flow.counter {
            self.components[system].observe(place, arriving.sequence);
        }
        if let Some(joint) = flow.joint {
            self.joints[joint].observe(arriving);
        }
        Arrival::New
    }

    /// Where the numbers of a sender's first flow are counted beside those of its system's other components.
    fn counter_of(&mut self, sender: Sender) -> Option<(usize, usize)> {
        let key = (sender.interface, sender.direction, sender.system);
        if self.systems.len() >= MOST_SYSTEMS && !self.systems.contains_key(&key) {
            return None;
        }
        let system = *self.systems.entry(key).or_insert_with(|| {
            self.components.push(Components::default());
            self.components.len() - 1
        });
        Some((system, self.components[system].place(sender.component)?))
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

    /// The flow that an arrival belongs to; a silent one takes on a new address.
    fn flow_of(&mut self, sender: Sender, endpoint: Option<SocketAddr>, at: Nanos) -> Option<usize> {
        let key = sender.key();
        let place = place_of(key);
        if let Some(index) = self.places.get(place).map(|&index| usize::from(index))
            && let Some(flow) = self.flows.get(index)
            && flow.key == key
            && flow.endpoint == endpoint
        {
            return Some(index);
        }
        let found = self.find_flow(sender, endpoint, at)?;
        self.places.resize(PLACES, 0);
        self.places[place] = found as u16;
        Some(found)
    }

    fn find_flow(&mut self, sender: Sender, endpoint: Option<SocketAddr>, at: Nanos) -> Option<usize> {
        let flows = self.senders.get(&sender)?;
        if let Some(&index) = flows.iter().find(|&&index| self.flows[index].endpoint == endpoint) {
            return Some(index);
        }
        let silent = flows.iter().find(|&&index| at - self.flows[index].sequence.last_at > HANDED_OVER);
        if let Some(&index) = silent {
            self.flows[index].endpoint = endpoint;
            return Some(index);
        }
        (flows.len() >= MOST_FLOWS_OF_ONE).then(|| flows[0])
    }

    fn begin_flow(&mut self, sender: Sender, endpoint: Option<SocketAddr>, arriving: Arriving, base: Nanos) {
        if self.flows.len() >= MOST_FLOWS {
            self.strangers += 1;
            return;
        }
        let flows = self.senders.entry(sender).or_default();
        let is_first = flows.is_empty();
        flows.push(self.flows.len());
        let mut flow = Flow::new(sender, endpoint, arriving, base);
        if is_first {
            flow.counter = self.counter_of(sender);
            if let Some((system, place)) = flow.counter {
                self.components[system].observe(place, arriving.sequence);
            }
        }
        if is_first && sender.direction == Direction::Inbound {
            flow.joint = self.joint_of(sender, arriving, base);
        }
        self.flows.push(flow);
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
        self.joints.push(Joint::new((other, &self.flows[other]), next, arriving, base));
        let joint = Some(self.joints.len() - 1);
        self.flows[other].joint = joint;
        joint
    }

    /// This computer lost data of an interface itself, noticed at a stamp.
    pub fn host_dropped(&mut self, at: Nanos, interface: InterfaceId) {
        let Some(base) = self.base else { return };
        let (from, to) = flow::own_span((at - base).secs());
        let (from, to) = (base + Nanos::from_secs_f64(from), base + Nanos::from_secs_f64(to));
        for flow in self.flows.iter_mut().filter(|flow| flow.sender.interface == interface) {
            flow.sequence.mark_own(from, to);
        }
    }

    /// One row a sender that is heard on several interfaces.
    #[must_use]
    pub fn together(&self, context: &Context) -> Vec<Together> {
        self.joints.iter().map(|joint| joint.summary(context, &self.flows)).collect()
    }

    /// The worst seconds of a link.
    #[must_use]
    pub fn bad_spells(&self, context: &Context, link: &LinkProfile) -> Vec<Spell> {
        let flows: Vec<&Flow> = self.counting(context, link).collect();
        spells::of(&flows, context)
    }

    /// The figures of one row of `summary` within a window.
    #[must_use]
    pub fn window(&self, context: &Context, stream: usize, view: View) -> Option<WindowLoss> {
        Some(window_of(&[self.rows().nth(stream)?], context, view))
    }

    /// The figures of a link within a window.
    #[must_use]
    pub fn link_window(&self, context: &Context, link: &LinkProfile, view: View) -> Option<WindowLoss> {
        let flows: Vec<&Flow> = self.counting(context, link).collect();
        (!flows.is_empty()).then(|| window_of(&flows, context, view))
    }

    /// Frames of senders beyond those that are kept apart.
    #[must_use]
    pub const fn strangers(&self) -> u64 {
        self.strangers
    }

    /// Flows in the order of the rows.
    fn rows(&self) -> impl Iterator<Item = &Flow> {
        self.senders.values().flatten().map(|&index| &self.flows[index])
    }

    /// One row per sender and interface, in a stable order.
    #[must_use]
    pub fn summary(&self, context: &Context) -> Vec<Stream> {
        self.rows()
            .map(|flow| {
                let several = self.senders.get(&flow.sender).is_some_and(|flows| flows.len() > 1);
                flow.row(context, several, self.why_not(context, flow.sender))
            })
            .collect()
    }

    /// Why a sender is kept out of every link's loss; `None`: it counts.
    fn why_not(&self, context: &Context, sender: Sender) -> Option<String> {
        let Sender { system, component, direction, interface } = sender;
        if direction == Direction::Outbound {
            return Some("sent from this computer".to_owned());
        }
        let profile = &context.profile;
        let named = profile.handset.system == Some(system)
            || profile
                .link
                .iter()
                .any(|link| link.senders.as_ref().is_some_and(|list| list.contains(&[system, component])));
        if !named && context.roles.is_ground(system, component) {
            return Some("a ground-station-type sender that the profile does not name".to_owned());
        }
        let components = *self.systems.get(&(interface, direction, system))?;
        let other = self.components[components].shares_with(component)?;
        Some(format!("shares one sequence counter with component {system}/{other}: its gaps are not loss"))
    }

    /// The flows that count for a link's loss.
    fn counting<'a>(&'a self, context: &'a Context, link: &'a LinkProfile) -> impl Iterator<Item = &'a Flow> {
        self.rows().filter(|flow| {
            context.link_of(flow.sender).is_some_and(|of| of.name == link.name)
                && self.why_not(context, flow.sender).is_none()
        })
    }

    /// A link's traffic; `None` where no sender of it was heard.
    #[must_use]
    pub fn traffic(&self, context: &Context, link: &LinkProfile) -> Option<Traffic> {
        let flows: Vec<&Flow> = self.counting(context, link).collect();
        if flows.is_empty() {
            return None;
        }
        let (mut runs, mut received, mut lost) = (Runs::default(), 0, 0);
        for flow in &flows {
            let (own, came, gone) = flow.whole(context);
            runs.merge(&own);
            received += came;
            lost += gone;
        }
        let last = flows.iter().map(|flow| flow.sequence.last_at).max()?;
        let silent_at_end_s = Some((context.now - last).secs());
        Some(Traffic { loss: runs.ratio(received, lost), silent_at_end_s })
    }

    /// How steadily a link's traffic came; `None` where no sender of it was heard.
    #[must_use]
    pub fn steadiness(&self, context: &Context, link: &LinkProfile) -> Option<Steadiness> {
        let flows: Vec<&Flow> = self.counting(context, link).collect();
        let last = flows.iter().map(|flow| flow.sequence.last_at).max()?;
        let silence = flow::longest_common_silence_s(&flows).max((context.now - last).secs());
        Some(Steadiness {
            availability_ratio: flow::availability(&flows, context, flow::WHOLE),
            longest_silence_s: Some(silence),
        })
    }

    /// The cells of one row of `summary`.
    #[must_use]
    pub fn cells(&self, context: &Context, stream: usize, view: View) -> Vec<LossCell> {
        let mut cells = vec![LossCell::default(); usize::from(view.columns)];
        if let Some(flow) = self.rows().nth(stream) {
            flow.add_cells(context, view, &mut cells);
            flow.mark_outages(context, view, &mut cells);
        }
        cells
    }

    /// The cells of a link: its counting senders together.
    #[must_use]
    pub fn link_cells(&self, context: &Context, link: &LinkProfile, view: View) -> Vec<LossCell> {
        let flows: Vec<&Flow> = self.counting(context, link).collect();
        if flows.is_empty() {
            return Vec::new();
        }
        let mut cells = vec![LossCell::default(); usize::from(view.columns)];
        let mut out = vec![0; cells.len()];
        for flow in &flows {
            flow.add_cells(context, view, &mut cells);
            let mut own = vec![LossCell::default(); cells.len()];
            flow.mark_outages(context, view, &mut own);
            for (count, cell) in out.iter_mut().zip(&own) {
                *count += usize::from(cell.outage);
            }
        }
        for (cell, count) in cells.iter_mut().zip(out) {
            // The link is out where every sender of it is.
            cell.outage = count == flows.len();
        }
        cells
    }

    /// What a link's counting senders brought in each whole second.
    #[must_use]
    pub fn link_seconds<'a>(&'a self, context: &'a Context, link: &'a LinkProfile) -> LinkSeconds<'a> {
        let flows: Vec<&Flow> = self.counting(context, link).collect();
        LinkSeconds::of(&flows, context)
    }

    /// Senders' restarts: when, and the sender, for the event log.
    #[must_use]
    pub fn restarts(&self) -> Vec<(Nanos, Sender)> {
        self.restarts.clone()
    }
}

/// Flows together within a window.
fn window_of(flows: &[&Flow], context: &Context, view: View) -> WindowLoss {
    let (mut runs, mut received, mut lost) = (Some(Runs::default()), 0, 0);
    for flow in flows {
        let (own, came, gone) = flow.within(context, view);
        runs = runs.zip(own).map(|(mut all, own)| {
            all.merge(&own);
            all
        });
        received += came;
        lost += gone;
    }
    let span = view.to_s.min(context.since_start_s(context.now)) - view.from_s.max(0.0);
    let rate = (span > 0.0).then(|| (received + lost) as f64 / span / flows.len() as f64);
    let silences = flows.iter().map(|flow| flow.longest_silence_s(context, view));
    WindowLoss {
        received,
        lost,
        loss: runs.as_ref().and_then(|runs| runs.ratio(received, lost)),
        loss_periods: runs.as_ref().map(Runs::periods),
        loss_distances: runs.as_ref().and_then(Runs::distances),
        burst_model: runs.as_ref().and_then(|runs| runs.burst_model(received, rate)),
        burst_lengths: runs.as_ref().map(Runs::lengths).unwrap_or_default(),
        longest_silence_s: (flows.len() == 1).then(|| silences.fold(0.0, f64::max)),
        availability_ratio: flow::availability(flows, context, (view.from_s, view.to_s)),
    }
}

const PLACES: usize = 256;

/// Where the flow of a sender is looked for first.
const fn place_of(key: u64) -> usize {
    (key.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 56) as usize
}

/// Tells frames of one number apart; no part of any output.
///
/// Its first and last eight bytes and the payload's first eight: length, id and numbers, the first
/// fields (mostly a clock), and the checksum or signature over all the rest.
fn fingerprint(frame: &Frame<'_>) -> u64 {
    const FACTOR: u64 = 0x9E37_79B9_7F4A_7C15;
    let bytes = frame.bytes;
    let word = |bytes: Option<&[u8; 8]>| bytes.map_or(0, |bytes| u64::from_le_bytes(*bytes));
    let middle = frame.payload.first_chunk::<8>();
    let mixed = (word(bytes.first_chunk::<8>()).wrapping_mul(FACTOR) ^ word(middle)).wrapping_mul(FACTOR);
    (mixed.rotate_left(29) ^ word(bytes.last_chunk::<8>())).wrapping_mul(FACTOR)
}
