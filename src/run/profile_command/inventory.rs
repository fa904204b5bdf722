//! What was heard, in words.

use crate::monitor::{Heard, HeardPicture, HeardRadio, HeardSender, SenderKind};
use crate::profile::LinkRole;
use crate::record::InterfaceKind;
use crate::summary::Report;
use crate::wording::quantity;

use super::draft::{LevelFrom, name_of, rc_level};

/// Messages that figures need, as the README asks for them: id, and that of the older one.
const NEEDED: [(u32, u32, &str); 7] = [
    (0, 0, "HEARTBEAT"),
    (109, 166, "RADIO_STATUS"),
    (241, 241, "VIBRATION"),
    (147, 147, "BATTERY_STATUS"),
    (33, 33, "GLOBAL_POSITION_INT"),
    (65, 35, "RC_CHANNELS"),
    (36, 36, "SERVO_OUTPUT_RAW"),
];
/// Rows of a kind that are listed.
const MOST_ROWS: usize = 24;

/// All of it, a line each.
pub(super) fn lines(heard: &Heard) -> Vec<String> {
    let mut lines = vec![format!("\nheard in {}:", quantity::seconds(heard.duration_s))];
    let sources = heard.sources.iter().filter_map(|source| {
        let (name, url) = (&source.name, source.url.as_deref().unwrap_or("?"));
        match source.kind {
            InterfaceKind::Joystick => Some(format!("  joystick    {name}: {url}")),
            _ if source.bytes == 0 => Some(format!("  source      {name}: nothing came from {url}")),
            _ => None,
        }
    });
    listed(&mut lines, sources);
    listed(&mut lines, heard.senders.iter().map(|sender| format!("  sender      {}", self::sender(sender))));
    listed(&mut lines, heard.radios.iter().map(|each| format!("  level       {}", radio(each))));
    listed(&mut lines, heard.pictures.iter().map(|each| format!("  video       {}", picture(each))));
    listed(&mut lines, heard.transmitters.iter().map(|each| format!("  transmitter {each}")));
    if lines.len() == 1 {
        lines.push("  nothing that can be read; is it on, and does something send here?".to_owned());
    }
    if heard.autopilot.is_some() {
        lines.push(messages(heard));
    }
    lines
}

fn listed(lines: &mut Vec<String>, rows: impl Iterator<Item = String>) {
    let mut rows = rows.into_iter();
    lines.extend(rows.by_ref().take(MOST_ROWS));
    let rest = rows.count();
    if rest > 0 {
        lines.push(format!("              and {rest} more"));
    }
}

/// A sender.
pub(super) fn sender(sender: &HeardSender) -> String {
    let what = match sender.kind {
        SenderKind::Autopilot => "the vehicle's autopilot",
        SenderKind::Radio => "a radio",
        SenderKind::Ground => "a ground station or handset",
        SenderKind::OfVehicle => "another component of the vehicle",
        SenderKind::Other => "not known what it is",
    };
    let sticks = if sender.sends_sticks() { ", sends the sticks" } else { "" };
    let frames = quantity::counted(sender.frames, "frame", "frames");
    format!("{}/{} on {}: {what}{sticks}, {frames}", sender.system, sender.component, sender.interface)
}

/// A radio, a receiver or a card with its levels.
pub(super) fn radio(radio: &HeardRadio) -> String {
    let units = |median: Option<f64>| {
        median.map_or_else(|| "nothing known".to_owned(), |value| format!("{value:.0}"))
    };
    match radio.report {
        Report::RcChannels => {
            format!("RC_CHANNELS of {}/{}: {} units", radio.system, radio.component, units(radio.own.median))
        }
        Report::RadioStatus => format!(
            "{} (receives {}, its peer {}, in units)",
            name_of(radio),
            units(radio.own.median),
            units(radio.peer.median)
        ),
        Report::Radiotap | Report::Kernel => {
            let verb = if radio.report == Report::Kernel { "receives" } else { "is heard at" };
            let dbm = radio.own.median.map(|value| format!(" ({verb} {:.0} dBm)", value - 128.0));
            name_of(radio) + &dbm.unwrap_or_default()
        }
    }
}

/// A video stream.
pub(super) fn picture(picture: &HeardPicture) -> String {
    let codec = picture.codec.map_or_else(String::new, |codec| format!(", {}", quantity::codec(codec)));
    let fps = picture.fps.map_or_else(String::new, |fps| format!(", {fps:.0} pictures a second"));
    let packets = quantity::counted(picture.packets, "packet", "packets");
    let place = format!("SSRC {:#x} to port {} on {}", picture.ssrc, picture.port, picture.interface);
    format!("{place}: {packets}{codec}{fps}")
}

/// How often the messages come that figures need, of whoever sends each most often.
fn messages(heard: &Heard) -> String {
    let rate = |wanted: [u32; 2]| {
        let all = heard.senders.iter().filter(|sender| sender.kind != SenderKind::Ground);
        let rates = all.flat_map(|sender| &sender.messages).filter(|(id, _)| wanted.contains(id));
        rates.map(|(_, hz)| *hz).reduce(f64::max)
    };
    let (mut come, mut missing) = (Vec::new(), Vec::new());
    for (id, older, name) in NEEDED {
        match rate([id, older]) {
            Some(hz) if hz < 0.95 => come.push(format!("{name} every {:.0} s", 1.0 / hz)),
            Some(hz) => come.push(format!("{name} {hz:.0}")),
            None => missing.push(name),
        }
    }
    let come = come.join(", ");
    match missing.join(", ") {
        missing if missing.is_empty() => format!("  messages a second: {come}"),
        missing => {
            format!("  messages a second: {come}; not heard: {missing} (fadewatch explain messages)")
        }
    }
}

/// The median of a level that a link reads, device units.
pub(super) fn median_of(level: &LevelFrom, role: LinkRole, heard: &Heard) -> Option<f64> {
    use crate::profile::Mounted;
    match level {
        LevelFrom::RcChannels => rc_level(heard, heard.autopilot?.0)?.own.median,
        LevelFrom::Radio { system, component, mounted } => {
            let radio = heard.radios.iter().find(|radio| {
                radio.report == Report::RadioStatus
                    && (radio.system, radio.component) == (*system, *component)
            })?;
            // A control link's level is received at the vehicle, all others' at the ground.
            let is_own = (*mounted == Mounted::Ground) == (role != LinkRole::Control);
            if is_own { radio.own.median } else { radio.peer.median }
        }
        LevelFrom::Transmitter(_) | LevelFrom::Card(_) => None,
    }
}
