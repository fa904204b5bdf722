//! A recording read ahead on a thread of its own, while the core takes what was read before.
//!
//! Mapping the file's pages, waiting for the memory of packet headers and dating bare bytes then happen
//! beside the core. Entries borrow from the recording and come in batches, in their order; at most
//! [`WAITING`] batches wait, and their memory goes round.

use std::hint::black_box;
use std::panic::resume_unwind;
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};

use crate::capture::Recording;
use crate::monitor::RecordingFacts;
use crate::record::{Body, Entry, Record};

/// Batches that wait for the core.
const WAITING: usize = 4;

/// Entries that follow each other, and the share of the recording that is read with them.
struct Batch<'a> {
    entries: Vec<Entry<'a>>,
    progress: f64,
}

/// Gives all entries of a recording to `take`, up to `size` at a time, with the share of the recording
/// that is read with them, 0 to 1. A panic on either thread ends both.
pub(super) fn read_ahead(
    recording: &Recording,
    size: usize,
    take: &mut dyn FnMut(&[Entry<'_>], f64),
) -> RecordingFacts {
    let (filled, batches) = sync_channel(WAITING);
    let (emptied, empty) = channel();
    std::thread::scope(|scope| {
        let reader = scope.spawn(move || read(recording, size, &filled, &empty));
        give(batches, &emptied, take);
        reader.join().unwrap_or_else(|panic| resume_unwind(panic))
    })
}

/// Hands on what comes. Where `take` panics the receiver goes with it, so that the reader ends too.
fn give<'a>(
    batches: Receiver<Batch<'a>>,
    emptied: &Sender<Vec<Entry<'a>>>,
    take: &mut dyn FnMut(&[Entry<'_>], f64),
) {
    for Batch { mut entries, progress } in batches {
        touch(&entries);
        take(&entries, progress);
        entries.clear();
        // At the recording's end nobody fills it again.
        let _ = emptied.send(entries);
    }
}

/// Asks for the memory of a batch, and of the first bytes that each of its records holds: of so many at
/// once a processor waits for several together, where the core would wait for one after the other.
fn touch(entries: &[Entry<'_>]) {
    let first = |entry: &Entry<'_>| match entry {
        Entry::Record(Record { body: Body::Stream(bytes) | Body::Datagram { bytes, .. }, .. }) => {
            bytes.first().copied().unwrap_or(0)
        }
        _ => 0,
    };
    black_box(entries.iter().map(first).fold(0, u8::wrapping_add));
}

fn read<'a>(
    recording: &'a Recording,
    size: usize,
    filled: &SyncSender<Batch<'a>>,
    empty: &Receiver<Vec<Entry<'a>>>,
) -> RecordingFacts {
    let mut cursor = recording.cursor();
    loop {
        let mut entries = empty.try_recv().unwrap_or_else(|_| Vec::with_capacity(size));
        entries.extend(std::iter::from_fn(|| recording.next(&mut cursor)).take(size));
        let is_last = entries.len() < size;
        let progress = recording.progress(&cursor);
        // Nobody takes any more: the other thread is on its way out.
        if filled.send(Batch { entries, progress }).is_err() || is_last {
            return recording.facts(&cursor);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::panic::{AssertUnwindSafe, catch_unwind};

    use crate::run::read_ahead::*;

    const BYTES: &[u8] = include_bytes!("../../recordings/orchard-1.pcapng");

    /// The same entries in the same order as the cursor gives them in turn, and the same facts.
    fn reads_as_in_turn(recording: &Recording, size: usize) {
        let mut cursor = recording.cursor();
        let in_turn: Vec<Entry<'_>> = std::iter::from_fn(|| recording.next(&mut cursor)).collect();
        let (mut ahead, mut shares) = (0, vec![0.0]);
        let facts = read_ahead(recording, size, &mut |entries, share| {
            assert!(entries.len() <= size);
            assert_eq!(entries, &in_turn[ahead..ahead + entries.len()]);
            ahead += entries.len();
            shares.push(share);
        });
        assert_eq!((ahead, facts), (in_turn.len(), recording.facts(&cursor)));
        assert!(shares.is_sorted() && shares.last() == Some(&1.0), "{shares:?}");
    }

    #[test]
    fn a_capture_comes_as_it_would_in_turn() {
        let recording = Recording::bundled("a.pcapng", BYTES).unwrap();
        for size in [1, 7, 1000, 1 << 20] {
            reads_as_in_turn(&recording, size);
        }
    }

    #[test]
    fn a_truncated_one_is_told() {
        let torn = Recording::bundled("a.pcapng", &BYTES[..BYTES.len() - 3]).unwrap();
        reads_as_in_turn(&torn, 64);
        assert!(read_ahead(&torn, 64, &mut |_, _| {}).truncated);
    }

    /// A section header alone: no packet follows.
    #[test]
    fn one_without_packets_ends_at_once() {
        let length = u32::from_le_bytes(BYTES[4..8].try_into().unwrap()) as usize;
        reads_as_in_turn(&Recording::bundled("a.pcapng", &BYTES[..length]).unwrap(), 3);
    }

    #[test]
    fn bare_bytes_are_dated_alike() {
        let bytes = include_bytes!("../../tests/data/sub_2023a_cut.raw");
        reads_as_in_turn(&Recording::bundled("a.raw", bytes).unwrap(), 5);
    }

    /// The reader waits at full queues then, and must end.
    #[test]
    fn a_panic_behind_it_comes_through() {
        let recording = Recording::bundled("a.pcapng", BYTES).unwrap();
        let mut batches = 0;
        let stopped = catch_unwind(AssertUnwindSafe(|| {
            read_ahead(&recording, 1, &mut |_, _| {
                batches += 1;
                assert!(batches < 20, "enough");
            });
        }));
        assert_eq!((stopped.unwrap_err().downcast_ref(), batches), (Some(&"enough"), 20));
    }
}
