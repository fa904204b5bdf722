//! What the kernel's wireless interface (nl80211) says of a card: its name, and the level of what it hears.
//!
//! A reading is the kernel's answers to two questions, one behind the other as they came: NEW_INTERFACE with the card's name,
//! then NEW_STATION for each station that it serves, or for the one that serves it. Layout: RFC 3549 section 2 (headers,
//! attributes), linux/genetlink.h, linux/nl80211.h; numbers are in the byte order of the computer that read them.
//!
//! Level: NL80211_STA_INFO_SIGNAL, the last packet's, in dBm; a driver that has another unit sends none. It is that of the one
//! station that was heard within the last two seconds. Absent: none was, or more than one (whose level would it be?).
//! A station's age (NL80211_STA_INFO_INACTIVE_TIME) does not count its beacons: one whose count of beacons
//! (NL80211_STA_INFO_BEACON_RX) has grown since an earlier reading was heard in between. A stamp that steps back leaves
//! open when that was: such beacons do not count.

use netlink_packet_core::{NLA_HEADER_SIZE, NetlinkBuffer, NlaBuffer};

use super::card_level::{Level, Row};
use crate::units::Nanos;

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
/// NL80211_ATTR_MAC.
const ADDRESS: u16 = 6;
/// NL80211_ATTR_STA_INFO.
const STATION: u16 = 21;
/// NL80211_STA_INFO_INACTIVE_TIME.
const INACTIVE_MS: u16 = 1;
/// NL80211_STA_INFO_SIGNAL.
const SIGNAL: u16 = 7;
/// NL80211_STA_INFO_BEACON_RX.
const BEACONS: u16 = 29;
/// A level is of an instant within its last two seconds, or absent.
const FRESH: Nanos = Nanos::from_secs(2);

/// The readings of one card, and the beacons that it heard lately.
#[derive(Clone, Debug, Default)]
pub(super) struct Card {
    beacons: Option<Beacons>,
}

/// Of one station: how many were counted, when that was read, and since when at the latest one has come.
#[derive(Clone, Debug)]
struct Beacons {
    address: Vec<u8>,
    count: u64,
    read_at: Nanos,
    heard_since: Option<Nanos>,
}

/// A station, as a reading says.
struct Station<'a> {
    address: &'a [u8],
    level: Option<i8>,
    silent_ms: Option<u32>,
    beacons: Option<u64>,
}

impl Card {
    /// What a reading says; `None` where it is none.
    pub(super) fn read(&mut self, reading: &[u8], at: Nanos) -> Option<Row> {
        let (name, stations) = parse(reading)?;
        let mut heard = stations.iter().filter(|station| self.is_heard(station, at));
        let level = match (heard.next(), heard.next()) {
            (Some(one), None) => one.level.map_or(Level::Absent, Level::Dbm),
            _ => Level::Absent,
        };
        Some(Row { name, level, noise_dbm: None })
    }

    /// Whether it sent anything within the last two seconds; a driver that knows no age has no older ones.
    fn is_heard(&mut self, station: &Station<'_>, at: Nanos) -> bool {
        let sends_beacons = self.sends_beacons(station, at);
        let is_fresh = |silent_ms| Nanos::from_millis(i64::from(silent_ms)) <= FRESH;
        sends_beacons || station.silent_ms.is_none_or(is_fresh)
    }

    fn sends_beacons(&mut self, station: &Station<'_>, at: Nanos) -> bool {
        let Some(count) = station.beacons else { return false };
        let before = self.beacons.take().filter(|before| before.address == station.address);
        let heard_since = before
            .and_then(|before| if count > before.count { Some(before.read_at) } else { before.heard_since });
        // What is old is forgotten: a later step back must not make it new.
        let heard_since = heard_since.filter(|since| (Nanos::ZERO..=FRESH).contains(&(at - *since)));
        let address = station.address.to_owned();
        self.beacons = Some(Beacons { address, count, read_at: at, heard_since });
        heard_since.is_some()
    }
}

/// The card's name and its stations; `None` of what is no reading.
fn parse(reading: &[u8]) -> Option<(String, Vec<Station<'_>>)> {
    let (mut name, mut stations) = (None, Vec::new());
    for message in messages(reading) {
        let (header, attributes) = message?.payload().split_at_checked(GENERIC_HEADER)?;
        match header[0] {
            command::NEW_INTERFACE => {
                let text = std::str::from_utf8(find(attributes, NAME)?).ok()?;
                name = Some(text.trim_end_matches('\0').to_owned());
            }
            command::NEW_STATION => stations.push(Station::read(attributes)),
            _ => {}
        }
    }
    Some((name?, stations))
}

impl<'a> Station<'a> {
    fn read(attributes: &'a [u8]) -> Self {
        let told = |kind| find(find(attributes, STATION)?, kind);
        let level = told(SIGNAL).and_then(|value| <[u8; 1]>::try_from(value).ok());
        let level = level.map(|[level]| level as i8).filter(|level| *level < 0);
        let silent_ms = told(INACTIVE_MS).and_then(|value| value.try_into().ok());
        let beacons = told(BEACONS).and_then(|value| value.try_into().ok());
        Self {
            address: find(attributes, ADDRESS).unwrap_or_default(),
            level,
            silent_ms: silent_ms.map(u32::from_ne_bytes),
            beacons: beacons.map(u64::from_ne_bytes),
        }
    }
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

    /// A reading of a sequence.
    #[derive(Deserialize)]
    struct Later {
        at_ms: i64,
        reading: String,
        dbm: Option<i8>,
    }

    #[derive(Deserialize)]
    struct Sequence {
        what: String,
        readings: Vec<Later>,
    }

    #[derive(Deserialize)]
    struct Vectors {
        cases: Vec<Case>,
        sequences: Vec<Sequence>,
    }

    fn vectors() -> Vectors {
        serde_json::from_str(include_str!("../../tests/vectors/nl80211.json")).unwrap()
    }

    fn bytes(text: &str) -> Vec<u8> {
        let pairs = text.as_bytes().chunks(2).map(|pair| std::str::from_utf8(pair).unwrap());
        pairs.map(|pair| u8::from_str_radix(pair, 16).unwrap()).collect()
    }

    fn row(reading: &[u8]) -> Option<Row> {
        Card::default().read(reading, Nanos::ZERO)
    }

    fn cases() -> Vec<(Case, Vec<u8>)> {
        let cases = vectors().cases.into_iter();
        cases.map(|case| (bytes(&case.reading), case)).map(|(reading, case)| (case, reading)).collect()
    }

    /// Readings that pyroute2 wrote.
    #[cfg(target_endian = "little")]
    #[test]
    fn a_reading_gives_the_card_and_its_level() {
        let cases = cases();
        assert_eq!(cases.len(), 8);
        for (case, reading) in cases {
            let level = case.dbm.map_or(Level::Absent, Level::Dbm);
            assert_eq!(row(&reading), Some(Row { name: case.name, level, noise_dbm: None }), "{}", case.what);
        }
    }

    /// A card that hears nothing but beacons has a level as long as their count grows.
    #[cfg(target_endian = "little")]
    #[test]
    fn beacons_are_heard_as_well() {
        let sequences = vectors().sequences;
        assert_eq!(sequences.len(), 3);
        for Sequence { what, readings } in sequences {
            let mut card = Card::default();
            for Later { at_ms, reading, dbm } in readings {
                let row = card.read(&bytes(&reading), Nanos::from_millis(at_ms)).unwrap();
                assert_eq!(row.level, dbm.map_or(Level::Absent, Level::Dbm), "{what}, {at_ms} ms");
            }
        }
    }

    /// Readings of the first sequence at other times: the count grows from the first to the second, and again to the last.
    #[cfg(target_endian = "little")]
    #[test]
    fn beacons_count_for_two_seconds_and_not_once_the_time_stepped_back() {
        let readings: Vec<Vec<u8>> =
            vectors().sequences[0].readings.iter().map(|reading| bytes(&reading.reading)).collect();
        let (first, grown, again) = (&readings[0], &readings[1], &readings[readings.len() - 1]);
        let heard = |steps: &[(i64, &[u8])]| {
            let mut card = Card::default();
            let row =
                |&(at_ms, reading): &(i64, &[u8])| card.read(reading, Nanos::from_millis(at_ms)).unwrap();
            steps.iter().map(row).map(|row| row.level != Level::Absent).collect::<Vec<bool>>()
        };
        // Both ends of the two seconds.
        assert_eq!(heard(&[(5_000, first), (5_000, grown)]), [false, true]);
        assert_eq!(heard(&[(5_000, first), (4_999, grown)]), [false, false]);
        assert_eq!(heard(&[(5_000, first), (7_000, grown)]), [false, true]);
        assert_eq!(heard(&[(5_000, first), (7_001, grown)]), [false, false]);
        // Heard, then a step back: not in the time until then, nor at that time again, until the next beacon.
        let steps: [(i64, &[u8]); 6] = [
            (60_000, first),
            (60_500, grown),
            (20_000, grown),
            (59_900, grown),
            (60_100, grown),
            (60_200, again),
        ];
        assert_eq!(heard(&steps), [false, true, false, false, false, true]);
        // Old when the step comes: it does not bring back what was heard.
        let steps: [(i64, &[u8]); 4] = [(60_000, first), (60_500, grown), (63_000, grown), (61_000, grown)];
        assert_eq!(heard(&steps), [false, true, false, false]);
    }

    /// Cut anywhere it is no reading, or one with less in it; any byte may change, and nothing panics.
    #[test]
    fn damaged_readings_are_survived() {
        for (case, reading) in cases() {
            for end in 0..reading.len() {
                let cut = row(&reading[..end]);
                assert!(cut.is_none_or(|row| row.name == case.name), "{} cut at {end}", case.what);
            }
            for place in 0..reading.len() {
                for value in [0, 1, 3, 0x7F, 0xFF] {
                    let mut changed = reading.clone();
                    changed[place] = value;
                    row(&changed);
                }
            }
        }
        assert_eq!(row(b""), None);
        assert_eq!(
            row(b" wlan0: 0000   54.  -56.  -256        0      0      0      4     25        0"),
            None
        );
    }
}
