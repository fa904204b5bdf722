//! The loss of a link: its senders together, over the session, a window, or the columns of a timeline. One summary row
//! a sender.

use std::net::SocketAddr;

use super::bad_spells;
use super::bad_spells::Spell;
use super::seconds::Counts;
use super::sender_flow;
use super::sender_flow::SenderFlow;
use super::{LinkSeconds, LossMeter, Restart, Steadiness, Traffic};
use crate::measure::context::{Context, Sender};
use crate::profile::LinkProfile;
use crate::record::Direction;
use crate::snapshot::{LossCell, View, WindowLoss};
use crate::stats::time_series::loss_runs::Runs;
use crate::summary::{Reason, Stream, Together};
use crate::units::Nanos;

impl LossMeter {
    /// One row a sender that is heard on several interfaces.
    #[must_use]
    pub fn together(&self, context: &Context) -> Vec<Together> {
        self.joints.iter().map(|joint| joint.summary(context, &self.flows)).collect()
    }

    /// The worst seconds of a link.
    #[must_use]
    pub fn bad_spells(&self, context: &Context, link: &LinkProfile) -> Vec<Spell> {
        let flows: Vec<&SenderFlow> = self.counting(context, link).collect();
        bad_spells::of(&flows, context)
    }

    /// The figures of one row of `summary` within a window.
    #[must_use]
    pub fn window(&self, context: &Context, stream: usize, view: View) -> Option<WindowLoss> {
        let flow = self.rows().nth(stream)?;
        let window = window_of(&[flow], &[flow], context, view);
        let is_untold = !flow.sequence.is_followed();
        Some(if is_untold {
            WindowLoss { lost: None, loss: None, loss_periods: None, ..window }
        } else {
            window
        })
    }

    /// The figures of a link within a window.
    #[must_use]
    pub fn link_window(&self, context: &Context, link: &LinkProfile, view: View) -> Option<WindowLoss> {
        let flows: Vec<&SenderFlow> = self.counting(context, link).collect();
        let heard: Vec<&SenderFlow> = self.heard_over(context, link).collect();
        (!flows.is_empty() || !heard.is_empty()).then(|| window_of(&flows, &heard, context, view))
    }

    /// Flows in the order of the rows.
    pub(super) fn rows(&self) -> impl Iterator<Item = &SenderFlow> {
        self.senders.values().flatten().map(|&index| &self.flows[index])
    }

    /// One row per sender and interface, in a stable order.
    #[must_use]
    pub fn summary(&self, context: &Context) -> Vec<Stream> {
        let row = |flow: &SenderFlow| flow.row(context, self.told_apart(flow), self.why_not(context, flow));
        self.rows().map(row).collect()
    }

    /// What each sender lost in a row: whose, when the next frame came, and how much.
    pub(crate) fn gap_rows(&self) -> impl Iterator<Item = (Sender, Nanos, u64)> {
        let of = |flow: &SenderFlow| {
            let sender = flow.sender;
            flow.sequence.lost_runs().into_iter().map(move |(after, lost)| (sender, after, lost))
        };
        self.rows().flat_map(of)
    }

    /// The address that tells a flow from others of its sender on its interface; `None` where there are none.
    fn told_apart(&self, flow: &SenderFlow) -> Option<SocketAddr> {
        flow.endpoint.filter(|_| self.senders.get(&flow.sender).is_some_and(|flows| flows.len() > 1))
    }

    /// Whose the flow of a number is, as `flow_number` gives it, and by which address it is told from others.
    pub(crate) fn flow(&self, number: usize) -> Option<(Sender, Option<SocketAddr>)> {
        let flow = self.flows.get(number)?;
        Some((flow.sender, self.told_apart(flow)))
    }

    /// Why a sender is kept out of every link's loss; `None`: it counts.
    fn why_not(&self, context: &Context, flow: &SenderFlow) -> Option<Reason> {
        let sender = flow.sender;
        let Sender { system, component, direction, interface } = sender;
        if direction == Direction::Outbound {
            return Some(Reason::OwnTransmission);
        }
        if flow.is_apart {
            return Some(Reason::SameId);
        }
        let profile = &context.profile;
        let named = profile.handset.system == Some(system)
            || profile
                .link
                .iter()
                .any(|link| link.senders.as_ref().is_some_and(|list| list.contains(&[system, component])));
        if !named && context.roles.is_ground(system, component) {
            return Some(Reason::UnnamedGround);
        }
        if !flow.sequence.is_followed() {
            return Some(Reason::SeveralCounters);
        }
        let components = *self.systems.get(&(interface, direction, system))?;
        let alone = |component: u8| {
            let first = *self.senders.get(&Sender { component, ..sender })?.first()?;
            Some(self.flows[first].steps)
        };
        let other = self.components[components].shares_with(component, alone)?;
        Some(Reason::SharedCounter { system, other })
    }

    /// The flows that count for a link's loss.
    pub(super) fn counting<'a>(
        &'a self,
        context: &'a Context,
        link: &'a LinkProfile,
    ) -> impl Iterator<Item = &'a SenderFlow> {
        self.rows().filter(|flow| {
            context.link_of(flow.sender).is_some_and(|of| of.name == link.name)
                && self.why_not(context, flow).is_none()
        })
    }

    /// A link's traffic: what its counting senders lost, and how long its far side has been silent (see `far_side`); `None`
    /// where no sender of it was heard.
    #[must_use]
    pub fn traffic(&self, context: &Context, link: &LinkProfile) -> Option<Traffic> {
        let flows: Vec<&SenderFlow> = self.counting(context, link).collect();
        let last = self.last_heard(context, link);
        if flows.is_empty() && last.is_none() {
            return None;
        }
        let (mut runs, mut received, mut lost) = (Runs::default(), 0, 0);
        for flow in &flows {
            let (own, came, gone) = flow.whole(context);
            runs.merge(&own);
            received += came;
            lost += gone;
        }
        let silent_at_end_s = last.map(|last| (context.now - last).secs());
        Some(Traffic { loss: runs.ratio(received, lost), silent_at_end_s })
    }

    /// When a link's far side was last heard; `None`: never.
    #[must_use]
    pub fn last_heard(&self, context: &Context, link: &LinkProfile) -> Option<Nanos> {
        self.heard_over(context, link).map(|flow| flow.sequence.last_at).max()
    }

    /// How steadily a link's far side was heard; `None`: never.
    #[must_use]
    pub fn steadiness(&self, context: &Context, link: &LinkProfile) -> Option<Steadiness> {
        let flows: Vec<&SenderFlow> = self.heard_over(context, link).collect();
        let open = flows.iter().map(|flow| flow.open_silence(context));
        let at_end_s = open.map(|(from, to)| (to - from).secs()).reduce(f64::min)?;
        let silence = sender_flow::longest_common_silence_s(&flows, context).max(at_end_s);
        Some(Steadiness {
            availability_ratio: sender_flow::availability(&flows, context, sender_flow::WHOLE),
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

    /// Frames that a link's counting senders brought in a whole second, and those that were lost.
    pub(crate) fn brought(&self, context: &Context, link: &LinkProfile, second: f64) -> (u32, u32) {
        let flows = self.counting(context, link);
        let seconds = flows.flat_map(|flow| flow.sequence.seconds.within(second, second + 1.0));
        let Counts { received, lost } = seconds.fold(Counts::default(), |sum, (_, own)| sum.plus(own));
        (received, lost)
    }

    /// The cells of a link: what its counting senders brought together, and where its far side was not heard.
    #[must_use]
    pub fn link_cells(&self, context: &Context, link: &LinkProfile, view: View) -> Vec<LossCell> {
        let flows: Vec<&SenderFlow> = self.counting(context, link).collect();
        let heard: Vec<&SenderFlow> = self.heard_over(context, link).collect();
        if flows.is_empty() && heard.is_empty() {
            return Vec::new();
        }
        let mut cells = vec![LossCell::default(); usize::from(view.columns)];
        for flow in &flows {
            flow.add_cells(context, view, &mut cells);
        }
        let mut out = vec![0; cells.len()];
        for flow in &heard {
            let mut own = vec![LossCell::default(); cells.len()];
            flow.mark_outages(context, view, &mut own);
            for (count, cell) in out.iter_mut().zip(&own) {
                *count += usize::from(cell.outage);
            }
        }
        for (cell, count) in cells.iter_mut().zip(out) {
            // The link is out where all that show it are.
            cell.outage = !heard.is_empty() && count == heard.len();
        }
        cells
    }

    /// What a link's counting senders brought in each whole second.
    #[must_use]
    pub fn link_seconds<'a>(&'a self, context: &'a Context, link: &'a LinkProfile) -> LinkSeconds<'a> {
        let flows: Vec<&SenderFlow> = self.counting(context, link).collect();
        LinkSeconds::of(&flows, context)
    }

    /// The same as they were found, without those before a number.
    pub(crate) fn restarts_from(&self, first: usize) -> &[Restart] {
        self.restarts.get(first..).unwrap_or_default()
    }

    /// Senders' restarts, in order of time; none of a sender whose numbers cannot be followed.
    #[must_use]
    pub fn restarts(&self) -> Vec<Restart> {
        let mut restarts = self.restarts.clone();
        let is_followed = |index: &usize| {
            let flow = &self.flows[*index];
            flow.is_apart || flow.sequence.is_followed()
        };
        restarts.retain(|Restart { sender, .. }| {
            self.senders.get(sender).is_some_and(|of| of.iter().all(is_followed))
        });
        restarts.sort_by_key(|restart| (restart.at, restart.sender));
        restarts
    }
}

/// Flows together within a window, and whether those were heard that show it.
fn window_of(flows: &[&SenderFlow], heard: &[&SenderFlow], context: &Context, view: View) -> WindowLoss {
    let (mut runs, mut received, mut lost) = ((!flows.is_empty()).then(Runs::default), 0, 0);
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
    let rate = (span > 0.0).then(|| (received + lost) as f64 / span / flows.len().max(1) as f64);
    let silences = heard.iter().map(|flow| flow.longest_silence_s(context, view));
    WindowLoss {
        received,
        lost: (!flows.is_empty()).then_some(lost),
        loss: runs.as_ref().and_then(|runs| runs.ratio(received, lost)),
        loss_periods: runs.as_ref().map(Runs::periods),
        loss_distances: runs.as_ref().and_then(Runs::distances),
        burst_model: runs.as_ref().and_then(|runs| runs.burst_model(received, rate)),
        burst_lengths: runs.as_ref().map(Runs::lengths).unwrap_or_default(),
        longest_silence_s: (heard.len() == 1).then(|| silences.fold(0.0, f64::max)),
        availability_ratio: (!heard.is_empty())
            .then(|| sender_flow::availability(heard, context, (view.from_s, view.to_s)))
            .flatten(),
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::loss::link_loss::*;
    use crate::measure::loss::sequence::Arriving;
    use crate::record::InterfaceId;

    /// Two senders of 10 frames a second for 10 s, of which each tenth is lost: nine come in 0.9 s, one is lost in 0.1 s.
    #[test]
    fn spells_of_a_window_last_as_long_as_the_frames_of_one_sender_take() {
        let flow = |component: u8| {
            let sender =
                Sender { interface: InterfaceId(0), direction: Direction::Inbound, system: 1, component };
            let frame = |number: u8| Arriving {
                at: Nanos::from_millis(100 * i64::from(number)),
                sequence: number,
                message: 30,
                hash: u64::from(number),
                boot: None,
            };
            let mut flow = SenderFlow::new(sender, None, frame(0), Nanos::ZERO);
            for number in (1..100).filter(|number| number % 10 != 5) {
                flow.sequence.observe(frame(number));
            }
            flow
        };
        let (one, other) = (flow(1), flow(2));
        let context = Context { start: Some(Nanos::ZERO), now: Nanos::from_secs(10), ..Context::default() };
        let view = View { from_s: 0.0, to_s: 20.0, columns: 1 };
        let window = window_of(&[&one, &other], &[&one], &context, view);
        assert_eq!((window.received, window.lost), (180, Some(20)));
        let model = window.burst_model.unwrap();
        let (good, bad) = (model.good_mean_s.unwrap(), model.bad_mean_s.unwrap());
        assert!((good - 0.9).abs() < 1e-9 && (bad - 0.1).abs() < 1e-9, "{good} {bad}");
    }
}
