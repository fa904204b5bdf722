//! One RTP video stream: packets, jitter, frames, freezes.
//!
//! Definitions: a frame is delivered when every packet after the previous marker up to its
//! own has arrived, that marker included (one is assumed before the first packet), at the moment
//! at which the last of them came. Other payload types that share the numbers (forward error
//! correction) fill their place in the sequence and are no video. A restart (two packets in sequence that
//! the old numbers do not explain) keeps the counts, takes in what else came of the new numbers, and assumes a
//! marker again. Bounded: a window of numbers, 64 timestamps, 16 unexplained packets, cells by the second.

use std::collections::VecDeque;

use crate::record::{Flow, InterfaceId};
use crate::units::Nanos;
use crate::wire::rtp::Header;
use crate::wire::rtp::payload::Recognition;

use crate::measure::timing::Spacing;

use super::frame_clock::FrameClock;
use super::freeze_rule::{Course, FreezeRule};
use super::reorder_window::{Placement, Window};
use super::rtp_arrival::RtpArrival;
use super::video_seconds::Series;

const MOST_TIMESTAMPS: usize = 64;
const MOST_OTHER_TYPES: usize = 3;
/// Frames under one stamp that tell of a heap.
const HEAP_FRAMES: u32 = 3;
pub(super) const MOST_FRAME_TIMES: usize = 4096;
/// Numbers within which another payload type is believed to share the sequence.
const SHARED_WITHIN: i16 = 64;
/// A sender whose clock went on over this share of an interval between two neighbouring frames sent none.
const PAUSED_SHARE: f64 = 0.8;
/// A gap with fewer missing packets than this share of the frames of that time is the sender's own.
const PAUSED_MISSING: f64 = 0.125;
/// Unexplained packets kept.
const MOST_SUSPECTS: usize = 16;
const BIT_RATE_OVER: Nanos = Nanos::from_secs(5);
const BIT_RATE_STEP: i64 = 100_000_000;

/// Which stream.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct StreamKey {
    pub(super) interface: InterfaceId,
    pub(super) flow: Flow,
    pub(super) ssrc: u32,
    pub(super) payload_type: u8,
}

/// A stream's place among those that carry one picture in turn (`stream_succession.rs`).
#[derive(Clone, Copy, Debug)]
pub(super) struct Turn {
    /// Streams in turn share it.
    pub(super) account: u32,
    /// When its present turn began; the latest of an account carries the picture.
    pub(super) since: Nanos,
    /// Since when it speaks without a turn: new, or beside the one that took it over.
    pub(super) beside_since: Option<Nanos>,
    /// The stream that it took over from, and that one's last delivered frame.
    pub(super) took: Option<(StreamKey, Nanos)>,
}

/// One stream.
#[derive(Clone, Debug)]
pub(super) struct Stream {
    pub(super) key: StreamKey,
    pub(super) window: Window,
    pub(super) freezes: FreezeRule,
    pub(super) series: Series,
    pub(super) first_at: Nanos,
    pub(super) last_at: Nanos,
    /// When anything of it last came, copies and unexplained packets too.
    pub(super) heard_at: Nanos,
    pub(super) longest_silence: Nanos,
    pub(super) packets: u64,
    pub(super) lost: u64,
    pub(super) duplicates: u64,
    pub(super) reordered: u64,
    pub(super) restarts: u64,
    pub(super) markers: u64,
    pub(super) frames: u64,
    pub(super) delivered: u64,
    /// From one delivered frame to the next.
    pub(super) spacing: Spacing,
    /// The codec, as far as the payloads tell.
    pub(super) recognition: Recognition,
    /// The stream that it took over from on the same flow.
    pub(super) follows: Option<u32>,
    /// Its place among the streams that carry the picture in turn.
    pub(super) turn: Turn,
    /// The sender began anew since the last delivered frame.
    pub(super) began_anew: bool,
    /// It was switched off since its last packet: the silence after it is none.
    pub(super) is_off: bool,
    /// The last frames' times, for zoomed drawings.
    pub(super) frame_times: VecDeque<Nanos>,
    others: Vec<(u8, u64)>,
    suspects: Vec<RtpArrival>,
    /// For how long the sender itself sent nothing since the last delivered frame.
    paused: Nanos,
    /// Every packet since the newest marker has arrived.
    whole: bool,
    /// Lost so far and the frame's timestamp at the last delivery; frames delivered under its stamp.
    at_delivery: Option<(u64, u32)>,
    under_stamp: u32,
    timestamps: VecDeque<u32>,
    pub(super) clock: FrameClock,
    bytes: VecDeque<(i64, u64)>,
}

impl Stream {
    /// About how many bytes are held that copies do not share.
    pub(super) fn own_bytes(&self) -> usize {
        let times = self.frame_times.len() * size_of::<Nanos>();
        size_of::<Self>()
            + times
            + self.window.own_bytes()
            + self.freezes.own_bytes()
            + self.series.own_bytes()
    }

    pub(super) fn begin(key: StreamKey, first: &RtpArrival, start: Nanos) -> Self {
        let mut stream = Self {
            key,
            window: Window::begin(first.at, first.header),
            freezes: FreezeRule::default(),
            series: Series::new(start),
            first_at: first.at,
            last_at: first.at,
            heard_at: first.at,
            longest_silence: Nanos::ZERO,
            packets: 0,
            lost: 0,
            duplicates: 0,
            reordered: 0,
            restarts: 0,
            markers: 0,
            frames: 0,
            delivered: 0,
            spacing: Spacing::default(),
            recognition: Recognition::default(),
            follows: None,
            turn: Turn { account: 0, since: first.at, beside_since: Some(first.at), took: None },
            began_anew: false,
            is_off: false,
            frame_times: VecDeque::new(),
            others: Vec::new(),
            suspects: Vec::new(),
            paused: Nanos::ZERO,
            whole: true,
            at_delivery: None,
            under_stamp: 0,
            timestamps: VecDeque::new(),
            clock: FrameClock::default(),
            bytes: VecDeque::new(),
        };
        let number = stream.window.newest();
        stream.accept(first, number, true);
        stream
    }

    /// Whether a packet of another payload type shares this stream's numbers.
    pub(super) fn shares(&mut self, header: Header) -> bool {
        if self.others.iter().any(|(kind, _)| *kind == header.payload_type) {
            return true;
        }
        let ahead = header.sequence.wrapping_sub(self.window.newest() as u16) as i16;
        let number = self.window.newest().wrapping_add_signed(i64::from(ahead));
        let free = ahead > 0 || (number >= self.window.oldest() && self.window.packet(number).is_none());
        if ahead.abs() > SHARED_WITHIN || !free || self.others.len() >= MOST_OTHER_TYPES {
            return false;
        }
        self.others.push((header.payload_type, 0));
        true
    }

    /// Takes a packet of this stream.
    pub(super) fn take(&mut self, packet: &RtpArrival) {
        self.heard_at = self.heard_at.max(packet.at);
        let (newest_at, clock_s) = (self.window.newest_at(), self.window.clock_since_s(packet.header));
        match self.window.place(packet.at, packet.header) {
            Placement::Duplicate => self.duplicates += 1,
            Placement::Next { number, missing } => {
                self.look_for_pause(packet.at - newest_at, clock_s, missing);
                if missing > 0 {
                    self.lost += missing;
                    self.series.lose(self.last_at, packet.at, missing);
                    self.whole = false;
                }
                self.accept(packet, number, true);
            }
            Placement::Late { number } => {
                self.lost = self.lost.saturating_sub(1);
                self.series.find();
                self.reordered += 1;
                self.accept(packet, number, false);
            }
            Placement::Early { number, missing } => {
                self.lost += missing;
                self.series.lose(packet.at, packet.at, missing);
                self.reordered += 1;
                self.accept(packet, number, false);
            }
            Placement::Suspect => self.suspect(packet),
        }
    }

    /// A gap as long as a freeze, over which the sender's clock went on and (nearly) no number is missing: a sender
    /// that made frames would have used at least one number for each.
    fn look_for_pause(&mut self, gap: Nanos, clock_s: f64, missing: u64) {
        let frames = self.freezes.mean().map_or(0.0, |mean| gap.secs() / mean.secs());
        if self.freezes.is_freeze(gap)
            && clock_s >= PAUSED_SHARE * gap.secs()
            && missing as f64 <= PAUSED_MISSING * frames
        {
            self.paused += gap;
        }
    }

    /// RFC 3550, appendix A.1: two packets in sequence where none was expected are a restart.
    fn suspect(&mut self, packet: &RtpArrival) {
        let mut of_it = packet.in_sequence(&self.suspects);
        if of_it.is_empty() {
            if self.suspects.len() >= MOST_SUSPECTS {
                self.suspects.remove(0);
            }
            self.suspects.push(*packet);
            return;
        }
        self.suspects.clear();
        // What the old numbers brought in between stays before it.
        for packet in &mut of_it {
            packet.at = packet.at.max(self.last_at);
        }
        self.begin_anew(&of_it[0]);
        of_it[1..].iter().for_each(|packet| self.take(packet));
    }

    /// The sender numbers anew from this packet on.
    pub(super) fn begin_anew(&mut self, first: &RtpArrival) {
        self.restarts += 1;
        self.at_delivery = None;
        self.began_anew = true;
        self.window.restart(first.at, first.header);
        self.whole = true;
        self.timestamps.clear();
        self.clock.restart();
        let number = self.window.newest();
        self.accept(first, number, true);
    }

    fn accept(&mut self, packet: &RtpArrival, number: u64, newest: bool) {
        if !std::mem::take(&mut self.is_off) {
            self.longest_silence = self.longest_silence.max(packet.at - self.last_at);
        }
        self.last_at = self.last_at.max(packet.at);
        self.series.receive(packet.at);
        self.count_bytes(packet);
        let video = self.is_video(packet.header);
        if video {
            self.packets += 1;
            self.clock.take(packet.at, packet.header.timestamp, newest);
            self.count_frame(packet.header.timestamp);
            self.markers += u64::from(packet.header.marker);
            self.recognition.observe(packet.contents);
            if let Some(kept) = self.window.packet_mut(number) {
                kept.marker = packet.header.marker;
                kept.contents = packet.contents;
            }
        }
        if newest {
            if video && packet.header.marker {
                if self.whole {
                    self.deliver(packet, number);
                }
                self.whole = true;
            }
        } else {
            self.assemble(packet, number);
        }
    }

    /// Counts another payload type apart; the one whose packets carry markers is the video.
    fn is_video(&mut self, header: Header) -> bool {
        if header.payload_type == self.key.payload_type {
            return true;
        }
        let Some(place) = self.others.iter().position(|(kind, _)| *kind == header.payload_type) else {
            return true;
        };
        if header.marker && self.markers == 0 {
            let counted = self.others[place].1;
            self.others[place] = (self.key.payload_type, self.packets);
            self.key.payload_type = header.payload_type;
            self.packets = counted;
            self.frames = 0;
            self.recognition = Recognition::default();
            self.clock.forget_packets();
            self.timestamps.clear();
            return true;
        }
        self.others[place].1 += 1;
        false
    }

    fn count_frame(&mut self, timestamp: u32) {
        if self.timestamps.iter().rev().any(|seen| *seen == timestamp) {
            return;
        }
        self.frames += 1;
        self.timestamps.push_back(timestamp);
        if self.timestamps.len() > MOST_TIMESTAMPS {
            self.timestamps.pop_front();
        }
    }

    fn count_bytes(&mut self, packet: &RtpArrival) {
        let step = packet.at.0.div_euclid(BIT_RATE_STEP);
        match self.bytes.back_mut() {
            Some((last, sum)) if *last >= step => *sum += u64::from(packet.size),
            _ => self.bytes.push_back((step, u64::from(packet.size))),
        }
        while self.bytes.front().is_some_and(|(first, _)| step - first >= BIT_RATE_OVER.0 / BIT_RATE_STEP) {
            self.bytes.pop_front();
        }
    }

    /// A packet came out of order: completes the frame that it lies in, or the one after it.
    fn assemble(&mut self, packet: &RtpArrival, number: u64) {
        let mut ends = vec![number];
        if self.window.has_marker(number) {
            ends.push(number + 1);
        }
        for inside in ends {
            if let Some(end) = self.whole_frame(inside) {
                self.deliver(packet, end);
            }
        }
        let newest = self.window.newest();
        self.whole = self.window.has_marker(newest) || self.reaches_back(newest);
    }

    /// The marker of the frame that holds a number, where all of it arrived and was not delivered yet.
    fn whole_frame(&self, inside: u64) -> Option<u64> {
        let mut packets =
            (inside..=self.window.newest()).map_while(|number| Some((number, self.window.packet(number)?)));
        let (end, last) = packets.find(|(_, packet)| packet.marker)?;
        (!last.delivered && self.reaches_back(end)).then_some(end)
    }

    /// Whether every number back to the previous marker, or to the first packet, arrived.
    fn reaches_back(&self, from: u64) -> bool {
        for number in (self.window.oldest()..from).rev() {
            let Some(packet) = self.window.packet(number) else { return false };
            if packet.marker {
                return true;
            }
        }
        self.window.oldest() == self.window.base()
    }

    fn deliver(&mut self, packet: &RtpArrival, end: u64) {
        let timestamp = self.window.packet(end).map_or(0, |last| last.timestamp);
        let mut before = (self.window.oldest()..end).rev().filter_map(|number| self.window.packet(number));
        let previous = before.find(|packet| packet.marker);
        if let Some(previous) = previous {
            let last = self.freezes.last().filter(|_| previous.delivered);
            self.clock.step(previous.timestamp, timestamp, last.map(|last| packet.at - last));
            self.window.set_clock_hz(self.clock.hz());
        }
        if let Some(last) = self.window.packet_mut(end) {
            last.delivered = true;
        }
        self.delivered += 1;
        self.spacing.observe(packet.at);
        if let Some(last) = self.freezes.last() {
            self.series.interval(packet.at, packet.at - last);
        }
        let course = self.course(packet.at, timestamp);
        self.under_stamp = if self.freezes.last() == Some(packet.at) { self.under_stamp + 1 } else { 1 };
        self.freezes.deliver(packet.at, course);
        if self.under_stamp >= HEAP_FRAMES {
            self.freezes.heap(packet.at);
        }
        self.at_delivery = Some((self.lost, timestamp));
        self.began_anew = false;
        self.paused = Nanos::ZERO;
        self.frame_times.push_back(packet.at);
        if self.frame_times.len() > MOST_FRAME_TIMES {
            self.frame_times.pop_front();
        }
    }

    /// How the interval went that ends with a frame delivered now.
    fn course(&self, at: Nanos, timestamp: u32) -> Course {
        if self.began_anew {
            return Course::SenderRestarted;
        }
        let (Some((lost, before)), Some(last)) = (self.at_delivery, self.freezes.last()) else {
            return Course::Open;
        };
        if self.paused > Nanos::ZERO && !self.freezes.is_freeze(at - last - self.paused) {
            return Course::SenderPaused;
        }
        if self.lost != lost {
            return Course::Lost;
        }
        let sent_s = f64::from(timestamp.wrapping_sub(before) as i32) / self.clock.hz();
        if sent_s >= PAUSED_SHARE * (at - last).secs() { Course::SenderPaused } else { Course::Late }
    }

    /// Bits a second over the last 5 s, or since the first packet.
    pub(super) fn bit_rate(&self, now: Nanos) -> Option<f64> {
        let oldest = now.0.div_euclid(BIT_RATE_STEP) - BIT_RATE_OVER.0 / BIT_RATE_STEP;
        let bytes: u64 = self.bytes.iter().filter(|(step, _)| *step > oldest).map(|(_, sum)| sum).sum();
        let over = (now - self.first_at).min(BIT_RATE_OVER).secs();
        (over >= 0.5).then(|| bytes as f64 * 8.0 / over)
    }
}
