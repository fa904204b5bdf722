//! Recordings: pcapng and pcap in, pcapng out, bare MAVLink bytes in.
//!
//! ```text
//! file ──> Recording (memory map) ──> Cursor ──> decode: pcapng, pcap, bare ──> Entry
//!                                                  └── dissect: packet to UDP payload
//! Entry ──> Recorder (thread) ──> writer ──> pcapng file
//! ```
//!
//! Entries borrow from the mapped file: nothing is copied, and pages of a video's
//! payload are only touched where somebody looks at them.

mod bare;
mod comment_codec;
mod dissect;
pub mod file_name;
mod format;
mod frame_body;
mod growing;
mod internet;
mod pcap;
mod pcapng;
pub mod recorder;
mod step;
mod writer;

use std::fs::File;
use std::io;
use std::io::Read;
use std::path::{Path, PathBuf};

use crate::monitor::RecordingFacts;
use crate::record::Entry;
use crate::record::text::clean;
use bare::Bare;
use format::Decoder;
use step::Step;

pub(crate) use dissect::packet;
pub(crate) use frame_body::before_body;
pub use growing::{StreamDecoder, StreamFormat};
pub use recorder::{Recorder, RecorderStatus};
pub use writer::PcapngWriter;

/// A recording that could not be opened.
#[derive(Debug, thiserror::Error)]
pub enum CaptureError {
    /// The file could not be read.
    #[error("cannot read '{path}': {error}; see that it is there and that you may read it")]
    Read {
        /// Which.
        path: PathBuf,
        /// Why; in the message already, so that a chain of causes does not repeat it.
        error: io::Error,
    },
    /// Neither a capture nor MAVLink bytes.
    #[error("'{path}' holds no telemetry: {reason}; give a pcapng or pcap capture, or bare MAVLink bytes")]
    Unreadable {
        /// Which.
        path: PathBuf,
        /// What was found instead.
        reason: String,
    },
}

impl CaptureError {
    /// What could not be read to its end.
    fn unread(path: &Path, error: io::Error) -> Self {
        let path = path.to_owned();
        match error.kind() {
            io::ErrorKind::IsADirectory => Self::Unreadable { path, reason: "it is a folder".to_owned() },
            _ => Self::Read { path, error },
        }
    }
}

/// Files up to this size are read, not mapped.
const SMALL: u64 = 64 * 1024;

/// The bytes of a file.
#[derive(Debug)]
enum Data {
    Mapped(memmap2::Mmap),
    Memory(Vec<u8>),
}

impl Data {
    fn read(path: &Path) -> io::Result<Self> {
        let mut file = File::open(path)?;
        let metadata = file.metadata()?;
        if metadata.is_file() && metadata.len() > SMALL {
            #[expect(unsafe_code, reason = "the one memory map, see below")]
            // SAFETY: the map is only read. Should another program shorten the file meanwhile, the
            // system stops this one at a page that is gone; recordings are only appended to.
            let mapped = unsafe { memmap2::Mmap::map(&file) };
            if let Ok(map) = mapped {
                // A hint: what it returns changes nothing.
                #[cfg(unix)]
                let _ = map.advise(memmap2::Advice::Sequential);
                return Ok(Self::Mapped(map));
            }
        }
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes)?;
        Ok(Self::Memory(bytes))
    }

    fn bytes(&self) -> &[u8] {
        match self {
            Self::Mapped(map) => map,
            Self::Memory(bytes) => bytes,
        }
    }
}

/// An opened recording; entries borrow from it.
#[derive(Debug)]
pub struct Recording {
    path: PathBuf,
    data: Data,
    start: Decoder,
}

impl Recording {
    /// Opens a file and finds out what it is.
    pub fn open(path: &Path) -> Result<Self, CaptureError> {
        let data = Data::read(path).map_err(|error| CaptureError::unread(path, error))?;
        Self::of(path, data)
    }

    /// Reads a whole stream, such as standard input, and finds out what it is.
    pub fn read(name: &str, mut from: impl Read) -> Result<Self, CaptureError> {
        let mut bytes = Vec::new();
        let path = Path::new(name);
        from.read_to_end(&mut bytes).map_err(|error| CaptureError::unread(path, error))?;
        Self::of(path, Data::Memory(bytes))
    }

    fn of(path: &Path, data: Data) -> Result<Self, CaptureError> {
        let start = recognise(data.bytes()).map_err(|reason| CaptureError::Unreadable {
            path: path.to_owned(),
            reason: reason.to_owned(),
        })?;
        Ok(Self { path: path.to_owned(), data, start })
    }

    /// A cursor at the first entry.
    #[must_use]
    pub fn cursor(&self) -> Cursor {
        Cursor { place: 0, decoder: self.start.clone(), state: State::Reading }
    }

    /// The next entry; `None` at the end (a torn last record is left out).
    pub fn next<'a>(&'a self, cursor: &mut Cursor) -> Option<Entry<'a>> {
        while cursor.state == State::Reading {
            let rest = self.data.bytes().get(cursor.place..).unwrap_or_default();
            match cursor.decoder.step(rest) {
                Step::Entry(length, entry) => {
                    cursor.place += length;
                    return Some(entry);
                }
                Step::Skip(length) => cursor.place += length,
                Step::End => cursor.state = State::Ended,
                Step::Torn | Step::Corrupt => cursor.state = State::Torn,
            }
        }
        None
    }

    /// Name and size, and whether the file ends inside a record (known once a cursor has reached the end).
    #[must_use]
    pub fn facts(&self, cursor: &Cursor) -> RecordingFacts {
        RecordingFacts {
            file: file_name(&self.path),
            bytes: Some(self.data.bytes().len() as u64),
            truncated: cursor.state == State::Torn,
        }
    }

    /// The SHA-256 of its bytes in hexadecimal digits, as [`file_hash`] gives it.
    #[must_use]
    pub fn hash(&self) -> String {
        hash_of(self.data.bytes())
    }

    /// How far a cursor is, 0 to 1, by bytes.
    #[must_use]
    pub fn progress(&self, cursor: &Cursor) -> f64 {
        let length = self.data.bytes().len();
        if length == 0 || cursor.state != State::Reading { 1.0 } else { cursor.place as f64 / length as f64 }
    }
}

/// A place in a recording; a copy taken earlier goes on from there.
#[derive(Clone, Debug)]
pub struct Cursor {
    place: usize,
    decoder: Decoder,
    state: State,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Reading,
    Ended,
    Torn,
}

/// What the bytes of a file are, or why they are nothing that can be read.
fn recognise(bytes: &[u8]) -> Result<Decoder, &'static str> {
    if bytes.is_empty() {
        return Err("it is empty");
    }
    if let Some(decoder) = Decoder::sniff_capture(bytes) {
        return match decoder.clone().step(bytes) {
            Step::Torn => Err("it ends inside its first block"),
            Step::Corrupt => Err("its first block is damaged"),
            _ => Ok(decoder),
        };
    }
    if bytes.starts_with(&[0x0A, 0x0D, 0x0D, 0x0A]) {
        return Err("it ends inside its first block");
    }
    if Bare::holds_frames(bytes) {
        return Ok(Decoder::Bare(Box::default()));
    }
    Err(if is_text(bytes) { "it is text" } else { "no MAVLink frame was found in it" })
}

/// Whether a file that begins so is text; a character may be cut at the end of what is looked at.
fn is_text(bytes: &[u8]) -> bool {
    let head = &bytes[..bytes.len().min(4096)];
    let of_text = |byte: &u8| matches!(byte, b'\t' | b'\n' | b'\r' | 0x20..=0x7E | 0x80..);
    head.iter().all(of_text)
        && String::from_utf8_lossy(head).chars().filter(|c| *c == '\u{FFFD}').count() <= 1
}

/// What a file that begins so plainly is, a packet capture or text; `None`: it may be anything.
pub(crate) fn plain_kind(bytes: &[u8]) -> Option<&'static str> {
    if Decoder::sniff_capture(bytes).is_some() {
        Some("a packet capture")
    } else {
        is_text(bytes).then_some("text")
    }
}

fn file_name(path: &Path) -> String {
    clean(&path.file_name().unwrap_or(path.as_os_str()).to_string_lossy())
}

/// The SHA-256 of a file in hexadecimal digits: what a recording is known by in the history.
pub fn file_hash(path: &Path) -> io::Result<String> {
    Ok(hash_of(Data::read(path)?.bytes()))
}

/// The same of bytes.
#[must_use]
pub fn hash_of(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    let digest = hmac_sha256::Hash::hash(bytes);
    let mut text = String::with_capacity(2 * digest.len());
    for byte in digest {
        let _ = write!(text, "{byte:02x}");
    }
    text
}
