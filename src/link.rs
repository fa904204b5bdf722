//! The pure core: stamped entries in, one summary or one bounded snapshot out.
//!
//! [`LinkMonitor`] knows no clock, no terminal, no file and no network. Time comes
//! with the entries; deadlines that passed since the last entry run first, at their
//! scheduled time, so that a late entry changes no figure. `summary` and `snapshot`
//! only read: when they are asked for changes nothing, which is what makes live,
//! replay and batch agree to the last digit.

pub mod align;
pub mod codec;
pub mod context;
pub mod crc;
pub mod framer;
pub mod metrics;
pub mod roles;
pub mod rtp;
pub mod telemetry;

mod lanes;
mod verdict;

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::Arc;

use crate::profile::{LinkProfile, LinkRole, Profile, RadioProfile};
use crate::record::{Body, Direction, Entry, Flow, InterfaceId, InterfaceKind, MarkKind, Note, Record};
use crate::summary::{EventSummary, Framing, LinkSummary, RecordingSummary, Summary, Threshold};
use crate::units::{LevelUnit, Nanos};

use align::Clocks;
use context::{Context, HostDrop, Sender};
use framer::{Frame, Framer};
use metrics::failsafe::FailsafeMeter;
use metrics::latency::LatencyMeter;
use metrics::loss::{Arrival, LossMeter, Traffic};
use metrics::margin::MarginMeter;
use metrics::power::PowerMeter;
use metrics::range::{Evidence, RangeMeter};
use metrics::signal::SignalMeter;
use metrics::vibration::VibrationMeter;
use metrics::video::VideoMeter;
use roles::Roles;
use telemetry::Telemetry;

/// Seconds that are ticked through one by one; a longer hole in the stamps is jumped over.
const LONGEST_TICKED_HOLE: Nanos = Nanos::from_secs(26 * 3600);
/// Events kept; later ones are counted, not kept.
const MOST_EVENTS: usize = 4096;
/// Framers kept: strangers on the network must not grow memory.
const MOST_FRAMERS: usize = 64;
const MOST_HOST_DROPS: usize = 65_536;
/// A stamp this much before the newest is an event.
const STAMP_BACK: Nanos = Nanos::from_secs(1);

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
    last: Option<Nanos>,
    down: Option<(Nanos, String)>,
    host_drops: Option<u64>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct FramerKey {
    interface: InterfaceId,
    direction: Direction,
    endpoints: Option<(SocketAddr, SocketAddr)>,
}

/// The core's face: everything that is known of one session.
#[derive(Clone, Debug, Default)]
pub struct LinkMonitor {
    context: Context,
    implied_links: bool,
    records: u64,
    sources: Vec<Source>,
    framers: BTreeMap<FramerKey, Framer>,
    clocks: Clocks,
    loss: LossMeter,
    latency: LatencyMeter,
    signal: SignalMeter,
    range: RangeMeter,
    video: VideoMeter,
    margin: MarginMeter,
    failsafe: FailsafeMeter,
    vibration: VibrationMeter,
    power: PowerMeter,
    events: Vec<EventSummary>,
    marks: Vec<(Nanos, MarkKind)>,
    transmits: Vec<String>,
    seconds_done: i64,
    bytes_lost: u64,
}

impl LinkMonitor {
    /// A core for one session. Without links in the profile it names them itself, as they are heard.
    #[must_use]
    pub fn new(profile: Arc<Profile>, thresholds: Arc<[Threshold]>) -> Self {
        let roles = Roles::with_vehicle(profile.vehicle.system);
        let implied_links = profile.link.is_empty();
        Self {
            context: Context { profile, thresholds, roles, ..Context::default() },
            implied_links,
            ..Self::default()
        }
    }

    /// Takes the next entry of the session.
    pub fn handle(&mut self, entry: &Entry<'_>) {
        match entry {
            Entry::Session(info) => {
                let mut info = info.clone();
                for (key, value) in &self.context.profile.tags {
                    info.tags.entry(key.clone()).or_insert_with(|| value.clone());
                }
                self.context.session = info;
            }
            Entry::Interface(id, info) => {
                let index = usize::from(id.0);
                while self.context.interfaces.len() <= index {
                    self.context.interfaces.push(info.clone());
                    self.sources.push(Source::default());
                }
                self.context.interfaces[index] = info.clone();
            }
            Entry::Record(record) => self.handle_record(record),
        }
    }

    fn handle_record(&mut self, record: &Record<'_>) {
        self.records += 1;
        let start = *self.context.start.get_or_insert_with(|| {
            self.context.now = record.at;
            record.at
        });
        if record.at < self.context.now - STAMP_BACK {
            let by = (self.context.now - record.at).secs();
            self.log("stamp-back", None, format!("a record is stamped {by:.3} s before the one before it"));
        }
        self.loss.begin(start);
        let at = record.at.max(self.context.now).max(start);
        self.advance(at);
        self.context.now = at;
        match &record.body {
            Body::Stream(bytes) => {
                self.heard(record, at, bytes.len());
                let key =
                    FramerKey { interface: record.interface, direction: record.direction, endpoints: None };
                self.frame(at, key, bytes);
            }
            Body::Datagram { flow, bytes } => {
                self.heard(record, at, bytes.len());
                self.handle_datagram(at, record, *flow, bytes);
            }
            Body::Other => {}
            Body::Note(note) => self.handle_note(at, note),
        }
    }

    fn heard(&mut self, record: &Record<'_>, at: Nanos, bytes: usize) {
        if record.direction == Direction::Inbound
            && let Some(source) = self.sources.get_mut(usize::from(record.interface.0))
        {
            source.bytes += bytes as u64;
            source.last = Some(at);
        }
    }

    fn handle_datagram(&mut self, at: Nanos, record: &Record<'_>, flow: Flow, bytes: &[u8]) {
        if self.video.observe_datagram(at, record.interface, flow, bytes, &self.context) {
            if self.video.has_stream() {
                self.imply(LinkRole::Video, "video", None, None);
            }
            return;
        }
        let key = FramerKey {
            interface: record.interface,
            direction: record.direction,
            endpoints: Some((flow.source, flow.destination)),
        };
        self.frame(at, key, bytes);
    }

    fn frame(&mut self, at: Nanos, key: FramerKey, bytes: &[u8]) {
        if !self.framers.contains_key(&key) && self.framers.len() >= MOST_FRAMERS {
            return;
        }
        // Taken out so that the sink may borrow the rest of the core.
        let mut framer = self.framers.remove(&key).unwrap_or_else(|| match key.endpoints {
            None => Framer::stream(),
            Some(_) => Framer::datagrams(),
        });
        framer.push(bytes, &mut |frame| self.handle_frame(at, key, frame));
        self.framers.insert(key, framer);
    }

    fn handle_frame(&mut self, at: Nanos, key: FramerKey, frame: &Frame<'_>) {
        let header = frame.header;
        let sender = Sender {
            interface: key.interface,
            direction: key.direction,
            system: header.system,
            component: header.component,
        };
        let telemetry = codec::decode(frame);
        let boot = telemetry.as_ref().and_then(Telemetry::boot_stamp);
        let endpoint = key.endpoints.map(|(source, _)| source);
        if self.loss.observe(at, sender, endpoint, frame, boot) == Arrival::Duplicate {
            return;
        }
        let Some(telemetry) = telemetry else { return };
        self.context.roles.observe(header.system, header.component, &telemetry);
        self.imply_links(sender, &telemetry);
        self.clocks.observe(at, sender, &telemetry);
        self.latency.observe(at, sender, &telemetry, &self.clocks, &self.context);
        self.signal.observe(at, sender, &telemetry, &self.context);
        self.range.observe(at, sender, &telemetry, &self.context);
        self.video.observe(at, &telemetry);
        self.failsafe.observe(at, sender, &telemetry, &self.context);
        self.vibration.observe(at, sender, &telemetry, &self.context);
        self.power.observe(at, sender, &telemetry);
        if let Telemetry::StatusText { severity, text } = &telemetry
            && *severity <= 4
            && self.context.roles.vehicle() == Some(header.system)
        {
            self.log("vehicle", None, clean(text));
        }
    }

    /// Without a profile, names a link for what is heard, so that it has a lane.
    fn imply_links(&mut self, sender: Sender, telemetry: &Telemetry) {
        if !self.implied_links {
            return;
        }
        let radio = RadioProfile { system: sender.system, component: sender.component, mounted: None };
        match telemetry {
            Telemetry::Heartbeat { .. } if self.context.roles.vehicle() == Some(sender.system) => {
                let interface = self.context.interface_name(sender.interface).to_owned();
                self.imply(LinkRole::Telemetry, "telemetry", Some(interface), None);
            }
            Telemetry::Radio { .. } => {
                let name = format!("radio {}/{}", sender.system, sender.component);
                self.imply(LinkRole::Telemetry, &name, None, Some(radio));
            }
            _ => {}
        }
    }

    fn imply(&mut self, role: LinkRole, name: &str, interface: Option<String>, radio: Option<RadioProfile>) {
        const MOST_IMPLIED: usize = 6;
        let links = &self.context.profile.link;
        if !self.implied_links || links.len() >= MOST_IMPLIED || links.iter().any(|link| link.name == name) {
            return;
        }
        Arc::make_mut(&mut self.context.profile).link.push(LinkProfile {
            name: name.to_owned(),
            role,
            radio,
            rc_rssi: false,
            level: None,
            port: None,
            ssrc: None,
            interface,
            senders: None,
            claimed_range_m: None,
            reduced_power_db: None,
            limits: None,
        });
    }

    fn handle_note(&mut self, at: Nanos, note: &Note) {
        match note {
            Note::Tick | Note::End => {}
            Note::Mark { kind, text } => {
                self.marks.push((at, *kind));
                let words = match kind {
                    MarkKind::PictureFroze => {
                        self.video.mark_froze(at);
                        "the picture froze"
                    }
                    MarkKind::PictureShook => {
                        self.vibration.mark_shook(at);
                        "the picture shook"
                    }
                    MarkKind::HandsetHere => {
                        self.range.mark_handset_here(at);
                        "the handset is here"
                    }
                    MarkKind::Remark => "note",
                };
                let text = clean(text);
                let text = if text.is_empty() { words.to_owned() } else { format!("{words}: {text}") };
                self.log("mark", None, text);
            }
            Note::SourceDown { interface, reason } => {
                let name = self.context.interface_name(*interface).to_owned();
                let reason = clean(reason);
                if let Some(source) = self.sources.get_mut(usize::from(interface.0)) {
                    source.down = Some((at, reason.clone()));
                }
                self.log("source", None, format!("{name} is gone: {reason}"));
            }
            Note::SourceUp { interface } => {
                let name = self.context.interface_name(*interface).to_owned();
                if let Some(source) = self.sources.get_mut(usize::from(interface.0)) {
                    source.down = None;
                }
                self.log("source", None, format!("{name} is back"));
            }
            Note::HostDrops { interface, total } => self.host_dropped(at, *interface, *total),
            Note::BytesLost { bytes } => {
                self.bytes_lost += bytes;
                self.log("recorder", None, format!("{bytes} bytes are missing from the recording here"));
            }
            Note::WallClockStep { by } => {
                self.log(
                    "clock-step",
                    None,
                    format!("the wall clock was set by {:.3} s; stamps do not follow", by.secs()),
                );
            }
            Note::Transmits { what } => {
                let what = clean(what);
                if !self.transmits.contains(&what) && self.transmits.len() < 8 {
                    self.log("transmits", None, what.clone());
                    self.transmits.push(what);
                }
            }
            Note::Acknowledged { link } => {
                self.margin.acknowledge(link);
                self.log("acknowledged", Some(clean(link)), "acknowledged".to_owned());
            }
            Note::Foreign { text } => self.log("comment", None, clean(text)),
        }
    }

    fn host_dropped(&mut self, at: Nanos, interface: InterfaceId, total: u64) {
        let Some(source) = self.sources.get_mut(usize::from(interface.0)) else { return };
        let count = total.saturating_sub(source.host_drops.unwrap_or(0));
        source.host_drops = Some(total);
        if count == 0 {
            return;
        }
        if self.context.host_drops.len() < MOST_HOST_DROPS {
            self.context.host_drops.push(HostDrop { at, interface, count });
        }
        let name = self.context.interface_name(interface).to_owned();
        self.log("host-drop", None, format!("this computer lost data of {name} itself ({count})"));
    }

    fn log(&mut self, kind: &str, link: Option<String>, text: String) {
        if self.events.len() < MOST_EVENTS {
            let at_s = self.context.since_start_s(self.context.now);
            self.events.push(EventSummary { at_s, kind: kind.to_owned(), link, text });
        }
    }

    /// Runs every deadline up to a stamp, each at its own time.
    fn advance(&mut self, to: Nanos) {
        let Some(start) = self.context.start else { return };
        let hole = to - self.context.now;
        if hole > LONGEST_TICKED_HOLE {
            self.log("hole", None, format!("no record for {:.0} s", hole.secs()));
            self.seconds_done = (to - start).0 / 1_000_000_000;
        }
        loop {
            let at = start + Nanos::from_secs(self.seconds_done + 1);
            if at > to {
                break;
            }
            self.seconds_done += 1;
            self.context.now = at;
            self.video.advance(at);
            self.failsafe.advance(at, &self.context);
            self.signal.second(at, &self.context);
            self.range.second(at, &self.context);
            let events = self.margin.second(at, &self.signal, &self.range, &self.context);
            for event in events {
                if self.events.len() < MOST_EVENTS {
                    self.events.push(event);
                }
            }
        }
        self.video.advance(to);
        self.failsafe.advance(to, &self.context);
    }

    fn evidence(&self) -> Evidence<'_> {
        Evidence {
            signal: &self.signal,
            loss: &self.loss,
            video: &self.video,
            latency: &self.latency,
            failsafe: &self.failsafe,
        }
    }

    fn framing(&self) -> (Framing, bool) {
        let mut total = Framing::default();
        let mut inside = false;
        for framer in self.framers.values() {
            let (counts, open) = framer.finished();
            total.frames += counts.frames;
            total.crc_errors += counts.crc_errors;
            total.skipped_bytes += counts.skipped_bytes;
            total.unknown_ids += counts.unknown_ids;
            inside |= open;
        }
        (total, inside)
    }

    /// A link's traffic: RTP packets for the video link, else its senders' frames.
    fn traffic(&self, link: &LinkProfile) -> Option<Traffic> {
        if link.role == LinkRole::Video
            && self.context.profile.video_link().is_some_and(|video| video.name == link.name)
            && let Some(traffic) = self.video.traffic(&self.context)
        {
            return Some(traffic);
        }
        self.loss.traffic(&self.context, link)
    }

    /// All figures, as of the last record.
    #[must_use]
    pub fn summary(&self, facts: &RecordingFacts) -> Summary {
        let context = &self.context;
        let (framing, inside) = self.framing();
        let start_utc = context.start.filter(|_| context.session.has_wall_clock).map(utc_text);
        let known_drops: Vec<u64> = self.sources.iter().filter_map(|source| source.host_drops).collect();
        let distances = self.range.seconds(context);
        let video_streams = self.video.summary(context, &self.signal, &distances);
        let mut summary = Summary {
            schema: 1,
            recording: RecordingSummary {
                file: facts.file.clone(),
                start_utc,
                duration_s: context.since_start_s(context.now),
                bytes: facts.bytes,
                records: self.records,
                truncated: facts.truncated || (inside && self.is_bare()),
                host_drops: (!known_drops.is_empty()).then(|| known_drops.iter().sum()),
                tags: context.session.tags.clone(),
            },
            framing,
            streams: self.loss.summary(context),
            links: Vec::new(),
            clocks: self.clocks.summary(context),
            latency: self.latency.summary(&self.clocks, context),
            control_holds: self.latency.holds(),
            signal: self.signal.summary(context),
            range: self.range.summary(context, self.evidence()),
            video: video_streams.first().filter(|_| context.profile.video_link().is_some()).cloned(),
            video_streams,
            freeze_threshold: context
                .profile
                .video_link()
                .and_then(|link| context.threshold(&link.name))
                .cloned(),
            thresholds: context.thresholds.to_vec(),
            failsafe: self.failsafe.summary(context),
            vibration: self.vibration.summary(),
            power: self.power.summary(context),
            events: self.all_events(),
            verdicts: Vec::new(),
        };
        if self.implied_links {
            for stream in &mut summary.streams {
                stream.link = None;
            }
            for signal in &mut summary.signal {
                signal.link = None;
            }
        } else {
            summary.links = self.link_rows();
        }
        summary.verdicts = verdict::verdicts(self, &summary);
        summary
    }

    /// Bare bytes: one stream and no wall clock.
    fn is_bare(&self) -> bool {
        !self.context.session.has_wall_clock
            && self.context.interfaces.iter().all(|info| info.kind == InterfaceKind::Stream)
    }

    fn link_rows(&self) -> Vec<LinkSummary> {
        let row = |(index, link): (usize, &LinkProfile)| {
            let traffic = self.traffic(link);
            let (margin, warnings, alarms) = self.margin.summary(index);
            let in_db = link.unit() == LevelUnit::Dbm;
            LinkSummary {
                link: link.name.clone(),
                role: link.role.word().to_owned(),
                loss: traffic.and_then(|traffic| traffic.loss),
                availability_ratio: traffic.and_then(|traffic| traffic.availability_ratio),
                longest_silence_s: traffic.and_then(|traffic| traffic.longest_silence_s),
                silent_at_end_s: traffic.and_then(|traffic| traffic.silent_at_end_s),
                margin_db: margin.filter(|_| in_db),
                margin_raw: margin.filter(|_| !in_db),
                warnings,
                alarms,
            }
        };
        self.context.profile.link.iter().enumerate().map(row).collect()
    }

    /// Logged events, with the freezes and restarts that metrics keep, in order of time.
    fn all_events(&self) -> Vec<EventSummary> {
        let mut events = self.events.clone();
        let context = &self.context;
        let video = context.profile.video_link().map(|link| link.name.clone());
        for span in self.video.freezes(context).iter().filter(|span| !span.by_mark).take(MOST_EVENTS) {
            let length = (span.end - span.start).secs();
            let open = if span.ended { "" } else { ", not over yet" };
            events.push(EventSummary {
                at_s: context.since_start_s(span.start),
                kind: "freeze".to_owned(),
                link: video.clone(),
                text: format!("picture frozen for {length:.2} s{open}"),
            });
        }
        for (at, sender) in self.loss.restarts() {
            events.push(EventSummary {
                at_s: context.since_start_s(at),
                kind: "restart".to_owned(),
                link: None,
                text: format!("sender {}/{} restarted", sender.system, sender.component),
            });
        }
        events.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        events
    }

    /// What this session says of each link's freeze level, for the history.
    #[must_use]
    pub fn freeze_evidence(&self) -> Vec<metrics::margin::FreezeEvidence> {
        metrics::margin::evidence(&self.signal, &self.range, &self.video, &self.context)
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

    /// Seconds from the first record to the newest.
    #[must_use]
    pub fn now_s(&self) -> f64 {
        self.context.since_start_s(self.context.now)
    }
}

/// A stamp as RFC 3339 text in UTC, with milliseconds.
#[must_use]
pub fn utc_text(at: Nanos) -> String {
    let millis = at.0.div_euclid(1_000_000);
    jiff::Timestamp::from_millisecond(millis).map_or_else(|_| "?".to_owned(), |stamp| format!("{stamp:.3}"))
}

/// Text from outside without control characters, at most 200 characters.
#[must_use]
pub fn clean(text: &str) -> String {
    let mut cleaned: String =
        text.chars()
            .map(|character| {
                if character.is_control() || is_format_character(character) { '\u{fffd}' } else { character }
            })
            .take(200)
            .collect();
    cleaned.truncate(cleaned.trim_end().len());
    cleaned
}

/// Characters that reorder or hide what stands beside them on a terminal.
const fn is_format_character(character: char) -> bool {
    matches!(character, '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}')
}
