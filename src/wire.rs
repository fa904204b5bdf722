//! Bytes to typed, stamped messages: MAVLink, RTP, radio headers, joysticks, card levels, and what tells them apart.
//!
//! [`Wire`] is a stage of its own: an entry goes in, the messages that its bytes complete come out, in their order. It
//! knows no session and no figure, only what framing needs: framers, which flows are whose, kinds of interfaces. So it
//! may run on a thread of its own, ahead of the core. Time: messages carry none, since they belong to their entry's
//! stamp; its running maximum tells which framer was silent for longest.

pub mod card_level;
pub mod checksum;
pub mod codec;
pub mod framer;
mod framers;
pub mod ieee80211;
pub mod joystick;
pub mod message;
pub(crate) mod nl80211;
mod protocol;
pub mod radiotap;
pub mod rtp;
pub mod sender;
pub mod telemetry;

use crate::profile::Profile;
use crate::record::packet::{LinkType, Packet};
use crate::record::{Body, Direction, Entry, Flow, InterfaceId, InterfaceKind, Record};
use crate::summary::Framing;
use crate::units::Nanos;

use framer::Frame;
use framers::{FramerKey, Framers};
use message::{MavlinkMessage, Message, OnAir};
use nl80211::Card;
use protocol::{Protocol, Protocols};

/// Reads entries into messages.
#[derive(Clone, Debug, Default)]
pub struct Wire {
    kinds: Vec<InterfaceKind>,
    framers: Framers,
    protocols: Protocols,
    /// Of interfaces that are wireless cards, in the order of their first readings.
    cards: Vec<(InterfaceId, Card)>,
    /// Running maximum of the stamps.
    now: Nanos,
}

impl Wire {
    /// For one session; the profile's video link may say which datagrams are RTP.
    #[must_use]
    pub fn new(profile: &Profile) -> Self {
        Self { protocols: Protocols::new(profile.video_link()), ..Self::default() }
    }

    /// Puts the messages that an entry completes behind those of `messages`.
    pub fn read(&mut self, entry: &Entry<'_>, messages: &mut Vec<Message>) {
        match entry {
            Entry::Session(_) => {}
            Entry::Interface(id, info) => {
                let index = usize::from(id.0);
                let missing = (index + 1).saturating_sub(self.kinds.len());
                self.kinds.extend(std::iter::repeat_n(info.kind, missing));
                self.kinds[index] = info.kind;
            }
            Entry::Record(record) => {
                self.now = self.now.max(record.at);
                match &record.body {
                    Body::Stream(bytes) => self.read_stream(record, bytes, messages),
                    Body::Datagram { flow, bytes } => self.read_datagram(record, *flow, bytes, messages),
                    Body::Packet(packet) => self.read_packet(record, packet, messages),
                    Body::Other | Body::Note(_) => {}
                }
            }
        }
    }

    /// What all framers counted, and whether a stream ends inside a frame.
    #[must_use]
    pub fn framing(&self) -> (Framing, bool) {
        self.framers.counts()
    }

    /// Chances of 1 in 65,536 that refused candidates had to be accepted by accident.
    #[must_use]
    pub fn chances(&self) -> u64 {
        self.framers.chances()
    }

    fn read_stream(&mut self, record: &Record<'_>, bytes: &[u8], messages: &mut Vec<Message>) {
        match self.kinds.get(usize::from(record.interface.0)) {
            // How its events read is told to the core, as a note.
            Some(InterfaceKind::Joystick) => {}
            Some(InterfaceKind::Wireless) => {
                let row = || std::str::from_utf8(bytes).ok().and_then(card_level::parse);
                let row = self.card(record.interface).read(bytes, record.at).or_else(row);
                messages.extend(row.map(Message::CardLevel));
            }
            _ => self.frame(record, None, bytes, messages),
        }
    }

    fn card(&mut self, interface: InterfaceId) -> &mut Card {
        let known = self.cards.iter().position(|(id, _)| *id == interface);
        let place = known.unwrap_or_else(|| {
            self.cards.push((interface, Card::default()));
            self.cards.len() - 1
        });
        &mut self.cards[place].1
    }

    fn read_datagram(&mut self, record: &Record<'_>, flow: Flow, bytes: &[u8], messages: &mut Vec<Message>) {
        match self.protocols.tell(flow, bytes) {
            Protocol::Rtp(packet) => messages.push(Message::Rtp(packet)),
            Protocol::RtpControl => messages.push(Message::RtpControl),
            Protocol::Mavlink => self.frame(record, Some(flow), bytes, messages),
        }
    }

    /// A captured packet: the datagram in it, then what its radio says of it.
    fn read_packet(&mut self, record: &Record<'_>, packet: &Packet<'_>, messages: &mut Vec<Message>) {
        let datagram = packet.datagram();
        if let Some((flow, bytes)) = datagram {
            self.read_datagram(record, flow, bytes, messages);
        }
        if record.direction == Direction::Inbound {
            messages.extend(on_air(packet, datagram.map(|(_, bytes)| bytes)).map(Message::OnAir));
        }
    }

    fn frame(&mut self, record: &Record<'_>, flow: Option<Flow>, bytes: &[u8], messages: &mut Vec<Message>) {
        let key = FramerKey { interface: record.interface, direction: record.direction, flow };
        let Some(framer) = self.framers.of(key, self.now) else { return };
        framer.push(bytes, &mut |frame: &Frame<'_>| {
            messages.push(Message::Mavlink(MavlinkMessage::read(frame)));
        });
    }
}

/// What a receiver in monitor mode says of a packet; `None` for all others, and where its headers cannot be read.
fn on_air(packet: &Packet<'_>, datagram: Option<&[u8]>) -> Option<OnAir> {
    let (radio, bytes) = match packet.link {
        LinkType::RADIOTAP => {
            let header = radiotap::parse(packet.bytes)?;
            (header, packet.bytes.get(header.length..).unwrap_or_default())
        }
        LinkType::IEEE802_11 => (radiotap::Header::default(), packet.bytes),
        _ => return None,
    };
    let frame =
        if radio.is_damaged() { None } else { Some(ieee80211::parse(bytes, radio.is_padded())?.header) };
    Some(OnAir { radio, frame, carries_rtp: datagram.map(|bytes| rtp::parse(bytes).is_some()) })
}
