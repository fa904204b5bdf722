//! Bytes in: which framer they go to, what each frame goes to, and links named as they are heard.

use std::net::SocketAddr;
use std::sync::Arc;

use crate::profile::{DBM_BYTES, LinkProfile, LinkRole, RadioProfile, RadiotapProfile, TransmitterAddress};
use crate::record::packet::Packet;
use crate::record::{Direction, Flow, InterfaceId, Record};
use crate::units::Nanos;

use super::LinkMonitor;
use crate::measure::context::Sender;
use crate::measure::loss::Arrival;
use crate::record::text::clean;
use crate::units::hardware_address::Address;
use crate::wire::framer::{Frame, Framer};
use crate::wire::telemetry::Telemetry;
use crate::wire::{codec, rtp};

/// Framers kept: strangers on the network must not grow memory.
const MOST_FRAMERS: usize = 64;

/// What one framer follows: a byte stream, or the datagrams of one flow.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct FramerKey {
    pub(super) interface: InterfaceId,
    pub(super) direction: Direction,
    pub(super) endpoints: Option<(SocketAddr, SocketAddr)>,
}

/// A framer, and when it last got bytes.
#[derive(Clone, Debug)]
pub(super) struct Framed {
    key: FramerKey,
    pub(super) framer: Framer,
    last: Nanos,
}

impl LinkMonitor {
    /// A captured packet: what its radio says of it, then the datagram in it.
    pub(super) fn handle_packet(&mut self, at: Nanos, record: &Record<'_>, packet: &Packet<'_>) {
        let on_air = packet.link.is_on_air();
        let datagram = packet.datagram();
        if on_air {
            self.heard(record, at, packet.bytes.len());
        } else if let Some((_, bytes)) = datagram {
            self.heard(record, at, bytes.len());
        }
        if let Some((flow, bytes)) = datagram {
            self.handle_datagram(at, record, flow, bytes);
        }
        if on_air && record.direction == Direction::Inbound {
            let carrier = self.air.observe(at, record.interface, packet, &mut self.signal, &self.context);
            if let (Some(transmitter), Some((_, bytes))) = (carrier, datagram) {
                self.imply_level(transmitter, bytes);
            }
        }
    }

    /// Without a profile, what carries the video or the telemetry gives that link's level.
    fn imply_level(&mut self, transmitter: Address, bytes: &[u8]) {
        let name = if rtp::parse(bytes).is_some() { "video" } else { "telemetry" };
        let place = self.context.profile.link.iter().position(|link| link.name == name);
        let Some(place) = place.filter(|_| self.implied_links) else { return };
        if self.context.profile.link[place].radiotap.is_none() {
            let transmitter = TransmitterAddress(transmitter);
            let link = &mut Arc::make_mut(&mut self.context.profile).link[place];
            link.radiotap = Some(RadiotapProfile { transmitter, antenna: None });
            link.level = Some(DBM_BYTES);
            self.signal.forget_sources();
        }
    }

    pub(super) fn handle_datagram(&mut self, at: Nanos, record: &Record<'_>, flow: Flow, bytes: &[u8]) {
        if self.video.observe_datagram(at, record.interface, flow, bytes, &self.context) {
            if record.direction == Direction::Inbound && self.video.has_stream() {
                self.signal.hear_far_side(at);
            }
            if self.video.has_stream() {
                self.imply(LinkRole::Video, "video", None, None);
            }
            return;
        }
        let key = FramerKey {
            interface: record.interface,
            direction: record.direction,
            endpoints: Some((flow.source, flow.destination)),
        };
        self.frame(at, key, bytes);
    }

    pub(super) fn frame(&mut self, at: Nanos, key: FramerKey, bytes: &[u8]) {
        let known = self.framers.iter().position(|framed| framed.key == key);
        let Some(place) = known.or_else(|| self.begin_framer(key, at)) else { return };
        // Taken out so that the sink may borrow the rest of the core.
        let mut framers = std::mem::take(&mut self.framers);
        framers[place].last = at;
        framers[place].framer.push(bytes, &mut |frame| self.handle_frame(at, key, frame));
        self.framers = framers;
    }

    fn begin_framer(&mut self, key: FramerKey, at: Nanos) -> Option<usize> {
        if !self.has_room() {
            return None;
        }
        let framer = if key.endpoints.is_none() { Framer::stream() } else { Framer::datagrams() };
        self.framers.push(Framed { key, framer, last: at });
        Some(self.framers.len() - 1)
    }

    /// Whether one more framer may be kept: a flow that has brought no frame so far, the one that has
    /// been silent for longest, makes room.
    fn has_room(&mut self) -> bool {
        if self.framers.len() < MOST_FRAMERS {
            return true;
        }
        let idle = self
            .framers
            .iter()
            .enumerate()
            .filter(|(_, framed)| framed.key.endpoints.is_some() && framed.framer.counts().frames == 0)
            .min_by_key(|(_, framed)| (framed.last, framed.key))
            .map(|(place, _)| place);
        if let Some(place) = idle {
            self.framers.swap_remove(place);
        }
        idle.is_some()
    }

    fn handle_frame(&mut self, at: Nanos, key: FramerKey, frame: &Frame<'_>) {
        let header = frame.header;
        let sender = Sender {
            interface: key.interface,
            direction: key.direction,
            system: header.system,
            component: header.component,
        };
        let telemetry = codec::decode(frame);
        let boot = telemetry.as_ref().and_then(Telemetry::boot_stamp);
        let endpoint = key.endpoints.map(|(source, _)| source);
        if self.loss.observe(at, sender, endpoint, frame, boot) == Arrival::Duplicate {
            return;
        }
        if let Some(telemetry) = &telemetry {
            self.context.roles.observe(header.system, header.component, telemetry);
        }
        self.hear(at, sender, telemetry.as_ref());
        let Some(telemetry) = &telemetry else {
            self.timing.observe(at, sender, header.message, None);
            return;
        };
        self.imply_links(sender, telemetry);
        if let Some(round_trip) = self.clocks.observe(at, sender, telemetry) {
            self.timing.observe_round_trip(round_trip);
        }
        self.timing.observe(at, sender, header.message, boot.and_then(|_| self.clocks.newest(sender)));
        if boot.is_some() {
            self.failsafe.observe_clock(at, sender, &self.clocks, &self.context);
        }
        self.observe(at, sender, telemetry);
        if let Telemetry::StatusText { severity, text } = telemetry
            && *severity <= 4
            && self.context.roles.vehicle() == Some(header.system)
        {
            self.log("vehicle", None, clean(text));
        }
    }

    /// Gives a message to the meters that read its kind. What time alone brings comes first.
    fn observe(&mut self, at: Nanos, sender: Sender, telemetry: &Telemetry) {
        let context = &self.context;
        self.failsafe.advance(at, context);
        if sender.direction == Direction::Inbound {
            self.signal.follow(context);
        }
        match telemetry {
            Telemetry::Attitude { .. }
            | Telemetry::Position { .. }
            | Telemetry::GpsFix { .. }
            | Telemetry::Home { .. } => {
                self.range.observe(at, sender, telemetry, context);
                self.pose.observe(at, sender, telemetry, context);
            }
            Telemetry::RcInput { .. } => {
                self.latency.observe(at, sender, telemetry, &self.clocks, context);
                self.signal.observe(at, sender, telemetry, context);
                self.failsafe.observe(at, sender, telemetry, context);
            }
            Telemetry::RcOverride { .. }
            | Telemetry::ManualControl { .. }
            | Telemetry::Joystick { .. }
            | Telemetry::ServoOutput { .. } => {
                self.latency.observe(at, sender, telemetry, &self.clocks, context);
                self.failsafe.observe(at, sender, telemetry, context);
            }
            Telemetry::Heartbeat { .. } => self.failsafe.observe(at, sender, telemetry, context),
            Telemetry::SystemStatus { .. } => {
                self.failsafe.observe(at, sender, telemetry, context);
                self.power.observe(at, sender, telemetry);
                self.reports.observe(sender, telemetry);
            }
            Telemetry::Radio { .. } => {
                self.signal.observe(at, sender, telemetry, context);
                self.reports.observe(sender, telemetry);
            }
            Telemetry::Battery { .. } => self.power.observe(at, sender, telemetry),
            Telemetry::Vibration { .. } => self.vibration.observe(at, sender, telemetry, context),
            Telemetry::VideoStreamStatus { .. } => self.video.observe(at, telemetry),
            Telemetry::Inertial { .. }
            | Telemetry::SystemTime { .. }
            | Telemetry::TimeSync { .. }
            | Telemetry::CommandAck { .. }
            | Telemetry::StatusText { .. } => {}
        }
    }

    /// Without a profile, names a link for what is heard, so that it has a lane.
    fn imply_links(&mut self, sender: Sender, telemetry: &Telemetry) {
        if !self.implied_links {
            return;
        }
        let radio = RadioProfile { system: sender.system, component: sender.component, mounted: None };
        match telemetry {
            Telemetry::Heartbeat { .. } if self.context.roles.vehicle() == Some(sender.system) => {
                let interface = self.context.interface_name(sender.interface).to_owned();
                self.imply(LinkRole::Telemetry, "telemetry", Some(interface), None);
            }
            Telemetry::Radio { .. } => {
                let name = format!("radio {}/{}", sender.system, sender.component);
                self.imply(LinkRole::Telemetry, &name, None, Some(radio));
            }
            _ => {}
        }
    }

    /// Without a profile, a wireless card has a lane of its own.
    pub(super) fn imply_card(&mut self, card: &str) {
        let links = &self.context.profile.link;
        if !self.implied_links || links.iter().any(|link| link.wifi.as_deref() == Some(card)) {
            return;
        }
        let name = clean(card);
        self.imply(LinkRole::Telemetry, &name, None, None);
        let place = self.context.profile.link.iter().position(|link| link.name == name);
        if let Some(place) = place {
            let link = &mut Arc::make_mut(&mut self.context.profile).link[place];
            link.wifi = Some(card.to_owned());
            link.level = Some(DBM_BYTES);
            self.signal.forget_sources();
        }
    }

    fn imply(&mut self, role: LinkRole, name: &str, interface: Option<String>, radio: Option<RadioProfile>) {
        const MOST_IMPLIED: usize = 6;
        let links = &self.context.profile.link;
        if !self.implied_links || links.len() >= MOST_IMPLIED || links.iter().any(|link| link.name == name) {
            return;
        }
        Arc::make_mut(&mut self.context.profile).link.push(LinkProfile {
            name: name.to_owned(),
            role,
            radio,
            rc_rssi: false,
            radiotap: None,
            wifi: None,
            level: None,
            port: None,
            ssrc: None,
            interface,
            senders: None,
            claimed_range_m: None,
            reduced_power_db: None,
            limits: None,
            budget: None,
        });
    }
}
