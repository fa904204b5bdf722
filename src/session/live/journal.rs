//! The recording of a live session, if there is one: a file a day.
//!
//! At the first tick after 24 hours a new file begins beside the last, named by its start. It opens by itself: it holds
//! the tags, the interfaces, the tick, and what still stands (see `opening`). The file before it ends with an end note, as
//! at a session's end. The core gets none of these, so that its figures go on. A frame of a byte stream that the change
//! cuts is lost to both files. If no new file can be made, the old one goes on for another day. A device or a pipe
//! takes the whole session.

use std::path::{Path, PathBuf};

use anyhow::Context as _;

use super::opening::Opening;
use crate::capture::Recorder;
use crate::capture::RecorderStatus;
use crate::monitor::RecordingFacts;
use crate::record::text::utc_text;
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
    /// What the next file begins with.
    opening: Opening,
    /// When the next file is due.
    due: Option<Nanos>,
    /// After the end.
    last: Option<RecorderStatus>,
    facts: RecordingFacts,
}

impl Journal {
    /// Creates the file; without a path nothing is recorded.
    pub(super) fn create(path: Option<PathBuf>) -> anyhow::Result<Self> {
        let recorder = match &path {
            None => None,
            Some(path) => Some(Recorder::create(path).with_context(|| {
                let path = path.display();
                format!("cannot record to '{path}' (choose another file, or record nothing with --no-record)")
            })?),
        };
        Ok(Self {
            recorder,
            paths: path.into_iter().collect(),
            opening: Opening::default(),
            due: None,
            last: None,
            facts: RecordingFacts::default(),
        })
    }

    /// Gives the note that was recorded before the entry, if bytes had to be refused earlier.
    pub(super) fn record(&mut self, entry: &Entry<'_>) -> Option<OwnedRecord> {
        if let Entry::Record(tick @ Record { body: Body::Note(Note::Tick), .. }) = entry {
            let due = *self.due.get_or_insert(tick.at + DAY);
            if tick.at >= due {
                self.due = Some(tick.at + DAY);
                if let Some(next) = self.next_file(tick.at) {
                    return self.begin_anew(next, tick);
                }
            }
        }
        self.opening.observe(entry);
        self.recorder.as_mut()?.record(&self.opening.counted_anew(entry))
    }

    /// The recorder of the next file.
    fn next_file(&mut self, start: Nanos) -> Option<Recorder> {
        let folder = self.paths.last().filter(|path| path.is_file())?.parent()?;
        let path = recording_in(folder, start);
        let next = Recorder::create(&path).ok()?;
        self.paths.push(path);
        Some(next)
    }

    /// Goes on in a new file from a tick on; gives the note that was recorded last in the old one.
    fn begin_anew(&mut self, mut next: Recorder, tick: &Record<'_>) -> Option<OwnedRecord> {
        let note = |note| Entry::Record(Record { body: Body::Note(note), ..tick.clone() });
        self.opening.begin_anew();
        let tags_and_interfaces = self.opening.entries().iter().cloned();
        let standing = self.opening.notes().map(note);
        for entry in tags_and_interfaces.chain([note(Note::Tick)]).chain(standing) {
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
        let Some(recorder) = &self.recorder else { return self.facts.clone() };
        let status = recorder.status();
        let file = status.path.file_name().unwrap_or(status.path.as_os_str());
        RecordingFacts {
            file: file.to_string_lossy().into_owned(),
            bytes: Some(status.bytes),
            truncated: false,
        }
    }

    /// Writes what waits and closes the file; gives the note that was recorded last, as [`Self::record`] does.
    pub(super) fn finish(&mut self) -> (RecordingFacts, Option<OwnedRecord>) {
        let mut said = None;
        if let Some(recorder) = self.recorder.take() {
            self.last = Some(recorder.status());
            (self.facts, said) = recorder.finish();
            if let (Some(last), Some(bytes)) = (&mut self.last, self.facts.bytes) {
                last.bytes = bytes;
            }
        }
        (self.facts.clone(), said)
    }

    /// The files that were written, the newest last.
    pub(super) fn into_paths(self) -> Vec<PathBuf> {
        self.paths
    }
}

/// A file that does not exist yet, named by the time of its start.
pub(crate) fn recording_in(folder: &Path, start: Nanos) -> PathBuf {
    let start = utc_text(start);
    let name: String =
        start.chars().take(19).map(|letter| if letter == ':' { '-' } else { letter }).collect();
    let mut path = folder.join(format!("{name}.pcapng"));
    // A board without a battery clock starts at the same time each day.
    let mut copy = 2;
    while path.exists() {
        path = folder.join(format!("{name}-{copy}.pcapng"));
        copy += 1;
    }
    path
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

    fn opening(journal: &mut Journal) {
        let tags = [("antenna".to_owned(), "panel".to_owned())].into();
        journal.record(&Entry::Session(SessionInfo { tags, has_wall_clock: true }));
        let kinds = [InterfaceKind::Stream, InterfaceKind::Joystick, InterfaceKind::Marks];
        for (id, kind) in (0..).zip(kinds) {
            let info = InterfaceInfo { name: format!("interface {id}"), kind, description: None };
            journal.record(&Entry::Interface(InterfaceId(id), info));
        }
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
        let mut journal = Journal::create(Some(first.clone())).unwrap();
        opening(&mut journal);
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

    /// Without a place for a new file the old one goes on.
    #[test]
    fn a_file_that_cannot_be_made_loses_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let (inner, moved) = (folder.path().join("inner"), folder.path().join("moved"));
        std::fs::create_dir(&inner).unwrap();
        let mut journal = Journal::create(Some(inner.join("a.pcapng"))).unwrap();
        opening(&mut journal);
        std::fs::rename(&inner, &moved).unwrap();
        for hour in 1..100 {
            journal.record(&Entry::Record(note(hour * HOUR, Note::Tick).as_record()));
        }
        journal.finish();
        assert_eq!(journal.into_paths(), [inner.join("a.pcapng")]);
        let (records, _) = read(&moved.join("a.pcapng"));
        assert_eq!(records.iter().filter(|(_, note)| *note == Some(Note::Tick)).count(), 100);
    }
}
