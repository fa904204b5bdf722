//! What a source's task hands on and takes: its place in the session.
//!
//! A [`Line`] is either a source (its bytes are stamped, recorded and, with
//! `--forward`, passed on) or the other program behind `--forward` (its bytes go to
//! the vehicle source and are recorded there as sent).

use std::net::SocketAddr;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::mpsc;

use crate::clock::SessionClock;
use crate::record::joystick_layout::JoystickLayout;
use crate::record::packet::OwnedPacket;
use crate::record::{Direction, Flow, InterfaceId, Note};
use crate::units::Nanos;

use super::ingest_queue::Intake;

/// Something to be written.
pub(crate) enum Outgoing {
    /// As it is.
    Bytes(Arc<[u8]>),
    /// Made at the instant of its sending, which it carries.
    Stamped(Box<dyn FnOnce(Nanos) -> Vec<u8> + Send>),
}

impl Outgoing {
    /// The bytes, sent now.
    pub(crate) fn bytes(self, now: Nanos) -> Arc<[u8]> {
        match self {
            Self::Bytes(bytes) => bytes,
            Self::Stamped(make) => make(now).into(),
        }
    }
}

/// One line for the pilot; the newest stands.
#[derive(Clone, Debug, Default)]
pub(crate) struct Notices(Arc<Mutex<Option<String>>>);

impl Notices {
    pub(crate) fn say(&self, text: String) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(text);
    }

    /// The newest since the last look.
    pub(crate) fn take(&self) -> Option<String> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).take()
    }
}

/// The way from the vehicle source to the other program behind `--forward`: never waited for.
#[derive(Clone, Debug)]
pub(crate) struct Passing {
    to_peer: mpsc::Sender<Outgoing>,
    refused: Arc<AtomicU64>,
    notices: Notices,
}

impl Passing {
    pub(crate) fn new(to_peer: mpsc::Sender<Outgoing>, notices: Notices) -> Self {
        Self { to_peer, refused: Arc::default(), notices }
    }

    fn pass(&self, bytes: &Arc<[u8]>) {
        if self.to_peer.try_send(Outgoing::Bytes(Arc::clone(bytes))).is_err() {
            let refused = self.refused.fetch_add(bytes.len() as u64, Ordering::Relaxed) + bytes.len() as u64;
            self.notices.say(format!("--forward: {refused} bytes were not taken by the other program"));
        }
    }
}

/// One end of the session's lines.
pub(crate) enum Line {
    /// A source of the session.
    Source {
        interface: InterfaceId,
        name: String,
        intake: Intake,
        passing: Option<Passing>,
        notices: Notices,
    },
    /// The other program behind `--forward`.
    Peer { name: String, to_vehicle: mpsc::Sender<Outgoing>, clock: SessionClock, notices: Notices },
}

impl Line {
    pub(crate) const fn clock(&self) -> &SessionClock {
        match self {
            Self::Source { intake, .. } => intake.clock(),
            Self::Peer { clock, .. } => clock,
        }
    }

    /// Bytes of a stream were read.
    pub(crate) async fn received(&self, bytes: &[u8]) {
        match self {
            Self::Source { interface, intake, passing, .. } => {
                let bytes: Arc<[u8]> = bytes.into();
                intake.stream(*interface, Direction::Inbound, Arc::clone(&bytes));
                if let Some(passing) = passing {
                    passing.pass(&bytes);
                }
            }
            Self::Peer { to_vehicle, .. } => {
                let _ = to_vehicle.send(Outgoing::Bytes(bytes.into())).await;
            }
        }
    }

    /// A datagram was received then.
    pub(crate) async fn received_datagram(&self, at: Nanos, flow: Flow, bytes: &[u8]) {
        match self {
            Self::Source { interface, intake, passing, .. } => {
                let bytes: Arc<[u8]> = bytes.into();
                intake.datagram(at, *interface, Direction::Inbound, flow, Arc::clone(&bytes));
                if let Some(passing) = passing {
                    passing.pass(&bytes);
                }
            }
            Self::Peer { .. } => self.received(bytes).await,
        }
    }

    /// A packet was captured then.
    pub(crate) fn packet(&self, at: Nanos, direction: Direction, packet: OwnedPacket) {
        if let Self::Source { interface, intake, .. } = self {
            intake.packet(at, *interface, direction, packet);
        }
    }

    /// A packet was captured then that is not kept.
    pub(crate) fn passed_over(&self, at: Nanos) {
        if let Self::Source { interface, intake, .. } = self {
            intake.passed_over(at, *interface);
        }
    }

    /// The system took bytes of a stream.
    pub(crate) fn sent(&self, bytes: &[u8]) {
        if let Self::Source { interface, intake, .. } = self {
            intake.stream(*interface, Direction::Outbound, bytes.into());
        }
    }

    /// The system took a datagram that was made ready then: its answer cannot be older.
    pub(crate) fn sent_datagram(&self, at: Nanos, flow: Flow, bytes: &Arc<[u8]>) {
        if let Self::Source { interface, intake, .. } = self {
            intake.datagram(at, *interface, Direction::Outbound, flow, Arc::clone(bytes));
        }
    }

    /// So many datagrams were left out, since they are not of the one sender.
    pub(crate) fn leaves_out(&self, count: u64, only: &str) {
        if let Self::Source { name, notices, .. } = self {
            let datagrams = if count == 1 { "1 datagram is" } else { "datagrams are" };
            let count = if count == 1 { String::new() } else { format!("{count} ") };
            notices.say(format!("{name}: {count}{datagrams} left out: not from {only}"));
        }
    }

    /// What is sent goes to another address from here on.
    pub(crate) fn answers(&self, now: SocketAddr, before: SocketAddr) {
        if let Self::Source { interface, name, intake, notices, .. } = self {
            let text = format!("{name}: what is sent goes to {now} now, no longer to {before}");
            intake.note(*interface, Note::Foreign { text: text.clone() });
            notices.say(text);
        }
    }

    /// It went away.
    pub(crate) fn down(&self, reason: &str) {
        match self {
            Self::Source { interface, name, intake, notices, .. } => {
                intake
                    .note(*interface, Note::SourceDown { interface: *interface, reason: reason.to_owned() });
                notices.say(format!("{name} is gone: {reason}; trying again"));
            }
            Self::Peer { name, notices, .. } => {
                notices.say(format!("{name} is gone: {reason}; trying again"));
            }
        }
    }

    /// It is back.
    pub(crate) fn up(&self) {
        match self {
            Self::Source { interface, name, intake, notices, .. } => {
                intake.note(*interface, Note::SourceUp { interface: *interface });
                notices.say(format!("{name} is back"));
            }
            Self::Peer { name, notices, .. } => notices.say(format!("{name} is back")),
        }
    }

    /// No frame came at the rates before; this one is tried.
    pub(crate) fn tries_rate(&self, rate: u32) {
        if let Self::Source { name, notices, .. } = self {
            notices.say(format!("{name}: no frame yet, trying {rate} baud"));
        }
    }

    /// Its frames are whole at this rate; the recording says so too.
    pub(crate) fn found_rate(&self, rate: u32) {
        if let Self::Source { interface, name, intake, notices, .. } = self {
            let text = format!("{name}: frames are whole at {rate} baud");
            intake.note(*interface, Note::Foreign { text: text.clone() });
            notices.say(text);
        }
    }

    /// It is a joystick, and its axes stand so.
    pub(crate) fn joystick(&self, layout: JoystickLayout) {
        if let Self::Source { interface, intake, .. } = self {
            intake.note(*interface, Note::Joystick { interface: *interface, layout });
        }
    }

    /// What this computer lost of it since the session began.
    pub(crate) fn host_drops(&self, total: u64) {
        if let Self::Source { interface, intake, .. } = self {
            intake.host_drops(*interface, total);
        }
    }
}
