//! A live session: sources, recorder and core under one thread.
//!
//! ```text
//! source tasks ──> intake (stamps, orders) ──> session thread ──> recorder
//!      ^ │                                            ├─────────> core ──> feed
//!      │ v                                            └── commands from the screens
//! other program (--forward)
//! ```
//!
//! Datagrams have the kernel's receive stamp, and nothing is taken before what is older was read: what waited
//! while this computer stood still comes at its own time, after a note of the stall. The first record is a tick at the start, then comes one a second, so that deadlines
//! run while no bytes come; the last is an end note. What is recorded is what the core
//! got, so that a summary of the recording equals the last one of the session.

mod acknowledge_button;
mod journal;
mod opening;
mod sources;

use std::collections::{BTreeMap, VecDeque};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::time::Duration;

use anyhow::bail;

use super::picture_pace::{DeathNotice, Publisher, Status};
use acknowledge_button::AcknowledgeButton;

use super::{Command, FeedSlot, Mode, SessionEnd, SessionHandle, ToldQueue};
use crate::clock::SessionClock;
use crate::monitor::LinkMonitor;
use crate::profile::Profile;
use crate::record::packet::LinkType;
use crate::record::{
    Entry, InterfaceId, InterfaceInfo, InterfaceKind, MarkKind, Note, OwnedBody, OwnedRecord, SessionInfo,
};
use crate::snapshot::View;
use crate::source::SourceUrl;
use crate::source::ingest_queue::{Intake, IntakeLimits};
use crate::summary::{BenchStep, Earlier, GuideNote, StepAnswer};
use crate::units::Nanos;

use journal::Journal;
use sources::Sources;

/// Between two looks at what came; commands are heard at once.
const LOOK: Duration = Duration::from_millis(25);
/// Commands that may wait.
const COMMANDS: usize = 64;

/// System id under which this program sends: the top of the range that the protocol
/// leaves to ground systems, and not 255, which most of them use already.
pub const OWN_SYSTEM: u8 = 254;
/// Component id under which this program sends: 191, an onboard computer (MAV_COMP_ID_ONBOARD_COMPUTER).
pub const OWN_COMPONENT: u8 = 191;

/// What a live session shall do.
#[derive(Clone, Debug)]
pub struct LiveConfig {
    /// Where the vehicle is heard.
    pub vehicle: Option<SourceUrl>,
    /// Where the handset's sticks are heard.
    pub handset: Option<SourceUrl>,
    /// Where the video is heard.
    pub video: Option<SourceUrl>,
    /// Where a level is read beside them: a wireless card's, or an interface's in monitor mode.
    pub level: Option<SourceUrl>,
    /// The other program that the vehicle's bytes pass on to, both ways.
    pub forward: Option<SourceUrl>,
    /// Send TIMESYNC requests.
    pub timesync: bool,
    /// Ask the vehicle for RC_CHANNELS and SERVO_OUTPUT_RAW this often a second.
    pub request_rates_hz: Option<f64>,
    /// It is a bench test: the vehicle stands on the ground, armed or not.
    pub on_bench: bool,
    /// System id to send as.
    pub own_system: u8,
    /// Component id to send as.
    pub own_component: u8,
    /// Start though a serial or TCP source is away, and wait for it.
    pub wait_for_sources: bool,
    /// The folder with the kernel's `sys` and `proc`: how this computer does.
    pub kernel_files: PathBuf,
    /// The recording to write, or the folder for it, and beside it one for each further day; a file that exists is never
    /// overwritten.
    pub recording: Option<PathBuf>,
    /// Tags of the session; the profile's are added.
    pub tags: BTreeMap<String, String>,
    /// The profile.
    pub profile: Arc<Profile>,
    /// How much may wait for the session's thread.
    pub limits: IntakeLimits,
    /// Whom the session tells what happens as it goes.
    pub told: Option<ToldQueue>,
}

impl Default for LiveConfig {
    fn default() -> Self {
        Self {
            vehicle: None,
            handset: None,
            video: None,
            level: None,
            forward: None,
            timesync: false,
            request_rates_hz: None,
            on_bench: false,
            own_system: OWN_SYSTEM,
            own_component: OWN_COMPONENT,
            wait_for_sources: false,
            kernel_files: PathBuf::from("/"),
            recording: None,
            tags: BTreeMap::new(),
            profile: Arc::default(),
            limits: IntakeLimits::default(),
            told: None,
        }
    }
}

impl LiveConfig {
    /// The sources, in the order of their interfaces.
    fn sources(&self) -> Vec<(&'static str, &SourceUrl)> {
        [
            ("vehicle", &self.vehicle),
            ("handset", &self.handset),
            ("video", &self.video),
            ("level", &self.level),
        ]
        .into_iter()
        .filter_map(|(name, url)| Some((name, url.as_ref()?)))
        .collect()
    }

    fn vehicle_takes_bytes(&self) -> bool {
        matches!(self.vehicle, Some(SourceUrl::Serial { .. } | SourceUrl::Udp { .. } | SourceUrl::Tcp { .. }))
    }

    /// What is sent would come in the middle of the other program's messages.
    fn cuts_into_others(&self) -> bool {
        matches!(self.forward, Some(SourceUrl::Serial { .. } | SourceUrl::Tcp { .. }))
    }

    fn check(&self) -> anyhow::Result<()> {
        let sources = self.sources();
        if sources.is_empty() {
            bail!(
                "no source is given; name one with --vehicle URL, --handset URL or --video URL, or make a profile that has \
                 them: fadewatch profile new"
            );
        }
        if sources.iter().filter(|(_, url)| **url == SourceUrl::Stdin).count() > 1 {
            bail!("standard input can be one source only; give the others a URL of their own");
        }
        for (index, (name, url)) in sources.iter().enumerate() {
            if let Some((other, _)) = sources[..index].iter().find(|(_, earlier)| earlier == url) {
                bail!("'{url}' cannot be {other} and {name} at once; give each source its own URL");
            }
        }
        if let Some((name, url)) =
            sources.iter().find(|(name, url)| matches!(url, SourceUrl::Joystick(_)) && *name != "handset")
        {
            bail!("'{url}' cannot be the {name} source: a joystick is a handset; give it with --handset");
        }
        for (name, url) in &sources {
            match url {
                SourceUrl::Wifi(_) if *name != "level" => {
                    bail!("'{url}' cannot be the {name} source: it gives a level alone; give it with --level")
                }
                SourceUrl::Wifi(_) | SourceUrl::Capture { .. } => {}
                _ if *name == "level" => {
                    bail!(
                        "'{url}' gives no level; --level takes wifi:IFACE, or capture:IFACE in monitor mode"
                    )
                }
                _ => {}
            }
        }
        let transmits = self.timesync || self.request_rates_hz.is_some();
        if (self.forward.is_some() || transmits) && !self.vehicle_takes_bytes() {
            bail!(
                "--forward, --timesync and --request-rates need a vehicle source that can be written to; use serial:, udp:// or tcp://"
            );
        }
        match &self.forward {
            Some(SourceUrl::Udp { from: Some(_), .. }) => {
                bail!("--forward talks with one address alone; leave from= out")
            }
            Some(
                SourceUrl::Stdin
                | SourceUrl::File(_)
                | SourceUrl::Joystick(_)
                | SourceUrl::Capture { .. }
                | SourceUrl::Wifi(_),
            ) => {
                bail!("--forward needs an end that can be read and written; use serial:, udp:// or tcp://")
            }
            Some(_) if transmits && self.cuts_into_others() => bail!(
                "--timesync and --request-rates would cut into the other program's bytes; with --forward they work over udp:// only"
            ),
            _ => {}
        }
        if self.request_rates_hz.is_some_and(|hz| !(0.1..=1000.0).contains(&hz)) {
            bail!("--request-rates takes 0.1 to 1000 messages a second");
        }
        Ok(())
    }
}

/// What earlier sessions showed, and a word about them for the events.
#[derive(Clone, Debug, Default)]
pub struct Known {
    /// Of all sessions in the history.
    pub earlier: Earlier,
    /// Recorded as a comment, so that a replay says it too.
    pub remark: Option<String>,
}

/// Opens the sources and starts a session. An error says which source, why, and what to do.
///
/// `ask` says what earlier sessions showed, from the stamp of the first record; bytes that come meanwhile
/// wait in their queue. The answer is recorded, and the session takes it from the note's own text as a replay will.
pub fn start(config: LiveConfig, ask: impl FnOnce(Nanos) -> Known) -> anyhow::Result<SessionHandle> {
    config.check()?;
    let clock = SessionClock::start();
    let intake = Intake::new(clock, config.limits);
    let marks = InterfaceId(config.sources().len() as u16);
    let start = intake.begin(marks);
    let sources = Sources::open(&config, &intake, marks)?;
    let opening = opening_entries(&config, |name| sources.link(name));
    // Recording comes first: its header stands before anything else is asked.
    let journal = Journal::create(config.recording.clone(), start, &opening)?;
    let interfaces = opening.iter().filter_map(|entry| match entry {
        Entry::Interface(_, info) => Some(info.clone()),
        _ => None,
    });
    let interfaces = interfaces.collect();
    let known = ask(start);
    let json = known.earlier.to_json();
    let earlier = Earlier::from_json(&json, &config.profile).unwrap_or_default();
    intake.note_behind_first(Note::Limits { json });
    if let Some(text) = known.remark {
        intake.note(marks, Note::Foreign { text });
    }
    if config.on_bench {
        // Whoever opens the recording shall judge it as a bench test too.
        let text = GuideNote::Step(BenchStep::Propellers, StepAnswer::Begun).text();
        intake.note(marks, Note::Mark { kind: MarkKind::Remark, text });
    }
    let button = AcknowledgeButton::new(config.profile.handset.acknowledge_button);
    let mut monitor = LinkMonitor::with_earlier(config.profile, earlier);
    let told = config.told;
    if let Some(told) = &told {
        monitor = monitor.telling(told.every_s);
    }
    if config.on_bench {
        monitor = monitor.on_bench();
    }
    for entry in &opening {
        monitor.handle(entry);
    }
    let recording = journal.status().map(|status| status.path);
    let (commands, asked) = sync_channel(COMMANDS);
    let feed = FeedSlot::default();
    let publisher = Publisher::new(feed.clone(), clock);
    let slot = feed.clone();
    let thread = std::thread::Builder::new().name("session".to_owned()).spawn(move || {
        let _notice = DeathNotice(slot);
        let batch = VecDeque::new();
        Ok(Live { monitor, journal, intake, marks, interfaces, sources, publisher, button, batch, told }
            .run(&asked))
    })?;
    Ok(SessionHandle::new(commands, feed, thread).recording_to(recording))
}

/// Session tags and interfaces: what comes before the first record.
fn opening_entries(config: &LiveConfig, link: impl Fn(&str) -> Option<LinkType>) -> Vec<Entry<'static>> {
    let mut tags = config.profile.tags.clone();
    tags.extend(config.tags.clone());
    let mut entries = vec![Entry::Session(SessionInfo { tags, has_wall_clock: true })];
    let mut interface = |name: &str, kind, description| {
        let id = InterfaceId((entries.len() - 1) as u16);
        entries.push(Entry::Interface(id, InterfaceInfo { name: name.to_owned(), kind, description }));
    };
    for (name, url) in config.sources() {
        let kind = match url {
            SourceUrl::Udp { .. } => InterfaceKind::Datagram,
            SourceUrl::Joystick(_) => InterfaceKind::Joystick,
            SourceUrl::Wifi(_) => InterfaceKind::Wireless,
            SourceUrl::Capture { .. } => link(name).map_or(InterfaceKind::Datagram, InterfaceKind::Captured),
            _ => InterfaceKind::Stream,
        };
        interface(name, kind, Some(url.to_string()));
    }
    interface("marks", InterfaceKind::Marks, None);
    entries
}

struct Live {
    monitor: LinkMonitor,
    journal: Journal,
    intake: Intake,
    marks: InterfaceId,
    /// As they stand described.
    interfaces: Vec<InterfaceInfo>,
    sources: Sources,
    publisher: Publisher,
    button: AcknowledgeButton,
    batch: VecDeque<OwnedRecord>,
    told: Option<ToldQueue>,
}

impl Live {
    fn run(mut self, asked: &Receiver<Command>) -> SessionEnd {
        loop {
            match asked.recv_timeout(LOOK) {
                // A handle that was dropped ends the session in good order too.
                Ok(Command::Quit) | Err(RecvTimeoutError::Disconnected) => break,
                Ok(command) => self.obey(command),
                Err(RecvTimeoutError::Timeout) => {}
            }
            self.take_records();
            self.sources.vehicle_is(self.monitor.vehicle());
            if let Some(notice) = self.sources.notice() {
                self.publisher.say(notice);
            }
            if let Some(notice) = self.journal.notice() {
                self.publisher.say(notice);
            }
            let journal = &self.journal;
            self.publisher.offer(&self.monitor, || live_status(journal));
        }
        self.end()
    }

    fn obey(&mut self, command: Command) {
        match command {
            Command::View(view) => self.publisher.show(view),
            Command::Mark { kind, text } => self.intake.note(self.marks, Note::Mark { kind, text }),
            Command::Acknowledge => self.acknowledge(),
            Command::Notice(text) => self.publisher.say(text),
            Command::Transmit(request) => {
                if let Err(why) = self.sources.transmit(request, self.marks) {
                    self.publisher.say(why.to_owned());
                }
            }
            Command::Seek(_) | Command::SeekEnd | Command::Speed(_) => {
                self.publisher.say("this is live: only a replay can be sped up or moved in time".to_owned());
            }
            // Live, a pause holds the picture alone, which is the screen's own affair.
            Command::Pause(_) | Command::Quit => {}
        }
    }

    /// Acknowledges every link that asks for something, or did a moment ago, and was not acknowledged yet.
    fn acknowledge(&mut self) {
        let now_s = self.monitor.now_s();
        let view = View { from_s: now_s - 1.0, to_s: now_s, columns: 1 };
        for lane in self.monitor.snapshot(view, Arc::default()).lanes {
            if lane.unacknowledged.is_some() || lane.state.asks() && !lane.acknowledged {
                self.intake.note(self.marks, Note::Acknowledged { link: lane.link });
            }
        }
    }

    /// Records first, then the core.
    fn take_records(&mut self) {
        self.intake.take(&mut self.batch);
        if self.batch.is_empty() {
            return;
        }
        let mut is_pressed = false;
        for owned in &self.batch {
            is_pressed |= self.button.is_pressed(owned);
            if let Some(entry) = described_anew(&mut self.interfaces, owned) {
                self.journal.record(&entry);
                self.monitor.handle(&entry);
            }
            let entry = Entry::Record(owned.as_record());
            if let Some(note) = self.journal.record(&entry) {
                self.monitor.handle(&Entry::Record(note.as_record()));
            }
            self.monitor.handle(&entry);
        }
        if let Some(told) = &mut self.told {
            told.pass_on(&mut self.monitor);
        }
        self.publisher.records_came();
        if is_pressed {
            self.acknowledge();
        }
    }

    fn end(mut self) -> SessionEnd {
        self.sources.stop();
        self.intake.close(self.marks);
        self.take_records();
        let (facts, said) = self.journal.finish();
        if let Some(note) = said {
            self.monitor.handle(&Entry::Record(note.as_record()));
        }
        let summary = self.monitor.summary(&facts);
        if let Some(mut told) = self.told.take() {
            self.monitor.tell_end(&summary);
            told.pass_on(&mut self.monitor);
        }
        self.publisher.end(&self.monitor, live_status(&self.journal), summary.clone());
        let evidence = self.monitor.session_evidence();
        let missing = self.journal.missing();
        let heard = Some(self.monitor.heard(&summary));
        SessionEnd { summary, recordings: self.journal.into_paths(), missing, evidence, heard }
    }
}

/// A pipe shows only by its first bytes that it brings datagrams or packets, out of a capture; its
/// interface stood as a byte stream until then.
fn described_anew(interfaces: &mut [InterfaceInfo], record: &OwnedRecord) -> Option<Entry<'static>> {
    let kind = match &record.body {
        OwnedBody::Datagram { .. } => InterfaceKind::Datagram,
        OwnedBody::Packet(packet) => InterfaceKind::Captured(packet.as_packet().link),
        _ => return None,
    };
    let info = interfaces.get_mut(usize::from(record.interface.0))?;
    if info.kind != InterfaceKind::Stream {
        return None;
    }
    info.kind = kind;
    Some(Entry::Interface(record.interface, info.clone()))
}

fn live_status(journal: &Journal) -> Status {
    Status { facts: journal.facts(), mode: Mode::Live, recorder: journal.status() }
}

#[cfg(test)]
#[path = "live/tests.rs"]
mod tests;
