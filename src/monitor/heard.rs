//! What a session heard, for whoever describes it: sources, senders, radios, pictures.
//!
//! Definition: one row a source of the session; one a sender and interface (frames received, the usual rate of each of its
//! messages: one over the median spacing); one a radio (medians and number of different levels of both sides, device units);
//! one a video stream. Who is who is told as in `measure/roles.rs`. Window: the whole session. Source: the public MAVLink
//! message set; RFC 3550.
//!
//! A gap, a late frame or a restart makes one long or short spacing, which a median passes over; copies never count.
//! Rows that strangers could make are bounded by the meters that they come from. Asking changes nothing.

use crate::measure::signal::HeardLevel;
use crate::record::InterfaceKind;
use crate::summary::{Codec, Reason, Report, Stream, Summary, TimingWhat};
use crate::units::hardware_address::address_text;

use super::LinkMonitor;

/// RC_CHANNELS_OVERRIDE and MANUAL_CONTROL: what sticks say.
const STICKS: [u32; 2] = [70, 69];
/// RC_CHANNELS and RC_CHANNELS_RAW: what a vehicle's input says.
const INPUT: [u32; 2] = [65, 35];

/// All that was heard.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Heard {
    /// First record to last.
    pub duration_s: f64,
    /// The vehicle's autopilot, system and component: the first system that says that it has one.
    pub autopilot: Option<(u8, u8)>,
    /// Another system that says so.
    pub other_vehicle: Option<u8>,
    /// Sources, in the order of their interfaces.
    pub sources: Vec<HeardSource>,
    /// Senders that this computer is none of.
    pub senders: Vec<HeardSender>,
    /// Radios and receivers with a level.
    pub radios: Vec<HeardRadio>,
    /// Video streams.
    pub pictures: Vec<HeardPicture>,
    /// Addresses of all transmitters that a receiver in monitor mode heard.
    pub transmitters: Vec<String>,
    /// The transmitter that carries the picture.
    pub picture_by: Option<String>,
    /// The transmitter that carries the telemetry.
    pub telemetry_by: Option<String>,
    /// Tags of the recording.
    pub tags: Vec<(String, String)>,
}

/// One source.
#[derive(Clone, Debug, PartialEq)]
pub struct HeardSource {
    /// Its interface's name.
    pub name: String,
    /// What it carries.
    pub kind: InterfaceKind,
    /// Where it was read from, as this program writes it.
    pub url: Option<String>,
    /// What came.
    pub bytes: u64,
}

/// What a sender is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SenderKind {
    /// The vehicle's autopilot.
    Autopilot,
    /// It sends radio reports.
    Radio,
    /// A ground station, by its heartbeat, or a sender of sticks.
    Ground,
    /// Another component of the vehicle.
    OfVehicle,
    /// Anything else.
    Other,
}

/// One sender on one interface.
#[derive(Clone, Debug, PartialEq)]
pub struct HeardSender {
    /// The interface's name.
    pub interface: String,
    /// System id.
    pub system: u8,
    /// Component id.
    pub component: u8,
    /// What it is.
    pub kind: SenderKind,
    /// Distinct frames.
    pub frames: u64,
    /// The longest time without a frame.
    pub longest_silence_s: f64,
    /// Ids of its messages, and how many usually come a second; those that came twice at least.
    pub messages: Vec<(u32, f64)>,
}

impl HeardSender {
    /// Whether it sends the positions of sticks.
    #[must_use]
    pub fn sends_sticks(&self) -> bool {
        self.messages.iter().any(|(id, _)| STICKS.contains(id))
    }

    /// Whether it says what comes to it from the sticks.
    #[must_use]
    pub fn reports_input(&self) -> bool {
        self.messages.iter().any(|(id, _)| INPUT.contains(id))
    }
}

/// One radio, or one receiver behind RC_CHANNELS.
#[derive(Clone, Debug, PartialEq)]
pub struct HeardRadio {
    /// What its level comes in.
    pub report: Report,
    /// The interface's name.
    pub interface: String,
    /// System id; 0 where it is no MAVLink sender.
    pub system: u8,
    /// Component id.
    pub component: u8,
    /// Address of a transmitter or name of a card.
    pub name: Option<String>,
    /// Levels that it receives itself; device units, of cards and transmitters dBm + 128.
    pub own: HeardLevel,
    /// Levels that its peer receives.
    pub peer: HeardLevel,
}

/// One video stream.
#[derive(Clone, Debug, PartialEq)]
pub struct HeardPicture {
    /// The interface's name.
    pub interface: String,
    /// The UDP port that it goes to.
    pub port: u16,
    /// The UDP port that it comes from.
    pub from_port: u16,
    /// Its SSRC.
    pub ssrc: u32,
    /// Distinct packets.
    pub packets: u64,
    /// Told by the payloads.
    pub codec: Option<Codec>,
    /// Frames a second.
    pub fps: Option<f64>,
}

impl LinkMonitor {
    /// All that was heard, as of the last record.
    #[must_use]
    pub fn heard(&self, summary: &Summary) -> Heard {
        let context = &self.context;
        let interface = |id| context.interface_name(id).to_owned();
        let infos = context.interfaces.iter().zip(&self.sources);
        let infos = infos.filter(|(info, _)| info.kind != InterfaceKind::Marks);
        let sources = infos.map(|(info, source)| HeardSource {
            name: info.name.clone(),
            kind: info.kind,
            url: info.description.clone(),
            bytes: source.bytes,
        });
        let mut senders: Vec<HeardSender> = Vec::new();
        for stream in &summary.streams {
            if !matches!(stream.why_not, Some(Reason::OwnTransmission | Reason::SameId)) {
                self.add_sender(&mut senders, stream, summary);
            }
        }
        let radios = self.signal.heard().into_iter().map(|row| HeardRadio {
            report: row.report,
            interface: interface(row.interface),
            system: row.system,
            component: row.component,
            name: row.name,
            own: row.own,
            peer: row.peer,
        });
        let figures = |ssrc: u32| summary.video_streams.iter().find(|row| row.ssrc == Some(ssrc));
        let pictures = self.video.heard().map(|(id, flow, ssrc, packets)| HeardPicture {
            interface: interface(id),
            port: flow.destination.port(),
            from_port: flow.source.port(),
            ssrc,
            packets,
            codec: figures(ssrc).and_then(|row| row.codec),
            fps: figures(ssrc).and_then(|row| row.fps),
        });
        Heard {
            duration_s: summary.recording.duration_s,
            autopilot: context.roles.autopilot(),
            other_vehicle: context.roles.other_vehicle(),
            sources: sources.collect(),
            senders,
            radios: radios.collect(),
            pictures: pictures.collect(),
            transmitters: summary.transmitters.iter().map(|row| row.transmitter.clone()).collect(),
            picture_by: self.carrier("video"),
            telemetry_by: self.carrier("telemetry"),
            tags: summary.recording.tags.clone().into_iter().collect(),
        }
    }

    /// The transmitter that carries what a link is named for; known where the profile names no link.
    fn carrier(&self, link: &str) -> Option<String> {
        let link = self.context.profile.link_named(link).filter(|_| self.implied_links)?;
        link.radiotap.map(|radiotap| address_text(radiotap.transmitter.0))
    }

    /// A sender that is heard from several addresses of one interface is one.
    fn add_sender(&self, senders: &mut Vec<HeardSender>, stream: &Stream, summary: &Summary) {
        let (system, component) = (stream.system, stream.component);
        let same = |sender: &&mut HeardSender| {
            (sender.system, sender.component) == (system, component) && sender.interface == stream.interface
        };
        if let Some(known) = senders.iter_mut().find(same) {
            known.frames += stream.received;
            known.longest_silence_s = known.longest_silence_s.min(stream.longest_silence_s);
            return;
        }
        let rows = summary.timing.iter().filter(|row| {
            row.what == TimingWhat::Message
                && (row.system, row.component) == (Some(system), Some(component))
                && row.interface.as_ref() == Some(&stream.interface)
        });
        let mut messages: Vec<(u32, f64)> =
            rows.filter_map(|row| Some((row.id?, 1_000.0 / row.p50_ms.max(0.001)))).collect();
        messages.sort_by_key(|(id, _)| *id);
        messages.dedup_by_key(|(id, _)| *id);
        let mut sender = HeardSender {
            interface: stream.interface.clone(),
            system,
            component,
            kind: SenderKind::Other,
            frames: stream.received,
            longest_silence_s: stream.longest_silence_s,
            messages,
        };
        sender.kind = self.kind_of(&sender);
        senders.push(sender);
    }

    fn kind_of(&self, sender: &HeardSender) -> SenderKind {
        let roles = &self.context.roles;
        let (system, component) = (sender.system, sender.component);
        if roles.autopilot() == Some((system, component)) {
            SenderKind::Autopilot
        } else if roles.is_radio(system, component) {
            SenderKind::Radio
        } else if roles.is_ground(system, component) {
            SenderKind::Ground
        } else if roles.vehicle() == Some(system) {
            SenderKind::OfVehicle
        } else if sender.sends_sticks() {
            SenderKind::Ground
        } else {
            SenderKind::Other
        }
    }
}
