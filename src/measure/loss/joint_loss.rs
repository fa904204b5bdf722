//! One sender heard over several links: what is lost on all of them.
//!
//! Definition: the distinct frames of all its interfaces, in the order of their arrival, counted
//! like one sender's; the same frame (number and bytes) on another interface within 2 s and 127
//! numbers is a copy, and shows that the links carry one numbering. Links that number their frames
//! apart bring no copies: then there is no joint loss. Window: from when a second one is heard.
//! Bounded: 16 senders, 4 interfaces each.

use crate::measure::context::Context;
use crate::summary::{HeardOn, Reason, Together};
use crate::units::Nanos;

use super::sender_flow::SenderFlow;
use super::sequence::{Arriving, Outcome, Sequence, Shown};

pub(super) const MOST_TOGETHER: usize = 16;
const MOST_EACH: usize = 4;
/// How much later the slower link may bring a frame.
const LATER: Nanos = Nanos::from_secs(2);
/// Fewer copies than this share of the rarer link's frames are not one numbering.
const SHARED: f64 = 0.02;
const FEWEST: u64 = 3;

/// One flow that takes part, and its counts when the joint count began.
#[derive(Clone, Copy, Debug)]
struct Part {
    flow: usize,
    received: u64,
    lost: u64,
}

/// The joint count of one sender.
#[derive(Clone, Debug)]
pub(super) struct JointLoss {
    system: u8,
    component: u8,
    since: Nanos,
    sequence: Sequence,
    matched: u64,
    parts: Vec<Part>,
}

impl JointLoss {
    /// Begins with the first frame on a second interface, which the flow of that place brought.
    pub(super) fn new(first: (usize, &SenderFlow), second: usize, arriving: Arriving, base: Nanos) -> Self {
        let (place, flow) = first;
        // The numbering goes on from the newest frame of the first.
        let sequence = flow.sequence.joined(LATER, base);
        let heard = Part { flow: place, received: flow.sequence.received - 1, lost: flow.sequence.lost };
        let mut joint = Self {
            system: flow.sender.system,
            component: flow.sender.component,
            since: arriving.at,
            sequence,
            matched: 0,
            parts: vec![heard, Part { flow: second, received: 0, lost: 0 }],
        };
        joint.observe(arriving);
        joint
    }

    /// Another flow takes part from now on.
    pub(super) fn join(&mut self, flow: usize) {
        if self.parts.len() < MOST_EACH {
            self.parts.push(Part { flow, received: 0, lost: 0 });
        }
    }

    pub(super) fn observe(&mut self, arriving: Arriving) {
        self.matched += u64::from(self.sequence.observe(arriving) == Outcome::Duplicate);
    }

    pub(super) fn recall(&mut self, arriving: Arriving) {
        if arriving.at >= self.since {
            self.sequence.recall(arriving);
        }
    }

    /// Another component of the sender's system restarted.
    pub(super) fn told(&mut self, shown: Shown) {
        self.sequence.told(shown);
    }

    pub(super) fn summary(&self, context: &Context, flows: &[SenderFlow]) -> Together {
        let each: Vec<HeardOn> = self.parts.iter().map(|part| heard_on(*part, context, flows)).collect();
        let rarest = each.iter().map(|heard| heard.received).min().unwrap_or(0);
        let is_followed = self.sequence.is_followed()
            && self.parts.iter().all(|part| flows[part.flow].sequence.is_followed());
        let has_copies = self.matched >= FEWEST && self.matched as f64 >= SHARED * rarest as f64;
        let shared = has_copies && is_followed;
        let (received, lost) = (self.sequence.received, self.sequence.lost);
        let runs = self.sequence.runs();
        Together {
            system: self.system,
            component: self.component,
            since_s: context.since_start_s(self.since),
            matched: self.matched,
            received: shared.then_some(received),
            lost: shared.then_some(lost),
            loss: runs.ratio(received, lost).filter(|_| shared),
            loss_periods: shared.then(|| runs.periods()),
            independent_ratio: each
                .iter()
                .map(|heard| heard.ratio)
                .try_fold(1.0, |product, ratio| Some(product * ratio?))
                .filter(|_| shared),
            why_not: match (has_copies, is_followed) {
                (false, _) => Some(Reason::NumberedApart),
                (true, false) => Some(Reason::SeveralCounters),
                (true, true) => None,
            },
            each,
        }
    }
}

fn heard_on(part: Part, context: &Context, flows: &[SenderFlow]) -> HeardOn {
    let flow = &flows[part.flow];
    let received = flow.sequence.received.saturating_sub(part.received);
    let lost = flow.sequence.is_followed().then(|| flow.sequence.lost.saturating_sub(part.lost));
    HeardOn {
        interface: context.interface_name(flow.sender.interface).to_owned(),
        link: context.link_of(flow.sender).map(|link| link.name.clone()),
        received,
        lost,
        ratio: lost.filter(|lost| received + lost > 0).map(|lost| lost as f64 / (received + lost) as f64),
    }
}
