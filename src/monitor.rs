//! The pure core: stamped entries in, one summary or one bounded snapshot out.
//!
//! [`LinkMonitor`] knows no clock, no terminal, no file and no network. Time comes
//! with the entries; deadlines that passed since the last entry run first, at their
//! scheduled time, so that a late entry changes no figure. `summary` and `snapshot`
//! only read: when they are asked for changes nothing, which is what makes live,
//! replay and batch agree to the last digit.

mod bad_pictures;
mod compared_session;
mod conditions;
mod devices;
mod event_log;
mod heard;
mod ingest;
mod outage;
mod own_bytes;
mod picture;
mod presence;
mod recorded_limits;
mod session_events;
mod session_record;
mod stalls;
mod summarise;
mod table_rows;
mod told_log;
mod verdict;
mod whole_seconds;

use std::sync::Arc;

use crate::profile::Profile;
use crate::record::text::clean;
use crate::record::{Body, Direction, Entry, Record};
use crate::summary::{Event, EventSummary, GuideRecord, Threshold};
use crate::units::Nanos;

use crate::clocks::{Astray, Clocks, StampOrder};
use crate::judge::margin::MarginMeter;
use crate::measure::attitude::AttitudeMeter;
use crate::measure::claims::Claims;
use crate::measure::context::Context;
use crate::measure::failsafe::FailsafeMeter;
use crate::measure::health::HealthMeter;
use crate::measure::latency::LatencyMeter;
use crate::measure::life::Life;
use crate::measure::loss::LossMeter;
use crate::measure::own_reports::ReportMeter;
use crate::measure::position::PositionMeter;
use crate::measure::power::PowerMeter;
use crate::measure::roles::Roles;
use crate::measure::signal::SignalMeter;
use crate::measure::stick_channels::ChannelMeter;
use crate::measure::timing::TimingMeter;
use crate::measure::vibration::VibrationMeter;
use crate::measure::video::VideoMeter;
use crate::measure::wifi_transmitters::TransmitterMeter;
use crate::summary::Earlier;
use crate::wire::Wire;
use crate::wire::framer::Standing;
use crate::wire::message::Message;
use devices::Devices;
use event_log::EventLog;
use whole_seconds::WholeSeconds;

pub use bad_pictures::BadPictureRow;
pub use heard::{Heard, HeardPicture, HeardRadio, HeardSender, SenderKind};
pub use table_rows::{GapRow, PlaceRow};

/// What a session tells the history.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SessionEvidence {
    /// Of each link's threshold.
    pub links: Vec<crate::judge::margin::FreezeEvidence>,
    /// Of the airframe: vibration level and seconds at it, in order of level.
    pub vibration: Vec<(f32, u32)>,
}

/// What the reader of a recording knows and the core cannot.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RecordingFacts {
    /// The file's name, without its folder.
    pub file: String,
    /// Its size; `None` where nothing is recorded.
    pub bytes: Option<u64>,
    /// It ends inside a record.
    pub truncated: bool,
}

/// One source as the core sees it.
#[derive(Clone, Debug, Default)]
struct Source {
    bytes: u64,
    /// When its first byte came.
    first: Option<Nanos>,
    /// It brought a frame, a packet or anything else that can be read.
    is_read: bool,
    last: Option<Nanos>,
    down: Option<(Nanos, String)>,
    host_drops: Option<u64>,
}

/// The core's face: everything that is known of one session.
#[derive(Clone, Debug, Default)]
pub struct LinkMonitor {
    context: Context,
    implied_links: bool,
    /// What it takes is a recording: nothing can be asked of the vehicle in it.
    is_recorded: bool,
    records: u64,
    sources: Vec<Source>,
    wire: Wire,
    /// Room for the messages of one entry.
    messages: Vec<Message>,
    devices: Devices,
    clocks: Clocks,
    loss: LossMeter,
    claims: Claims,
    latency: LatencyMeter,
    signal: SignalMeter,
    air: TransmitterMeter,
    range: PositionMeter,
    video: VideoMeter,
    margin: MarginMeter,
    conditions: conditions::Conditions,
    presence: presence::Presence,
    lost_links: outage::LostLinks,
    /// Restarts of senders that the life of the session knows of.
    restarts_seen: usize,
    failsafe: FailsafeMeter,
    channels: ChannelMeter,
    vibration: VibrationMeter,
    power: PowerMeter,
    pose: AttitudeMeter,
    health: HealthMeter,
    reports: ReportMeter,
    timing: TimingMeter,
    events: EventLog,
    transmits: Vec<String>,
    stamps: StampOrder,
    seconds: WholeSeconds,
    bytes_lost: u64,
    /// When a sender first made room for another, and how many did.
    forgotten: Option<(Nanos, u64)>,
    ticks: stalls::Ticks,
    /// What whoever listens is told; `None`: nobody does.
    telling: Option<told_log::Telling>,
    /// Answers of a guided bench test.
    guide: GuideRecord,
}

impl LinkMonitor {
    /// A core for one session. Without links in the profile it names them itself, as they are heard.
    #[must_use]
    pub fn new(profile: Arc<Profile>, thresholds: Arc<[Threshold]>) -> Self {
        Self::with_earlier(profile, Earlier::from(thresholds))
    }

    /// The same with all that earlier sessions showed.
    #[must_use]
    pub fn with_earlier(profile: Arc<Profile>, earlier: Earlier) -> Self {
        let roles = Roles::with_vehicle(profile.vehicle.system);
        let implied_links = profile.link.is_empty();
        let Earlier { thresholds, vibration: vibration_limit } = earlier;
        Self {
            wire: Wire::new(&profile),
            context: Context { profile, thresholds, vibration_limit, roles, ..Context::default() },
            implied_links,
            ..Self::default()
        }
    }

    /// What it takes is a recording, and over: pictures of it ask for nothing to be done.
    #[must_use]
    pub fn of_recording(self) -> Self {
        Self { is_recorded: true, ..self }
    }

    /// What it takes is a bench test: the vehicle stands on the ground, armed or not.
    #[must_use]
    pub fn on_bench(mut self) -> Self {
        self.context.life = Life::on_bench();
        self
    }

    /// Takes the next entry of the session.
    pub fn handle(&mut self, entry: &Entry<'_>) {
        let mut messages = std::mem::take(&mut self.messages);
        self.wire.read(entry, &mut messages);
        self.take(entry, &messages);
        messages.clear();
        self.messages = messages;
    }

    /// The wire stage, to be run elsewhere: until it is put back, entries come by way of `take`.
    pub(crate) fn wire_mut(&mut self) -> &mut Wire {
        &mut self.wire
    }

    /// Takes the next entry, and the messages that the wire stage read from it.
    pub(crate) fn take(&mut self, entry: &Entry<'_>, messages: &[Message]) {
        match entry {
            Entry::Session(info) => {
                let mut info = info.clone();
                info.tags = info.tags.iter().map(|(key, value)| (clean(key), clean(value))).collect();
                for (key, value) in &self.context.profile.tags {
                    info.tags.entry(key.clone()).or_insert_with(|| value.clone());
                }
                self.context.session = info;
                self.ticks.end();
            }
            Entry::Interface(id, info) => {
                let mut info = info.clone();
                info.name = clean(&info.name);
                info.description = info.description.as_deref().map(clean);
                let index = usize::from(id.0);
                while self.context.interfaces.len() <= index {
                    self.context.interfaces.push(info.clone());
                    self.sources.push(Source::default());
                }
                self.context.interfaces[index] = info;
            }
            Entry::Record(record) => self.handle_record(record, messages),
        }
    }

    fn handle_record(&mut self, record: &Record<'_>, messages: &[Message]) {
        self.records += 1;
        let (at, astray) = self.stamps.take(record.interface, record.at, self.ticks.are_known());
        if let Some(astray) = astray {
            self.log(stamp_event(astray));
        }
        let start = *self.context.start.get_or_insert(at);
        if self.records == 1 {
            self.context.now = at;
        }
        self.loss.begin(start);
        self.tell_begin();
        self.notice_stall(at, &record.body);
        self.advance(at);
        self.context.now = at;
        self.presence.note_record(at);
        self.count_bytes(at, record);
        match &record.body {
            Body::Stream(bytes) => self.handle_stream(at, record.interface, bytes),
            Body::Note(note) => self.handle_note(at, note),
            Body::Datagram { .. } | Body::Packet(_) | Body::Other => {}
        }
        self.note_read(record, messages);
        for message in messages {
            self.handle_message(at, record, message);
        }
        self.look_at_links(at);
    }

    fn count_bytes(&mut self, at: Nanos, record: &Record<'_>) {
        let bytes = match &record.body {
            Body::Stream(bytes) | Body::Datagram { bytes, .. } => Some(*bytes),
            Body::Packet(packet) if packet.link.is_on_air() => Some(packet.bytes),
            Body::Packet(packet) => packet.datagram().map(|(_, bytes)| bytes),
            Body::Other | Body::Note(_) => None,
        };
        if record.direction == Direction::Inbound
            && let Some(bytes) = bytes
            && let Some(source) = self.sources.get_mut(usize::from(record.interface.0))
        {
            source.bytes += bytes.len() as u64;
            source.first.get_or_insert(at);
            source.last = Some(at);
        }
    }

    /// A frame of an unknown id that nothing bears out yet is none.
    fn note_read(&mut self, record: &Record<'_>, messages: &[Message]) {
        let is_sure = |message: &Message| match message {
            Message::Mavlink(frame) => frame.header.standing != Standing::Witness,
            _ => true,
        };
        if record.direction == Direction::Inbound
            && let Some(source) = self.sources.get_mut(usize::from(record.interface.0))
        {
            source.is_read |= messages.iter().any(is_sure);
        }
    }

    /// Keeps an event of this instant.
    fn log(&mut self, event: Event) {
        let at_s = self.context.since_start_s(self.context.now);
        self.keep(EventSummary { at_s, link: None, event });
    }

    fn keep(&mut self, event: EventSummary) {
        let now_s = self.now_s();
        if let Some(telling) = &mut self.telling {
            telling.event(now_s, &event);
        }
        self.events.push(event);
    }

    /// Runs every deadline up to a stamp, each at its own time.
    fn advance(&mut self, to: Nanos) {
        let Some(start) = self.context.start else { return };
        let last = (to - start).0 / 1_000_000_000;
        self.seconds.begin();
        while let Some(second) = self.seconds.next(last) {
            let at = start + Nanos::from_secs(second);
            self.context.now = at;
            self.advance_devices(at);
            self.video.advance(at);
            let followed = self.latency.followed();
            self.channels.follow(followed.clone());
            self.failsafe.follow(followed);
            self.failsafe.advance(at, &self.context);
            self.signal.second(at, &self.context);
            self.video.note_levels(at, &self.signal, &self.context);
            self.pose.second(at, &self.range, &self.context);
            self.live_on(start, at);
            self.note_silences(at);
            let events = self.margin.second(at, &self.signal, &self.range, &self.context);
            for event in events {
                self.keep(event);
            }
            self.second_of_links(at);
            self.tell_second(at);
        }
        self.advance_devices(to);
        self.video.advance(to);
        self.failsafe.advance(to, &self.context);
    }

    /// What a whole second says of the life of the session.
    fn live_on(&mut self, start: Nanos, at: Nanos) {
        for restart in self.loss.restarts_from(self.restarts_seen) {
            if restart.by_clock && self.context.is_autopilot(restart.sender) {
                self.context.life.restart(restart.at);
            }
            self.restarts_seen += 1;
        }
        let facts = self.facts(at);
        if self.range.second(at, &facts.levels, &self.context) {
            self.log(Event::HandsetMoves);
        }
        for told in self.context.life.second(start, at, &facts) {
            if let Some((from, not_before)) = told.switched_off() {
                self.video.switch_off(from, at, not_before);
            }
            self.keep(told.event(start));
        }
    }

    /// What this session says of each link's threshold, for the history.
    #[must_use]
    pub fn freeze_evidence(&self) -> Vec<crate::judge::margin::FreezeEvidence> {
        crate::judge::margin::evidence(&self.range, self.evidence(), &self.context)
    }

    /// All that this session tells the history.
    #[must_use]
    pub fn session_evidence(&self) -> SessionEvidence {
        SessionEvidence { links: self.freeze_evidence(), vibration: self.vibration.evidence() }
    }

    /// The profile in use, with the links that were named as they were heard.
    #[must_use]
    pub fn profile(&self) -> &Profile {
        &self.context.profile
    }

    /// The vehicle's system id, once it is known.
    #[must_use]
    pub fn vehicle(&self) -> Option<u8> {
        self.context.roles.vehicle()
    }

    /// Whole seconds that were gone through one by one: the work that stamps alone can cause.
    #[must_use]
    pub const fn seconds_walked(&self) -> u64 {
        self.seconds.walked()
    }

    /// Time since the first record; `None` before it.
    pub(crate) fn elapsed(&self) -> Option<Nanos> {
        Some(self.context.now - self.context.start?)
    }

    /// When a record would come, since the first one, if it came next.
    pub(crate) fn due(&self, record: &Record<'_>) -> Nanos {
        let Some(start) = self.context.start else { return Nanos::ZERO };
        self.stamps.due(record.interface, record.at, self.ticks.are_known()) - start
    }

    /// Seconds from the first record to the newest.
    #[must_use]
    pub fn now_s(&self) -> f64 {
        self.context.since_start_s(self.context.now)
    }
}

/// What stamps showed, as an event.
fn stamp_event(astray: Astray) -> Event {
    match astray {
        Astray::Late(by) => Event::StampBack { by_s: by.secs() },
        Astray::Alone(by) => Event::StampOff { by_s: by.secs() },
        Astray::Step(by) => Event::StampStep { by_s: -by.secs() },
        Astray::Hole(by) => Event::Hole { duration_s: by.secs() },
    }
}
