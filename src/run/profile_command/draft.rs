//! A profile as it is made: what the evidence decides, and beside it, as comments, what it does not.
//!
//! What is evident: the vehicle is the first that says that it has an autopilot; the telemetry is what its components
//! send, radios apart; the sticks come from where RC_CHANNELS_OVERRIDE, MANUAL_CONTROL or a joystick is heard; a level in
//! RC_CHANNELS that changes is the control link's; a lone radio that reports where the autopilot is heard is the
//! telemetry's. Where several radios report nothing shows which is whose, and each becomes a link of its own, named as
//! without a profile. Rules of the trade, common practice, no source; where a radio is mounted: by its reports in a silence
//! of the vehicle, else the default of the profile.

use crate::measure::roles::FIRST_AUTOPILOT;
use crate::monitor::{Heard, HeardPicture, HeardRadio, HeardSender, SenderKind};
use crate::profile::{LevelScale, LinkRole, Mounted};
use crate::record::InterfaceKind;
use crate::source::SourceUrl;
use crate::summary::Report;

const HEARTBEAT: u32 = 0;
/// Reports that go on while the vehicle is silent for so long come from this side.
const SILENCE_S: f64 = 5.0;
/// A radio that never misses so long reports steadily.
const STEADY_S: f64 = 3.0;

/// Where a link's level comes from.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum LevelFrom {
    /// A radio's reports.
    Radio { system: u8, component: u8, mounted: Mounted },
    /// RC_CHANNELS.
    RcChannels,
    /// Frames of a transmitter, heard in monitor mode.
    Transmitter(String),
    /// The kernel's figure of a card.
    Card(String),
}

impl LevelFrom {
    /// Whether its scale to dBm must be given.
    pub(super) const fn is_in_units(&self) -> bool {
        matches!(self, Self::Radio { .. } | Self::RcChannels)
    }
}

/// One link.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct DraftLink {
    pub(super) name: String,
    pub(super) role: LinkRole,
    pub(super) interface: Option<String>,
    pub(super) senders: Vec<[u8; 2]>,
    pub(super) port: Option<u16>,
    pub(super) ssrc: Option<u32>,
    pub(super) level: Option<LevelFrom>,
    /// Why its level comes from there, as comments.
    pub(super) level_notes: Vec<String>,
    pub(super) scale: Option<LevelScale>,
    /// Lines behind it, as comments.
    pub(super) notes: Vec<String>,
}

impl DraftLink {
    fn new(name: &str, role: LinkRole) -> Self {
        Self {
            name: name.to_owned(),
            role,
            interface: None,
            senders: Vec::new(),
            port: None,
            ssrc: None,
            level: None,
            level_notes: Vec::new(),
            scale: None,
            notes: Vec::new(),
        }
    }

    fn set_level(&mut self, level: LevelFrom, why: &[&str]) {
        self.level = Some(level);
        self.level_notes = why.iter().filter(|why| !why.is_empty()).map(|why| (*why).to_owned()).collect();
    }
}

/// The whole profile.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Draft {
    /// What it was made from.
    pub(super) heard_in: String,
    /// Key and URL.
    pub(super) sources: Vec<(&'static str, String)>,
    pub(super) vehicle: Option<u8>,
    pub(super) failsafe_us: Vec<(u8, u16)>,
    pub(super) handset: Option<u8>,
    pub(super) place: Option<[f64; 3]>,
    pub(super) links: Vec<DraftLink>,
    pub(super) tags: Vec<(String, String)>,
    /// Whether anything was heard that has a level.
    pub(super) has_levels: bool,
    /// Lines of a table, as comments.
    pub(super) vehicle_notes: Vec<String>,
    pub(super) handset_notes: Vec<String>,
    /// Tags of the recording, as comments.
    pub(super) tags_heard: Vec<(String, String)>,
}

/// The same with another system as the vehicle.
pub(super) fn with_vehicle(mut heard: Heard, system: u8) -> Heard {
    let beats = |sender: &&HeardSender| {
        sender.system == system && sender.messages.iter().any(|(id, _)| *id == HEARTBEAT)
    };
    let autopilot = heard.senders.iter().filter(beats).map(|sender| sender.component).min();
    let before = heard.autopilot.replace((system, autopilot.unwrap_or(FIRST_AUTOPILOT)));
    heard.other_vehicle = before.map(|(other, _)| other);
    for sender in &mut heard.senders {
        sender.kind = match sender.kind {
            SenderKind::Autopilot | SenderKind::OfVehicle => SenderKind::Other,
            SenderKind::Other if Some((sender.system, sender.component)) == heard.autopilot => {
                SenderKind::Autopilot
            }
            SenderKind::Other if sender.system == system => SenderKind::OfVehicle,
            kind => kind,
        };
    }
    heard
}

/// Radios whose link is asked for: those that report themselves, and cards.
pub(super) fn radios(heard: &Heard) -> Vec<&HeardRadio> {
    let is_one = |radio: &&HeardRadio| matches!(radio.report, Report::RadioStatus | Report::Kernel);
    heard.radios.iter().filter(is_one).collect()
}

/// The level in the vehicle's RC_CHANNELS, where one ever came.
pub(super) fn rc_level(heard: &Heard, vehicle: u8) -> Option<&HeardRadio> {
    heard
        .radios
        .iter()
        .find(|radio| radio.report == Report::RcChannels && radio.system == vehicle && radio.own.samples > 0)
}

/// Where a radio is mounted, and why that is said.
pub(super) fn mounted(radio: &HeardRadio, heard: &Heard) -> (Mounted, &'static str) {
    let is_vehicles = heard.autopilot.is_some_and(|(system, _)| system == radio.system);
    let of = |system, component| {
        heard.senders.iter().find(|sender| {
            (sender.system, sender.component, &sender.interface) == (system, component, &radio.interface)
        })
    };
    let autopilot = heard.autopilot.and_then(|(system, component)| of(system, component));
    let own = of(radio.system, radio.component);
    let goes_on = own.zip(autopilot).is_some_and(|(own, autopilot)| {
        own.longest_silence_s < STEADY_S && autopilot.longest_silence_s > SILENCE_S
    });
    match (is_vehicles, goes_on) {
        (false, true) => (Mounted::Ground, "it went on reporting while the vehicle was silent"),
        (true, _) => (Mounted::Vehicle, "not evident: the default, as its system is the vehicle's"),
        (false, false) => (Mounted::Ground, "not evident: the default, as its system is not the vehicle's"),
    }
}

/// The one radio that is evidently the telemetry's.
pub(super) fn telemetry_radio(heard: &Heard) -> Option<&HeardRadio> {
    let all: Vec<&HeardRadio> = radios(heard);
    let [radio] = all[..] else { return None };
    let is_there =
        |sender: &HeardSender| sender.kind == SenderKind::Autopilot && sender.interface == radio.interface;
    (radio.report == Report::RadioStatus && heard.senders.iter().any(is_there)).then_some(radio)
}

/// The picture that is the link's: the one with the most packets.
pub(super) fn main_picture(heard: &Heard) -> Option<usize> {
    (0..heard.pictures.len()).max_by_key(|&index| (heard.pictures[index].packets, std::cmp::Reverse(index)))
}

impl Draft {
    /// What the evidence decides; `picture` is the number of the video stream that is the link's.
    pub(super) fn of(heard: &Heard, picture: Option<usize>) -> Self {
        let vehicle = heard.autopilot.map(|(system, _)| system);
        let mut draft = Self { vehicle, has_levels: !heard.radios.is_empty(), ..Self::default() };
        draft.take_sources(heard);
        if let Some((system, component)) = heard.autopilot {
            draft.vehicle_notes.push(format!("autopilot {system}/{component}"));
        } else {
            draft.vehicle_notes.push("no autopilot was heard: give its system id, such as".to_owned());
            draft.vehicle_notes.push("system = 1".to_owned());
        }
        if let Some(other) = heard.other_vehicle {
            draft.vehicle_notes.push(format!("another vehicle was heard too: system {other}"));
        }
        draft.take_control(heard);
        draft.take_picture(heard, picture);
        draft.take_telemetry(heard);
        draft.tags_heard.clone_from(&heard.tags);
        draft
    }

    /// Where the sources of a recording of this program were read from. What ends, or is no URL, is no source of `live`.
    fn take_sources(&mut self, heard: &Heard) {
        for key in ["vehicle", "handset", "video", "level"] {
            let source = heard.sources.iter().find(|source| source.name == key);
            let Some(url) = source.and_then(|source| source.url.as_deref()) else { continue };
            let ends = matches!(url.parse(), Err(_) | Ok(SourceUrl::File(_) | SourceUrl::Stdin));
            if !ends {
                self.sources.push((key, url.to_owned()));
            }
        }
    }

    fn take_control(&mut self, heard: &Heard) {
        let is_joystick = |kind| kind == InterfaceKind::Joystick;
        let joystick = heard.sources.iter().find(|source| is_joystick(source.kind));
        let sticks = heard.senders.iter().find(|sender| sender.sends_sticks());
        let has_autopilot = |name: &str| {
            heard
                .senders
                .iter()
                .any(|sender| sender.kind == SenderKind::Autopilot && sender.interface == name)
        };
        let mut link = DraftLink::new("control", LinkRole::Control);
        let mut is_seen = joystick.is_some();
        if let Some(joystick) = joystick {
            link.notes.push(format!("the sticks are a joystick, heard as {}", joystick.name));
        }
        if let Some(sender) = sticks {
            is_seen = true;
            let (system, component, interface) = (sender.system, sender.component, &sender.interface);
            let what = format!("{system}/{component} sends the sticks, heard on {interface}");
            if sender.kind == SenderKind::Ground && !has_autopilot(interface) {
                self.handset = Some(system);
                self.handset_notes.push(what);
                link.interface = Some(interface.clone());
            } else {
                self.handset_notes.push(format!("not evident whether it is the handset: {what}"));
                self.handset_notes.push(format!("system = {system}"));
            }
        }
        if heard.senders.iter().any(|sender| sender.kind == SenderKind::Autopilot && sender.reports_input()) {
            is_seen = true;
            link.notes.push("the vehicle reports its input in RC_CHANNELS".to_owned());
        }
        let level = heard.autopilot.and_then(|(system, _)| rc_level(heard, system));
        if level.is_some_and(|level| level.own.values > 1) {
            link.set_level(LevelFrom::RcChannels, &["a level comes with the vehicle's RC_CHANNELS"]);
        } else if level.is_some_and(|level| level.own.median != Some(0.0)) {
            link.notes.push("not evident: RC_CHANNELS has a level that never changed:".to_owned());
            link.notes.push("rc_rssi = true".to_owned());
        }
        if is_seen {
            self.links.push(link);
        }
    }

    fn take_picture(&mut self, heard: &Heard, chosen: Option<usize>) {
        let Some(picture) = chosen.and_then(|index| heard.pictures.get(index)) else { return };
        let mut link = DraftLink::new("video", LinkRole::Video);
        link.port = Some(picture.port);
        let shares = |other: &HeardPicture| other.port == picture.port && other.ssrc != picture.ssrc;
        if heard.pictures.iter().any(shares) {
            link.ssrc = Some(picture.ssrc);
        }
        for other in heard.pictures.iter().filter(|other| *other != picture) {
            link.notes.push(format!("heard too: SSRC {:#x} to port {}", other.ssrc, other.port));
        }
        if let Some(transmitter) = &heard.picture_by {
            let level = LevelFrom::Transmitter(transmitter.clone());
            link.set_level(level, &["this transmitter carries the picture"]);
        }
        self.links.push(link);
    }

    /// One link for each interface on which the autopilot is heard.
    fn take_telemetry(&mut self, heard: &Heard) {
        let Some((vehicle, _)) = heard.autopilot else { return };
        let autopilots = heard.senders.iter().filter(|sender| sender.kind == SenderKind::Autopilot);
        let ways: Vec<&str> = autopilots.map(|sender| sender.interface.as_str()).collect();
        for (index, way) in ways.iter().enumerate() {
            let name = if index == 0 { "telemetry".to_owned() } else { format!("telemetry {}", index + 1) };
            let mut link = DraftLink::new(&name, LinkRole::Telemetry);
            link.interface = (ways.len() > 1).then(|| (*way).to_owned());
            let of_vehicle = heard.senders.iter().filter(|sender| {
                sender.system == vehicle
                    && sender.interface == *way
                    && matches!(sender.kind, SenderKind::Autopilot | SenderKind::OfVehicle)
            });
            link.senders = of_vehicle.map(|sender| [sender.system, sender.component]).collect();
            if let Some(transmitter) = heard.telemetry_by.as_ref().filter(|_| index == 0) {
                let level = LevelFrom::Transmitter(transmitter.clone());
                link.set_level(level, &["this transmitter carries the telemetry"]);
            }
            self.links.push(link);
        }
    }

    /// Gives a level to the link of this number, or makes one of this name for it.
    pub(super) fn give(&mut self, level: LevelFrom, link: Result<usize, &str>, why: &[&str]) {
        let index = link.unwrap_or_else(|name| {
            let is_taken = |name: &str| self.links.iter().any(|link| link.name == name);
            let others = (2..).map(|number| format!("{name} {number}"));
            let free = [name.to_owned()].into_iter().chain(others).find(|name| !is_taken(name));
            self.links.push(DraftLink::new(&free.unwrap_or_default(), LinkRole::Telemetry));
            self.links.len() - 1
        });
        self.links[index].set_level(level, why);
    }

    /// The place of a role's link, that of this interface before others; made where there is none.
    pub(super) fn link_made(&mut self, role: LinkRole, interface: &str) -> usize {
        let is_of = |link: &DraftLink| link.role == role && link.interface.as_deref() == Some(interface);
        let there = self.links.iter().position(is_of);
        there.or_else(|| self.links.iter().position(|link| link.role == role)).unwrap_or_else(|| {
            self.links.push(DraftLink::new(role.word(), role));
            self.links.len() - 1
        })
    }

    /// The URLs that were typed or chosen go before what a recording says.
    pub(super) fn set_source(&mut self, key: &'static str, url: &SourceUrl) {
        let text = match url {
            SourceUrl::File(path) => full(path),
            other => other.to_string(),
        };
        self.sources.retain(|(known, _)| *known != key);
        self.sources.push((key, text));
    }
}

/// What a radio is called as a link of its own, as without a profile.
pub(super) fn name_of(radio: &HeardRadio) -> String {
    radio.name.clone().unwrap_or_else(|| format!("radio {}/{}", radio.system, radio.component))
}

/// A path that holds wherever the program is started.
fn full(path: &std::path::Path) -> String {
    std::path::absolute(path).unwrap_or_else(|_| path.to_owned()).display().to_string()
}
