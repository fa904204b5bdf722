//! The video link for drawing: packets, frozen spans and frame intervals, one a column of the window.

use crate::measure::context::Context;
use crate::snapshot::{LossCell, VideoView, View};
use crate::units::Nanos;

use super::rtp_stream::MOST_FRAME_TIMES;
use super::{VideoMeter, dropped_here};

impl VideoMeter {
    /// Packets of the video link, one a column; `frozen` is [`VideoMeter::frozen`] of the same window.
    pub(crate) fn cells(&self, context: &Context, view: View, frozen: &[bool]) -> Vec<LossCell> {
        let streams = self.link_streams(context);
        if streams.is_empty() {
            return Vec::new();
        }
        let mut columns = vec![LossCell::default(); usize::from(view.columns)];
        for stream in &streams {
            for (second, cell) in stream.series.within(view.from_s, view.to_s) {
                let (from_s, to_s) = (second as f64, second as f64 + 1.0);
                let host_drop = dropped_here(stream, context, from_s, to_s);
                for column in &mut columns[view.columns_showing(from_s, to_s)] {
                    column.received = column.received.saturating_add(u32::from(cell.received));
                    column.lost = column.lost.saturating_add(u32::from(cell.lost));
                    column.host_drop |= host_drop;
                }
            }
        }
        for (column, frozen) in columns.iter_mut().zip(frozen) {
            column.outage = *frozen && column.received == 0;
        }
        columns
    }

    /// Whether the picture was frozen, one a column.
    #[must_use]
    pub fn frozen(&self, context: &Context, view: View) -> Vec<bool> {
        let mut columns = vec![false; usize::from(view.columns)];
        for span in self.freezes_within(context, (view.from_s, view.to_s)) {
            let (from_s, to_s) = (context.since_start_s(span.start), context.since_start_s(span.end));
            columns[view.columns_of(from_s, to_s)].fill(true);
        }
        columns
    }

    /// When pictures of the link were delivered after an instant, in order of time.
    pub(crate) fn frames_after(&self, after: Nanos, context: &Context) -> Vec<Nanos> {
        let streams = self.link_streams(context);
        let mut times: Vec<Nanos> =
            streams.iter().flat_map(|stream| &stream.frame_times).copied().filter(|at| *at > after).collect();
        times.sort_unstable();
        times
    }

    /// The ports on which video comes where the profile's pin leaves all of it out.
    fn other_ports(&self, context: &Context) -> Vec<u16> {
        if !self.link_streams(context).is_empty() {
            return Vec::new();
        }
        let mut ports: Vec<u16> =
            self.video_streams().iter().map(|stream| stream.key.flow.destination.port()).collect();
        ports.sort_unstable();
        ports.dedup();
        ports
    }

    /// For drawing; `frozen` is [`VideoMeter::frozen`] of the same window.
    #[must_use]
    pub fn view(&self, context: &Context, view: View, frozen: &[bool]) -> VideoView {
        let streams = self.link_streams(context);
        let mut interval_ms = vec![None; usize::from(view.columns)];
        let mut put = |column: usize, interval: f64| {
            let longest: &mut Option<f64> = &mut interval_ms[column];
            *longest = Some(longest.map_or(interval, |value| value.max(interval)));
        };
        for stream in &streams {
            let kept_s = stream.frame_times.front().map(|at| context.since_start_s(*at));
            if kept_s.is_some_and(|kept| kept <= view.from_s) || stream.delivered < MOST_FRAME_TIMES as u64 {
                for (before, at) in stream.frame_times.iter().zip(stream.frame_times.iter().skip(1)) {
                    if let Some(column) = view.column_of(context.since_start_s(*at)) {
                        put(column, (*at - *before).millis());
                    }
                }
            } else {
                for (second, cell) in stream.series.within(view.from_s, view.to_s) {
                    if cell.interval_ms > 0.0 {
                        for column in view.columns_showing(second as f64, second as f64 + 1.0) {
                            put(column, f64::from(cell.interval_ms));
                        }
                    }
                }
            }
        }
        let newest = streams.iter().max_by_key(|stream| stream.last_at);
        let open = streams.iter().filter_map(|stream| stream.freezes.open(context.now)).next_back();
        VideoView {
            source: self.source(context),
            interval_ms,
            limit_ms: newest.and_then(|stream| stream.freezes.limit_ms()),
            packets: self.cells(context, view, frozen),
            bit_rate_mbps: newest.and_then(|stream| stream.bit_rate(context.now)).map(|rate| rate / 1e6),
            frozen_for_s: open.map(|open| (open.end - open.start).secs()),
            other_ports: self.other_ports(context),
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::video::video_window::*;
    use crate::record::{Flow, InterfaceId};
    use crate::units::Nanos;
    use crate::wire::rtp::Packet;

    /// Packets and intervals are kept by the second: columns of a quarter of one have no holes, and wider
    /// ones hold each second once.
    #[test]
    fn columns_finer_than_a_second_show_their_second() {
        let end = |port| std::net::SocketAddr::from(([192, 0, 2, 7], port));
        let flow = Flow { source: end(40_000), destination: end(5004) };
        let mut context = Context { start: Some(Nanos::ZERO), ..Context::default() };
        let mut meter = VideoMeter::default();
        // One frame of one packet every 20 ms; the times of the first frames are no longer kept.
        for number in 0..5000_u16 {
            context.now = Nanos::from_millis(20 * i64::from(number));
            let mut bytes = vec![0x80, 0xe0];
            bytes.extend_from_slice(&number.to_be_bytes());
            bytes.extend_from_slice(&(1800 * u32::from(number)).to_be_bytes());
            bytes.extend_from_slice(&[0; 44]);
            let packet = Packet::read(&bytes).unwrap();
            meter.observe_packet(context.now, InterfaceId(0), flow, &packet, &context);
        }
        for (columns, each) in [(32, 50), (12, 50), (8, 50), (4, 100)] {
            let view = View { from_s: 2.0, to_s: 10.0, columns };
            let drawn = meter.view(&context, view, &meter.frozen(&context, view));
            let received: Vec<u32> = drawn.packets.iter().map(|cell| cell.received).collect();
            assert_eq!(received, vec![each; usize::from(columns)]);
            assert!(drawn.interval_ms.iter().all(Option::is_some), "{columns}: {:?}", drawn.interval_ms);
        }
    }
}
