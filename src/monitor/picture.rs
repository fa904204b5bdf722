//! The snapshot: lanes, cells and plain sentences out of the metrics.

use std::sync::Arc;

use crate::snapshot::{
    Lane, LatencyView, LossCell, Missing, RangeView, SenderLane, Snapshot, SourceState, Unacknowledged, View,
};
use crate::summary::{EventSummary, Summary};
use crate::units::Nanos;

use super::LinkMonitor;
use super::verdict::fault;
use crate::measure::loss::Traffic;

impl LinkMonitor {
    /// One bounded picture of the session. `summary` is the newest result of
    /// [`LinkMonitor::summary`]; it may be a little older than the picture.
    #[must_use]
    pub fn snapshot(&self, view: View, summary: Arc<Summary>) -> Snapshot {
        let latency = self.latency.view(&self.context, &summary.latency);
        let range = crate::judge::range::view(&self.range, &self.context, self.evidence());
        self.picture(view, summary, latency, range)
    }

    /// A newer picture with the figures of an earlier one: what it takes the whole session to draw
    /// (latency, range) is as old as they are.
    #[must_use]
    pub fn snapshot_after(&self, view: View, earlier: &Snapshot) -> Snapshot {
        let (latency, range) = (earlier.latency.clone(), earlier.range.clone());
        self.picture(view, Arc::clone(&earlier.summary), latency, range)
    }

    fn picture(
        &self,
        view: View,
        summary: Arc<Summary>,
        latency: LatencyView,
        range: Vec<RangeView>,
    ) -> Snapshot {
        let context = &self.context;
        let links = &context.profile.link;
        let traffic = self.all_traffic();
        let frozen = self.video.frozen(context, view);
        let video = self.video.view(context, view, &frozen);
        let distance_m = self.range.distance(context.now, context).map(|distance| distance.0);
        let figures = (&*summary, distance_m);
        let columns = (&*video.packets, &*frozen);
        let lane = |index: usize| self.lane(index, traffic[index], (view, columns), figures);
        let within = |event: &&EventSummary| event.at_s >= view.from_s && event.at_s <= view.to_s;
        let marks = summary.events.iter().filter(within).cloned().collect();
        Snapshot {
            view,
            now_s: self.now_s(),
            verdicts: super::verdict::verdicts(self, &summary, self.sticks()),
            lanes: (0..links.len()).map(lane).collect(),
            senders: self.sender_lanes(&summary, view, &video.packets),
            latency,
            video,
            range,
            vibration: self.vibration.view(context, &self.video, &self.signal, &summary, view),
            marks,
            sources: self.source_states(),
            sticks: self.sticks(),
            transmits: self.transmits.clone(),
            strains: self.health.standing(context.now),
            distance_m,
            phase: context.life.now(),
            echo: self.channels.echo(),
            summary,
        }
    }

    /// A link's row. `picture` is the video link's: its packets and its frozen columns. The distance is that of now.
    fn lane(
        &self,
        index: usize,
        traffic: Option<Traffic>,
        (view, picture): (View, (&[LossCell], &[bool])),
        (summary, distance_m): (&Summary, Option<f64>),
    ) -> Lane {
        let context = &self.context;
        let link = &context.profile.link[index];
        let (standing, now) = (self.margin.standing(index), self.condition(index));
        // Beside a margin stands the level that it is counted from, of the same whole second.
        let level_now = standing.level.or_else(|| self.signal.level(index, context.now));
        let counts = self.counts_down(index);
        let has_level = link.has_level();
        let threshold = context.threshold(&link.name).map(|threshold| threshold.level_p05);
        let missing = if !has_level {
            Some(Missing::Radio)
        } else if level_now.is_none() && self.signal.seconds(index).known(0, usize::MAX).next().is_none() {
            Some(Missing::Report)
        } else if threshold.is_none() {
            Some(Missing::Limit)
        } else {
            None
        };
        let (loss, frozen) = self.link_columns(index, view, picture);
        Lane {
            link: link.name.clone(),
            role: Some(link.role),
            unit: has_level.then(|| link.unit()),
            state: now.state,
            level_now,
            trend_per_s: level_now
                .and_then(|_| self.signal.trend(index, context.now))
                .map(|trend| trend.per_s),
            margin_now: standing.margin,
            seconds_left: standing.seconds_left.filter(|_| counts),
            metres_left: standing.metres_left.filter(|_| counts),
            metres_left_ci95: standing.metres_left.filter(|_| counts).and_then(|left_m| {
                let row = summary.range.iter().find(|row| row.link == link.name)?;
                left_between(row.predicted_freeze_ci95_m?, distance_m?, left_m)
            }),
            threshold,
            missing,
            level: self.signal.cells(index, context, view),
            loss,
            loss_so_far: traffic.and_then(|traffic| traffic.loss),
            window: self.loss.link_window(context, link, view),
            frozen,
            acknowledged: now.acknowledged,
            unacknowledged: self
                .call(index)
                .map(|call| Unacknowledged { state: call.state, ago_s: (context.now - call.from).secs() }),
            limits: link.effective_limits().map(|limits| [limits.alarm_margin, limits.warning_margin]),
        }
    }

    pub(super) fn held_columns(&self, view: View) -> Vec<bool> {
        let mut columns = vec![false; usize::from(view.columns)];
        let width = view.column_s();
        // They stand in order of time.
        let holds = self.latency.hold_spans();
        let first = holds.partition_point(|(_, to)| self.context.since_start_s(to) <= view.from_s);
        for (_, (from, to)) in holds.range(first, usize::MAX) {
            let from = self.context.since_start_s(from);
            let to = self.context.since_start_s(to);
            if from >= view.to_s {
                break;
            }
            for (column, held) in columns.iter_mut().enumerate() {
                let left = view.from_s + width * column as f64;
                *held |= from < left + width && to > left;
            }
        }
        columns
    }

    fn sender_lanes(&self, summary: &Summary, view: View, video: &[LossCell]) -> Vec<SenderLane> {
        let mut rows: Vec<SenderLane> = summary
            .streams
            .iter()
            .enumerate()
            .map(|(index, stream)| SenderLane {
                stream: Some(index),
                label: sender_label(&stream.interface, stream.system, stream.component),
                cells: self.loss.cells(&self.context, index, view),
                window: self.loss.window(&self.context, index, view),
            })
            .collect();
        if video.iter().any(|cell| cell.received > 0) {
            let (label, cells) = ("video RTP".to_owned(), video.to_vec());
            rows.push(SenderLane { stream: None, label, cells, window: None });
        }
        rows
    }

    pub(super) fn source_states(&self) -> Vec<SourceState> {
        let context = &self.context;
        context
            .interfaces
            .iter()
            .zip(&self.sources)
            .filter(|(info, _)| info.kind != crate::record::InterfaceKind::Marks)
            .map(|(info, source)| SourceState {
                interface: info.name.clone(),
                description: info.description.clone(),
                down: source.down.as_ref().map(|(at, reason)| (context.since_start_s(*at), reason.clone())),
                silent_s: source.last.map(|last: Nanos| (context.now - last).secs()),
                bytes: source.bytes,
                is_unread: fault::is_unread(source, context.now),
                host_drops: source.host_drops,
            })
            .collect()
    }
}

/// A sender for people: its interface, system and component.
fn sender_label(interface: &str, system: u8, component: u8) -> String {
    format!("{interface} {system}/{component}")
}

/// The interval of the distance left, from that of the predicted distance; `None` where the distance left,
/// which is found as the vehicle goes, does not lie within: then the two do not speak of the same.
fn left_between([low, high]: [f64; 2], distance_m: f64, left_m: f64) -> Option<[f64; 2]> {
    let between = [low, high].map(|end| (end - distance_m).max(0.0));
    (between[0] <= left_m && left_m <= between[1]).then_some(between)
}

#[cfg(test)]
mod tests {
    use crate::monitor::picture::*;

    #[test]
    fn the_distance_left_has_the_prediction_s_interval_where_they_agree() {
        assert_eq!(left_between([113.0, 144.0], 110.0, 17.0), Some([3.0, 34.0]));
        assert_eq!(left_between([100.0, 144.0], 110.0, 17.0), Some([0.0, 34.0]));
        assert_eq!(left_between([113.0, 120.0], 110.0, 17.0), None);
    }
}
