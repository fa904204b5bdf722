//! The recording of a live session, if there is one.

use std::path::PathBuf;

use anyhow::Context as _;

use crate::capture::Recorder;
use crate::capture::RecorderStatus;
use crate::monitor::RecordingFacts;
use crate::record::{Entry, OwnedRecord};

/// Hands entries to the recorder and keeps what it said last.
#[derive(Debug)]
pub(super) struct Journal {
    recorder: Option<Recorder>,
    path: Option<PathBuf>,
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
        Ok(Self { recorder, path, last: None, facts: RecordingFacts::default() })
    }

    /// Gives the note that was recorded before the entry, if bytes had to be refused earlier.
    pub(super) fn record(&mut self, entry: &Entry<'_>) -> Option<OwnedRecord> {
        self.recorder.as_mut()?.record(entry)
    }

    pub(super) fn status(&self) -> Option<RecorderStatus> {
        self.recorder.as_ref().map(Recorder::status).or_else(|| self.last.clone())
    }

    /// Name and size so far.
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

    pub(super) fn path(&self) -> Option<PathBuf> {
        self.path.clone()
    }
}
