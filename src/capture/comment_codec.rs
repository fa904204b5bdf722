//! Notes of this program as readable text: the comments inside a recording.
//!
//! Each note is one comment on a packet without bytes, words parted by one space:
//!
//! | comment | note |
//! | --- | --- |
//! | `fadewatch tick` | a second passed |
//! | `fadewatch end` | the session ended here |
//! | `fadewatch mark KIND [WORDS]` | a mark: `picture-froze`, `picture-shook`, `handset-here`, `drill`, `remark` |
//! | `fadewatch source-down INTERFACE [WORDS]` | a source went away |
//! | `fadewatch source-up INTERFACE` | and is back |
//! | `fadewatch host-drops INTERFACE COUNT` | lost by this computer since the session began |
//! | `fadewatch health PART:NAME:VALUES ...` | how this computer does: `temperature`, `cooling`, `clock`, `supply`, `low-supply`, `pressure`, `load` or `memory`, commas between values, `-` for an absent one |
//! | `fadewatch joystick INTERFACE SIZE ORDER AXES [NAME]` | how the joystick's events read: `16` or `24` bytes each, `little` or `big` end first, `CODE:MINIMUM:MAXIMUM:VALUE` an axis, commas between |
//! | `fadewatch bytes-lost COUNT [NANOSECONDS]` | bytes are missing here; the recorder refused them from so long before on |
//! | `fadewatch stalled NANOSECONDS` | this computer stood still for so long until here; below zero: from here on |
//! | `fadewatch limits JSON` | the limits from earlier sessions that the session used |
//! | `fadewatch clock-step NANOSECONDS` | the wall clock was stepped |
//! | `fadewatch transmits [WORDS]` | what this program sends |
//! | `fadewatch acknowledged [LINK]` | a warning was acknowledged |
//! | `fadewatch comment [WORDS]` | somebody else's comment |
//!
//! INTERFACE is the interface's name (its spaces, `%` and control characters as
//! `%20` and so on), or `#2` for the third interface where the name is not unique.
//! Any other comment is a foreign one; on the interface `marks` it is a remark, so
//! that a person may add marks with an ordinary capture editor.

use std::fmt::Write as _;

use crate::record::health_reading::{HealthPart, HealthRow, MOST_ROWS};
use crate::record::joystick_layout::{JoystickAxis, JoystickLayout, MOST_AXES};
use crate::record::{InterfaceId, MarkKind, Note};
use crate::units::Nanos;

/// Every comment of this program begins so.
pub(crate) const PREFIX: &str = "fadewatch ";
/// The comment in a section header that says that stamps are not wall time.
pub(crate) const NO_WALL_CLOCK: &str = "fadewatch no-wall-clock";
/// A section header's comment that holds a tag: `tag key=value`.
const TAG: &str = "tag ";

/// Interfaces as the text form names them: in the order of the file.
pub(crate) trait Interfaces {
    /// The name of the interface at a place.
    fn name(&self, place: usize) -> Option<&str>;
    /// The number of an interface at a place.
    fn id(&self, place: usize) -> Option<InterfaceId>;
}

const MARKS: [(MarkKind, &str); 5] = [
    (MarkKind::PictureFroze, "picture-froze"),
    (MarkKind::PictureShook, "picture-shook"),
    (MarkKind::HandsetHere, "handset-here"),
    (MarkKind::Drill, "drill"),
    (MarkKind::Remark, "remark"),
];

/// The text form of a note.
pub(crate) fn write(note: &Note, interfaces: &(impl Interfaces + ?Sized), on_marks: bool) -> String {
    let mut out = String::from(PREFIX);
    match note {
        Note::Tick => out.push_str("tick"),
        Note::End => out.push_str("end"),
        Note::Mark { kind, text } => {
            let word = MARKS.iter().find(|(each, _)| each == kind).map_or("remark", |(_, word)| word);
            out.push_str("mark ");
            out.push_str(word);
            push_words(&mut out, text);
        }
        Note::SourceDown { interface, reason } => {
            out.push_str("source-down ");
            push_interface(&mut out, *interface, interfaces);
            push_words(&mut out, reason);
        }
        Note::SourceUp { interface } => {
            out.push_str("source-up ");
            push_interface(&mut out, *interface, interfaces);
        }
        Note::HostDrops { interface, total } => {
            out.push_str("host-drops ");
            push_interface(&mut out, *interface, interfaces);
            let _ = write!(out, " {total}");
        }
        Note::Health { rows } => {
            out.push_str("health");
            rows.iter().take(MOST_ROWS).for_each(|row| push_health(&mut out, row));
        }
        Note::Joystick { interface, layout } => {
            out.push_str("joystick ");
            push_interface(&mut out, *interface, interfaces);
            push_layout(&mut out, layout);
        }
        Note::BytesLost { bytes, reach } => {
            let _ = write!(out, "bytes-lost {bytes}");
            if let Some(reach) = reach {
                let _ = write!(out, " {}", reach.0);
            }
        }
        Note::Stalled { reach } => {
            let _ = write!(out, "stalled {}", reach.0);
        }
        Note::Limits { json } => {
            out.push_str("limits");
            push_words(&mut out, json);
        }
        Note::WallClockStep { by } => {
            let _ = write!(out, "clock-step {}", by.0);
        }
        Note::Transmits { what } => {
            out.push_str("transmits");
            push_words(&mut out, what);
        }
        Note::Acknowledged { link } => {
            out.push_str("acknowledged");
            push_words(&mut out, link);
        }
        Note::Foreign { text } if on_marks || text.starts_with(PREFIX) => {
            out.push_str("comment");
            push_words(&mut out, text);
        }
        Note::Foreign { text } => text.clone_into(&mut out),
    }
    out
}

fn push_words(out: &mut String, words: &str) {
    if !words.is_empty() {
        out.push(' ');
        out.push_str(words);
    }
}

fn push_interface(out: &mut String, id: InterfaceId, interfaces: &(impl Interfaces + ?Sized)) {
    let place = (0..).map_while(|place| interfaces.id(place)).position(|each| each == id);
    let Some(place) = place else {
        let _ = write!(out, "#{}", id.0);
        return;
    };
    let name = interfaces.name(place).unwrap_or_default();
    let first = (0..).map_while(|place| interfaces.name(place)).position(|each| each == name);
    if name.is_empty() || first != Some(place) {
        let _ = write!(out, "#{place}");
    } else {
        push_token(out, name, '#');
    }
}

/// One word: what would end it or be misread is written as `%` and two hexadecimal digits a byte.
fn push_token(out: &mut String, text: &str, also: char) {
    for letter in text.chars() {
        if letter.is_whitespace() || letter.is_control() || letter == '%' || letter == also {
            for byte in letter.encode_utf8(&mut [0; 4]).bytes() {
                let _ = write!(out, "%{byte:02X}");
            }
        } else {
            out.push(letter);
        }
    }
}

fn read_token(token: &str) -> Option<String> {
    let mut bytes = Vec::with_capacity(token.len());
    let mut rest = token.as_bytes();
    while let Some((&byte, after)) = rest.split_first() {
        if byte == b'%' {
            let digits = after.get(..2)?;
            bytes.push(u8::from_str_radix(std::str::from_utf8(digits).ok()?, 16).ok()?);
            rest = &after[2..];
        } else {
            bytes.push(byte);
            rest = after;
        }
    }
    String::from_utf8(bytes).ok()
}

/// The note that a comment holds.
pub(crate) fn read(comment: &str, interfaces: &(impl Interfaces + ?Sized), on_marks: bool) -> Note {
    if let Some(note) = comment.strip_prefix(PREFIX).and_then(|rest| own(rest, interfaces)) {
        return note;
    }
    let text = comment.to_owned();
    if on_marks { Note::Mark { kind: MarkKind::Remark, text } } else { Note::Foreign { text } }
}

fn own(text: &str, interfaces: &(impl Interfaces + ?Sized)) -> Option<Note> {
    let (verb, rest) = split_word(text);
    let note = match verb {
        "tick" if rest.is_empty() => Note::Tick,
        "end" if rest.is_empty() => Note::End,
        "mark" => {
            let (word, text) = split_word(rest);
            let kind = MARKS.iter().find(|(_, each)| *each == word)?.0;
            Note::Mark { kind, text: text.to_owned() }
        }
        "source-down" => {
            let (name, reason) = split_word(rest);
            Note::SourceDown { interface: read_interface(name, interfaces)?, reason: reason.to_owned() }
        }
        "source-up" => Note::SourceUp { interface: read_interface(rest, interfaces)? },
        "host-drops" => {
            let (name, total) = split_word(rest);
            Note::HostDrops { interface: read_interface(name, interfaces)?, total: total.parse().ok()? }
        }
        // What a later version reads too is left out.
        "health" => Note::Health { rows: rest.split(' ').filter_map(read_health).take(MOST_ROWS).collect() },
        "joystick" => {
            let (name, layout) = split_word(rest);
            Note::Joystick { interface: read_interface(name, interfaces)?, layout: read_layout(layout)? }
        }
        "bytes-lost" => {
            let (bytes, reach) = split_word(rest);
            let reach = if reach.is_empty() { None } else { Some(Nanos(reach.parse().ok()?)) };
            Note::BytesLost { bytes: bytes.parse().ok()?, reach }
        }
        "stalled" => Note::Stalled { reach: Nanos(rest.parse().ok()?) },
        "limits" => Note::Limits { json: rest.to_owned() },
        "clock-step" => Note::WallClockStep { by: Nanos(rest.parse().ok()?) },
        "transmits" => Note::Transmits { what: rest.to_owned() },
        "acknowledged" => Note::Acknowledged { link: rest.to_owned() },
        "comment" => Note::Foreign { text: rest.to_owned() },
        _ => return None,
    };
    Some(note)
}

fn split_word(text: &str) -> (&str, &str) {
    text.split_once(' ').unwrap_or((text, ""))
}

fn read_interface(token: &str, interfaces: &(impl Interfaces + ?Sized)) -> Option<InterfaceId> {
    if let Some(number) = token.strip_prefix('#') {
        let place: u16 = number.parse().ok()?;
        return Some(interfaces.id(usize::from(place)).unwrap_or(InterfaceId(place)));
    }
    let name = read_token(token)?;
    let place = (0..).map_while(|place| interfaces.name(place)).position(|each| each == name)?;
    interfaces.id(place)
}

fn push_health(out: &mut String, HealthRow { part, name, values }: &HealthRow) {
    let word = HealthPart::WORDS.iter().find(|(each, _)| each == part).map_or("", |(_, word)| word);
    let _ = write!(out, " {word}:");
    push_token(out, name, ':');
    let known = values.iter().rposition(Option::is_some).map_or(0, |last| last + 1);
    for (index, value) in values[..known].iter().enumerate() {
        out.push(if index == 0 { ':' } else { ',' });
        match value {
            Some(value) => drop(write!(out, "{value}")),
            None => out.push('-'),
        }
    }
}

fn read_health(text: &str) -> Option<HealthRow> {
    let mut parts = text.splitn(3, ':');
    let word = parts.next()?;
    let part = HealthPart::WORDS.iter().find(|(_, each)| *each == word)?.0;
    let name = read_token(parts.next()?)?;
    let mut values = [None; 3];
    for (value, text) in values.iter_mut().zip(parts.next().unwrap_or_default().split(',')) {
        *value = text.parse().ok();
    }
    Some(HealthRow { part, name, values })
}

fn push_layout(out: &mut String, layout: &JoystickLayout) {
    let order = if layout.big_endian { "big" } else { "little" };
    let _ = write!(out, " {} {order} ", layout.event_bytes);
    for (index, axis) in layout.axes.iter().enumerate() {
        let comma = if index == 0 { "" } else { "," };
        let _ = write!(out, "{comma}{}:{}:{}:{}", axis.code, axis.minimum, axis.maximum, axis.value);
    }
    push_words(out, &layout.name);
}

fn read_layout(text: &str) -> Option<JoystickLayout> {
    let (size, rest) = split_word(text);
    let (order, rest) = split_word(rest);
    let (axes, name) = split_word(rest);
    let event_bytes = size.parse().ok().filter(|size| matches!(size, 16 | 24))?;
    let big_endian = match order {
        "little" => false,
        "big" => true,
        _ => return None,
    };
    let axes = if axes.is_empty() { Some(Vec::new()) } else { axes.split(',').map(read_axis).collect() };
    let axes = axes.filter(|axes: &Vec<JoystickAxis>| axes.len() <= MOST_AXES)?;
    Some(JoystickLayout { event_bytes, big_endian, axes, name: name.to_owned() })
}

fn read_axis(text: &str) -> Option<JoystickAxis> {
    let mut parts = text.split(':');
    let code = parts.next()?.parse().ok()?;
    let mut number = || parts.next()?.parse().ok();
    let axis = JoystickAxis { code, minimum: number()?, maximum: number()?, value: number()? };
    parts.next().is_none().then_some(axis)
}

/// The comment that holds a session tag.
pub(crate) fn write_tag(key: &str, value: &str) -> String {
    let mut out = String::from(TAG);
    push_token(&mut out, key, '=');
    out.push('=');
    out.push_str(value);
    out
}

/// The session tag that a section header's comment holds.
pub(crate) fn read_tag(comment: &str) -> Option<(String, String)> {
    let (key, value) = comment.strip_prefix(TAG)?.split_once('=')?;
    Some((read_token(key)?, value.to_owned()))
}
