//! What to mind, where somebody acts: at the start of a session, beside options that transmit, before walks, drills
//! and checks of power, and where others can be heard. One text for screens, reports and the command line.

use crate::record;

/// Of the whole program; under every report that may guide a test.
pub const INSTRUMENT: &str = "An instrument, not a safety device. Propellers off on the bench; keep the vehicle in \
                              sight; local aviation and radio rules come first.";
/// Before a bench test or a drill.
pub const DRILL: &str =
    "Bench and drills: propellers off; this computer must keep its power when the handset goes off.";
/// Before a range walk.
pub const WALK: &str =
    "Range walk: your own vehicle, in sight, with a helper and a turning point agreed beforehand.";
/// Beside advice on antennas and power.
pub const POWER: &str = "Check at reduced power: propellers off, with a helper. Antenna on before power; keep to \
                         your licence and to the limits of radiated power.";
/// Where a receiver in monitor mode hears others.
pub const AIR: &str = "Monitor mode hears others too: local law says what you may hear and keep; recordings hold \
                       addresses and positions.";
/// What this program sends.
pub const TRANSMITS: &str = "own vehicle only, bench first";
/// Where this program is in the path.
pub const IN_THE_PATH: &str = "a failure here cuts the link: bench first";

/// What this program does beyond listening, with its caution; a recording may hold it already.
#[must_use]
pub fn sent(what: &str) -> String {
    match what.strip_prefix(record::IN_THE_PATH) {
        _ if what.contains(TRANSMITS) || what.contains(IN_THE_PATH) => what.to_owned(),
        Some(rest) => {
            format!("{}: {IN_THE_PATH}; {}", record::IN_THE_PATH, rest.trim_start_matches([':', ' ']))
        }
        None => format!("{what} ({TRANSMITS})"),
    }
}
