//! The one point that stamps and orders what all sources bring.
//!
//! Under one short lock a record gets its stamp and its place. Most are stamped now; what the kernel stamped
//! is put in order when the session's thread takes records, and never before what was taken already. That
//! thread takes nothing newer than what all sockets were read up to (see [`super::stall_watch`]), so that after a
//! stall no tick overtakes what waited; should that point not move on while it looks 100 times, it takes all.
//! The queue is bounded in records and bytes and never makes a source wait: what does not fit is counted and
//! becomes a note at its place, so that it is never blamed on the radio. Notes are few (a handful a second)
//! and always fit. Only files and pipes wait for room: what they hold is not lost by waiting.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use crate::clock::SessionClock;
use crate::record::packet::OwnedPacket;
use crate::record::{Direction, Flow, InterfaceId, Note, OwnedBody, OwnedRecord};
use crate::units::Nanos;

/// So often the session's thread looks for what it may take before it takes all: 2.5 s at its usual pace.
const MOST_LOOKS: u32 = 100;

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
    /// Some record is older than one before it.
    is_mixed: bool,
    bytes: usize,
    /// The newest stamp that was taken.
    taken: Option<Nanos>,
    /// What all sockets were read up to; `None`: nobody watches.
    read_up_to: Option<Nanos>,
    /// The newest stamp that came from each socket.
    newest: BTreeMap<InterfaceId, Nanos>,
    /// Looks since that point moved on.
    looks: u32,
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
    /// It is known further up to when sockets were read.
    read: Condvar,
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
        self.traffic(None, interface, direction, OwnedBody::Stream(bytes));
    }

    /// A datagram, received or sent at a stamp.
    pub fn datagram(
        &self,
        at: Nanos,
        interface: InterfaceId,
        direction: Direction,
        flow: Flow,
        bytes: Arc<[u8]>,
    ) {
        self.traffic(Some(at), interface, direction, OwnedBody::Datagram { flow, bytes });
    }

    /// A packet, captured at a stamp.
    pub fn packet(&self, at: Nanos, interface: InterfaceId, direction: Direction, packet: OwnedPacket) {
        self.traffic(Some(at), interface, direction, OwnedBody::Packet(packet));
    }

    /// Something was read that is not kept: the socket was read up to its stamp.
    pub(crate) fn passed_over(&self, at: Nanos, interface: InterfaceId) {
        self.lock().newest.insert(interface, at);
    }

    fn traffic(&self, at: Option<Nanos>, interface: InterfaceId, direction: Direction, body: OwnedBody) {
        let mut queue = self.lock();
        if queue.closed {
            return;
        }
        let length = length(&body);
        let was_read = direction == Direction::Inbound || matches!(body, OwnedBody::Packet(_));
        if let Some(at) = at.filter(|_| was_read) {
            queue.newest.insert(interface, at);
        }
        if !self.fits(&queue, length) {
            queue.refused_bytes += length as u64;
            queue.drops.entry(interface).or_default().refused += 1;
            if !queue.changed.contains(&interface) {
                queue.changed.push(interface);
            }
            return;
        }
        let now = self.clock.now();
        queue.tell_losses(now);
        queue.push(OwnedRecord { at: at.unwrap_or(now).min(now), interface, direction, body });
    }

    /// What a file or a pipe held, which can wait: blocks until it fits; false once the session is over.
    pub(crate) fn when_room(&self, interface: InterfaceId, direction: Direction, body: OwnedBody) -> bool {
        let length = length(&body);
        let full = |queue: &mut Queue| !queue.closed && !self.fits(queue, length);
        let guard = self.lock();
        let mut queue = self.shared.room.wait_while(guard, full).unwrap_or_else(PoisonError::into_inner);
        if queue.closed {
            return false;
        }
        let at = self.clock.now();
        queue.tell_losses(at);
        queue.push(OwnedRecord { at, interface, direction, body });
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
        // What comes belongs to the session.
        queue.taken = Some(at);
        at
    }

    /// From now on somebody says what the sockets were read up to; gives the stamp of now.
    pub(crate) fn begin_watch(&self) -> Nanos {
        let mut queue = self.lock();
        let now = self.clock.now();
        queue.read_up_to = Some(now);
        now
    }

    /// All sockets were read up to now, but for those from which more is to be read.
    pub(crate) fn read_up_to(&self, now: Nanos, unread: impl Iterator<Item = InterfaceId>) {
        let mut queue = self.lock();
        let before = queue.read_up_to;
        let known = unread.map(|interface| queue.newest.get(&interface).copied().or(before)).min();
        let point = known.flatten().map_or(now, |known| known.min(now));
        if before.is_none_or(|before| before < point) {
            queue.read_up_to = Some(point);
            queue.looks = 0;
            self.shared.read.notify_all();
        }
    }

    /// Waits, not for ever, until all that came up to now was read.
    pub(crate) fn await_read(&self, longest: Duration) {
        let now = self.clock.now();
        let behind = |queue: &mut Queue| queue.read_up_to.is_some_and(|point| point < now);
        drop(self.shared.read.wait_timeout_while(self.lock(), longest, behind));
    }

    /// This computer stood still. Said at the beginning, before what came meanwhile; at the end where some of
    /// that was taken already.
    pub(crate) fn stalled(&self, interface: InterfaceId, from: Nanos, to: Nanos) {
        let mut queue = self.lock();
        if queue.closed {
            return;
        }
        let is_open = queue.taken.is_none_or(|taken| taken <= from);
        let (at, reach) = if is_open { (from, from - to) } else { (to, to - from) };
        queue.push_note(at, interface, Note::Stalled { reach });
    }

    /// A note right behind the first record and with its stamp, whatever came since; nothing was taken yet.
    pub(crate) fn note_behind_first(&self, note: Note) {
        let mut queue = self.lock();
        if let Some(first) = queue.records.front().cloned() {
            queue.records.insert(1, OwnedRecord { body: OwnedBody::Note(note), ..first });
        }
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

    /// What waits and may be taken, in order, into an empty batch; what it held before is dropped.
    pub fn take(&self, batch: &mut VecDeque<OwnedRecord>) {
        batch.clear();
        let mut queue = self.lock();
        queue.sort();
        let point = queue.read_up_to.filter(|_| !queue.closed && queue.looks < MOST_LOOKS);
        queue.looks = queue.looks.saturating_add(1);
        let count = point
            .map_or(queue.records.len(), |point| queue.records.partition_point(|record| record.at <= point));
        if count == queue.records.len() {
            std::mem::swap(&mut queue.records, batch);
        } else {
            batch.extend(queue.records.drain(..count));
        }
        queue.bytes -= batch.iter().map(|record| length(&record.body)).sum::<usize>();
        queue.taken = batch.back().map(|record| record.at).or(queue.taken);
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

/// Bytes that count against the queue's room.
fn length(body: &OwnedBody) -> usize {
    match body {
        OwnedBody::Stream(bytes) | OwnedBody::Datagram { bytes, .. } => bytes.len(),
        OwnedBody::Packet(packet) => packet.len(),
        OwnedBody::Other | OwnedBody::Note(_) => 0,
    }
}

impl Queue {
    fn push(&mut self, mut record: OwnedRecord) {
        record.at = self.taken.map_or(record.at, |taken| taken.max(record.at));
        self.is_mixed |= self.records.back().is_some_and(|last| record.at < last.at);
        self.bytes += length(&record.body);
        self.records.push_back(record);
    }

    /// Records of one stamp stay in the order in which they came.
    fn sort(&mut self) {
        if std::mem::take(&mut self.is_mixed) {
            self.records.make_contiguous().sort_by_key(|record| record.at);
        }
    }

    fn push_note(&mut self, at: Nanos, interface: InterfaceId, note: Note) {
        let body = OwnedBody::Note(note);
        self.push(OwnedRecord { at, interface, direction: Direction::Inbound, body });
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
    use proptest::prelude::*;

    use crate::source::ingest_queue::*;

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

    fn flow() -> Flow {
        let end = ([127, 0, 0, 1], 14_550).into();
        Flow { source: end, destination: end }
    }

    const VIDEO: InterfaceId = InterfaceId(1);
    const MARKS: InterfaceId = InterfaceId(2);

    fn taken(intake: &Intake) -> Vec<OwnedRecord> {
        let mut batch = VecDeque::new();
        intake.take(&mut batch);
        batch.into()
    }

    /// The session's thread and the ticks wake first after a stall; what waited still comes before them.
    #[test]
    fn what_waited_comes_at_its_own_time_after_a_note_of_the_stall() {
        let intake = Intake::new(SessionClock::start(), IntakeLimits::default());
        let asleep = intake.begin_watch();
        let awake = asleep + Nanos::from_secs(10);
        let nobody = || std::iter::empty();
        intake.note(MARKS, Note::Tick);
        let waited = [asleep + Nanos(10), asleep + Nanos(20), asleep + Nanos(30)];
        assert!(taken(&intake).is_empty(), "what waits in sockets is still to be read");
        // Stamps of the future are taken back to now by the intake: all of this is done within a few ms.
        intake.datagram(waited[1], VIDEO, Direction::Inbound, flow(), Arc::from([2]));
        intake.read_up_to(awake, [VIDEO].into_iter());
        intake.datagram(waited[2], VIDEO, Direction::Inbound, flow(), Arc::from([3]));
        intake.datagram(waited[0], VEHICLE, Direction::Inbound, flow(), Arc::from([1]));
        intake.stalled(MARKS, asleep, awake);
        intake.read_up_to(awake, nobody());
        let records = taken(&intake);
        let words: Vec<u8> = records
            .iter()
            .map(|record| match &record.body {
                OwnedBody::Datagram { bytes, .. } => bytes[0],
                OwnedBody::Note(Note::Stalled { reach }) if *reach == -Nanos::from_secs(10) => b's',
                OwnedBody::Note(Note::Tick) => b't',
                _ => b'?',
            })
            .collect();
        assert_eq!(words, [b's', 1, 2, 3, b't']);
        assert_eq!(records[1].at, waited[0]);
    }

    /// Where some of it was taken already, the stall is told at its end.
    #[test]
    fn a_stall_is_never_told_before_what_was_taken() {
        let intake = Intake::new(SessionClock::start(), IntakeLimits::default());
        let from = intake.begin_watch();
        intake.note(MARKS, Note::Tick);
        intake.read_up_to(intake.clock().now(), std::iter::empty());
        let tick = taken(&intake)[0].at;
        let to = intake.clock().now();
        intake.stalled(MARKS, from, to);
        intake.read_up_to(intake.clock().now(), std::iter::empty());
        let note = taken(&intake).remove(0);
        assert!(note.at >= tick);
        assert!(matches!(note.body, OwnedBody::Note(Note::Stalled { reach }) if reach == to - from));
    }

    #[test]
    fn a_reading_that_never_ends_does_not_hold_the_session_up() {
        let intake = Intake::new(SessionClock::start(), IntakeLimits::default());
        intake.begin_watch();
        intake.stream(VEHICLE, Direction::Inbound, Arc::from([1]));
        let looks = (1..1000).find(|_| !taken(&intake).is_empty());
        assert_eq!(looks, Some(MOST_LOOKS + 1));
    }

    #[derive(Clone, Debug)]
    enum Act {
        /// A datagram of one of two sockets, received so long ago.
        Datagram(bool, i64),
        Stream,
        Note,
        /// What so long ago was now was read, but for one socket.
        Read(i64, Option<bool>),
        Take,
    }

    fn act() -> impl Strategy<Value = Act> {
        let ago = 0..2_000_000_i64;
        prop_oneof![
            4 => (any::<bool>(), ago.clone()).prop_map(|(which, ago)| Act::Datagram(which, ago)),
            1 => Just(Act::Stream),
            1 => Just(Act::Note),
            2 => (ago, any::<Option<bool>>()).prop_map(|(ago, unread)| Act::Read(ago, unread)),
            2 => Just(Act::Take),
        ]
    }

    proptest! {
        /// Whatever comes in whatever order: what is taken is in order of stamps, each thing once; a stamp is
        /// changed only where something newer was taken before, and nothing newer than what was read is taken.
        #[test]
        fn what_is_taken_is_in_order(acts in proptest::collection::vec(act(), 0..80)) {
            let intake = Intake::new(SessionClock::start(), IntakeLimits::default());
            let begin = intake.begin_watch();
            let socket = |which| if which { VIDEO } else { VEHICLE };
            let (mut given, mut all) = (Vec::new(), Vec::<OwnedRecord>::new());
            let mut read = begin;
            for act in acts {
                let now = intake.clock().now();
                match act {
                    Act::Datagram(which, ago) => {
                        let newest = all.last().map_or(Nanos(i64::MIN), |record| record.at);
                        let (at, number) = (now - Nanos(ago), (given.len() as u32).to_le_bytes());
                        given.push(Some(at.max(newest)));
                        intake.datagram(at, socket(which), Direction::Inbound, flow(), Arc::from(number));
                    }
                    Act::Stream => {
                        intake.stream(VEHICLE, Direction::Inbound, Arc::from((given.len() as u32).to_le_bytes()));
                        given.push(None);
                    }
                    Act::Note => intake.note(MARKS, Note::Tick),
                    Act::Read(ago, unread) => {
                        read = read.max(now - Nanos(ago));
                        intake.read_up_to(now - Nanos(ago), unread.map(socket).into_iter());
                    }
                    Act::Take => {
                        let batch = taken(&intake);
                        prop_assert!(batch.iter().all(|record| record.at <= read));
                        all.extend(batch);
                    }
                }
            }
            intake.close(MARKS);
            all.extend(taken(&intake));
            prop_assert!(all.is_sorted_by_key(|record| record.at));
            let end = matches!(all.last().map(|record| &record.body), Some(OwnedBody::Note(Note::End)));
            prop_assert!(end);
            let mut seen = vec![false; given.len()];
            for record in &all {
                let (OwnedBody::Stream(bytes) | OwnedBody::Datagram { bytes, .. }) = &record.body else { continue };
                let number = u32::from_le_bytes(bytes[..].try_into().unwrap()) as usize;
                prop_assert!(!std::mem::replace(&mut seen[number], true));
                prop_assert!(given[number].is_none_or(|at| at == record.at), "{number}");
            }
            prop_assert!(seen.iter().all(|seen| *seen));
        }
    }
}
