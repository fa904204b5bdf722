//! The recording of a live session, if there is one: a file a day.
//!
//! A file has the tags and the interfaces when it gets its name. At the first tick after 24 hours a new one begins beside the
//! last, named by its start. It opens by itself: behind these it holds the tick, and what still stands (see `opening`). The file before it ends with an end note, as
//! at a session's end. The core gets none of these, so that its figures go on. A frame of a byte stream that the change
//! cuts is lost to both files. If no new file can be made, the old one goes on for another day. A file that somebody
//! deletes, moves or cuts while it is written is left, and the session goes on in a new one in the same way; until that
//! can be made it is tried again each second.

use std::io;
use std::path::{Path, PathBuf};

use anyhow::Context as _;

use super::super::Missing;
use super::opening::Opening;
use crate::capture::Recorder;
use crate::capture::RecorderStatus;
use crate::capture::file_name::candidates;
use crate::monitor::RecordingFacts;
use crate::record::{Body, Entry, Note, OwnedRecord, Record};
use crate::units::Nanos;

/// How long a file goes on.
const DAY: Nanos = Nanos::from_secs(86_400);

/// Hands entries to the recorder and keeps what it said last.
#[derive(Debug)]
pub(super) struct Journal {
    recorder: Option<Recorder>,
    /// All files, the newest last.
    paths: Vec<PathBuf>,
    /// One line for the pilot.
    notice: Option<String>,
    /// All files together hold less than the session brought.
    is_torn: bool,
    /// What the next file begins with.
    opening: Opening,
    /// When the next file is due.
    due: Option<Nanos>,
    /// After the end.
    last: Option<RecorderStatus>,
}

impl Journal {
    /// Creates the file with what comes before the first record, in a folder one that is named by the start; without a path
    /// nothing is recorded.
    pub(super) fn create(path: Option<PathBuf>, start: Nanos, opening: &[Entry<'_>]) -> anyhow::Result<Self> {
        let created = path.map(|path| {
            let made = if path.is_dir() {
                create_in(&path, start, opening)
            } else {
                Recorder::create(&path, opening).map(|made| (made, path.clone()))
            };
            made.with_context(|| {
                let path = path.display();
                format!("cannot record to '{path}' (choose another file, or record nothing with --no-record)")
            })
        });
        let (recorder, path) = created.transpose()?.unzip();
        Ok(Self {
            recorder,
            paths: path.into_iter().collect(),
            notice: None,
            is_torn: false,
            opening: Opening::of(opening),
            due: None,
            last: None,
        })
    }

    /// Gives the note that was recorded before the entry, if bytes had to be refused earlier.
    pub(super) fn record(&mut self, entry: &Entry<'_>) -> Option<OwnedRecord> {
        if let Entry::Record(tick @ Record { body: Body::Note(Note::Tick), .. }) = entry {
            let due = *self.due.get_or_insert(tick.at + DAY);
            let is_gone = self.recorder.as_ref().is_some_and(|recorder| recorder.status().is_gone);
            if is_gone || tick.at >= due {
                self.due = Some(tick.at + DAY);
                let next = self.next_file(tick.at);
                if is_gone {
                    self.tell_gone(next.is_some());
                }
                if let Some(next) = next {
                    return self.begin_anew(next, tick);
                }
            }
        }
        self.opening.observe(entry);
        self.recorder.as_mut()?.record(&self.opening.counted_anew(entry))
    }

    /// The recorder of the next file, beside the newest.
    fn next_file(&mut self, start: Nanos) -> Option<Recorder> {
        let folder = self.paths.last()?.parent()?;
        let (next, path) = create_in(folder, start, self.opening.entries()).ok()?;
        self.paths.push(path);
        Some(next)
    }

    /// The file is not where it was, and what it held may be lost.
    fn tell_gone(&mut self, goes_on: bool) {
        self.is_torn = true;
        let [.., old, new] = self.paths.as_slice() else {
            self.notice = Some("NOT RECORDING: the recording was deleted, moved or cut".to_owned());
            return;
        };
        let old = if goes_on { old } else { new };
        let said = format!("the recording '{}' was deleted, moved or cut", old.display());
        self.notice = Some(if goes_on {
            format!("{said}; it goes on in '{}'", new.display())
        } else {
            format!("NOT RECORDING: {said}, and no new one can be made beside it")
        });
    }

    /// One line for the pilot, if there is a new one.
    pub(super) fn notice(&mut self) -> Option<String> {
        self.notice.take()
    }

    /// Goes on in a new file from a tick on; gives the note that was recorded last in the old one.
    fn begin_anew(&mut self, mut next: Recorder, tick: &Record<'_>) -> Option<OwnedRecord> {
        let note = |note| Entry::Record(Record { body: Body::Note(note), ..tick.clone() });
        self.opening.begin_anew();
        let standing = self.opening.notes().map(note);
        for entry in std::iter::once(note(Note::Tick)).chain(standing) {
            next.record(&entry);
        }
        let mut old = self.recorder.replace(next)?;
        let refused = old.record(&note(Note::End));
        refused.or(old.finish().1)
    }

    pub(super) fn status(&self) -> Option<RecorderStatus> {
        self.recorder.as_ref().map(Recorder::status).or_else(|| self.last.clone())
    }

    /// Name and size so far, of the newest file.
    pub(super) fn facts(&self) -> RecordingFacts {
        self.status().map_or_else(RecordingFacts::default, |status| status.facts())
    }

    /// Writes what waits and closes the file; gives the note that was recorded last, as [`Self::record`] does.
    pub(super) fn finish(&mut self) -> (RecordingFacts, Option<OwnedRecord>) {
        let mut said = None;
        if let Some(recorder) = self.recorder.take() {
            let (status, note) = recorder.finish();
            (self.last, said) = (Some(status), note);
        }
        (self.facts(), said)
    }

    /// The files that were written and are still there, the newest last.
    pub(super) fn into_paths(self) -> Vec<PathBuf> {
        self.paths.into_iter().filter(|path| path.is_file()).collect()
    }

    /// What the files lack of the session, after the end; `None` where they hold all of it.
    pub(super) fn missing(&self) -> Option<Missing> {
        let status = self.last.as_ref()?;
        let missing = Missing { bytes: status.refused, error: status.error.clone(), was_taken: self.is_torn };
        (missing.bytes > 0 || missing.was_taken).then_some(missing)
    }
}

/// A new file in a folder.
fn create_in(folder: &Path, start: Nanos, opening: &[Entry<'_>]) -> io::Result<(Recorder, PathBuf)> {
    for path in candidates(folder, start) {
        match Recorder::create(&path, opening) {
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            made => return made.map(|made| (made, path)),
        }
    }
    Err(io::ErrorKind::AlreadyExists.into())
}

#[cfg(test)]
mod tests {
    use crate::capture::Recording;
    use crate::monitor::LinkMonitor;
    use crate::record::joystick_layout::{JoystickAxis, JoystickLayout};
    use crate::record::{Direction, InterfaceId, InterfaceInfo, InterfaceKind, OwnedBody, SessionInfo};
    use crate::session::live::journal::*;

    const START: i64 = 1_900_000_000;
    const HOUR: i64 = 3600;

    fn at(second: i64, interface: u16, body: OwnedBody) -> OwnedRecord {
        let at = Nanos::from_secs(START + second);
        OwnedRecord { at, interface: InterfaceId(interface), direction: Direction::Inbound, body }
    }

    fn note(second: i64, note: Note) -> OwnedRecord {
        at(second, 2, OwnedBody::Note(note))
    }

    /// ABS_X of a computer with 64-bit time stamps, low byte first.
    fn stick(value: i32) -> OwnedBody {
        let mut event = vec![0; 16];
        event.extend_from_slice(&[3, 0, 0, 0]);
        event.extend_from_slice(&value.to_le_bytes());
        event.extend_from_slice(&[0; 24]);
        OwnedBody::Stream(event.into())
    }

    fn layout(value: i32) -> Note {
        let axes = vec![JoystickAxis { code: 0, minimum: -100, maximum: 100, value }];
        let layout = JoystickLayout { event_bytes: 24, big_endian: false, axes, name: "sticks".to_owned() };
        Note::Joystick { interface: InterfaceId(1), layout }
    }

    fn journal(path: &Path) -> Journal {
        let tags = [("antenna".to_owned(), "panel".to_owned())].into();
        let mut opening = vec![Entry::Session(SessionInfo { tags, has_wall_clock: true })];
        let kinds = [InterfaceKind::Stream, InterfaceKind::Joystick, InterfaceKind::Marks];
        for (id, kind) in (0..).zip(kinds) {
            let info = InterfaceInfo { name: format!("interface {id}"), kind, description: None };
            opening.push(Entry::Interface(InterfaceId(id), info));
        }
        let mut journal = Journal::create(Some(path.to_owned()), Nanos::ZERO, &opening).unwrap();
        for record in [
            note(0, Note::Tick),
            note(0, Note::Limits { json: "{}".to_owned() }),
            note(0, Note::Transmits { what: "requests".to_owned() }),
            note(1, layout(5)),
            note(1, Note::HostDrops { interface: InterfaceId(0), total: 0 }),
            note(2, Note::SourceDown { interface: InterfaceId(0), reason: "pulled".to_owned() }),
        ] {
            journal.record(&Entry::Record(record.as_record()));
        }
        journal
    }

    /// All that a file holds behind its interfaces: seconds since the start, and the notes; bytes are `None`. And what
    /// the core makes of it, but for the sticks: it would give their place fifty times a second.
    fn read(path: &Path) -> (Vec<(i64, Option<Note>)>, LinkMonitor) {
        let recording = Recording::open(path).unwrap();
        let mut cursor = recording.cursor();
        let (mut records, mut monitor) = (Vec::new(), LinkMonitor::default());
        while let Some(entry) = recording.next(&mut cursor) {
            let Entry::Record(record) = &entry else {
                monitor.handle(&entry);
                continue;
            };
            let second = (record.at.0 / 1_000_000_000) - START;
            let note = if let Body::Note(note) = &record.body { Some(note.clone()) } else { None };
            if !matches!(note, Some(Note::Joystick { .. })) {
                monitor.handle(&entry);
            }
            records.push((second, note));
        }
        (records, monitor)
    }

    /// Fifty hours: three files, each of which opens by itself and ends properly, and no record is missing.
    #[test]
    fn a_new_file_begins_each_day() {
        let folder = tempfile::tempdir().unwrap();
        let first = folder.path().join("first.pcapng");
        let mut journal = journal(&first);
        for minute in 1..50 * 60 {
            let mut records = vec![note(60 * minute, Note::Tick), at(60 * minute + 1, 1, stick(7))];
            match minute {
                100 => records.push(note(6000, Note::SourceUp { interface: InterfaceId(0) })),
                200 => records.push(note(12_000, Note::HostDrops { interface: InterfaceId(0), total: 9 })),
                2000 => records.push(note(120_000, Note::HostDrops { interface: InterfaceId(0), total: 12 })),
                _ => {}
            }
            for record in records {
                assert!(journal.record(&Entry::Record(record.as_record())).is_none());
            }
            if minute == 30 * 60 {
                assert_ne!(journal.status().unwrap().path, first, "the status line shows the new file");
            }
        }
        journal.finish();
        let paths = journal.into_paths();
        let names: Vec<String> =
            paths.iter().map(|path| path.file_name().unwrap().to_string_lossy().into_owned()).collect();
        // 1900000000 is 2030-03-17T17:46:40Z.
        assert_eq!(names, ["first.pcapng", "2030-03-18T17-46-40.pcapng", "2030-03-19T17-46-40.pcapng"]);
        let files: Vec<_> = paths.iter().map(|path| read(path)).collect();
        let count = |wanted: &Note| {
            files
                .iter()
                .flat_map(|(records, _)| records)
                .filter(|(_, note)| note.as_ref() == Some(wanted))
                .count()
        };
        assert_eq!((count(&Note::Tick), count(&Note::End)), (50 * 60, 2));
        let bytes = files.iter().flat_map(|(records, _)| records).filter(|(_, note)| note.is_none()).count();
        assert_eq!(bytes, 50 * 60 - 1);
        for (day, (records, monitor)) in (1..).zip(&files[1..]) {
            let begin: Vec<_> = records.iter().take_while(|(second, _)| *second == 24 * HOUR * day).collect();
            let notes: Vec<Note> = begin.iter().filter_map(|(_, note)| note.clone()).collect();
            let expected = [
                Note::Tick,
                Note::Limits { json: "{}".to_owned() },
                Note::Transmits { what: "requests".to_owned() },
                layout(7),
                Note::HostDrops { interface: InterfaceId(0), total: 0 },
            ];
            assert_eq!(notes, expected, "day {day}");
            let summary = monitor.summary(&RecordingFacts::default());
            assert_eq!(summary.recording.tags["antenna"], "panel");
            // Lost by this computer on that day, not since the session began.
            assert_eq!(summary.recording.host_drops, Some(if day == 1 { 3 } else { 0 }));
        }
        for (records, _) in &files[..2] {
            assert_eq!(records.last().unwrap().1, Some(Note::End));
        }
    }

    /// Two programs that start in one second, and boards that are never set.
    #[test]
    fn files_of_one_second_have_names_of_their_own() {
        let folder = tempfile::tempdir().unwrap();
        let made = [(); 3].map(|()| journal(folder.path()));
        let names = made.map(|journal| journal.paths[0].file_name().unwrap().to_string_lossy().into_owned());
        assert_eq!(names, ["undated-0001.pcapng", "undated-0002.pcapng", "undated-0003.pcapng"]);
    }

    /// Without a place for a new file the old one goes on.
    #[test]
    fn a_file_that_cannot_be_made_loses_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let (inner, moved) = (folder.path().join("inner"), folder.path().join("moved"));
        std::fs::create_dir(&inner).unwrap();
        let mut journal = journal(&inner.join("a.pcapng"));
        std::fs::rename(&inner, &moved).unwrap();
        for hour in 1..100 {
            journal.record(&Entry::Record(note(hour * HOUR, Note::Tick).as_record()));
        }
        journal.finish();
        assert_eq!(journal.paths, [inner.join("a.pcapng")]);
        let (records, _) = read(&moved.join("a.pcapng"));
        assert_eq!(records.iter().filter(|(_, note)| *note == Some(Note::Tick)).count(), 100);
    }
}
