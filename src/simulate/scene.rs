//! A whole session from a scenario: stamped records in order, and the truth.

use std::net::{Ipv4Addr, SocketAddr};

use super::airframe::VehicleTelemetry;
use super::camera;
use super::delivery;
use super::delivery::{Delivered, Departure, Fact};
use super::handset::{ControlPath, STICKS};
use super::mavlink;
use super::motion::{Levels, Motion};
use super::rng::Dice;
use super::scenario::{
    Carrier, Carries, Control, HandsetFix, MarkWord, Scenario, Source, StickMessage, Who, starts,
};
use super::scene_parts::Parts;
use super::truth;
use crate::record::{
    Direction, Entry, Flow, InterfaceId, InterfaceInfo, InterfaceKind, MarkKind, Note, OwnedBody,
    OwnedRecord, SessionInfo,
};
use crate::units::Nanos;

/// System and component of this program's own requests.
const REQUESTER: (u8, u8) = (253, 191);

/// A simulated session.
#[derive(Clone, Debug)]
pub struct SimulatedSession {
    /// What is known of it as a whole.
    pub info: SessionInfo,
    /// Its interfaces, by number.
    pub interfaces: Vec<InterfaceInfo>,
    /// Its records, in order.
    pub records: Vec<OwnedRecord>,
    /// What is true of it, with the keys of the summary.
    pub truth: serde_json::Value,
    /// Boot clock of the vehicle at the first record, nanoseconds.
    pub boot_ns: i64,
    /// What the chance of a freeze follows at each whole second: the last second's median level of the video
    /// radio, dBm; empty without one.
    #[cfg_attr(not(feature = "internals"), expect(dead_code, reason = "only studies ask"))]
    pub video_levels: Vec<f64>,
}

impl SimulatedSession {
    /// All entries, as a recording holds them.
    pub fn entries(&self) -> impl Iterator<Item = Entry<'_>> {
        let session = std::iter::once(Entry::Session(self.info.clone()));
        let interfaces = self.interfaces.iter().enumerate();
        let interfaces = interfaces.map(|(id, info)| Entry::Interface(InterfaceId(id as u16), info.clone()));
        session.chain(interfaces).chain(self.records.iter().map(|record| Entry::Record(record.as_record())))
    }

    /// The interface of this name.
    #[must_use]
    pub fn interface(&self, name: &str) -> Option<InterfaceId> {
        self.interfaces.iter().position(|info| info.name == name).map(|id| InterfaceId(id as u16))
    }
}

/// Runs a scenario.
#[must_use]
pub fn run(scenario: &Scenario) -> SimulatedSession {
    let motion = Motion::new(scenario);
    let levels = Levels::new(scenario, &motion);
    let control = scenario.control.as_ref().map(|control| ControlPath::new(scenario, control, &levels));
    let vehicle = VehicleTelemetry { scenario, motion: &motion, levels: &levels, control: control.as_ref() };
    let mut recorder = Recorder::new(scenario);
    recorder.notes(scenario);

    let mut departures = vehicle.departures();
    recorder.timesync(scenario, &vehicle, &mut departures);
    let delivered = delivery::deliver(scenario, departures, &levels);
    recorder.vehicle(scenario, &delivered);

    let (mut stick_stamps_s, mut handset_others) = (Vec::new(), 0);
    if let (Some(path), Some(settings)) = (&control, &scenario.control)
        && settings.heard
    {
        (stick_stamps_s, handset_others) = recorder.handset(scenario, settings, path, &motion);
    }
    let stream = scenario.video.as_ref().map(|settings| camera::stream(scenario, settings, &levels));
    if let (Some(stream), Some(settings)) = (&stream, &scenario.video) {
        let id = recorder.interface("video", InterfaceKind::Datagram);
        let flow = flow([192, 0, 2, 20], 40_002, settings.port);
        for packet in &stream.packets {
            recorder.datagram(packet.at_s, id, flow, &packet.bytes);
        }
    }
    recorder.unplugged(scenario);
    let parts = Parts {
        scenario,
        delivered: &delivered,
        control: control.as_ref(),
        stick_stamps_s: &stick_stamps_s,
        handset_others,
        video: stream.as_ref(),
        motion: &motion,
        levels: &levels,
    };
    let video_levels = scenario.radio_for(Carries::Video).map_or_else(Vec::new, |radio| {
        (0..=scenario.duration_s as usize).map(|second| levels.of_last_second(radio, second as f64)).collect()
    });
    recorder.finish(truth::truth(&parts), vehicle.boot_ns(0.0), video_levels)
}

/// Addresses of the documentation block (RFC 5737): nobody's.
fn flow(source: [u8; 4], from: u16, to: u16) -> Flow {
    Flow {
        source: SocketAddr::from((Ipv4Addr::from(source), from)),
        destination: SocketAddr::from((Ipv4Addr::new(192, 0, 2, 1), to)),
    }
}

/// Collects stamped records.
struct Recorder {
    start_ns: i64,
    info: SessionInfo,
    interfaces: Vec<InterfaceInfo>,
    records: Vec<(i64, OwnedRecord)>,
}

impl Recorder {
    fn new(scenario: &Scenario) -> Self {
        let info = SessionInfo { tags: scenario.tags.clone(), has_wall_clock: true };
        let start_ns = scenario.start_ns().unwrap_or_default();
        Self { start_ns, info, interfaces: Vec::new(), records: Vec::new() }
    }

    fn interface(&mut self, name: &str, kind: InterfaceKind) -> InterfaceId {
        let description = Some("simulated, an invented scenario".to_owned());
        self.interfaces.push(InterfaceInfo { name: name.to_owned(), kind, description });
        InterfaceId((self.interfaces.len() - 1) as u16)
    }

    fn push(&mut self, at_s: f64, interface: InterfaceId, direction: Direction, body: OwnedBody) {
        let since_ns = (at_s * 1e9).round() as i64;
        let at = Nanos(self.start_ns + since_ns);
        self.records.push((since_ns, OwnedRecord { at, interface, direction, body }));
    }

    fn datagram(&mut self, at_s: f64, interface: InterfaceId, flow: Flow, bytes: &[u8]) {
        self.push(at_s, interface, Direction::Inbound, OwnedBody::Datagram { flow, bytes: bytes.into() });
    }

    /// Ticks, marks and the end; the first tick is the first record.
    fn notes(&mut self, scenario: &Scenario) {
        let vehicle = match scenario.vehicle.carrier {
            Carrier::Stream => InterfaceKind::Stream,
            Carrier::Datagram => InterfaceKind::Datagram,
        };
        self.interface("vehicle", vehicle);
        let marks = self.interface("marks", InterfaceKind::Marks);
        for second in 0..scenario.duration_s.ceil() as usize {
            self.push(second as f64, marks, Direction::Inbound, OwnedBody::Note(Note::Tick));
        }
        for mark in &scenario.mark {
            let kind = match mark.kind {
                MarkWord::Froze => MarkKind::PictureFroze,
                MarkWord::Shook => MarkKind::PictureShook,
                MarkWord::Here => MarkKind::HandsetHere,
                MarkWord::Drill => MarkKind::Drill,
                MarkWord::Remark => MarkKind::Remark,
            };
            let note = Note::Mark { kind, text: mark.text.clone() };
            self.push(mark.at_s, marks, Direction::Inbound, OwnedBody::Note(note));
        }
        if scenario.recorder.end_note {
            self.push(scenario.duration_s, marks, Direction::Inbound, OwnedBody::Note(Note::End));
        }
    }

    /// Sources that went away and came back, where the session has them.
    fn unplugged(&mut self, scenario: &Scenario) {
        for spell in &scenario.recorder.unplugged {
            let name = match spell.source {
                Source::Vehicle => "vehicle",
                Source::Handset => "handset",
                Source::Video => "video",
            };
            let Some(id) = self.interfaces.iter().position(|info| info.name == name) else { continue };
            let interface = InterfaceId(id as u16);
            let marks = InterfaceId(1);
            let down = Note::SourceDown { interface, reason: "unplugged".to_owned() };
            self.push(spell.from_s, marks, Direction::Inbound, OwnedBody::Note(down));
            if spell.to_s < scenario.duration_s {
                let up = OwnedBody::Note(Note::SourceUp { interface });
                self.push(spell.to_s, marks, Direction::Inbound, up);
            }
        }
    }

    /// TIMESYNC requests of this computer, and the vehicle's replies among its frames.
    fn timesync(
        &mut self,
        scenario: &Scenario,
        vehicle: &VehicleTelemetry<'_>,
        departures: &mut Vec<Departure>,
    ) {
        let rate_hz = scenario.vehicle.timesync_hz;
        let mut dice = Dice::new(scenario.seed, "timesync");
        for step in 0..(scenario.duration_s * rate_hz) as usize {
            let at_s = (step as f64 + 0.4) / rate_hz;
            let ts1 = self.start_ns + (at_s * 1e9).round() as i64;
            let request = mavlink::timesync(0, ts1).frame(REQUESTER.0, REQUESTER.1, step as u8);
            self.vehicle_bytes(scenario, at_s, Direction::Outbound, request);
            let extra_ms = dice.exponential(scenario.telemetry.extra_ms.max(1e-6));
            let arrives_s = at_s + (scenario.telemetry.up_ms + extra_ms) / 1e3;
            if !vehicle.awake(arrives_s) {
                continue;
            }
            let epoch_ns = (scenario.vehicle.timesync_epoch_s * 1e9) as i64;
            departures.push(Departure {
                at_s: arrives_s,
                system: scenario.vehicle.system,
                component: 1,
                over_air: true,
                loss: None,
                version_1: false,
                message: mavlink::timesync(vehicle.boot_ns(arrives_s) + epoch_ns, ts1),
                fact: Fact::Nothing,
            });
        }
    }

    fn vehicle_bytes(&mut self, scenario: &Scenario, at_s: f64, direction: Direction, bytes: Vec<u8>) {
        let body = match scenario.vehicle.carrier {
            Carrier::Stream => OwnedBody::Stream(bytes.into()),
            Carrier::Datagram => {
                let inward = flow([192, 0, 2, 10], 40_001, 14_550);
                let flow = match direction {
                    Direction::Inbound => inward,
                    Direction::Outbound => Flow { source: inward.destination, destination: inward.source },
                };
                OwnedBody::Datagram { flow, bytes: bytes.into() }
            }
        };
        self.push(at_s, InterfaceId(0), direction, body);
    }

    /// Frames that arrive at one instant come in one chunk.
    fn vehicle(&mut self, scenario: &Scenario, delivered: &Delivered) {
        for chunk in delivered.arrivals.chunk_by(|a, b| a.at_s == b.at_s) {
            let bytes: Vec<u8> = chunk.iter().flat_map(|arrival| arrival.bytes.iter().copied()).collect();
            self.vehicle_bytes(scenario, chunk[0].at_s, Direction::Inbound, bytes);
        }
    }

    /// The handset's stick messages; their stamps come back, and how many frames it sent beside them.
    fn handset(
        &mut self,
        scenario: &Scenario,
        control: &Control,
        path: &ControlPath<'_>,
        motion: &Motion<'_>,
    ) -> (Vec<f64>, usize) {
        let id = self.interface("handset", InterfaceKind::Datagram);
        let flow = flow([192, 0, 2, 30], 40_003, 14_551);
        let mut dice = Dice::new(scenario.seed, "handset");
        let (mut sequence, mut boot, mut others) = (0_u8, 0, 0);
        let mut stamps_s = Vec::new();
        let target = scenario.vehicle.system;
        for step in 0..(scenario.duration_s * control.rate_hz) as usize {
            let sent_s = control.message_s(step);
            let arrives_s = sent_s + (control.cable_ms + dice.between(-0.2, 0.2)).max(0.0) / 1e3;
            if scenario.handset_dead(sent_s) || scenario.silent(Who::Handset, sent_s) {
                continue;
            }
            let started = starts(&control.on_s, sent_s);
            if started.0 > boot {
                (boot, sequence) = (started.0, 0);
            }
            // What is unplugged here is sent all the same.
            let plugged = !scenario.unplugged(Source::Handset, arrives_s);
            if step % (control.rate_hz as usize).max(1) == 0 {
                let boot_s = started.1.map_or(sent_s + 30.0, |from_s| sent_s - from_s);
                let fix = motion.handset_fix(sent_s);
                let fix = match scenario.handset_way.fix {
                    HandsetFix::None => None,
                    HandsetFix::Gps => Some(mavlink::gps_raw(&fix, (boot_s * 1e6) as u64, 1.5)),
                    HandsetFix::Position => Some(mavlink::position(&fix, (boot_s * 1e3) as u32)),
                };
                for message in [Some(mavlink::heartbeat(6, 8, 0, 0, 4)), fix].into_iter().flatten() {
                    let frame = message.frame(control.system, control.component, sequence);
                    sequence = sequence.wrapping_add(1);
                    if plugged {
                        self.datagram(arrives_s, id, flow, &frame);
                        others += 1;
                    }
                }
            }
            let sticks = path.sticks(sent_s);
            let message = match control.message {
                StickMessage::Override => mavlink::rc_override(&sticks, target),
                StickMessage::Manual => mavlink::manual_control(axes(&sticks), target),
            };
            let frame = message.frame(control.system, control.component, sequence);
            sequence = sequence.wrapping_add(1);
            if plugged {
                self.datagram(arrives_s, id, flow, &frame);
                stamps_s.push(arrives_s);
            }
        }
        (stamps_s, others)
    }

    fn finish(mut self, truth: serde_json::Value, boot_ns: i64, video_levels: Vec<f64>) -> SimulatedSession {
        self.records.sort_by_key(|record| record.0);
        let records = self.records.into_iter().map(|record| record.1).collect();
        SimulatedSession {
            info: self.info,
            interfaces: self.interfaces,
            records,
            truth,
            boot_ns,
            video_levels,
        }
    }
}

/// Sticks 1 to 4 on the scale of MANUAL_CONTROL.
fn axes(sticks: &[u16; STICKS]) -> [i16; 4] {
    std::array::from_fn(|axis| {
        (f64::from(sticks[axis]) - 1500.0).mul_add(2.0, 0.0).clamp(-1000.0, 1000.0) as i16
    })
}
