//! Which streams carry one picture in turn: a camera that starts again, here or from elsewhere, under a new SSRC.
//!
//! Definition: a stream on the same interface and to the same destination follows another one in turn where that
//! one is silent when it begins, or falls silent within 0.5 s, for 0.5 s and a freeze's limit. Streams in turn make one
//! account; the open interval of the picture goes over to the stream that follows. Streams at once (two cameras,
//! audio beside video) are accounts of their own; two that were taken to be in turn and then both go on are parted.
//! The same SSRC from elsewhere whose numbers go on is the same stream.

use crate::record::Flow;
use crate::units::Nanos;

use super::VideoMeter;
use super::rtp_arrival::RtpArrival;
use super::rtp_stream::{Stream, StreamKey, Turn};

/// What still comes of one stream after another began (reordered packets, an encoder's last frame).
const OVERLAP: Nanos = Nanos::from_millis(500);
/// The least silence that makes room for another stream.
const LEAST_SILENCE: Nanos = Nanos::from_millis(500);

/// How long a stream must be silent before another one may follow it.
fn patience(stream: &Stream) -> Nanos {
    let limit = stream.freezes.limit_ms().map_or(Nanos::ZERO, |ms| Nanos::from_secs_f64(ms / 1e3));
    limit.max(LEAST_SILENCE)
}

fn is_silent(stream: &Stream, at: Nanos) -> bool {
    at - stream.last_at >= patience(stream)
}

impl VideoMeter {
    /// A number for a new account.
    pub(super) const fn next_account(&mut self) -> u32 {
        self.accounts += 1;
        self.accounts
    }

    /// Looks at a stream's place once more, as a packet of it comes.
    pub(super) fn settle_turn(&mut self, place: usize, at: Nanos) {
        let own = &self.streams[place];
        if self.is_speaker(place) {
            if own.turn.beside_since.is_some() {
                self.look_for_turn(place, at);
            }
            return;
        }
        let since = *self.streams[place].turn.beside_since.get_or_insert(at);
        let account = self.streams[place].turn.account;
        let speaker = (0..self.streams.len())
            .find(|other| self.streams[*other].turn.account == account && self.is_speaker(*other));
        let Some(speaker) = speaker else { return };
        if is_silent(&self.streams[speaker], at) {
            self.hand_over(speaker, place, since);
        } else if self.streams[speaker].last_at - since >= OVERLAP {
            self.part(speaker, place);
        }
    }

    /// Whether a stream carries its account's picture now.
    pub(super) fn is_speaker(&self, place: usize) -> bool {
        let turn = self.streams[place].turn;
        self.streams.iter().all(|other| other.turn.account != turn.account || other.turn.since <= turn.since)
    }

    /// A new stream: the one that it follows, where there is one by now.
    fn look_for_turn(&mut self, place: usize, at: Nanos) {
        let own = &self.streams[place];
        let Some(began) = own.turn.beside_since else { return };
        let may = |other: &usize| {
            let stream = &self.streams[*other];
            stream.turn.account != own.turn.account
                && stream.key.interface == own.key.interface
                && stream.key.flow.destination == own.key.flow.destination
                && stream.last_at - began <= OVERLAP
                && self.is_speaker(*other)
        };
        let waiting: Vec<usize> = (0..self.streams.len()).filter(may).collect();
        // Other payload types may be audio, unless the payload says otherwise.
        let is_video = own.recognition.codec().is_some();
        let like = |other: &usize| {
            let key = self.streams[*other].key;
            let same = key.payload_type == own.key.payload_type;
            let near = (key.ssrc == own.key.ssrc, key.flow.source.ip() == own.key.flow.source.ip());
            (same, near, self.streams[*other].packets)
        };
        let silent = waiting.iter().copied().filter(|other| is_silent(&self.streams[*other], at));
        let before = silent.filter(|other| like(other).0 || is_video).max_by_key(like);
        match before {
            Some(before) => self.hand_over(before, place, began),
            None if waiting.is_empty() => self.streams[place].turn.beside_since = None,
            None => {}
        }
    }

    /// The picture of one stream goes on in another one, which began at `began`.
    fn hand_over(&mut self, from: usize, to: usize, began: Nanos) {
        let before = &mut self.streams[from];
        let mut freezes = std::mem::take(&mut before.freezes);
        let (key, account, last_at, is_off) =
            (before.key, before.turn.account, before.last_at, before.is_off);
        let took = freezes.last().map(|last| (key, last));
        let after = &mut self.streams[to];
        after.freezes.take_over(&mut freezes);
        // What was delivered before its turn has ended the interval already.
        after.began_anew = after.freezes.last() == took.map(|(_, last)| last);
        if !is_off {
            after.longest_silence = after.longest_silence.max(began - last_at);
        }
        after.last_at = after.last_at.max(began);
        after.follows = Some(key.ssrc).filter(|ssrc| *ssrc != after.key.ssrc);
        after.turn = Turn { account, since: began, beside_since: None, took };
        self.streams[from].freezes = freezes;
    }

    /// Two streams that were taken to be in turn go on at once.
    fn part(&mut self, speaker: usize, beside: usize) {
        let account = self.next_account();
        let mut freezes = std::mem::take(&mut self.streams[beside].freezes);
        let key = self.streams[beside].key;
        let stream = &mut self.streams[speaker];
        stream.follows = None;
        if let Some((_, start)) = stream.turn.took.take_if(|(from, _)| *from == key) {
            stream.freezes.give_back(start, &mut freezes);
            stream.began_anew = false;
        }
        stream.turn.account = account;
        self.streams[beside].freezes = freezes;
        self.streams[beside].turn.beside_since = None;
    }

    /// The silent stream of the same SSRC whose numbers go on in a packet from elsewhere.
    pub(super) fn moved(&self, key: StreamKey, first: &RtpArrival) -> Option<usize> {
        let is_it = |stream: &Stream| {
            StreamKey { flow: stream.key.flow, ..key } == stream.key
                && stream.key.flow.destination == key.flow.destination
                && is_silent(stream, first.at)
                && stream.window.goes_on(first.at, first.header)
        };
        self.streams.iter().position(is_it)
    }

    /// Where no stream can be added: a silent one of the same address that the new one follows, to go on in its row.
    pub(super) fn row_for(&self, key: StreamKey, at: Nanos) -> Option<usize> {
        let fits = |place: &usize| {
            let stream = &self.streams[*place];
            let Flow { source, destination } = stream.key.flow;
            stream.key.interface == key.interface
                && destination == key.flow.destination
                && source.ip() == key.flow.source.ip()
                && stream.key.payload_type == key.payload_type
                && is_silent(stream, at)
                && self.is_speaker(*place)
        };
        (0..self.streams.len()).filter(fits).max_by_key(|place| self.streams[*place].packets)
    }
}
