//! A recording read ahead on a thread of its own, which runs the wire stage too, while the core takes what was read before.
//!
//! Mapping the file's pages, waiting for the memory of packet headers, dating bare bytes, framing and decoding then
//! happen beside the core. Entries borrow from the recording and come in batches, in their order, each with the messages
//! that it brought; at most [`WAITING`] batches wait, and their memory goes round.

use std::panic::resume_unwind;
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};

use crate::capture::Recording;
use crate::monitor::RecordingFacts;
use crate::record::Entry;
use crate::wire::Wire;
use crate::wire::message::Message;

/// Batches that wait for the core.
const WAITING: usize = 4;

/// Entries that follow each other.
#[derive(Default)]
struct Batch<'a> {
    /// Each with how many messages it brought.
    entries: Vec<(Entry<'a>, usize)>,
    messages: Vec<Message>,
    /// The share of the recording that is read with them.
    progress: f64,
}

impl Batch<'_> {
    fn clear(&mut self) {
        self.entries.clear();
        self.messages.clear();
    }
}

/// Gives all entries of a recording to `take`, with the messages that the wire stage reads from them; `progress` hears
/// the share that is done, 0 to 1, after `size` entries or messages, or fewer. A panic on either thread ends both.
pub(super) fn read_ahead(
    recording: &Recording,
    wire: Wire,
    size: usize,
    take: &mut dyn FnMut(&Entry<'_>, &[Message]),
    progress: &dyn Fn(f64),
) -> (RecordingFacts, Wire) {
    let (filled, batches) = sync_channel(WAITING);
    let (emptied, empty) = channel();
    std::thread::scope(|scope| {
        let reader = scope.spawn(move || read(recording, wire, size, &filled, &empty));
        give(batches, &emptied, take, progress);
        reader.join().unwrap_or_else(|panic| resume_unwind(panic))
    })
}

/// Hands on what comes. Where `take` panics the receiver goes with it, so that the reader ends too.
fn give<'a>(
    batches: Receiver<Batch<'a>>,
    emptied: &Sender<Batch<'a>>,
    take: &mut dyn FnMut(&Entry<'_>, &[Message]),
    progress: &dyn Fn(f64),
) {
    for mut batch in batches {
        let mut rest = batch.messages.as_slice();
        for (entry, count) in &batch.entries {
            let (messages, behind) = rest.split_at(*count);
            take(entry, messages);
            rest = behind;
        }
        progress(batch.progress);
        batch.clear();
        // At the recording's end nobody fills it again.
        let _ = emptied.send(batch);
    }
}

fn read<'a>(
    recording: &'a Recording,
    mut wire: Wire,
    size: usize,
    filled: &SyncSender<Batch<'a>>,
    empty: &Receiver<Batch<'a>>,
) -> (RecordingFacts, Wire) {
    let mut cursor = recording.cursor();
    loop {
        let mut batch = empty.try_recv().unwrap_or_default();
        let mut is_last = false;
        while !is_last && batch.entries.len() < size && batch.messages.len() < size {
            let before = batch.messages.len();
            match recording.next(&mut cursor) {
                None => is_last = true,
                Some(entry) => {
                    wire.read(&entry, &mut batch.messages);
                    batch.entries.push((entry, batch.messages.len() - before));
                }
            }
        }
        batch.progress = recording.progress(&cursor);
        // Nobody takes any more: the other thread is on its way out.
        if filled.send(batch).is_err() || is_last {
            return (recording.facts(&cursor), wire);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::cell::RefCell;
    use std::panic::{AssertUnwindSafe, catch_unwind};

    use crate::run::read_ahead::*;

    const BYTES: &[u8] = include_bytes!("../../recordings/orchard-1.pcapng");

    /// The same entries in the same order as the cursor gives them in turn, and the same facts.
    fn reads_as_in_turn(recording: &Recording, size: usize) {
        let mut cursor = recording.cursor();
        let in_turn: Vec<Entry<'_>> = std::iter::from_fn(|| recording.next(&mut cursor)).collect();
        let (mut ahead, shares) = (0, RefCell::new(vec![0.0]));
        let (mut wire, mut read) = (Wire::default(), Vec::new());
        let mut take = |entry: &Entry<'_>, messages: &[Message]| {
            wire.read(entry, &mut read);
            assert_eq!((entry, messages), (&in_turn[ahead], &read[..]));
            read.clear();
            ahead += 1;
        };
        let progress = |share| shares.borrow_mut().push(share);
        let (facts, elsewhere) = read_ahead(recording, Wire::default(), size, &mut take, &progress);
        assert_eq!((ahead, facts), (in_turn.len(), recording.facts(&cursor)));
        assert_eq!(elsewhere.framing(), wire.framing());
        let shares = shares.into_inner();
        assert!(shares.is_sorted() && shares.last() == Some(&1.0), "{shares:?}");
    }

    #[test]
    fn a_capture_comes_as_it_would_in_turn() {
        let recording = Recording::read("a.pcapng", BYTES).unwrap();
        for size in [1, 7, 1000, 1 << 20] {
            reads_as_in_turn(&recording, size);
        }
    }

    #[test]
    fn a_truncated_one_is_told() {
        let torn = Recording::read("a.pcapng", &BYTES[..BYTES.len() - 3]).unwrap();
        reads_as_in_turn(&torn, 64);
        assert!(read_ahead(&torn, Wire::default(), 64, &mut |_, _| {}, &|_| {}).0.truncated);
    }

    /// A section header alone: no packet follows.
    #[test]
    fn one_without_packets_ends_at_once() {
        let length = u32::from_le_bytes(BYTES[4..8].try_into().unwrap()) as usize;
        reads_as_in_turn(&Recording::read("a.pcapng", &BYTES[..length]).unwrap(), 3);
    }

    #[test]
    fn bare_bytes_are_dated_alike() {
        let bytes = include_bytes!("../../tests/data/sub_2023a_cut.raw");
        reads_as_in_turn(&Recording::read("a.raw", &bytes[..]).unwrap(), 5);
    }

    /// The reader waits at full queues then, and must end.
    #[test]
    fn a_panic_behind_it_comes_through() {
        let recording = Recording::read("a.pcapng", BYTES).unwrap();
        let mut entries = 0;
        let mut take = |_: &Entry<'_>, _: &[Message]| {
            entries += 1;
            assert!(entries < 20, "enough");
        };
        let stopped = catch_unwind(AssertUnwindSafe(|| {
            read_ahead(&recording, Wire::default(), 1, &mut take, &|_| {});
        }));
        assert_eq!((stopped.unwrap_err().downcast_ref(), entries), (Some(&"enough"), 20));
    }
}
