//! What flows from a source to the recorder and into the core: stamped entries.
//!
//! An [`Entry`] is one thing that a recording can hold. Live sources, a replayed
//! file and the simulator all speak in entries, so the core has one way in.

use std::net::SocketAddr;
use std::sync::Arc;

use crate::units::Nanos;

pub mod health_reading;
pub mod joystick_layout;
pub mod packet;
pub mod text;

use health_reading::HealthRow;
use joystick_layout::JoystickLayout;
use packet::{LinkType, OwnedPacket, Packet};

/// The number of an interface within one session, in the order of appearance.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct InterfaceId(pub u16);

/// What an interface carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum InterfaceKind {
    /// Bytes as read from a byte stream: chunk borders mean nothing.
    Stream,
    /// UDP payloads: a frame never spans two of them.
    Datagram,
    /// Packets as captured, of this link type.
    Captured(LinkType),
    /// Events of a joystick device, as the kernel gave them; a [`Note::Joystick`] says how to read them.
    Joystick,
    /// Rows of the kernel's table of wireless cards, as read, one a record.
    Wireless,
    /// Marks and notes of this program, no traffic.
    Marks,
}

/// One interface of a session.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct InterfaceInfo {
    /// Its role: `vehicle`, `handset`, `video`, `marks`, or a capture's own name
    /// (`if0`, `if1`, ... where a capture gives none).
    pub name: String,
    /// What it carries.
    pub kind: InterfaceKind,
    /// Where it was read from, for people.
    pub description: Option<String>,
}

/// Whether bytes came to this computer or left it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Direction {
    /// Received here, or unknown.
    Inbound,
    /// Sent from here: by this program, or by one whose bytes it forwards.
    Outbound,
}

/// The two ends of a datagram.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Flow {
    /// Where it came from.
    pub source: SocketAddr,
    /// Where it went.
    pub destination: SocketAddr,
}

/// What a person marked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum MarkKind {
    /// The picture froze.
    PictureFroze,
    /// The picture shook.
    PictureShook,
    /// The handset stands where the vehicle is now.
    HandsetHere,
    /// The next loss of control input, or the one that is on, is a drill.
    Drill,
    /// Anything else, in words.
    Remark,
}

impl MarkKind {
    /// All of them.
    pub const ALL: [Self; 5] =
        [Self::PictureFroze, Self::PictureShook, Self::HandsetHere, Self::Drill, Self::Remark];
}

/// What this program itself has to say inside a recording.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Note {
    /// A second passed: lets deadlines run while no bytes come.
    Tick,
    /// The session ended here.
    End,
    /// A person set a mark.
    Mark {
        /// Which.
        kind: MarkKind,
        /// Their words, may be empty.
        text: String,
    },
    /// A source went away.
    SourceDown {
        /// Which.
        interface: InterfaceId,
        /// Why, in words.
        reason: String,
    },
    /// A source is back.
    SourceUp {
        /// Which.
        interface: InterfaceId,
    },
    /// This computer lost data of an interface.
    HostDrops {
        /// Which.
        interface: InterfaceId,
        /// Lost since the session began, in the counter's own unit (datagrams, or overruns).
        total: u64,
    },
    /// How this computer itself does, once a second.
    Health {
        /// Part by part.
        rows: Vec<HealthRow>,
    },
    /// What the joystick behind an interface is, and where its axes stand now.
    Joystick {
        /// Which.
        interface: InterfaceId,
        /// How its events read.
        layout: JoystickLayout,
    },
    /// The recorder had to refuse bytes here: the recording has a hole.
    BytesLost {
        /// How many.
        bytes: u64,
        /// How far the hole reaches back from this note, where the recorder made it: a live session did see
        /// these bytes. `None` where nobody saw them, or in an older recording.
        reach: Option<Nanos>,
    },
    /// This computer stood still: what it was late to look at says nothing of a link.
    Stalled {
        /// How far back from this note; below zero: for so long from this note on, known afterwards, and put
        /// before what came meanwhile.
        reach: Nanos,
    },
    /// The limits from earlier sessions that this session used, so that a replay shows them too.
    Limits {
        /// As JSON.
        json: String,
    },
    /// The wall clock was stepped; stamps do not follow it.
    WallClockStep {
        /// By how much.
        by: Nanos,
    },
    /// This program transmits, or is in the path; what it does, in words.
    Transmits {
        /// What.
        what: String,
    },
    /// A person acknowledged the warning of a link.
    Acknowledged {
        /// The link's name.
        link: String,
    },
    /// A comment that this program did not write.
    Foreign {
        /// Its words.
        text: String,
    },
}

/// What the words of a [`Note::Transmits`] hold where this program asks for faster messages.
pub const ASKS_FOR_RATES: &str = "asks the vehicle for RC_CHANNELS";
/// What they hold where it asks for the vehicle's time.
pub const ASKS_FOR_TIME: &str = "a TIMESYNC request";

/// How the words of a [`Note::Transmits`] begin where this program is in the path.
pub const IN_THE_PATH: &str = "in the path";

/// What a recording says of a source that got its packets in heaps ([`Note::Foreign`]).
pub const HEAPS_TEXT: &str = "packets come in heaps, times are blurred";
/// The same for a reader.
pub const BATCHES_TEXT: &str = "packets are delivered in batches, their times are blurred";

/// What a record holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Body<'a> {
    /// Bytes exactly as read from a byte stream or a device.
    Stream(&'a [u8]),
    /// The payload of one UDP datagram.
    Datagram {
        /// Its two ends.
        flow: Flow,
        /// Its payload.
        bytes: &'a [u8],
    },
    /// A packet as captured, with its link header.
    Packet(Packet<'a>),
    /// A packet of some other protocol, or one that cannot be read: only its time counts.
    Other,
    /// A note of this program.
    Note(Note),
}

impl Body<'_> {
    /// The two ends of the datagram in it.
    #[must_use]
    pub const fn flow(&self) -> Option<Flow> {
        match self {
            Self::Datagram { flow, .. } => Some(*flow),
            Self::Packet(packet) => packet.flow,
            _ => None,
        }
    }
}

/// One stamped record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Record<'a> {
    /// When its last byte arrived here.
    pub at: Nanos,
    /// Where.
    pub interface: InterfaceId,
    /// Which way.
    pub direction: Direction,
    /// What.
    pub body: Body<'a>,
}

/// One thing that a session consists of.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Entry<'a> {
    /// What is known of the session as a whole; comes first, may be absent.
    Session(SessionInfo),
    /// A new interface; its records follow.
    Interface(InterfaceId, InterfaceInfo),
    /// A record.
    Record(Record<'a>),
}

/// What is known of a session as a whole.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SessionInfo {
    /// Tags such as `antenna = "panel"`, in the order of their keys.
    pub tags: std::collections::BTreeMap<String, String>,
    /// False where stamps are not wall time (bare bytes).
    pub has_wall_clock: bool,
}

/// A body that owns its bytes, to cross threads.
#[derive(Clone, Debug)]
pub enum OwnedBody {
    /// See [`Body::Stream`].
    Stream(Arc<[u8]>),
    /// See [`Body::Datagram`].
    Datagram {
        /// Its two ends.
        flow: Flow,
        /// Its payload.
        bytes: Arc<[u8]>,
    },
    /// See [`Body::Packet`].
    Packet(OwnedPacket),
    /// See [`Body::Other`].
    Other,
    /// See [`Body::Note`].
    Note(Note),
}

/// A record that owns its bytes, to cross threads.
#[derive(Clone, Debug)]
pub struct OwnedRecord {
    /// When its last byte arrived here.
    pub at: Nanos,
    /// Where.
    pub interface: InterfaceId,
    /// Which way.
    pub direction: Direction,
    /// What.
    pub body: OwnedBody,
}

impl OwnedRecord {
    /// The same record, borrowed.
    #[must_use]
    pub fn as_record(&self) -> Record<'_> {
        Record {
            at: self.at,
            interface: self.interface,
            direction: self.direction,
            body: match &self.body {
                OwnedBody::Stream(bytes) => Body::Stream(bytes),
                OwnedBody::Datagram { flow, bytes } => Body::Datagram { flow: *flow, bytes },
                OwnedBody::Packet(packet) => Body::Packet(packet.as_packet()),
                OwnedBody::Other => Body::Other,
                OwnedBody::Note(note) => Body::Note(note.clone()),
            },
        }
    }
}

impl From<&Record<'_>> for OwnedRecord {
    fn from(record: &Record<'_>) -> Self {
        let body = match &record.body {
            Body::Stream(bytes) => OwnedBody::Stream(Arc::from(*bytes)),
            Body::Datagram { flow, bytes } => OwnedBody::Datagram { flow: *flow, bytes: Arc::from(*bytes) },
            Body::Packet(packet) => OwnedBody::Packet(packet.to_owned()),
            Body::Other => OwnedBody::Other,
            Body::Note(note) => OwnedBody::Note(note.clone()),
        };
        Self { at: record.at, interface: record.interface, direction: record.direction, body }
    }
}
