//! What each number of a scenario may be, by its key: beyond that it cannot be meant, or its work would have no end.
//!
//! A key's unit stands at its end, and the bounds are those of the unit; a few keys have their own. Common practice, no
//! source. With them a second of a scenario is so many records at most, however it is written.

use toml::{Table, Value};

/// Of any other number.
const USUAL: (f64, f64) = (-1e10, 1e10);

/// Of keys with bounds of their own.
const OF_KEYS: [(&str, f64, f64); 29] = [
    ("lat", -90.0, 90.0),
    ("lon", -180.0, 180.0),
    ("alt", -500.0, 9_000.0),
    ("fps", 0.001, 1_000.0),
    ("gop", 1.0, 100_000.0),
    ("packets", 1.0, 100.0),
    ("key_packets", 1.0, 500.0),
    ("payload_bytes", 0.0, 9_000.0),
    ("count", 0.0, 100_000.0),
    ("ends", 0.0, 1_000.0),
    ("offset_us", -65_535.0, 65_535.0),
    ("frame_ms", 1.0, 60_000.0),
    ("dwell_s", 0.05, 1e6),
    ("fixed", 0.0, 1.0),
    ("duplicates", 0.0, 1.0),
    ("reordered", 0.0, 1.0),
    ("high_share", 0.0, 1.0),
    ("unknown_share", 0.0, 0.9),
    ("freeze_base", 0.0, 1.0),
    ("burst", 1.0, 1e6),
    ("cells", 1.0, 100.0),
    ("slope_db", 0.001, 100.0),
    ("scale_db", 0.001, 100.0),
    ("freeze_scale_db", 0.001, 100.0),
    ("sigma_db", 0.0, 100.0),
    ("spread", 0.0, 100.0),
    ("wave_s", 0.01, 1e6),
    ("exponent", -100.0, 100.0),
    ("level_at_1m", -1_000.0, 1_000.0),
];

/// Of keys that end so.
const OF_UNITS: [(&str, f64, f64); 7] = [
    ("_hz", 0.0, 1_000.0),
    ("_ms", -600_000.0, 600_000.0),
    ("_db", -1_000.0, 1_000.0),
    ("_dbm", -1_000.0, 1_000.0),
    ("_us", 0.0, 65_535.0),
    ("_m", -1e7, 1e7),
    ("_ppm", -100_000.0, 100_000.0),
];

/// The first number that cannot be meant, in words.
pub(super) fn beyond(scenario: &Table) -> Option<String> {
    scenario.iter().filter(|(key, _)| *key != "seed").find_map(|(key, value)| in_value(key, key, value))
}

/// `key` decides, `place` tells where it stands.
fn in_value(place: &str, key: &str, value: &Value) -> Option<String> {
    match value {
        // Messages a second, each under its own name.
        Value::Table(members) if key == "rates" => {
            members.iter().find_map(|(name, value)| in_value(&format!("{place}.{name}"), "rate_hz", value))
        }
        Value::Table(members) => {
            members.iter().find_map(|(name, value)| in_value(&format!("{place}.{name}"), name, value))
        }
        Value::Array(all) => all.iter().find_map(|value| in_value(place, key, value)),
        Value::Integer(number) => outside(place, key, *number as f64),
        Value::Float(number) => outside(place, key, *number),
        _ => None,
    }
}

fn outside(place: &str, key: &str, number: f64) -> Option<String> {
    let own = OF_KEYS.iter().find(|(name, ..)| *name == key);
    let by_unit = OF_UNITS.iter().find(|(unit, ..)| key.ends_with(unit));
    let (low, high) = own.or(by_unit).map_or(USUAL, |(_, low, high)| (*low, *high));
    // A message once in longer than a day is a number that was mistyped.
    let too_rare = key.ends_with("_hz") && number > 0.0 && number < 1e-5;
    let fits = (low..=high).contains(&number) && !too_rare;
    (!fits).then(|| format!("{} is {number}: give {low} to {high}", place.escape_debug()))
}
