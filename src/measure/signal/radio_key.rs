//! The sources of a level: a radio that reports, an 802.11 transmitter on the air, a card.

use crate::measure::context::Context;
use crate::profile::{DBM_BYTES, LevelScale, LinkProfile, LinkRole};
use crate::summary::Report;
use crate::units::hardware_address::{Address, address_text};

impl Report {
    /// Whether it is received by this computer, in dBm, and kept as dBm + 128.
    pub(super) const fn is_here(self) -> bool {
        matches!(self, Self::Radiotap | Self::Kernel)
    }
}

/// One thing that levels are read from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct RadioKey {
    pub(super) report: Report,
    /// 0 where it is no MAVLink sender.
    pub(super) system: u8,
    pub(super) component: u8,
    /// A transmitter's address, or a card's name, padded with zeros.
    place: [u8; 16],
    /// One antenna of the receiver alone.
    pub(super) antenna: Option<u8>,
}

impl RadioKey {
    pub(super) const fn sender(report: Report, system: u8, component: u8) -> Self {
        Self { report, system, component, place: [0; 16], antenna: None }
    }

    pub(super) fn transmitter(address: Address, antenna: Option<u8>) -> Self {
        let mut place = [0; 16];
        place[..6].copy_from_slice(&address);
        Self { place, antenna, ..Self::sender(Report::Radiotap, 0, 0) }
    }

    pub(super) fn card(name: &str) -> Self {
        let mut place = [0; 16];
        for (slot, byte) in place.iter_mut().zip(name.bytes()) {
            *slot = byte;
        }
        Self { place, ..Self::sender(Report::Kernel, 0, 0) }
    }

    /// Whether both are heard of one transmitter or card, by whichever antenna.
    pub(super) fn is_beside(&self, other: Self) -> bool {
        self.report == other.report && self.place == other.place
    }

    /// What it is called, where it is no MAVLink sender.
    pub(super) fn name(&self) -> Option<String> {
        match self.report {
            Report::RadioStatus | Report::RcChannels => None,
            Report::Radiotap => self.place.first_chunk().map(|address| address_text(*address)),
            Report::Kernel => {
                let name = self.place.split(|byte| *byte == 0).next().unwrap_or_default();
                Some(crate::record::text::clean(&String::from_utf8_lossy(name)))
            }
        }
    }
}

/// Which end of its radio link a side is received at, as seen from the reporting radio.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Side {
    Own,
    Peer,
}

/// Where a link's level comes from, and its scale.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct LevelSource {
    pub(super) key: RadioKey,
    pub(super) side: Side,
    pub(super) scale: Option<LevelScale>,
}

impl LevelSource {
    /// Where the profile says that a link's level comes from.
    pub(super) fn of(link: &LinkProfile, context: &Context) -> Option<Self> {
        let here = |key| Self { key, side: Side::Own, scale: Some(DBM_BYTES) };
        if let Some(radiotap) = link.radiotap {
            return Some(here(RadioKey::transmitter(radiotap.transmitter.0, radiotap.antenna)));
        }
        if let Some(card) = &link.wifi {
            return Some(here(RadioKey::card(card)));
        }
        if link.rc_rssi {
            let key = RadioKey::sender(Report::RcChannels, context.roles.vehicle()?, 0);
            return Some(Self { key, side: Side::Own, scale: link.level });
        }
        let radio = link.radio?;
        let key = RadioKey::sender(Report::RadioStatus, radio.system, radio.component);
        let wants_down = link.role != LinkRole::Control;
        let side = if on_ground(key, context) == wants_down { Side::Own } else { Side::Peer };
        Some(Self { key, side, scale: link.level })
    }

    pub(super) fn scaled(&self, raw: f64) -> f64 {
        self.scale.map_or(raw, |scale| scale.slope_db * raw + scale.offset_dbm)
    }

    /// Whether it reads a radio. A receiver behind RC_CHANNELS may be any component of the vehicle.
    pub(super) fn reads(&self, key: RadioKey) -> bool {
        match self.key.report {
            Report::RcChannels => key.report == Report::RcChannels && key.system == self.key.system,
            _ => self.key == key,
        }
    }
}

/// Whether a radio sits at the handset: the profile's word, else yes unless its system is the vehicle's.
pub(super) fn on_ground(key: RadioKey, context: &Context) -> bool {
    match key.report {
        Report::RcChannels => false,
        Report::Radiotap | Report::Kernel => true,
        Report::RadioStatus => context.is_mounted_here(key.system, key.component),
    }
}
