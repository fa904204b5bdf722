//! Sessions that are valid and odd, drawn by a seed, and what is true of them.
//!
//! Nothing here knows how the program measures. Bytes are written by the crate `mavlink`'s own encoder; losses,
//! restarts, distances and pictures are kept as they are made. `complaints` says what a summary tells beyond that.

#![allow(dead_code, clippy::unwrap_used, reason = "each user has its own part; helpers of tests")]

mod complaints;
mod ground;
mod odd_ways;
mod picture;
mod vehicle;

use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;
use std::sync::Arc;

use fadewatch::record::{Flow, InterfaceId, InterfaceInfo, InterfaceKind, Note};
use fadewatch::summary::Summary;
use fadewatch::{Body, Direction, Entry, LinkMonitor, Nanos, Profile, Record, RecordingFacts};
use mavlink::dialects::all::MavMessage;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

pub(crate) use complaints::complaints;

/// Where it takes place: degrees.
const HOME: (f64, f64) = (47.3, 8.6);

/// Randomness with the few draws that are asked for here.
pub(crate) struct Chance(ChaCha8Rng);

impl Chance {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.random::<f64>()
    }

    fn is(&mut self, share: f64) -> bool {
        self.0.random::<f64>() < share
    }

    fn one_of<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.0.random_range(0..of.len())]
    }
}

/// What is true of one sender, as heard on one interface.
#[derive(Clone, Debug, Default)]
pub(crate) struct SenderTruth {
    /// Lost between the first and the last frame that came, those around a restart not counted.
    pub(crate) lost: u64,
    pub(crate) restarts: u64,
    /// Its frames also come on another way, or its numbers cannot be told from another's.
    pub(crate) is_tangled: bool,
    /// Two count under one id: its loss need not be told.
    pub(crate) has_two_numberings: bool,
}

/// What is true of a session.
#[derive(Clone, Debug, Default)]
pub(crate) struct Truth {
    /// What was drawn, for people.
    pub(crate) about: Vec<String>,
    pub(crate) senders: BTreeMap<(&'static str, u8, u8), SenderTruth>,
    /// Kinds of events that may be told.
    pub(crate) may: BTreeSet<&'static str>,
    pub(crate) farthest_m: f64,
    /// Systems whose autopilot began anew: parts of them that fell silent meanwhile may have done so too.
    pub(crate) began_anew: BTreeSet<u8>,
    pub(crate) has_voltage: bool,
    /// Of the picture: packets that were sent and did not come.
    pub(crate) packets_lost: u64,
    pub(crate) has_picture: bool,
    /// Spans without a picture of over half a second.
    pub(crate) pauses: u64,
    /// Sticks and outputs: the delay of all of it, where outputs follow.
    pub(crate) servo_delay_ms: Option<f64>,
    pub(crate) has_sticks: bool,
}

/// A frame on its way: when it comes, on which interface, in which flow.
struct Arrival {
    at_s: f64,
    interface: &'static str,
    port: u16,
    bytes: Vec<u8>,
}

/// A session as it is made.
pub(crate) struct Session {
    chance: Chance,
    length_s: f64,
    is_live: bool,
    is_datagrams: bool,
    arrivals: Vec<Arrival>,
    /// Stamps from then until then are off by so many seconds; of one record alone, where both are alike.
    clock: Option<(f64, f64, f64)>,
    pub(crate) truth: Truth,
}

const INTERFACES: [&str; 4] = ["vehicle", "handset", "video", "marks"];

/// What comes over a link: which frames are lost.
struct Air {
    loss: f64,
    /// Nothing comes in these spans.
    outages: Vec<(f64, f64)>,
    /// Chance that a run of losses begins, and its mean length in frames.
    bursts: Option<(f64, f64)>,
    in_burst: bool,
}

impl Air {
    fn clean() -> Self {
        Self { loss: 0.0, outages: Vec::new(), bursts: None, in_burst: false }
    }

    fn draw(chance: &mut Chance, length_s: f64, truth: &mut Truth) -> Self {
        let mut air = Self::clean();
        match chance.0.random_range(0..5) {
            0 => {
                air.loss = chance.between(0.001, 0.2);
                truth.may.extend(["lost", "back"]);
            }
            1 => {
                air.bursts = Some((chance.between(0.001, 0.01), chance.between(2.0, 20.0)));
                truth.may.extend(["lost", "back", "silent"]);
            }
            2 => {
                let from = chance.between(0.3, 0.8) * length_s;
                air.outages = vec![(from, from + chance.between(1.0, 14.0))];
                truth.may.extend(["lost", "back", "silent", "lost-vehicle", "phase", "handset"]);
            }
            _ => {}
        }
        truth.about.push(format!("loss {:.3}, bursts {:?}, outages {:?}", air.loss, air.bursts, air.outages));
        air
    }

    fn loses(&mut self, chance: &mut Chance, at_s: f64) -> bool {
        if let Some((begins, length)) = self.bursts {
            self.in_burst = chance.is(if self.in_burst { 1.0 - 1.0 / length } else { begins });
        }
        self.in_burst
            || chance.is(self.loss)
            || self.outages.iter().any(|(from, to)| *from <= at_s && at_s < *to)
    }
}

/// A sender's own numbers, and what of them came.
struct Numbering {
    key: (&'static str, u8, u8),
    next: u8,
    /// Lost since the last frame that came.
    missing: u64,
    /// Since it began.
    has_come: bool,
    has_ever_come: bool,
}

impl Numbering {
    fn new(chance: &mut Chance, key: (&'static str, u8, u8)) -> Self {
        let next = if chance.is(0.5) { 0 } else { chance.0.random() };
        Self { key, next, missing: 0, has_come: false, has_ever_come: false }
    }

    /// It begins anew: what was lost just before and just after cannot be known.
    fn restart(&mut self, truth: &mut Truth) {
        if self.has_ever_come {
            truth.senders.entry(self.key).or_default().restarts += 1;
        }
        (self.next, self.missing, self.has_come) = (0, 0, false);
    }

    fn frame(&mut self, message: &MavMessage) -> Vec<u8> {
        let header = mavlink::MavHeader {
            system_id: self.key.1.into(),
            component_id: self.key.2,
            sequence: self.next,
        };
        self.next = self.next.wrapping_add(1);
        let mut bytes = Vec::new();
        mavlink::write_v2_msg(&mut bytes, header, message).unwrap();
        bytes
    }

    fn came(&mut self, truth: &mut Truth) {
        let sender = truth.senders.entry(self.key).or_default();
        if self.has_come {
            sender.lost += self.missing;
        }
        (self.missing, self.has_come, self.has_ever_come) = (0, true, true);
    }
}

impl Session {
    pub(crate) fn draw(seed: u64) -> Self {
        let mut chance = Chance(ChaCha8Rng::seed_from_u64(seed));
        let mut session = Self {
            length_s: chance.between(40.0, 150.0),
            is_live: chance.is(0.6),
            is_datagrams: chance.is(0.6),
            chance,
            arrivals: Vec::new(),
            clock: None,
            truth: Truth::default(),
        };
        let (length, live, datagrams) = (session.length_s, session.is_live, session.is_datagrams);
        session.truth.about.push(format!("{length:.0} s, live {live}, datagrams {datagrams}"));
        session.truth.may.extend(["phase", "vehicle", "comment"]);
        let vehicles = session.chance.one_of(&[1, 1, 1, 2, 3]);
        for vehicle in 0..vehicles {
            session.add_vehicle(vehicle);
        }
        session.add_ground();
        session.add_picture();
        session.add_odd_ways();
        session
    }

    fn arrive(&mut self, at_s: f64, interface: &'static str, port: u16, bytes: Vec<u8>) {
        self.arrivals.push(Arrival { at_s, interface, port, bytes });
    }

    /// What a profile would say of it; half of the builders have none.
    fn profile(&mut self) -> &'static str {
        self.chance.one_of(&[
            "",
            "[[link]]\nname = 'downlink'\nrole = 'telemetry'\ninterface = 'vehicle'\n\
             [[link]]\nname = 'video'\nrole = 'video'\nport = 5004\n\
             radio = { system = 40, component = 7 }\n",
        ])
    }

    /// Plays it; gives the figures and what is true.
    pub(crate) fn play(mut self) -> (Summary, Truth) {
        let profile = Profile::parse(self.profile()).unwrap();
        let mut monitor = LinkMonitor::new(Arc::new(profile), Arc::from([]));
        for (id, name) in INTERFACES.into_iter().enumerate() {
            let kind = match name {
                "marks" => InterfaceKind::Marks,
                "vehicle" if !self.is_datagrams => InterfaceKind::Stream,
                _ => InterfaceKind::Datagram,
            };
            let info = InterfaceInfo { name: name.to_owned(), kind, description: None };
            monitor.handle(&Entry::Interface(InterfaceId(id as u16), info));
        }
        self.arrivals.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        let start = Nanos::from_secs(1_780_000_000);
        let mut record = |at_s: f64, id: usize, body| {
            let (at, interface) = (start + Nanos::from_secs_f64(at_s), InterfaceId(id as u16));
            monitor.handle(&Entry::Record(Record { at, interface, direction: Direction::Inbound, body }));
        };
        let (mut second, mut clock) = (0, self.clock);
        for Arrival { at_s, interface, port, bytes } in &self.arrivals {
            while self.is_live && f64::from(second) <= *at_s {
                record(f64::from(second), 3, Body::Note(Note::Tick));
                second += 1;
            }
            let id = INTERFACES.iter().position(|name| name == interface).unwrap();
            let end = |port| SocketAddr::from(([192, 0, 2, 7], port));
            let flow = Flow { source: end(*port), destination: end(if id == 2 { 5004 } else { 14_550 }) };
            let is_stream = id == 0 && !self.is_datagrams;
            let mut at_s = *at_s;
            if let Some((from, to, by)) = clock
                && at_s >= from
            {
                at_s += by;
                clock = Some((from, to, by)).filter(|_| at_s - by < to);
            }
            record(at_s, id, if is_stream { Body::Stream(bytes) } else { Body::Datagram { flow, bytes } });
        }
        if self.is_live {
            for second in second..=self.length_s as u32 {
                record(f64::from(second), 3, Body::Note(Note::Tick));
            }
            record(self.length_s + 0.05, 3, Body::Note(Note::End));
        }
        (monitor.summary(&RecordingFacts::default()), self.truth)
    }
}
