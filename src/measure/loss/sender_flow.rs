//! One sender's flow as rows and cells, and several flows as one link.

use std::collections::BTreeSet;
use std::net::SocketAddr;

use super::seconds::Counts;
use super::sequence::{Arriving, Sequence};
use super::shared_counters::Steps;
use crate::measure::context::{Context, Sender};
use crate::snapshot::{LossCell, View};
use crate::stats::time_series::loss_runs::Runs;
use crate::summary::{Reason, Stream};
use crate::units::Nanos;

/// Seconds looked at for availability: a year; sparse bins keep it cheap.
const MOST_WHOLE_SECONDS: f64 = 32e6;
/// The whole session, in seconds from the first record.
pub(super) const WHOLE: (f64, f64) = (0.0, f64::MAX);

#[derive(Clone, Debug)]
pub(super) struct SenderFlow {
    pub(super) sender: Sender,
    /// The sender in one word.
    pub(super) key: u64,
    pub(super) endpoint: Option<SocketAddr>,
    /// Another address owns its id: it counts in no figure but its own row.
    pub(super) is_apart: bool,
    /// Its numbers as they came.
    pub(super) steps: Steps,
    /// Where it is counted beside other components of its system: a sender's first flow.
    pub(super) system: Option<usize>,
    /// The joint count of this sender on several interfaces.
    pub(super) joint: Option<usize>,
    pub(super) sequence: Sequence,
}

impl SenderFlow {
    pub(super) fn new(sender: Sender, endpoint: Option<SocketAddr>, first: Arriving, base: Nanos) -> Self {
        let mut steps = Steps::default();
        steps.observe(first.sequence);
        Self {
            sender,
            key: sender.key(),
            endpoint,
            is_apart: false,
            steps,
            system: None,
            joint: None,
            sequence: Sequence::new(first, base),
        }
    }

    pub(super) fn row(
        &self,
        context: &Context,
        endpoint: Option<SocketAddr>,
        why_not: Option<Reason>,
    ) -> Stream {
        let sequence = &self.sequence;
        let runs = sequence.runs();
        let own = sequence.own_lost();
        let lost = sequence.lost.saturating_sub(own.likely);
        let [low, high] = sequence.lost_range();
        let range = [low.saturating_sub(own.most), high.saturating_sub(own.least)];
        let is_followed = sequence.is_followed();
        let (last, until) = self.open_silence(context);
        let span = (sequence.last_at - sequence.first_at).secs();
        Stream {
            interface: context.interface_name(self.sender.interface).to_owned(),
            endpoint: endpoint.map(|endpoint| endpoint.to_string()),
            system: self.sender.system,
            component: self.sender.component,
            link: context.link_of(self.sender).map(|link| link.name.clone()),
            link_loss: why_not.is_none(),
            why_not,
            received: sequence.received,
            lost: is_followed.then_some(lost),
            lost_ci95: is_followed.then_some(range),
            duplicates: sequence.duplicates,
            out_of_order: sequence.out_of_order,
            restarts: sequence.restarts,
            loss: runs.ratio(sequence.received, lost).filter(|_| is_followed),
            loss_periods: is_followed.then(|| runs.periods()),
            longest_silence_s: self.longest_silence(context).max(until - last).secs(),
            silent_at_end_s: (context.now - last).secs(),
            rate_hz: sequence.rate_hz(),
            availability_ratio: availability(&[self], context, WHOLE),
            burst_lengths: runs.lengths(),
            loss_distances: runs.distances(),
            burst_model: runs.burst_model(
                sequence.received,
                (span > 0.0).then(|| (sequence.received + lost) as f64 / span),
            ),
        }
    }

    /// Whole seconds in which this computer lost data of the interface itself: all of those that a span
    /// touches, and perhaps some beside it.
    pub(super) fn own_seconds(&self, context: &Context, (from_s, to_s): (f64, f64)) -> BTreeSet<u64> {
        // Drops stand in order of time; each reaches back by less than 2 s and on by less than one.
        let first = context.host_drops.partition_point(|drop| context.since_start_s(drop.at) < from_s - 2.0);
        let drops = context.host_drops[first..].iter();
        let mut seconds = BTreeSet::new();
        for drop in drops.take_while(|drop| context.since_start_s(drop.at) <= to_s + 2.0) {
            if drop.interface == self.sender.interface {
                let (from, to) = own_span(context.since_start_s(drop.at));
                seconds.extend(from as u64..to as u64);
            }
        }
        seconds
    }

    /// Received in those seconds, and lost by this computer: they say nothing of the radio.
    pub(super) fn dropped(&self, context: &Context) -> (u64, u64) {
        let own = self.own_seconds(context, WHOLE);
        let counts = own.iter().filter_map(|second| self.sequence.seconds.at(*second as usize));
        (counts.map(|counts| u64::from(counts.received)).sum(), self.sequence.own_lost().likely)
    }

    /// Runs, received and lost over the whole session, this computer's own losses left out.
    pub(super) fn whole(&self, context: &Context) -> (Runs, u64, u64) {
        let dropped = self.dropped(context);
        let received = self.sequence.received.saturating_sub(dropped.0);
        (self.sequence.runs(), received, self.sequence.lost.saturating_sub(dropped.1))
    }

    /// Runs, received and lost within a window; runs are absent where they are not kept that far back.
    pub(super) fn within(&self, context: &Context, view: View) -> (Option<Runs>, u64, u64) {
        let start = context.start.unwrap_or(Nanos::ZERO);
        let (from, to) = (start + Nanos::from_secs_f64(view.from_s), start + Nanos::from_secs_f64(view.to_s));
        if from <= start && to > context.now {
            let (runs, received, lost) = self.whole(context);
            return (Some(runs), received, lost);
        }
        let runs = self.sequence.window(from, to);
        let (mut received, mut lost) = (0, 0);
        let own = self.own_seconds(context, (view.from_s, view.to_s));
        for (second, counts) in self.sequence.seconds.within(view.from_s, view.to_s) {
            let middle = second as f64 + 0.5;
            if view.from_s <= middle && middle < view.to_s && !own.contains(&(second as u64)) {
                received += u64::from(counts.received);
                lost += u64::from(counts.lost);
            }
        }
        let lost = runs.as_ref().map_or(lost, Runs::lost);
        (runs, received, lost)
    }

    /// The longest silence that lies in a window, cut at its edges.
    pub(super) fn longest_silence_s(&self, context: &Context, view: View) -> f64 {
        let open = self.open_silence(context);
        let spans = self.sequence.silences.kept().iter().chain([&open]);
        spans.fold(0.0, |longest: f64, &(from, to)| {
            let (from, to) = (context.since_start_s(from), context.since_start_s(to));
            longest.max(to.min(view.to_s) - from.max(view.from_s))
        })
    }

    pub(super) fn add_cells(&self, context: &Context, view: View, cells: &mut [LossCell]) {
        let column = view.column_s();
        if column <= 0.0 {
            return;
        }
        let add = |cell: &mut LossCell, counts: Counts| {
            cell.received = cell.received.saturating_add(counts.received);
            cell.lost = cell.lost.saturating_add(counts.lost);
            cell.untold = !self.sequence.is_followed();
        };
        for (second, counts) in self.sequence.seconds.within(view.from_s, view.to_s) {
            let begin = second as f64;
            if column < 1.0 {
                // Finer than what is kept: each column shows its second's counts.
                for index in view.columns_of(begin, begin + 1.0) {
                    add(&mut cells[index], counts);
                }
            } else if let Some(cell) = column_of(view, begin + 0.5).and_then(|index| cells.get_mut(index)) {
                add(cell, counts);
            }
        }
        for second in self.own_seconds(context, (view.from_s, view.to_s)) {
            for index in view.columns_of(second as f64, second as f64 + 1.0) {
                cells[index].host_drop = true;
            }
        }
    }

    /// Marks where it was silent for longer than its habit, the end included.
    pub(super) fn mark_outages(&self, context: &Context, view: View, cells: &mut [LossCell]) {
        let limit = self.sequence.silences.outage_s();
        let open = self.open_silence(context);
        for &(from, to) in self.sequence.silences.kept().iter().chain([&open]) {
            if context.at_work(from, to).secs() > limit {
                for index in view.columns_of(context.since_start_s(from), context.since_start_s(to)) {
                    cells[index].outage = true;
                }
            }
        }
    }
}

fn column_of(view: View, second: f64) -> Option<usize> {
    let column = (second - view.from_s) / view.column_s();
    (column >= 0.0 && column < f64::from(view.columns)).then_some(column as usize)
}

/// The whole seconds in which data may be lost where a drop was noticed at this second.
pub(super) fn own_span(noticed_s: f64) -> (f64, f64) {
    ((noticed_s - 1.0).floor().max(0.0), noticed_s.ceil())
}

/// What flows brought together, second by second.
#[derive(Debug)]
pub struct LinkSeconds<'a> {
    /// Each with the seconds in which this computer lost data of it itself.
    flows: Vec<(&'a SenderFlow, BTreeSet<u64>)>,
}

impl<'a> LinkSeconds<'a> {
    pub(super) fn of(flows: &[&'a SenderFlow], context: &Context) -> Self {
        Self { flows: flows.iter().map(|flow| (*flow, flow.own_seconds(context, WHOLE))).collect() }
    }

    /// Received and lost in a second; `None` where one flow no longer keeps it or this computer lost data itself, and
    /// without flows.
    pub(crate) fn at(&self, second: usize) -> Option<(u32, u32)> {
        let mut sum = None;
        for (flow, own) in &self.flows {
            if own.contains(&(second as u64)) {
                return None;
            }
            let counts = flow.sequence.seconds.at(second)?;
            let (all, gone) = sum.unwrap_or((0, 0));
            sum = Some((all + counts.received, gone + counts.lost));
        }
        sum
    }
}

/// The seconds of several flows in their order, each with what all of them brought.
pub(super) fn together<'a>(
    flows: impl Iterator<Item = impl Iterator<Item = (usize, Counts)> + 'a>,
) -> impl Iterator<Item = (usize, Counts)> {
    let mut heads: Vec<_> = flows.map(Iterator::peekable).collect();
    std::iter::from_fn(move || {
        let second = heads.iter_mut().filter_map(|head| head.peek().map(|&(second, _)| second)).min()?;
        let begun = heads.iter_mut().filter_map(|head| head.next_if(|&(first, _)| first == second));
        Some((second, begun.fold(Counts::default(), |sum, (_, counts)| sum.plus(counts))))
    })
}

/// Share of the whole seconds within a span in which any of the flows brought a frame, those in which the vehicle was
/// switched off apart.
pub(super) fn availability(flows: &[&SenderFlow], context: &Context, span: (f64, f64)) -> Option<f64> {
    let begin = span.0.ceil().max(0.0);
    let whole = context.since_start_s(context.now).min(span.1).floor().min(MOST_WHOLE_SECONDS);
    let of_vehicle = flows.iter().all(|flow| context.roles.vehicle() == Some(flow.sender.system));
    let off = if of_vehicle { context.off_seconds((begin, whole)) } else { 0.0 };
    if whole - begin - off < 1.0 {
        return None;
    }
    if let ([flow], true) = (flows, begin == 0.0)
        && let Some(covered) = flow.sequence.seconds.covered(whole as usize)
    {
        return Some((covered as f64 / (whole - off)).min(1.0));
    }
    let seconds = together(flows.iter().map(|&flow| {
        let seconds = flow.sequence.seconds.within(begin, whole);
        seconds.filter(|(_, counts)| counts.received > 0)
    }));
    Some((seconds.count() as f64 / (whole - begin - off)).min(1.0))
}

/// The longest time in which all flows were silent together, the end apart.
///
/// Exact for one flow; for several, for silences that each of them keeps (0.25 s and more).
pub(super) fn longest_common_silence_s(flows: &[&SenderFlow], context: &Context) -> f64 {
    if let [flow] = flows {
        return flow.longest_silence(context).secs();
    }
    let Some(first) = flows.iter().map(|flow| flow.sequence.first_at).min() else { return 0.0 };
    let silences = |flow: &SenderFlow| {
        let mut list = vec![(first, flow.sequence.first_at)];
        list.extend_from_slice(flow.sequence.silences.kept());
        list.push((flow.sequence.last_at, Nanos::MAX));
        list
    };
    let mut common = vec![(first, flows.iter().map(|flow| flow.sequence.last_at).max().unwrap_or(first))];
    for flow in flows {
        common = overlap(&common, &silences(flow));
    }
    let longest = common.iter().map(|&(from, to)| to - from).max();
    let shortest = flows.iter().map(|flow| flow.sequence.silences.longest()).min();
    longest.or(shortest).map_or(0.0, Nanos::secs)
}

/// Where two ordered lists of spans overlap.
fn overlap(one: &[(Nanos, Nanos)], other: &[(Nanos, Nanos)]) -> Vec<(Nanos, Nanos)> {
    let (mut i, mut j) = (0, 0);
    let mut both = Vec::new();
    while let (Some(a), Some(b)) = (one.get(i), other.get(j)) {
        let (from, to) = (a.0.max(b.0), a.1.min(b.1));
        if from < to {
            both.push((from, to));
        }
        if a.1 < b.1 { i += 1 } else { j += 1 }
    }
    both
}
