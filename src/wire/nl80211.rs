//! What the kernel's wireless interface (nl80211) says of a card: its name, and the level of what it hears.
//!
//! A reading is the kernel's answers to two questions, one behind the other as they came: NEW_INTERFACE with the card's name,
//! then NEW_STATION for each station that it serves, or for the one that serves it. Layout: RFC 3549 section 2 (headers,
//! attributes), linux/genetlink.h, linux/nl80211.h; numbers are in the byte order of the computer that read them.
//!
//! Level: NL80211_STA_INFO_SIGNAL, the last packet's, in dBm; a driver that has another unit sends none. Absent: no station,
//! more than one (whose level would it be?), or one that sent nothing for [`FRESH_MS`].

use netlink_packet_core::{NLA_HEADER_SIZE, NetlinkBuffer, NlaBuffer};

use super::card_level::{Level, Row};

/// What is asked, and what answers it.
pub(crate) mod command {
    pub(crate) const GET_INTERFACE: u8 = 5;
    pub(crate) const NEW_INTERFACE: u8 = 7;
    pub(crate) const GET_STATION: u8 = 17;
    pub(crate) const NEW_STATION: u8 = 19;
}

/// Messages begin at multiples of so many bytes.
const ALIGNED: usize = 4;
/// NL80211_ATTR_IFINDEX.
pub(crate) const INDEX: u16 = 3;
/// Bytes of the generic header: command, version, two in reserve.
pub(crate) const GENERIC_HEADER: usize = 4;
/// NL80211_ATTR_IFNAME.
const NAME: u16 = 4;
/// NL80211_ATTR_STA_INFO.
const STATION: u16 = 21;
/// NL80211_STA_INFO_INACTIVE_TIME.
const INACTIVE_MS: u16 = 1;
/// NL80211_STA_INFO_SIGNAL.
const SIGNAL: u16 = 7;
/// A level is of an instant within its last two seconds, or absent.
const FRESH_MS: u32 = 2000;

/// What a reading says; `None` where it is none.
pub(super) fn parse(reading: &[u8]) -> Option<Row> {
    let mut name = None;
    let mut heard = Vec::new();
    for message in messages(reading) {
        let (header, attributes) = message?.payload().split_at_checked(GENERIC_HEADER)?;
        match header[0] {
            command::NEW_INTERFACE => {
                let text = std::str::from_utf8(find(attributes, NAME)?).ok()?;
                name = Some(text.trim_end_matches('\0').to_owned());
            }
            command::NEW_STATION => heard.push(find(attributes, STATION).and_then(level)),
            _ => {}
        }
    }
    let level = match heard.as_slice() {
        [Some(level)] => Level::Dbm(*level),
        _ => Level::Absent,
    };
    Some(Row { name: name?, level, noise_dbm: None })
}

/// Netlink messages that follow each other; `None` once, at what is none.
pub(crate) fn messages(bytes: &[u8]) -> impl Iterator<Item = Option<NetlinkBuffer<&[u8]>>> {
    let mut rest = bytes;
    std::iter::from_fn(move || {
        let here = std::mem::take(&mut rest);
        if here.is_empty() {
            return None;
        }
        let Ok(message) = NetlinkBuffer::new_checked(here) else { return Some(None) };
        let (own, others) =
            here.split_at((message.length() as usize).next_multiple_of(ALIGNED).min(here.len()));
        rest = others;
        Some(Some(NetlinkBuffer::new(own)))
    })
}

/// The value of the first attribute of this kind.
pub(crate) fn find(attributes: &[u8], kind: u16) -> Option<&[u8]> {
    let mut rest = attributes;
    while let Ok(one) = NlaBuffer::new_checked(rest) {
        if one.kind() == kind {
            return rest.get(NLA_HEADER_SIZE..usize::from(one.length()));
        }
        rest = rest.get(usize::from(one.length()).next_multiple_of(ALIGNED)..)?;
    }
    None
}

/// What a station was last heard with, in dBm, if that was just now.
fn level(station: &[u8]) -> Option<i8> {
    let silent_ms =
        find(station, INACTIVE_MS).and_then(|value| Some(u32::from_ne_bytes(value.try_into().ok()?)));
    let &[level] = find(station, SIGNAL)? else { return None };
    silent_ms.is_none_or(|silent| silent <= FRESH_MS).then_some(level as i8).filter(|level| *level < 0)
}

#[cfg(test)]
mod tests {
    use serde::Deserialize;

    use crate::wire::nl80211::*;

    #[derive(Deserialize)]
    struct Case {
        what: String,
        reading: String,
        name: String,
        dbm: Option<i8>,
    }

    #[derive(Deserialize)]
    struct Vectors {
        cases: Vec<Case>,
    }

    fn cases() -> Vec<(Case, Vec<u8>)> {
        let text = include_str!("../../tests/vectors/nl80211.json");
        let cases = serde_json::from_str::<Vectors>(text).unwrap().cases.into_iter();
        let bytes = |text: &str| -> Vec<u8> {
            let pairs = text.as_bytes().chunks(2).map(|pair| std::str::from_utf8(pair).unwrap());
            pairs.map(|pair| u8::from_str_radix(pair, 16).unwrap()).collect()
        };
        cases
            .map(|case| {
                let reading = bytes(&case.reading);
                (case, reading)
            })
            .collect()
    }

    /// Readings that pyroute2 wrote.
    #[cfg(target_endian = "little")]
    #[test]
    fn a_reading_gives_the_card_and_its_level() {
        let cases = cases();
        assert_eq!(cases.len(), 6);
        for (case, reading) in cases {
            let level = case.dbm.map_or(Level::Absent, Level::Dbm);
            assert_eq!(
                parse(&reading),
                Some(Row { name: case.name, level, noise_dbm: None }),
                "{}",
                case.what
            );
        }
    }

    /// Cut anywhere it is no reading, or one with less in it; any byte may change, and nothing panics.
    #[test]
    fn damaged_readings_are_survived() {
        for (case, reading) in cases() {
            for end in 0..reading.len() {
                let cut = parse(&reading[..end]);
                assert!(cut.is_none_or(|row| row.name == case.name), "{} cut at {end}", case.what);
            }
            for place in 0..reading.len() {
                for value in [0, 1, 3, 0x7F, 0xFF] {
                    let mut changed = reading.clone();
                    changed[place] = value;
                    parse(&changed);
                }
            }
        }
        assert_eq!(parse(b""), None);
        assert_eq!(
            parse(b" wlan0: 0000   54.  -56.  -256        0      0      0      4     25        0"),
            None
        );
    }
}
