//! A profile as TOML with comments. Whatever a recording holds stays text: strings are escaped as TOML 1.0 says, and a
//! comment is one line without anything that a terminal obeys.

use std::fmt::Write as _;

use crate::profile::{LinkRole, Mounted};
use crate::record::text::{clean, is_printable};

use super::draft::{Draft, DraftLink, LevelFrom};

/// A basic string of TOML 1.0.
fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for letter in text.chars() {
        match letter {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            letter if is_printable(letter) => out.push(letter),
            letter => {
                let _ = write!(out, "\\U{:08X}", u32::from(letter));
            }
        }
    }
    out.push('"');
    out
}

fn line(out: &mut String, text: &str) {
    out.push_str(text);
    out.push('\n');
}

fn comment(out: &mut String, text: &str) {
    line(out, format!("# {}", clean(text)).trim_end());
}

fn comments(out: &mut String, lines: &[String]) {
    for text in lines {
        comment(out, text);
    }
}

/// A number that TOML reads as one with a fraction.
fn number(value: f64) -> String {
    if value.fract() == 0.0 { format!("{value:.1}") } else { format!("{value}") }
}

/// The whole file.
pub(super) fn written(draft: &Draft) -> String {
    let mut out = String::new();
    comment(&mut out, &format!("Made by fadewatch profile new, from {}.", draft.heard_in));
    comment(&mut out, "All keys and their defaults: fadewatch explain profile.");
    comment(&mut out, "Whether all of it is heard: fadewatch profile check.");
    comment(&mut out, "What is said to be not evident is yours to decide.");
    sources(&mut out, draft);
    vehicle(&mut out, draft);
    handset(&mut out, draft);
    for link in &draft.links {
        one_link(&mut out, link, draft.has_levels);
    }
    tags(&mut out, draft);
    out
}

fn sources(out: &mut String, draft: &Draft) {
    line(out, "\n[sources]");
    comment(out, "where fadewatch live listens; what is typed goes before (fadewatch explain sources)");
    for (key, url) in &draft.sources {
        line(out, &format!("{key} = {}", quoted(url)));
    }
    let is_numbered = |(_, url): &(&str, String)| {
        ["evdev:/dev/input/event", "serial:/dev/ttyUSB", "serial:/dev/ttyACM"]
            .iter()
            .any(|begin| url.starts_with(begin))
    };
    if draft.sources.iter().any(is_numbered) {
        comment(out, "such numbers may change: names under /dev/serial/by-id and /dev/input/by-id stay");
    }
    let has = |key: &str| draft.sources.iter().any(|(known, _)| *known == key);
    for (key, example) in [
        ("vehicle", "udp://0.0.0.0:14550"),
        ("handset", "evdev:/dev/input/event3"),
        ("video", "udp://0.0.0.0:5004"),
    ] {
        if !has(key) {
            comment(out, &format!("{key} = {}", quoted(example)));
        }
    }
}

fn vehicle(out: &mut String, draft: &Draft) {
    line(out, "\n[vehicle]");
    if let Some(system) = draft.vehicle {
        line(out, &format!("system = {system}"));
    }
    comments(out, &draft.vehicle_notes);
    if draft.failsafe_us.is_empty() {
        comment(out, "outputs in failsafe by servo number, microseconds, as the vehicle is set up:");
        comment(out, "failsafe_servo_us = { 3 = 1000 }");
        return;
    }
    let pairs: Vec<String> = draft.failsafe_us.iter().map(|(servo, us)| format!("{servo} = {us}")).collect();
    line(out, &format!("failsafe_servo_us = {{ {} }}", pairs.join(", ")));
}

fn handset(out: &mut String, draft: &Draft) {
    line(out, "\n[handset]");
    if let Some(system) = draft.handset {
        line(out, &format!("system = {system}"));
    }
    comments(out, &draft.handset_notes);
    match draft.place {
        Some([lat, lon, alt]) => {
            line(out, &format!("lat = {}", number(lat)));
            line(out, &format!("lon = {}", number(lon)));
            line(out, &format!("alt = {}", number(alt)));
        }
        None => {
            comment(out, "where it stands is found (fadewatch explain distance), or given: lat, lon, alt");
        }
    }
}

fn one_link(out: &mut String, link: &DraftLink, has_levels: bool) {
    line(out, "\n[[link]]");
    line(out, &format!("name = {}", quoted(&link.name)));
    line(out, &format!("role = {}", quoted(link.role.word())));
    if let Some(interface) = &link.interface {
        line(out, &format!("interface = {}", quoted(interface)));
    }
    if !link.senders.is_empty() {
        let pairs: Vec<String> =
            link.senders.iter().map(|[system, component]| format!("[{system}, {component}]")).collect();
        line(out, &format!("senders = [{}]", pairs.join(", ")));
    }
    if let Some(port) = link.port {
        line(out, &format!("port = {port}"));
    }
    if let Some(ssrc) = link.ssrc {
        line(out, &format!("ssrc = {ssrc:#x}"));
    }
    match &link.level {
        None => {
            let why =
                if has_levels { "not evident whose report gives its level" } else { "no level was heard" };
            comment(out, &format!("{why}: {}", level_keys(link.role)));
        }
        Some(level) => line(out, &level_line(level)),
    }
    comments(out, &link.level_notes);
    comments(out, &link.notes);
    if let Some(scale) = link.scale {
        let (slope, offset) = (number(scale.slope_db), number(scale.offset_dbm));
        line(out, &format!("level = {{ slope_db = {slope}, offset_dbm = {offset} }}"));
    } else if link.level.as_ref().is_some_and(LevelFrom::is_in_units) {
        comment(out, "in device units until level = { slope_db, offset_dbm } says its scale to dBm");
    }
    comment(out, "its maker's claim, in metres: claimed_range_m = 1000");
}

fn level_line(level: &LevelFrom) -> String {
    match level {
        LevelFrom::Radio { system, component, mounted } => {
            let mounted = match mounted {
                Mounted::Ground => "ground",
                Mounted::Vehicle => "vehicle",
            };
            format!("radio = {{ system = {system}, component = {component}, mounted = \"{mounted}\" }}")
        }
        LevelFrom::RcChannels => "rc_rssi = true".to_owned(),
        LevelFrom::Transmitter(address) => format!("radiotap = {{ transmitter = {} }}", quoted(address)),
        LevelFrom::Card(card) => format!("wifi = {}", quoted(card)),
    }
}

const fn level_keys(role: LinkRole) -> &'static str {
    match role {
        LinkRole::Control => "radio or rc_rssi",
        LinkRole::Video | LinkRole::Telemetry => "radio, radiotap or wifi",
    }
}

fn tags(out: &mut String, draft: &Draft) {
    line(out, "\n[tags]");
    comment(out, "the equipment: only sessions with the same tags give limits, such as antenna = \"patch\"");
    for (key, value) in &draft.tags {
        line(out, &format!("{} = {}", quoted(key), quoted(value)));
    }
    for (key, value) in &draft.tags_heard {
        comment(out, &format!("of the recording: {} = {}", quoted(key), quoted(value)));
    }
}
