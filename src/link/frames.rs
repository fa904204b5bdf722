//! Bytes in: which framer they go to, what each frame goes to, and links named as they are heard.

use std::net::SocketAddr;
use std::sync::Arc;

use crate::profile::{LinkProfile, LinkRole, RadioProfile};
use crate::record::{Direction, Flow, InterfaceId, Record};
use crate::units::Nanos;

use super::context::Sender;
use super::framer::{Frame, Framer};
use super::metrics::loss::Arrival;
use super::telemetry::Telemetry;
use super::{LinkMonitor, clean, codec};

/// Framers kept: strangers on the network must not grow memory.
const MOST_FRAMERS: usize = 64;

/// What one framer follows: a byte stream, or the datagrams of one flow.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct FramerKey {
    pub(super) interface: InterfaceId,
    pub(super) direction: Direction,
    pub(super) endpoints: Option<(SocketAddr, SocketAddr)>,
}

impl LinkMonitor {
    pub(super) fn handle_datagram(&mut self, at: Nanos, record: &Record<'_>, flow: Flow, bytes: &[u8]) {
        if self.video.observe_datagram(at, record.interface, flow, bytes, &self.context) {
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
        if !self.framers.contains_key(&key) && self.framers.len() >= MOST_FRAMERS {
            return;
        }
        // Taken out so that the sink may borrow the rest of the core.
        let mut framer = self.framers.remove(&key).unwrap_or_else(|| match key.endpoints {
            None => Framer::stream(),
            Some(_) => Framer::datagrams(),
        });
        framer.push(bytes, &mut |frame| self.handle_frame(at, key, frame));
        self.framers.insert(key, framer);
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
        let Some(telemetry) = telemetry else { return };
        self.context.roles.observe(header.system, header.component, &telemetry);
        self.imply_links(sender, &telemetry);
        self.clocks.observe(at, sender, &telemetry);
        self.latency.observe(at, sender, &telemetry, &self.clocks, &self.context);
        self.signal.observe(at, sender, &telemetry, &self.context);
        self.range.observe(at, sender, &telemetry, &self.context);
        self.video.observe(at, &telemetry);
        self.failsafe.observe(at, sender, &telemetry, &self.context);
        self.vibration.observe(at, sender, &telemetry, &self.context);
        self.power.observe(at, sender, &telemetry);
        if let Telemetry::StatusText { severity, text } = &telemetry
            && *severity <= 4
            && self.context.roles.vehicle() == Some(header.system)
        {
            self.log("vehicle", None, clean(text));
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
