//! The video link for drawing: packets, frozen spans and frame intervals, one a column of the window.

use crate::link::context::Context;
use crate::snapshot::{LossCell, VideoView, View};

use super::{VideoMeter, dropped_here};

impl VideoMeter {
    /// Packets of the video link, one a column.
    #[must_use]
    pub fn cells(&self, context: &Context, view: View) -> Vec<LossCell> {
        let streams = self.link_streams(context);
        if streams.is_empty() {
            return Vec::new();
        }
        let mut columns = vec![LossCell::default(); usize::from(view.columns)];
        for stream in &streams {
            for (from_s, to_s, cell) in stream.series.within(view.from_s, view.to_s) {
                if let Some(column) = view.column_of(from_s).and_then(|column| columns.get_mut(column)) {
                    column.received = column.received.saturating_add(cell.received);
                    column.lost = column.lost.saturating_add(cell.lost);
                    column.host_drop |= dropped_here(stream, context, from_s, to_s);
                }
            }
        }
        for (column, frozen) in columns.iter_mut().zip(self.frozen(context, view)) {
            column.outage = frozen && column.received == 0;
        }
        columns
    }

    /// Whether the picture was frozen, one a column.
    #[must_use]
    pub fn frozen(&self, context: &Context, view: View) -> Vec<bool> {
        let mut columns = vec![false; usize::from(view.columns)];
        let width = view.column_s();
        for span in self.freezes(context) {
            let from = (context.since_start_s(span.start) - view.from_s) / width;
            let to = (context.since_start_s(span.end) - view.from_s) / width;
            let first = from.floor().clamp(0.0, f64::from(view.columns)) as usize;
            let end = to.ceil().clamp(0.0, f64::from(view.columns)) as usize;
            columns[first..end.max(first)].fill(true);
        }
        columns
    }

    /// For drawing.
    #[must_use]
    pub fn view(&self, context: &Context, view: View) -> VideoView {
        let streams = self.link_streams(context);
        let mut interval_ms = vec![None; usize::from(view.columns)];
        let mut put = |at_s: f64, interval: f64| {
            if let Some(column) = view.column_of(at_s) {
                let longest: &mut Option<f64> = &mut interval_ms[column];
                *longest = Some(longest.map_or(interval, |value| value.max(interval)));
            }
        };
        for stream in &streams {
            let kept_s = stream.frame_times.front().map(|at| context.since_start_s(*at));
            if kept_s.is_some_and(|kept| kept <= view.from_s) || stream.delivered < 4096 {
                for (before, at) in stream.frame_times.iter().zip(stream.frame_times.iter().skip(1)) {
                    put(context.since_start_s(*at), (*at - *before).millis());
                }
            } else {
                for (from_s, _, cell) in stream.series.within(view.from_s, view.to_s) {
                    if cell.interval_ms > 0.0 {
                        put(from_s, f64::from(cell.interval_ms));
                    }
                }
            }
        }
        let newest = streams.iter().max_by_key(|stream| stream.last_at);
        let open = streams.iter().filter_map(|stream| stream.freezes.open(context.now)).next_back();
        VideoView {
            source: self.source(context).map(str::to_owned),
            interval_ms,
            limit_ms: newest.and_then(|stream| stream.freezes.limit_ms()),
            packets: self.cells(context, view),
            bit_rate_mbps: newest.and_then(|stream| stream.bit_rate(context.now)).map(|rate| rate / 1e6),
            frozen_for_s: open.map(|(start, now)| (now - start).secs()),
        }
    }
}
