//! Which radios and receivers report levels, and how those lie, whatever the profile says of them.
//!
//! Unit: device units; of what this computer receives itself, dBm + 128. Window: the whole session. Definitions, bounds,
//! and behaviour on gaps, copies and restarts: those of [`super`].

use crate::record::InterfaceId;
use crate::summary::Report;

use super::tally::Tally;
use super::{Radio, SignalMeter};

/// Levels of one side of a radio.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct HeardLevel {
    /// Known samples.
    pub samples: u64,
    /// Different values among them.
    pub values: usize,
    /// Half of them are below.
    pub median: Option<f64>,
}

/// A radio with both its sides.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct RadioRow {
    pub(crate) report: Report,
    pub(crate) interface: InterfaceId,
    pub(crate) system: u8,
    pub(crate) component: u8,
    pub(crate) name: Option<String>,
    pub(crate) own: HeardLevel,
    pub(crate) peer: HeardLevel,
}

impl SignalMeter {
    /// One row a radio, in order of system and component; single antennas apart.
    pub(crate) fn heard(&self) -> Vec<RadioRow> {
        let mut radios: Vec<&Radio> =
            self.radios.iter().filter(|radio| radio.key.antenna.is_none()).collect();
        radios.sort_by_key(|radio| radio.key);
        let row = |radio: &Radio| RadioRow {
            report: radio.key.report,
            interface: radio.interface,
            system: radio.key.system,
            component: radio.key.component,
            name: radio.key.name(),
            own: level(&radio.own.tally),
            peer: level(&radio.peer.tally),
        };
        radios.into_iter().map(row).collect()
    }
}

fn level(tally: &Tally) -> HeardLevel {
    HeardLevel { samples: tally.samples(), values: tally.values(), median: tally.figures(None).median }
}
