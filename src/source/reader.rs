//! Standard input, files and named pipes: read by a thread of their own, since the
//! system cannot say when they are ready. They wait for room instead of losing bytes.
//!
//! They may hold bare bytes, or what a packet tool writes while it captures (pcapng or
//! pcap): the first bytes tell. Of a capture the datagrams are given, stamped with their
//! arrival here, and what it says of packets that it lost; all else is left out. One
//! source carries one kind: datagrams, or a byte stream, whichever came first. A tool that
//! hands packets on in heaps blurs those stamps, which its own stamps show: that is told.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::io;
use std::io::Read;
use std::path::Path;

use crate::capture::{StreamDecoder, StreamFormat};
use crate::record::{
    BATCHES_TEXT, Body, Entry, HEAPS_TEXT, InterfaceId, InterfaceKind, Note, OwnedRecord, Record,
};
use crate::units::Nanos;

use super::byte_stream::{Refusal, plain};
use super::endpoint::Notices;
use super::ingest_queue::Intake;

/// Interfaces of a capture whose losses are added up.
const MOST_INTERFACES: usize = 64;
/// A packet that comes this much later than others of its capture waited in a heap.
const HEAP: Nanos = Nanos::from_millis(200);

/// Opens a file.
pub(crate) fn open(path: &Path) -> Result<Box<dyn Read + Send>, Refusal> {
    let refuse =
        |reason: String| Refusal { reason, advice: "give the path of a readable file or pipe".into() };
    if path.is_dir() {
        return Err(refuse("it is a folder".to_owned()));
    }
    let file = File::open(path).map_err(|error| refuse(plain(&error)))?;
    Ok(Box::new(file))
}

/// Reads to the end on a thread that ends with the session at the latest.
pub(crate) fn spawn(
    mut from: Box<dyn Read + Send>,
    interface: InterfaceId,
    name: String,
    intake: Intake,
    notices: Notices,
) -> io::Result<()> {
    std::thread::Builder::new().name(format!("source-{name}")).spawn(move || {
        let mut taker = Taker::new(interface, name, intake, notices);
        let mut decoder = StreamDecoder::new();
        let mut buffer = vec![0; 16_384];
        let reason = loop {
            match from.read(&mut buffer) {
                Ok(0) => break "end of input".to_owned(),
                Ok(length) => {
                    let now = taker.intake.clock().now();
                    decoder.push(now, &buffer[..length], &mut |entry| taker.take(entry));
                    if taker.over {
                        return;
                    }
                    if decoder.format() == StreamFormat::Damaged {
                        break "the capture is damaged here, what follows cannot be read".to_owned();
                    }
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => break plain(&error),
            }
        };
        decoder.finish(taker.intake.clock().now(), &mut |entry| taker.take(entry));
        taker.end(&reason);
    })?;
    Ok(())
}

/// Hands what was decoded to the session.
struct Taker {
    interface: InterfaceId,
    name: String,
    intake: Intake,
    notices: Notices,
    /// What its first traffic was.
    carries: Option<InterfaceKind>,
    /// Traffic of the other kind.
    left_out: u64,
    /// What the capture says that it lost, by its own interfaces.
    lost: BTreeMap<InterfaceId, u64>,
    /// Its interfaces that carry neither.
    devices: BTreeSet<InterfaceId>,
    /// Arrival here less the capture's own stamp: the smallest so far.
    least_delay: Option<Nanos>,
    told_heaps: bool,
    /// The session has ended.
    over: bool,
}

impl Taker {
    fn new(interface: InterfaceId, name: String, intake: Intake, notices: Notices) -> Self {
        Self {
            interface,
            name,
            intake,
            notices,
            carries: None,
            left_out: 0,
            lost: BTreeMap::new(),
            devices: BTreeSet::new(),
            least_delay: None,
            told_heaps: false,
            over: false,
        }
    }

    fn take(&mut self, entry: &Entry<'_>) {
        let record = match entry {
            Entry::Record(record) => record,
            Entry::Interface(id, info) => {
                if matches!(info.kind, InterfaceKind::Joystick | InterfaceKind::Wireless)
                    && self.devices.len() < MOST_INTERFACES
                {
                    self.devices.insert(*id);
                }
                return;
            }
            Entry::Session(_) => return,
        };
        match &record.body {
            // A device's events are no telemetry.
            _ if self.devices.contains(&record.interface) => {}
            Body::Stream(_) => self.traffic(record, InterfaceKind::Stream),
            Body::Datagram { .. } => self.traffic(record, InterfaceKind::Datagram),
            Body::Note(note) => self.note(note),
            Body::Packet(packet) => self.traffic(record, InterfaceKind::Captured(packet.link)),
            Body::Other => {}
        }
    }

    fn traffic(&mut self, record: &Record<'_>, kind: InterfaceKind) {
        if *self.carries.get_or_insert(kind) != kind {
            self.left_out += 1;
            let (name, count) = (&self.name, self.left_out);
            self.notices.say(format!(
                "{name}: datagrams and byte streams in one capture; {count} records of the other kind left out"
            ));
            return;
        }
        self.watch_heaps(record.at);
        let body = OwnedRecord::from(record).body;
        self.over |= !self.intake.when_room(self.interface, record.direction, body);
    }

    /// Bare bytes carry their arrival as stamp, so they never show any.
    fn watch_heaps(&mut self, captured: Nanos) {
        let delay = self.intake.clock().now() - captured;
        let least = self.least_delay.map_or(delay, |least| least.min(delay));
        self.least_delay = Some(least);
        if delay - least > HEAP && !self.told_heaps {
            self.told_heaps = true;
            // The recording says so too: its freezes and ages are not the link's.
            self.intake.note(self.interface, Note::Foreign { text: HEAPS_TEXT.to_owned() });
            let name = &self.name;
            self.notices.say(format!(
                "{name}: {BATCHES_TEXT}; have the tool pass each on at once (tcpdump: --immediate-mode -s 2048)"
            ));
        }
    }

    fn note(&mut self, note: &Note) {
        match note {
            Note::HostDrops { interface, total } => {
                if self.lost.len() < MOST_INTERFACES || self.lost.contains_key(interface) {
                    self.lost.insert(*interface, *total);
                }
                let all = self.lost.values().fold(0, |sum: u64, lost| sum.saturating_add(*lost));
                self.intake.host_drops(self.interface, all);
            }
            Note::Mark { .. } | Note::Foreign { .. } | Note::BytesLost { .. } => {
                self.intake.note(self.interface, note.clone());
            }
            // The rest speaks of the session that was recorded, not of this one.
            _ => {}
        }
    }

    fn end(self, reason: &str) {
        let Self { interface, name, intake, notices, .. } = self;
        intake.note(interface, Note::SourceDown { interface, reason: reason.to_owned() });
        notices.say(format!("{name}: {reason}"));
    }
}

#[cfg(test)]
mod tests {
    use std::collections::VecDeque;

    use super::super::ingest_queue::IntakeLimits;
    use crate::clock::SessionClock;
    use crate::record::{Direction, Flow, OwnedBody};
    use crate::source::reader::*;

    #[test]
    fn packets_that_waited_for_each_other_are_told_once() {
        let intake = Intake::new(SessionClock::start(), IntakeLimits::default());
        let mut taker = Taker::new(InterfaceId(0), "vehicle".to_owned(), intake.clone(), Notices::default());
        let end = ([127, 0, 0, 1], 14_550).into();
        let flow = Flow { source: end, destination: end };
        // All arrive now; by the capture's own stamps the later ones waited the longer.
        for captured_s in [10, 10, 9, 8] {
            taker.take(&Entry::Record(Record {
                at: Nanos::from_secs(captured_s),
                interface: InterfaceId(0),
                direction: Direction::Inbound,
                body: Body::Datagram { flow, bytes: &[1] },
            }));
        }
        let mut batch = VecDeque::new();
        intake.take(&mut batch);
        let told: Vec<bool> =
            batch.iter().map(|record| matches!(record.body, OwnedBody::Note(Note::Foreign { .. }))).collect();
        assert_eq!(told, [false, false, true, false, false]);
        assert!(taker.notices.take().is_some_and(|notice| notice.contains("batches")));
    }
}
