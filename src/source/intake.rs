//! The one point that stamps and orders what all sources bring.
//!
//! Under one short lock a record gets its stamp and its place, so stamps never run
//! backwards in the queue. The queue is bounded in records and bytes and never makes a
//! source wait: what does not fit is counted and becomes a note at its place, so that
//! it is never blamed on the radio. Notes are few (a handful a second) and always fit.
//! Only files and pipes wait for room: what they hold is not lost by waiting.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};

use crate::clock::SessionClock;
use crate::record::packet::OwnedPacket;
use crate::record::{Direction, Flow, InterfaceId, Note, OwnedBody, OwnedRecord};
use crate::units::Nanos;

/// How much may wait for the session thread.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct IntakeLimits {
    /// Records.
    pub records: usize,
    /// Bytes in them.
    pub bytes: usize,
}

impl Default for IntakeLimits {
    /// About 6 s of a 20 Mbit/s video beside the telemetry.
    fn default() -> Self {
        Self { records: 32_768, bytes: 16 << 20 }
    }
}

#[derive(Debug, Default)]
struct Queue {
    records: VecDeque<OwnedRecord>,
    bytes: usize,
    closed: bool,
    /// Bytes that did not fit since the last note of it.
    refused_bytes: u64,
    /// Interfaces whose total changed since the last note of it.
    changed: Vec<InterfaceId>,
    /// What this computer lost of each interface since the session began.
    drops: BTreeMap<InterfaceId, Drops>,
}

#[derive(Clone, Copy, Debug, Default)]
struct Drops {
    /// By the kernel's or the driver's own counter.
    counted: u64,
    /// Chunks that did not fit into the queue.
    refused: u64,
}

/// Where sources leave their bytes; copies share one queue.
#[derive(Clone, Debug)]
pub struct Intake {
    clock: SessionClock,
    limits: IntakeLimits,
    shared: Arc<Shared>,
}

#[derive(Debug, Default)]
struct Shared {
    queue: Mutex<Queue>,
    room: Condvar,
}

impl Intake {
    /// An empty intake.
    #[must_use]
    pub fn new(clock: SessionClock, limits: IntakeLimits) -> Self {
        Self { clock, limits, shared: Arc::default() }
    }

    /// The clock that stamps.
    #[must_use]
    pub const fn clock(&self) -> &SessionClock {
        &self.clock
    }

    /// Bytes of a byte stream, just read or just written.
    pub fn stream(&self, interface: InterfaceId, direction: Direction, bytes: Arc<[u8]>) {
        let length = bytes.len();
        self.traffic(interface, direction, OwnedBody::Stream(bytes), length);
    }

    /// A datagram, just received or just sent.
    pub fn datagram(&self, interface: InterfaceId, direction: Direction, flow: Flow, bytes: Arc<[u8]>) {
        let length = bytes.len();
        self.traffic(interface, direction, OwnedBody::Datagram { flow, bytes }, length);
    }

    /// A packet, just captured.
    pub fn packet(&self, interface: InterfaceId, direction: Direction, packet: OwnedPacket) {
        let length = packet.len();
        self.traffic(interface, direction, OwnedBody::Packet(packet), length);
    }

    fn traffic(&self, interface: InterfaceId, direction: Direction, body: OwnedBody, length: usize) {
        let mut queue = self.lock();
        if queue.closed {
            return;
        }
        if !self.fits(&queue, length) {
            queue.refused_bytes += length as u64;
            queue.drops.entry(interface).or_default().refused += 1;
            if !queue.changed.contains(&interface) {
                queue.changed.push(interface);
            }
            return;
        }
        let at = self.clock.now();
        queue.tell_losses(at);
        queue.bytes += length;
        queue.records.push_back(OwnedRecord { at, interface, direction, body });
    }

    /// What a file or a pipe held, which can wait: blocks until it fits; false once the session is over.
    pub(crate) fn when_room(&self, interface: InterfaceId, direction: Direction, body: OwnedBody) -> bool {
        let length = match &body {
            OwnedBody::Stream(bytes) | OwnedBody::Datagram { bytes, .. } => bytes.len(),
            OwnedBody::Packet(packet) => packet.len(),
            OwnedBody::Other | OwnedBody::Note(_) => 0,
        };
        let full = |queue: &mut Queue| !queue.closed && !self.fits(queue, length);
        let guard = self.lock();
        let mut queue = self.shared.room.wait_while(guard, full).unwrap_or_else(PoisonError::into_inner);
        if queue.closed {
            return false;
        }
        let at = self.clock.now();
        queue.tell_losses(at);
        queue.bytes += length;
        queue.records.push_back(OwnedRecord { at, interface, direction, body });
        true
    }

    fn fits(&self, queue: &Queue, length: usize) -> bool {
        queue.records.is_empty()
            || (queue.records.len() < self.limits.records && queue.bytes + length <= self.limits.bytes)
    }

    /// A session's first record, a tick: gives its stamp, which is the session's start.
    pub(crate) fn begin(&self, interface: InterfaceId) -> Nanos {
        let mut queue = self.lock();
        let at = self.clock.now();
        queue.push_note(at, interface, Note::Tick);
        at
    }

    /// A note of this program.
    pub fn note(&self, interface: InterfaceId, note: Note) {
        let mut queue = self.lock();
        if queue.closed {
            return;
        }
        let at = self.clock.now();
        queue.tell_losses(at);
        queue.push_note(at, interface, note);
    }

    /// The kernel's or the driver's counter of what it lost of an interface since the
    /// session began; recorded when it is first read and whenever it has grown.
    pub fn host_drops(&self, interface: InterfaceId, counted: u64) {
        let mut queue = self.lock();
        let known = queue.drops.get(&interface).copied();
        if known.is_some_and(|drops| counted <= drops.counted) {
            return;
        }
        queue.drops.entry(interface).or_default().counted = counted;
        if !queue.changed.contains(&interface) {
            queue.changed.push(interface);
        }
        let at = self.clock.now();
        queue.tell_losses(at);
    }

    /// Everything that waits, in order, into an empty batch; what it held before is dropped.
    pub fn take(&self, batch: &mut VecDeque<OwnedRecord>) {
        batch.clear();
        let mut queue = self.lock();
        std::mem::swap(&mut queue.records, batch);
        queue.bytes = 0;
        self.shared.room.notify_all();
    }

    /// Takes nothing more; the last thing in the queue is [`Note::End`].
    pub fn close(&self, interface: InterfaceId) {
        let mut queue = self.lock();
        if !queue.closed {
            let at = self.clock.now();
            queue.tell_losses(at);
            queue.push_note(at, interface, Note::End);
            queue.closed = true;
            self.shared.room.notify_all();
        }
    }

    fn lock(&self) -> MutexGuard<'_, Queue> {
        self.shared.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Queue {
    fn push_note(&mut self, at: Nanos, interface: InterfaceId, note: Note) {
        let body = OwnedBody::Note(note);
        self.records.push_back(OwnedRecord { at, interface, direction: Direction::Inbound, body });
    }

    /// Says at its place what was lost.
    fn tell_losses(&mut self, at: Nanos) {
        if self.closed {
            return;
        }
        for interface in std::mem::take(&mut self.changed) {
            let drops = self.drops.get(&interface).copied().unwrap_or_default();
            self.push_note(
                at,
                interface,
                Note::HostDrops { interface, total: drops.counted + drops.refused },
            );
            if self.refused_bytes > 0 {
                let bytes = std::mem::take(&mut self.refused_bytes);
                self.push_note(at, interface, Note::BytesLost { bytes, reach: None });
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const VEHICLE: InterfaceId = InterfaceId(0);

    fn bodies(intake: &Intake) -> Vec<OwnedBody> {
        let mut batch = VecDeque::new();
        intake.take(&mut batch);
        batch.into_iter().map(|record| record.body).collect()
    }

    #[test]
    fn a_full_queue_counts_what_it_refuses_and_says_so_at_its_place() {
        let intake = Intake::new(SessionClock::start(), IntakeLimits { records: 2, bytes: 100 });
        for byte in 0..5 {
            intake.stream(VEHICLE, Direction::Inbound, Arc::from([byte; 10]));
        }
        assert_eq!(bodies(&intake).len(), 2);
        intake.stream(VEHICLE, Direction::Inbound, Arc::from([9; 10]));
        let bodies = bodies(&intake);
        assert_eq!(bodies.len(), 3);
        assert!(matches!(&bodies[0], OwnedBody::Note(Note::HostDrops { total: 3, .. })));
        assert!(matches!(&bodies[1], OwnedBody::Note(Note::BytesLost { bytes: 30, reach: None })));
        assert!(matches!(&bodies[2], OwnedBody::Stream(_)));
    }

    #[test]
    fn a_chunk_that_exceeds_the_bytes_is_refused() {
        let intake = Intake::new(SessionClock::start(), IntakeLimits { records: 10, bytes: 15 });
        intake.stream(VEHICLE, Direction::Inbound, Arc::from([0; 10]));
        intake.stream(VEHICLE, Direction::Inbound, Arc::from([0; 10]));
        intake.close(VEHICLE);
        let bodies = bodies(&intake);
        assert!(matches!(&bodies[2], OwnedBody::Note(Note::BytesLost { bytes: 10, reach: None })));
        assert!(matches!(bodies.last(), Some(OwnedBody::Note(Note::End))));
    }

    #[test]
    fn a_counter_is_recorded_when_first_read_and_when_it_grows() {
        let intake = Intake::new(SessionClock::start(), IntakeLimits::default());
        intake.host_drops(VEHICLE, 0);
        intake.host_drops(VEHICLE, 0);
        intake.host_drops(VEHICLE, 7);
        let totals: Vec<u64> = bodies(&intake)
            .into_iter()
            .filter_map(|body| match body {
                OwnedBody::Note(Note::HostDrops { total, .. }) => Some(total),
                _ => None,
            })
            .collect();
        assert_eq!(totals, [0, 7]);
    }

    #[test]
    fn nothing_comes_after_the_end() {
        let intake = Intake::new(SessionClock::start(), IntakeLimits::default());
        intake.close(VEHICLE);
        intake.stream(VEHICLE, Direction::Inbound, Arc::from([1]));
        intake.note(VEHICLE, Note::Tick);
        intake.host_drops(VEHICLE, 3);
        assert_eq!(bodies(&intake).len(), 1);
    }
}
