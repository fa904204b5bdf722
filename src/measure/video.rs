//! Video without decoding: RTP loss, jitter, frames and freezes; marks; the sender's own word.
//!
//! Definitions and units stand with each part: `video/reorder_window.rs` (sequence, RFC 3550 A.1),
//! `video/rtp_stream.rs` (jitter, RFC 3550 A.8; frames), `video/freeze_rule.rs` (W3C webrtc-stats),
//! `video/sender_status.rs` (VIDEO_STREAM_STATUS, marks). One place decides which source speaks for the
//! video link: RTP where any is seen, else marks set by hand. A new SSRC, or the same from elsewhere, is a new
//! stream; the link's video is all its streams in turn, one account (`video/stream_succession.rs`, `video/video_rows.rs`).
//! What is always audio (RFC 3551, static payload types 0 to 23) is no video.
//! Bounded: 16 streams, 32 packets that wait for their successor. The longest silent stream makes room, one of few packets after
//! 0.5 s, any after 30 s; none of the link's own (but for few packets before its present one), and none that the profile names.

mod frame_clock;
mod freeze_levels;
mod freeze_rule;
mod key_frames;
mod latest;
mod reorder_window;
mod rtp_arrival;
mod rtp_stream;
mod sender_status;
mod stream_succession;
mod video_rows;
mod video_seconds;
mod video_window;

use super::context::Context;
use super::timing::Row;
use crate::profile::LinkProfile;
use crate::record::{Flow, InterfaceId};
use crate::stats::time_series::loss_runs::Runs;
use crate::summary::{RatioEstimate, VideoSource};
use crate::units::Nanos;
use crate::wire::rtp;
use crate::wire::telemetry::Telemetry;

use super::loss::{Steadiness, Traffic};
use freeze_levels::FreezeLevels;
pub use freeze_rule::Course;
pub(crate) use latest::Latest;
use rtp_arrival::RtpArrival;
use rtp_stream::{Stream, StreamKey};
use sender_status::SenderStatus;
use video_seconds::Series;

const MOST_STREAMS: usize = 16;
const MOST_WAITING: usize = 32;
const MOST_MARKS: usize = 4096;
/// A mark stands for a freeze that began within this time before it.
const MARK_REACH: Nanos = Nanos::from_secs(3);
/// All times, in seconds.
const ALWAYS: (f64, f64) = (f64::NEG_INFINITY, f64::INFINITY);
/// A stream of fewer packets makes room for another sooner.
const SMALL_STREAM: u64 = 50;
const BRIEFLY_SILENT: Nanos = Nanos::from_millis(500);
const LONG_SILENT: Nanos = Nanos::from_secs(30);
/// What a stall of this computer leaves of a freeze that it explains.
const BESIDE_STALL: Nanos = Nanos::from_secs(1);

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
    waiting: Vec<(StreamKey, RtpArrival)>,
    marks: Vec<Nanos>,
    sender: SenderStatus,
    levels: FreezeLevels,
    /// Accounts so far.
    accounts: u32,
    /// When any packet of any stream last came.
    last_packet: Option<Nanos>,
    forgotten: Option<(Nanos, u64)>,
    /// The source said that it got its packets in heaps.
    in_heaps: bool,
}

impl VideoMeter {
    /// About how many bytes are held that copies do not share.
    pub(crate) fn own_bytes(&self) -> usize {
        self.streams.iter().map(Stream::own_bytes).sum::<usize>() + self.levels.own_bytes()
    }

    /// Takes a packet that is plausible RTP.
    pub fn observe_packet(
        &mut self,
        at: Nanos,
        interface: InterfaceId,
        flow: Flow,
        packet: &rtp::Packet,
        context: &Context,
    ) {
        let header = packet.header;
        if header.is_audio() {
            return;
        }
        let key = StreamKey { interface, flow, ssrc: header.ssrc, payload_type: header.payload_type };
        let arrived = RtpArrival { at, header, size: packet.size, contents: packet.contents };
        if let Some(place) = self.place_of(key, header) {
            self.take(place, &arrived);
            return;
        }
        let pinned = context
            .profile
            .video_link()
            .is_some_and(|link| is_pinned(link) && fits_pin(link, flow, header.ssrc));
        self.recognise(key, arrived, pinned, context);
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

    /// Two packets of one stream in sequence make it known (RFC 3550, appendix A.1); what came before counts too.
    fn recognise(&mut self, key: StreamKey, arrived: RtpArrival, pinned: bool, context: &Context) {
        let is_of_it = |(waiting, _): &(StreamKey, RtpArrival)| *waiting == key;
        let before: Vec<RtpArrival> =
            self.waiting.iter().filter(|one| is_of_it(one)).map(|one| one.1).collect();
        let mut packets = arrived.in_sequence(&before);
        if packets.is_empty() && !pinned {
            if self.waiting.len() >= MOST_WAITING {
                self.waiting.remove(0);
            }
            self.waiting.push((key, arrived));
            return;
        }
        if packets.is_empty() {
            packets.push(arrived);
        }
        self.waiting.retain(|one| !is_of_it(one));
        let first = packets[0];
        let start = context.start.unwrap_or(arrived.at);
        let place = if let Some(place) = self.moved(key, &first) {
            self.streams[place].key = key;
            self.streams[place].take(&first);
            place
        } else if self.make_room(arrived.at, pinned, context) {
            let mut stream = Stream::begin(key, &first, start);
            stream.turn.account = self.next_account();
            self.streams.push(stream);
            self.streams.len() - 1
        } else if let Some(place) = self.row_for(key, first.at) {
            self.streams[place].key = key;
            self.streams[place].begin_anew(&first);
            place
        } else {
            return;
        };
        self.last_packet = Some(arrived.at);
        self.settle_turn(place, arrived.at);
        packets[1..].iter().for_each(|packet| self.streams[place].take(packet));
    }

    fn make_room(&mut self, at: Nanos, pinned: bool, context: &Context) -> bool {
        if self.streams.len() < MOST_STREAMS {
            return true;
        }
        let own = self.link_streams(context).first().map(|stream| stream.turn.account);
        let pin = context.profile.video_link().filter(|link| is_pinned(link));
        let may_go = |place: usize| {
            let stream = &self.streams[place];
            let is_small = stream.packets < SMALL_STREAM;
            let limit = if is_small { BRIEFLY_SILENT } else { LONG_SILENT };
            let is_named = pin.is_some_and(|link| fits_pin(link, stream.key.flow, stream.key.ssrc));
            let is_own = Some(stream.turn.account) == own && (!is_small || self.is_speaker(place));
            !is_own && !is_named && (pinned || at - stream.last_at > limit)
        };
        let may = (0..self.streams.len()).filter(|&place| may_go(place));
        let order = |&place: &usize| {
            let stream = &self.streams[place];
            (stream.packets >= SMALL_STREAM, stream.last_at)
        };
        let Some(place) = may.min_by_key(order) else { return false };
        self.streams.remove(place);
        self.forgotten.get_or_insert((at, 0)).1 += 1;
        true
    }

    /// When a stream first made room for another, and how many did.
    pub(crate) const fn forgotten(&self) -> Option<(Nanos, u64)> {
        self.forgotten
    }

    fn take(&mut self, place: usize, arrived: &RtpArrival) {
        self.last_packet = Some(arrived.at);
        if self.streams.len() > 1 {
            self.settle_turn(place, arrived.at);
        }
        self.streams[place].take(arrived);
    }

    /// From one delivered frame to the next, of each stream.
    pub(crate) fn spacings(&self) -> impl Iterator<Item = Row<'_>> {
        self.streams.iter().filter_map(|stream| stream.spacing.of_frames(stream.key.ssrc))
    }

    /// Every video stream: where it is heard, from where to where, its SSRC, its packets.
    pub(crate) fn heard(&self) -> impl Iterator<Item = (InterfaceId, Flow, u32, u64)> {
        let row = |stream: &Stream| (stream.key.interface, stream.key.flow, stream.key.ssrc, stream.packets);
        self.video_streams().into_iter().map(row)
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

    /// When any packet of any video stream last came.
    #[must_use]
    pub const fn last_packet(&self) -> Option<Nanos> {
        self.last_packet
    }

    /// The vehicle was switched off on the ground, as judged at `at`: everything of it is silent since `from`, and it
    /// stands there since `not_before`. What is frozen ends, and the next frame begins anew.
    pub fn switch_off(&mut self, from: Nanos, at: Nanos, not_before: Nanos) {
        for stream in self.streams.iter_mut().filter(|stream| stream.heard_at <= from) {
            stream.freezes.switch_off(at, not_before);
            stream.is_off = true;
        }
    }

    /// The video link's streams, all that carry one picture in turn; the one with the most packets first.
    fn link_streams(&self, context: &Context) -> Vec<&Stream> {
        let pin = context.profile.video_link().filter(|link| is_pinned(link));
        let mut streams: Vec<&Stream> = self
            .video_streams()
            .into_iter()
            .filter(|stream| pin.is_none_or(|link| fits_pin(link, stream.key.flow, stream.key.ssrc)))
            .collect();
        let packets = |account: u32| -> u64 {
            let of_it = streams.iter().filter(|stream| stream.turn.account == account);
            of_it.map(|stream| stream.packets).sum()
        };
        let accounts = streams.iter().map(|stream| stream.turn.account);
        let largest = accounts.max_by_key(|account| (packets(*account), std::cmp::Reverse(*account)));
        streams.retain(|stream| Some(stream.turn.account) == largest);
        streams.sort_by_key(|stream| std::cmp::Reverse(stream.packets));
        streams
    }

    /// Streams that carry video: those with markers, or all where none has any.
    fn video_streams(&self) -> Vec<&Stream> {
        let marked = self.streams.iter().any(|stream| stream.markers > 0);
        let in_marked = |account: u32| {
            self.streams.iter().any(|stream| stream.turn.account == account && stream.markers > 0)
        };
        let is_video = |stream: &&Stream| {
            let rival = |other: &Stream| {
                other.key.flow == stream.key.flow
                    && other.key.interface == stream.key.interface
                    && other.key.ssrc == stream.key.ssrc
                    && other.turn.account != stream.turn.account
                    && other.markers > stream.markers
            };
            (!marked || in_marked(stream.turn.account)) && !self.streams.iter().any(rival)
        };
        self.streams.iter().filter(is_video).collect()
    }

    /// The video link's freezes, in order of time; what was judged off is none.
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
                let start = mark_start(*at, context);
                FreezeSpan { start, end: *at, ended: true, by_mark: true, course: Course::Open }
            };
            let touches = |freeze: &FreezeSpan| {
                context.since_start_s(freeze.end) >= span.0 && context.since_start_s(freeze.start) <= span.1
            };
            return self.marks.iter().map(of_mark).filter(touches).collect();
        }
        let spans = streams.iter().flat_map(|stream| self.stream_freezes(stream, context, span));
        let mut spans: Vec<FreezeSpan> = spans.filter(|span| span.course.is_counted()).collect();
        spans.sort_by_key(|span| span.start);
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
        let first = listed.partition_point(|freeze| context.since_start_s(freeze.end) < from_s);
        let within =
            listed[first..].iter().take_while(move |freeze| context.since_start_s(freeze.start) <= to_s);
        within.copied().chain(stream.freezes.open(context.now)).map(|freeze| {
            let (start, end) = (freeze.start, freeze.end);
            let (from_s, to_s) = (context.since_start_s(start), context.since_start_s(end));
            let course = match freeze.course {
                Course::Lost | Course::Late if dropped_here(stream, context, from_s, to_s) => {
                    Course::HostDrops
                }
                Course::Lost | Course::Late | Course::Open if stalled_through(context, start, end) => {
                    Course::Stalled
                }
                Course::Late if self.in_heaps => Course::Heap,
                course => course,
            };
            FreezeSpan { start, end, ended: freeze.ended, by_mark: false, course }
        })
    }

    /// Which source speaks for the video link; `None`: neither.
    #[must_use]
    pub fn source(&self, context: &Context) -> Option<VideoSource> {
        if !self.link_streams(context).is_empty() {
            Some(VideoSource::Rtp)
        } else if self.marks.is_empty() {
            None
        } else {
            Some(VideoSource::Marks)
        }
    }

    /// The video link's packets.
    #[must_use]
    pub fn traffic(&self, context: &Context) -> Option<Traffic> {
        let streams = self.link_streams(context);
        let silent_at_end_s = Some((context.now - newest_packet(&streams)?).secs());
        Some(Traffic { loss: loss_estimate(&streams, context), silent_at_end_s })
    }

    /// The seconds from the first record of which something is kept; some more than once.
    pub(crate) fn kept_seconds(&self, end: usize) -> impl Iterator<Item = usize> + '_ {
        self.streams
            .iter()
            .flat_map(move |stream| stream.series.within(0.0, end as f64))
            .map(|(second, _)| second)
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
        let newest = streams.iter().max_by_key(|stream| stream.last_at)?;
        let longest = streams.iter().map(|stream| stream.longest_silence).max()?;
        let open = if newest.is_off { Nanos::ZERO } else { context.now - newest.last_at };
        let series: Vec<&Series> = streams.iter().map(|stream| &stream.series).collect();
        Some(Steadiness {
            availability_ratio: Series::availability(&series, context),
            longest_silence_s: Some(longest.max(open).secs()),
        })
    }
}

/// From where on the freeze may have begun that a mark stands for.
fn mark_start(mark: Nanos, context: &Context) -> Nanos {
    (mark - MARK_REACH).max(context.start.unwrap_or(mark - MARK_REACH))
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

/// Whether this computer stood still through most of a span, or all but a second of it.
fn stalled_through(context: &Context, start: Nanos, end: Nanos) -> bool {
    // They stand in order of time.
    let first = context.stalls.partition_point(|stall| stall.to <= start);
    let within = context.stalls[first..].iter().take_while(|stall| stall.from < end);
    let stood: Nanos =
        within.fold(Nanos::ZERO, |sum, stall| sum + (stall.to.min(end) - stall.from.max(start)));
    stood > Nanos::ZERO && end - start - stood <= stood.max(BESIDE_STALL)
}

/// When any packet of some streams last came; `None` without streams.
fn newest_packet(streams: &[&Stream]) -> Option<Nanos> {
    streams.iter().map(|stream| stream.heard_at).max()
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
            for (second, cell) in stream.series.within(0.0, f64::MAX) {
                let from_s = second as f64;
                if dropped_here(stream, context, from_s, from_s + 1.0) {
                    received = received.saturating_sub(u64::from(cell.received));
                    lost = lost.saturating_sub(u64::from(cell.lost));
                }
            }
        }
    }
    runs.ratio(received, lost).filter(|_| received > 0)
}
