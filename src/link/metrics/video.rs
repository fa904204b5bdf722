//! Video without decoding: RTP loss, jitter, frames and freezes; marks; the sender's own word.
//!
//! Definitions and units stand with each part: `video/window.rs` (sequence, RFC 3550 A.1),
//! `video/stream.rs` (jitter, RFC 3550 A.8; frames), `video/freeze.rs` (W3C webrtc-stats),
//! `video/sender.rs` (VIDEO_STREAM_STATUS, marks). One place decides which source speaks for the
//! video link: RTP where any is seen, else marks set by hand. A new SSRC is a new stream; where it
//! follows on the same flow, the picture went on there and the older one's open interval ends.
//! Bounded: 16 streams, 32 packets that wait for their successor, 32 flows known to be MAVLink.

mod freeze;
mod key_frames;
mod sender;
mod series;
mod stream;
mod view;
mod window;

use std::borrow::Cow;

use crate::link::context::Context;
use crate::link::rtp::{self, content::Codec};
use crate::link::telemetry::Telemetry;
use crate::profile::{LinkProfile, LinkRole};
use crate::record::{Flow, InterfaceId};
use crate::stats::loss_runs::Runs;
use crate::summary::{Freeze, RatioEstimate, VideoSummary};
use crate::units::Nanos;

use super::loss::{Steadiness, Traffic};
use super::signal::SignalMeter;
pub use freeze::Course;
use key_frames::KeyFrames;
use sender::SenderWord;
use stream::{Arrived, Stream, StreamKey};

const MOST_STREAMS: usize = 16;
const MOST_WAITING: usize = 32;
const MOST_MARKS: usize = 4096;
/// A mark stands for a freeze that began within this time before it.
const MARK_REACH: Nanos = Nanos::from_secs(3);
/// All times, in seconds.
const ALWAYS: (f64, f64) = (f64::NEG_INFINITY, f64::INFINITY);
/// A stream this small and this long silent makes room for another.
const SMALL_STREAM: u64 = 50;
const LONG_SILENT: Nanos = Nanos::from_secs(30);

/// A freeze, or a mark that stands for one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FreezeSpan {
    /// Last delivered frame before it (a mark: 3 s before the mark).
    pub start: Nanos,
    /// Next delivered frame, or the last record while it is open (a mark: the mark itself).
    pub end: Nanos,
    /// Another frame was delivered.
    pub ended: bool,
    /// Set by hand: began within the span, duration unknown.
    pub by_mark: bool,
    /// What the packets say of it.
    pub course: Course,
}

/// All video streams.
#[derive(Clone, Debug, Default)]
pub struct VideoMeter {
    streams: Vec<Stream>,
    waiting: Vec<(StreamKey, Arrived)>,
    mavlink: Vec<Flow>,
    marks: Vec<Nanos>,
    sender: SenderWord,
    /// The source said that it got its packets in heaps.
    in_heaps: bool,
}

impl VideoMeter {
    /// About how many bytes are held that copies do not share.
    pub(crate) fn own_bytes(&self) -> usize {
        self.streams.iter().map(Stream::own_bytes).sum()
    }

    /// Offers a datagram; true if it is taken as RTP (then it is not MAVLink).
    pub fn observe_datagram(
        &mut self,
        at: Nanos,
        interface: InterfaceId,
        flow: Flow,
        bytes: &[u8],
        context: &Context,
    ) -> bool {
        if matches!(bytes.first(), Some(0xfd | 0xfe)) {
            if self.mavlink.len() < MOST_WAITING && !self.mavlink.contains(&flow) {
                self.mavlink.push(flow);
            }
            return false;
        }
        let Some(packet) = rtp::parse(bytes) else { return rtp::is_control(bytes) };
        let header = packet.header;
        let key = StreamKey { interface, flow, ssrc: header.ssrc, payload_type: header.payload_type };
        let arrived = Arrived::read(at, &packet, bytes.len() as u32);
        if let Some(place) = self.place_of(key, header) {
            self.take(place, &arrived);
            return true;
        }
        let pinned = context
            .profile
            .video_link()
            .is_some_and(|link| is_pinned(link) && fits_pin(link, flow, header.ssrc));
        if !pinned && self.mavlink.contains(&flow) {
            return false;
        }
        self.recognise(key, arrived, pinned, context);
        true
    }

    fn place_of(&mut self, key: StreamKey, header: rtp::Header) -> Option<usize> {
        let same = |stream: &Stream| {
            stream.key.ssrc == key.ssrc
                && stream.key.interface == key.interface
                && stream.key.flow == key.flow
        };
        if let Some(place) =
            self.streams.iter().position(|stream| same(stream) && stream.key.payload_type == key.payload_type)
        {
            return Some(place);
        }
        self.streams.iter_mut().position(|stream| same(stream) && stream.shares(header))
    }

    /// Two packets of one stream in sequence make it known (RFC 3550, appendix A.1); the first counts too.
    fn recognise(&mut self, key: StreamKey, arrived: Arrived, pinned: bool, context: &Context) {
        let before = self
            .waiting
            .iter()
            .position(|(waiting, _)| *waiting == key)
            .map(|place| self.waiting.remove(place).1);
        let in_sequence =
            before.filter(|before| before.header.sequence.wrapping_add(1) == arrived.header.sequence);
        if !pinned && in_sequence.is_none() {
            if self.waiting.len() >= MOST_WAITING {
                self.waiting.remove(0);
            }
            self.waiting.push((key, arrived));
            return;
        }
        if !self.make_room(arrived.at, pinned) {
            return;
        }
        let start = context.start.unwrap_or(arrived.at);
        let first = in_sequence.unwrap_or(arrived);
        self.streams.push(Stream::begin(key, &first, start));
        let place = self.streams.len() - 1;
        if in_sequence.is_some() {
            self.take(place, &arrived);
        }
        self.hand_over(place, first.at);
    }

    fn make_room(&mut self, at: Nanos, pinned: bool) -> bool {
        if self.streams.len() < MOST_STREAMS {
            return true;
        }
        let smallest = self.streams.iter().enumerate().min_by_key(|(_, stream)| stream.packets);
        let Some((place, stream)) = smallest else { return false };
        let idle = stream.packets < SMALL_STREAM && at - stream.last_at > LONG_SILENT;
        if pinned || idle {
            self.streams.remove(place);
        }
        pinned || idle
    }

    /// A new stream took over a flow: the picture of the silent one before it goes on there.
    fn hand_over(&mut self, place: usize, first_at: Nanos) {
        let StreamKey { interface, flow, .. } = self.streams[place].key;
        let mut before: Option<(Nanos, u32)> = None;
        for (other, stream) in self.streams.iter_mut().enumerate() {
            if other != place
                && stream.key.interface == interface
                && stream.key.flow == flow
                && stream.last_at <= first_at
            {
                stream.freezes.close(first_at);
                before = before.max(Some((stream.last_at, stream.key.ssrc)));
            }
        }
        self.streams[place].follows =
            before.map(|(_, ssrc)| ssrc).filter(|ssrc| *ssrc != self.streams[place].key.ssrc);
    }

    fn take(&mut self, place: usize, arrived: &Arrived) {
        self.streams[place].take(arrived);
    }

    /// Whether any RTP stream was recognised.
    #[must_use]
    pub fn has_stream(&self) -> bool {
        !self.streams.is_empty()
    }

    /// Takes the sender's own word on its stream.
    pub fn observe(&mut self, at: Nanos, telemetry: &Telemetry) {
        let Telemetry::VideoStreamStatus { stream, frame_rate_hz, bit_rate, .. } = *telemetry else { return };
        let was_stopped = self.sender.is_stopped();
        self.sender.observe(at, stream, frame_rate_hz <= 0.0 || bit_rate == 0);
        if self.sender.is_stopped() && !was_stopped {
            let reach = self.sender.reach();
            for stream in &mut self.streams {
                match stream.freezes.last() {
                    Some(last) if at - last <= reach => stream.freezes.excuse(),
                    _ => stream.freezes.close(at),
                }
            }
        }
    }

    /// A person marked that the picture froze.
    pub fn mark_froze(&mut self, at: Nanos) {
        if self.marks.len() < MOST_MARKS {
            self.marks.push(at);
        }
    }

    /// The source of the packets got them in heaps: what came late there was not the link's doing.
    pub const fn note_heaps(&mut self) {
        self.in_heaps = true;
    }

    /// Time has passed without a packet: a silence that begins while the sender is stopped is no freeze.
    pub fn advance(&mut self, at: Nanos) {
        if !self.sender.is_stopped() {
            return;
        }
        for stream in &mut self.streams {
            if stream.freezes.last().is_some() && stream.freezes.open(at).is_some() {
                stream.freezes.excuse();
            }
        }
    }

    /// The video link's streams, the one with the most packets first.
    fn link_streams(&self, context: &Context) -> Vec<&Stream> {
        let pin = context.profile.video_link().filter(|link| is_pinned(link));
        let mut streams: Vec<&Stream> = self
            .video_streams()
            .into_iter()
            .filter(|stream| pin.is_none_or(|link| fits_pin(link, stream.key.flow, stream.key.ssrc)))
            .collect();
        streams.sort_by_key(|stream| std::cmp::Reverse(stream.packets));
        if pin.is_none()
            && let Some(key) = streams.first().map(|first| first.key)
        {
            streams.retain(|stream| stream.key.interface == key.interface && stream.key.flow == key.flow);
        }
        streams
    }

    /// Streams that carry video: those with markers, or all where none has any.
    fn video_streams(&self) -> Vec<&Stream> {
        let marked = self.streams.iter().any(|stream| stream.markers > 0);
        let is_video = |stream: &&Stream| {
            let rival = |other: &Stream| {
                other.key.flow == stream.key.flow
                    && other.key.interface == stream.key.interface
                    && other.key.ssrc == stream.key.ssrc
                    && other.markers > stream.markers
            };
            (!marked || stream.markers > 0) && !self.streams.iter().any(rival)
        };
        self.streams.iter().filter(is_video).collect()
    }

    /// The video link's freezes, in order of time, an open one last.
    #[must_use]
    pub fn freezes(&self, context: &Context) -> Vec<FreezeSpan> {
        self.freezes_within(context, ALWAYS)
    }

    /// Those that touch a span of time, in seconds from the first record.
    #[must_use]
    pub fn freezes_within(&self, context: &Context, span: (f64, f64)) -> Vec<FreezeSpan> {
        let streams = self.link_streams(context);
        if streams.is_empty() {
            let of_mark = |at: &Nanos| {
                let start = (*at - MARK_REACH).max(context.start.unwrap_or(*at - MARK_REACH));
                FreezeSpan { start, end: *at, ended: true, by_mark: true, course: Course::Open }
            };
            let touches = |freeze: &FreezeSpan| {
                context.since_start_s(freeze.end) >= span.0 && context.since_start_s(freeze.start) <= span.1
            };
            return self.marks.iter().map(of_mark).filter(touches).collect();
        }
        let mut spans: Vec<FreezeSpan> =
            streams.iter().flat_map(|stream| self.stream_freezes(stream, context, span)).collect();
        spans.sort_by_key(|span| (!span.ended, span.start));
        spans
    }

    fn stream_freezes(
        &self,
        stream: &Stream,
        context: &Context,
        (from_s, to_s): (f64, f64),
    ) -> impl Iterator<Item = FreezeSpan> {
        // They stand in order of time.
        let listed = stream.freezes.listed();
        let first = listed.partition_point(|((_, end), _)| context.since_start_s(*end) < from_s);
        let within =
            listed[first..].iter().take_while(move |((start, _), _)| context.since_start_s(*start) <= to_s);
        let listed = within.map(|(interval, course)| (*interval, true, *course));
        let open = stream.freezes.open(context.now).map(|interval| (interval, false, Course::Open));
        listed.chain(open).map(|((start, end), ended, course)| {
            let (from_s, to_s) = (context.since_start_s(start), context.since_start_s(end));
            let course = match course {
                Course::Lost | Course::Late if dropped_here(stream, context, from_s, to_s) => {
                    Course::HostDrops
                }
                Course::Late if self.in_heaps => Course::Heap,
                course => course,
            };
            FreezeSpan { start, end, ended, by_mark: false, course }
        })
    }

    /// `rtp` or `marks`: which source speaks for the video link; `None`: neither.
    #[must_use]
    pub fn source(&self, context: &Context) -> Option<&'static str> {
        if !self.link_streams(context).is_empty() {
            Some("rtp")
        } else if self.marks.is_empty() {
            None
        } else {
            Some("marks")
        }
    }

    /// Every stream, the video link's first (RTP streams; one of marks where no RTP is seen).
    /// `distance`: at a whole second, index 0 at 1 s.
    #[must_use]
    pub fn summary(
        &self,
        context: &Context,
        signal: &SignalMeter,
        distance: &dyn Fn(usize) -> Option<f32>,
    ) -> Vec<VideoSummary> {
        let link = context.profile.link.iter().position(|link| link.role == LinkRole::Video);
        let levels = link.map(|index| signal.seconds(index));
        let listed = |span: FreezeSpan| {
            let start_s = context.since_start_s(span.start);
            // Index 0 is at 1 s.
            let second = (start_s.floor() as usize).checked_sub(1);
            Freeze {
                start_s,
                duration_s: (!span.by_mark).then(|| (span.end - span.start).secs()),
                ended: span.ended,
                signal: second.and_then(|second| levels?.about(second)).map(f64::from),
                distance_m: second.and_then(distance).map(f64::from),
                course: span.course.word().map(Cow::Borrowed),
                evidence: None,
                why_not: None,
            }
        };
        let stopped = self.sender.spans(context);
        let first = self.link_streams(context);
        let marks = (first.is_empty() && !self.marks.is_empty()).then(|| VideoSummary {
            source: "marks".to_owned(),
            freezes: self.marks.len() as u64,
            freeze_list: self.freezes(context).into_iter().map(listed).collect(),
            stopped_at_sender: stopped.clone(),
            ..VideoSummary::default()
        });
        let rest =
            self.video_streams().into_iter().filter(|stream| !first.iter().any(|one| one.key == stream.key));
        let row = |stream: &Stream| {
            let (freezes, total) = stream.freezes.totals(context.now);
            let spans: Vec<FreezeSpan> = self.stream_freezes(stream, context, ALWAYS).collect();
            let codec = stream.recognition.codec();
            let keys = codec.map(|index| stream.window.finished().keys[index].clone());
            let spacing = keys.as_ref().and_then(KeyFrames::spacing_s);
            VideoSummary {
                source: "rtp".to_owned(),
                ssrc: Some(stream.key.ssrc),
                packets: Some(stream.packets),
                packets_lost: Some(stream.lost),
                jitter_ms: stream.jitter_ms(),
                frames: Some(stream.frames),
                frames_delivered: Some(stream.delivered),
                fps: stream.frame_rate_hz(),
                other_clock_hz: stream.other_clock_hz(),
                freezes,
                freeze_s: Some(total.secs()),
                freezes_left_out: spans.iter().filter(|span| span.course.is_not_the_radio()).count() as u64,
                freeze_list: spans.into_iter().map(listed).collect(),
                stopped_at_sender: stopped.clone(),
                duplicates: Some(stream.duplicates),
                out_of_order: Some(stream.reordered),
                restarts: Some(stream.restarts),
                follows_ssrc: stream.follows,
                codec: codec.map(|index| Codec::ALL[index].word().to_owned()),
                key_frames: keys.as_ref().map(|keys| keys.count),
                key_spacing_median_s: spacing.map(|(median, _)| median),
                key_spacing_max_s: spacing.map(|(_, longest)| longest),
                frames_broken: keys.as_ref().map(|keys| keys.broken),
                waits_for_key: keys.as_ref().and_then(KeyFrames::is_damaged),
            }
        };
        marks.into_iter().chain(first.iter().copied().chain(rest).map(row)).collect()
    }

    /// The video link's packets.
    #[must_use]
    pub fn traffic(&self, context: &Context) -> Option<Traffic> {
        let streams = self.link_streams(context);
        let silent_at_end_s = Some((context.now - newest_packet(&streams)?).secs());
        Some(Traffic { loss: loss_estimate(&streams, context), silent_at_end_s })
    }

    /// When the video link's packets last came; `None` where none came.
    #[must_use]
    pub fn last_heard(&self, context: &Context) -> Option<Nanos> {
        newest_packet(&self.link_streams(context))
    }

    /// How steadily they came.
    #[must_use]
    pub fn steadiness(&self, context: &Context) -> Option<Steadiness> {
        let streams = self.link_streams(context);
        let last_at = newest_packet(&streams)?;
        let longest = streams.iter().map(|stream| stream.longest_silence).max()?;
        Some(Steadiness {
            availability_ratio: streams.first()?.series.availability(context.now),
            longest_silence_s: Some(longest.max(context.now - last_at).secs()),
        })
    }
}

const fn is_pinned(link: &LinkProfile) -> bool {
    link.port.is_some() || link.ssrc.is_some()
}

fn fits_pin(link: &LinkProfile, flow: Flow, ssrc: u32) -> bool {
    link.ssrc.is_none_or(|pinned| pinned == ssrc)
        && link.port.is_none_or(|port| flow.destination.port() == port || flow.source.port() == port)
}

/// Whether this computer itself lost data of the stream's interface in a span of time.
fn dropped_here(stream: &Stream, context: &Context, from_s: f64, to_s: f64) -> bool {
    // They stand in order of time.
    let first = context.host_drops.partition_point(|drop| context.since_start_s(drop.at) <= from_s);
    context.host_drops[first..]
        .iter()
        .take_while(|drop| context.since_start_s(drop.at) - 1.0 < to_s)
        .any(|drop| drop.interface == stream.key.interface)
}

/// When any packet of some streams last came; `None` without streams.
fn newest_packet(streams: &[&Stream]) -> Option<Nanos> {
    streams.iter().map(|stream| stream.last_at).max()
}

/// Lost share with its burst-aware interval, the seconds with this computer's own drops left out.
fn loss_estimate(streams: &[&Stream], context: &Context) -> Option<RatioEstimate> {
    let (mut received, mut lost, mut runs) = (0_u64, 0_u64, Runs::default());
    for stream in streams {
        let settled = stream.window.finished();
        received += settled.received;
        lost += settled.lost;
        runs.merge(&settled.runs);
        if context.host_drops.iter().any(|drop| drop.interface == stream.key.interface) {
            for (from_s, to_s, cell) in stream.series.iter() {
                if dropped_here(stream, context, from_s, to_s) {
                    received = received.saturating_sub(u64::from(cell.received));
                    lost = lost.saturating_sub(u64::from(cell.lost));
                }
            }
        }
    }
    runs.ratio(received, lost).filter(|_| received > 0)
}
