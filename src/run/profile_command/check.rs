//! `profile check`: what of a profile is heard, what is not, and what is heard and not in it.

use crate::monitor::{Heard, HeardPicture, HeardRadio, HeardSender, SenderKind};
use crate::profile::{LinkProfile, LinkRole, Profile};
use crate::record::InterfaceKind;
use crate::summary::Report;
use crate::units::hardware_address::address_text;
use crate::wording::quantity;

use super::draft::rc_level;
use super::inventory;

/// The outcome, a line each.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Checked {
    pub(super) heard: Vec<String>,
    pub(super) missing: Vec<String>,
    /// Heard, and not in the profile.
    pub(super) unnamed: Vec<String>,
}

impl Checked {
    /// Of something (`about`) a part was looked for, and this was found.
    fn note(&mut self, about: &str, part: &str, found: Option<String>) {
        match found {
            Some(found) => self.heard.push(format!("{about}: {found}")),
            None if part.is_empty() => self.missing.push(about.to_owned()),
            None => self.missing.push(format!("{about}: {part}")),
        }
    }
}

/// Holds a profile against what was heard; `is_live`: its sources were listened to.
pub(super) fn check(profile: &Profile, heard: &Heard, is_live: bool) -> Checked {
    let mut checked = Checked::default();
    if is_live {
        sources(&mut checked, heard);
    }
    systems(&mut checked, profile, heard);
    for link in &profile.link {
        one_link(&mut checked, link, profile, heard);
    }
    unnamed(&mut checked, profile, heard);
    checked
}

/// A joystick at rest may well send nothing.
fn sources(checked: &mut Checked, heard: &Heard) {
    for source in heard.sources.iter().filter(|source| source.kind != InterfaceKind::Joystick) {
        let what = format!("source {} ({})", source.name, source.url.as_deref().unwrap_or("?"));
        checked.note(&what, "", (source.bytes > 0).then(|| format!("{} bytes", source.bytes)));
    }
}

fn systems(checked: &mut Checked, profile: &Profile, heard: &Heard) {
    let of = |system: u8| {
        let sender = heard.senders.iter().find(|sender| sender.system == system)?;
        Some(format!("{}/{} on {}", sender.system, sender.component, sender.interface))
    };
    if let Some(system) = profile.vehicle.system {
        let autopilot = heard.autopilot.filter(|(own, _)| *own == system);
        let found = autopilot.map(|(system, component)| format!("autopilot {system}/{component}"));
        let other = (heard.other_vehicle == Some(system)).then(|| format!("an autopilot of system {system}"));
        checked.note(&format!("vehicle {system}"), "", found.or(other));
    }
    if let Some(system) = profile.handset.system {
        checked.note(&format!("handset {system}"), "", of(system));
    }
}

fn one_link(checked: &mut Checked, link: &LinkProfile, profile: &Profile, heard: &Heard) {
    let about = format!("link {}", link.name);
    if let Some(radio) = link.radio {
        let found = heard.radios.iter().find(|each| is_radio(each, radio.system, radio.component));
        let part = format!("radio {}/{}", radio.system, radio.component);
        checked.note(&about, &part, found.map(inventory::radio));
    }
    if link.rc_rssi {
        let vehicle = profile.vehicle.system.or_else(|| Some(heard.autopilot?.0));
        let found = vehicle.and_then(|vehicle| rc_level(heard, vehicle));
        checked.note(&about, "a level in RC_CHANNELS", found.map(inventory::radio));
    }
    if let Some(radiotap) = link.radiotap {
        let address = address_text(radiotap.transmitter.0);
        let part = format!("transmitter {address}");
        checked.note(&about, &part, heard.transmitters.contains(&address).then(|| part.clone()));
    }
    if let Some(card) = &link.wifi {
        let found = heard
            .radios
            .iter()
            .find(|radio| radio.report == Report::Kernel && radio.name.as_ref() == Some(card));
        checked.note(&about, &format!("card {card}"), found.map(inventory::radio));
    }
    for [system, component] in link.senders.iter().flatten() {
        let found = heard.senders.iter().find(|sender| {
            (sender.system, sender.component) == (*system, *component)
                && link.interface.as_ref().is_none_or(|interface| *interface == sender.interface)
        });
        checked.note(&about, &format!("sender {system}/{component}"), found.map(inventory::sender));
    }
    if let (Some(interface), None) = (&link.interface, &link.senders) {
        let found = heard.senders.iter().filter(|sender| sender.interface == *interface).count();
        let found = (found > 0).then(|| quantity::counted(found as u64, "sender", "senders"));
        let found = found.map(|found| format!("{found} on {interface}"));
        checked.note(&about, &format!("senders on {interface}"), found);
    }
    if link.role == LinkRole::Video {
        let part = match (link.port, link.ssrc) {
            (None, None) => return,
            (port, ssrc) => {
                let port = port.map_or_else(String::new, |port| format!(" to port {port}"));
                let ssrc = ssrc.map_or_else(String::new, |ssrc| format!(" of SSRC {ssrc:#x}"));
                format!("RTP packets{port}{ssrc}")
            }
        };
        let found = heard.pictures.iter().find(|picture| fits(link, picture));
        checked.note(&about, &part, found.map(inventory::picture));
    }
}

fn is_radio(radio: &HeardRadio, system: u8, component: u8) -> bool {
    radio.report == Report::RadioStatus && (radio.system, radio.component) == (system, component)
}

fn fits(link: &LinkProfile, picture: &HeardPicture) -> bool {
    let has = |port| port == picture.port || port == picture.from_port;
    link.port.is_none_or(has) && link.ssrc.is_none_or(|ssrc| ssrc == picture.ssrc)
}

/// What is heard and named nowhere, of what a profile can name.
fn unnamed(checked: &mut Checked, profile: &Profile, heard: &Heard) {
    let links = &profile.link;
    for radio in &heard.radios {
        let is_named = match radio.report {
            Report::RadioStatus => links
                .iter()
                .any(|link| link.radio.is_some_and(|named| is_radio(radio, named.system, named.component))),
            Report::Kernel => links.iter().any(|link| link.wifi == radio.name),
            Report::RcChannels => {
                let control = profile.control_link();
                radio.own.values < 2 || control.is_some_and(LinkProfile::has_level)
            }
            Report::Radiotap => true,
        };
        if !is_named {
            checked.unnamed.push(inventory::radio(radio));
        }
    }
    let videos: Vec<&LinkProfile> = links.iter().filter(|link| link.role == LinkRole::Video).collect();
    for picture in &heard.pictures {
        if !videos.iter().any(|link| fits(link, picture)) {
            checked.unnamed.push(inventory::picture(picture));
        }
    }
    for sender in &heard.senders {
        if !is_named(sender, profile) {
            checked.unnamed.push(inventory::sender(sender));
        }
    }
}

/// Whether a profile speaks of a sender, or needs not: radios have rows of their own.
fn is_named(sender: &HeardSender, profile: &Profile) -> bool {
    let in_link = |link: &LinkProfile| match &link.senders {
        Some(senders) => senders.contains(&[sender.system, sender.component]),
        None => link.interface.as_ref() == Some(&sender.interface),
    };
    match sender.kind {
        SenderKind::Radio => true,
        SenderKind::Ground => {
            profile.handset.system.is_none_or(|system| system == sender.system)
                || profile.link.iter().any(in_link)
        }
        _ => profile.link.iter().any(in_link),
    }
}
