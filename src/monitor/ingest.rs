//! Messages in: which meters each one goes to, and links named as they are heard.

use std::net::SocketAddr;
use std::sync::Arc;

use crate::profile::{DBM_BYTES, LinkProfile, LinkRole, RadioProfile, RadiotapProfile, TransmitterAddress};
use crate::record::{Direction, Record};
use crate::units::Nanos;

use super::LinkMonitor;
use crate::measure::claims::{Claim, Contest};
use crate::measure::context::Sender;
use crate::measure::loss::Arrival;
use crate::record::text::clean;
use crate::summary::Event;
use crate::units::hardware_address::Address;
use crate::wire::message::{MavlinkMessage, Message};
use crate::wire::telemetry::Telemetry;

impl LinkMonitor {
    /// What was read from a record's bytes.
    pub(super) fn handle_message(&mut self, at: Nanos, record: &Record<'_>, message: &Message) {
        let interface = record.interface;
        match message {
            Message::Mavlink(message) => self.handle_frame(at, record, message),
            Message::Rtp(packet) => {
                if let Some(flow) = record.body.flow() {
                    self.video.observe_packet(at, interface, flow, packet, &self.context);
                }
                self.hear_video(at, record.direction);
            }
            Message::RtpControl => self.hear_video(at, record.direction),
            Message::OnAir(heard) => {
                let carrier = self.air.observe(at, interface, heard, &mut self.signal, &self.context);
                if let (Some(transmitter), Some(is_rtp)) = (carrier, heard.carries_rtp) {
                    self.imply_level(transmitter, if is_rtp { "video" } else { "telemetry" });
                }
            }
            Message::CardLevel(row) => self.handle_card(at, interface, row),
        }
    }

    fn hear_video(&mut self, at: Nanos, direction: Direction) {
        if self.video.has_stream() {
            if direction == Direction::Inbound {
                self.signal.hear_far_side(at);
            }
            self.imply(LinkRole::Video, "video", None, None);
        }
    }

    /// Without a profile, what carries the video or the telemetry gives that link's level.
    fn imply_level(&mut self, transmitter: Address, name: &str) {
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

    fn handle_frame(&mut self, at: Nanos, record: &Record<'_>, message: &MavlinkMessage) {
        let MavlinkMessage { header, boot, telemetry, .. } = message;
        let sender = Sender {
            interface: record.interface,
            direction: record.direction,
            system: header.system,
            component: header.component,
        };
        let endpoint = record.body.flow().map(|flow| flow.source);
        let claim = endpoint.map_or(Claim::Owned, |from| self.claim(at, sender, from, message));
        if claim != Claim::Moved && self.loss.is_full_for(sender, endpoint) {
            self.make_room(at, sender);
        }
        let arrival = self.loss.observe_claimed(at, sender, endpoint, message, claim);
        if arrival == Arrival::Duplicate || claim == Claim::Apart {
            return;
        }
        if claim == Claim::Copy {
            self.time(at, sender, endpoint, message);
            return;
        }
        if let Some(telemetry) = telemetry {
            self.context.roles.observe(header.system, header.component, telemetry);
        }
        self.hear(at, sender, telemetry.as_ref());
        let Some(telemetry) = telemetry else {
            self.time(at, sender, endpoint, message);
            return;
        };
        self.imply_links(sender, telemetry);
        self.align(at, record, sender, telemetry);
        self.time(at, sender, endpoint, message);
        if boot.is_some() {
            self.failsafe.observe_clock(at, sender, &self.clocks, &self.context);
        }
        self.observe(at, sender, telemetry);
        if let Telemetry::StatusText { severity, text } = telemetry
            && *severity <= 4
            && self.context.roles.vehicle() == Some(header.system)
        {
            self.log(Event::StatusText { text: clean(text), severity: *severity });
        }
    }

    /// The tables are full: a sender that is silent for long is forgotten for a new one.
    fn make_room(&mut self, at: Nanos, sender: Sender) {
        let rank = |sender: Sender| self.context.rank(sender.system, sender.component);
        if let Some(flow) = self.loss.make_room(at, sender, rank) {
            self.timing.forget(flow);
            self.forgotten.get_or_insert((at, 0)).1 += 1;
        }
    }

    /// Whose a frame of a datagram is; told where another sender uses an id that is owned.
    fn claim(&mut self, at: Nanos, sender: Sender, from: SocketAddr, message: &MavlinkMessage) -> Claim {
        let mark = (message.header.sequence, message.fingerprint);
        let rank = |sender: Sender| self.context.rank(sender.system, sender.component);
        let (claim, contest) = self.claims.observe(at, sender, from, mark, rank);
        if let Some(Contest { sender: Sender { system, component, .. }, owner, other }) = contest {
            self.log(Event::SameId { system, component, owner, other });
        }
        claim
    }

    /// Gives a message to the clocks. An exchange counts only where both were stamped, not where a late record takes
    /// the time of the one before.
    fn align(&mut self, at: Nanos, record: &Record<'_>, sender: Sender, telemetry: &Telemetry) {
        if matches!(telemetry, Telemetry::TimeSync { .. }) && !self.stamps.is_timely(record.at) {
            return;
        }
        let rank = |(system, component)| self.context.rank(system, component);
        let round_trip = self.clocks.observe(at, sender, record.body.flow(), telemetry, rank);
        // Answers of ground stations say nothing of the way to the vehicle.
        if let Some(round_trip) = round_trip
            && !self.context.roles.is_ground(sender.system, sender.component)
        {
            self.timing.observe_round_trip(round_trip);
        }
    }

    /// Times a message that is no copy, beside those of its own flow.
    fn time(&mut self, at: Nanos, sender: Sender, endpoint: Option<SocketAddr>, message: &MavlinkMessage) {
        if sender.direction == Direction::Inbound
            && let Some(flow) = self.loss.flow_number(sender, endpoint)
        {
            let boot = message.boot.and_then(|_| self.clocks.newest(sender));
            self.timing.observe(at, flow, message.header.message, boot);
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
                self.channels.observe(at, sender, telemetry, context);
            }
            Telemetry::RcOverride { .. }
            | Telemetry::ManualControl { .. }
            | Telemetry::Joystick { .. }
            | Telemetry::ServoOutput { .. } => {
                self.latency.observe(at, sender, telemetry, &self.clocks, context);
                self.failsafe.observe(at, sender, telemetry, context);
                self.channels.observe(at, sender, telemetry, context);
                self.vibration.observe(at, sender, telemetry, context);
            }
            Telemetry::Heartbeat { .. } => self.failsafe.observe(at, sender, telemetry, context),
            Telemetry::SystemStatus { .. } => {
                self.failsafe.observe(at, sender, telemetry, context);
                self.power.observe(at, sender, telemetry, context);
                self.vibration.observe(at, sender, telemetry, context);
                self.reports.observe(at, sender, telemetry, context);
            }
            Telemetry::Radio { .. } => {
                self.signal.observe(at, sender, telemetry, context);
                self.reports.observe(at, sender, telemetry, context);
            }
            Telemetry::Battery { .. } => self.power.observe(at, sender, telemetry, context),
            Telemetry::Vibration { .. }
            | Telemetry::Inertial { .. }
            | Telemetry::Throttle { .. }
            | Telemetry::MotorSpeed { .. } => self.vibration.observe(at, sender, telemetry, context),
            Telemetry::VideoStreamStatus { .. } => self.video.observe(at, telemetry),
            Telemetry::Clock(_) | Telemetry::TimeSync { .. } | Telemetry::StatusText { .. } => {}
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
