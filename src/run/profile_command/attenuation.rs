//! The scale of a level from two readings with a known attenuation between them.
//!
//! Definition: slope = attenuation / (reading without - reading with), decibels a unit. Readings are whole numbers, each
//! within half a unit of the level, so the slope lies between attenuation / (difference + 1) and attenuation / (difference -
//! 1). Source: the arithmetic of rounding. A slope alone makes no dBm: that takes one level that is known.

use crate::profile::LevelScale;

/// Readings closer than this tell nothing of the slope.
const LEAST_UNITS: f64 = 3.0;

/// Two readings, and what lay between them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Measured {
    without: f64,
    slope_db: f64,
    bounds: [f64; 2],
}

/// Reads a measurement: units without, units with, decibels.
pub(super) fn measured([without, with, db]: [f64; 3]) -> Result<Measured, String> {
    if !(0.0..=254.0).contains(&without) || !(0.0..=254.0).contains(&with) {
        return Err("a level in device units lies between 0 and 254".to_owned());
    }
    if !(0.1..=100.0).contains(&db) {
        return Err("give the attenuator's decibels, above 0".to_owned());
    }
    let difference = without - with;
    if difference.abs() < LEAST_UNITS {
        return Err(format!(
            "the two levels are less than {LEAST_UNITS:.0} units apart: that tells nothing; take a larger attenuator"
        ));
    }
    let [wide, narrow] = [difference.abs() + 1.0, difference.abs() - 1.0];
    Ok(Measured { without, slope_db: db / difference, bounds: [db / wide, db / narrow] })
}

/// A scale that a maker gives, slope and offset.
pub(super) fn scale([slope_db, offset_dbm]: [f64; 2]) -> Result<LevelScale, String> {
    if slope_db == 0.0 || slope_db.abs() > 100.0 {
        return Err("slope is decibels a unit, such as 0.5".to_owned());
    }
    if offset_dbm.abs() > 1_000.0 {
        return Err("offset is the level at unit 0 in dBm, such as -120".to_owned());
    }
    Ok(LevelScale { slope_db, offset_dbm })
}

impl Measured {
    /// The slope and its bounds.
    pub(super) fn words(self) -> String {
        let [low, high] = self.bounds;
        let falls = if self.slope_db < 0.0 { "; more units are less level" } else { "" };
        format!(
            "slope {:.3} dB a unit ({low:.3} to {high:.3}, as units are whole numbers{falls})",
            self.slope_db
        )
    }

    /// The scale, where the level without the attenuator is known.
    pub(super) fn scale(self, dbm: f64) -> Result<LevelScale, String> {
        if !(-150.0..=30.0).contains(&dbm) {
            return Err("a received level lies between -150 and 30 dBm, such as -60".to_owned());
        }
        let thousandth = |value: f64| (value * 1_000.0).round() / 1_000.0;
        let slope_db = thousandth(self.slope_db);
        scale([slope_db, thousandth(dbm - slope_db * self.without)])
    }

    /// What stands in the profile where no level is known.
    pub(super) fn note(self) -> String {
        format!("measured: {}; without one level in dBm it stays in units", self.words())
    }
}

#[cfg(test)]
mod tests {
    use crate::run::profile_command::attenuation::*;

    /// By hand: 40 units for 20 dB are 0.5 dB each; -60 dBm at 150 units is -135 dBm at 0.
    #[test]
    fn two_levels_give_a_slope_and_a_known_one_the_offset() {
        let measured = measured([150.0, 110.0, 20.0]).unwrap();
        assert_eq!(measured.scale(-60.0), Ok(LevelScale { slope_db: 0.5, offset_dbm: -135.0 }));
        assert!(measured.words().contains("0.500 dB a unit (0.488 to 0.513"), "{}", measured.words());
    }

    /// Whatever the true slope, readings rounded to whole units bound it.
    #[test]
    fn the_bounds_hold_the_truth() {
        for (slope, level, db) in
            [(0.5, 150.3, 20.0), (1.0, 90.49, 6.0), (0.4, 200.5, 10.0), (-0.5, 60.2, 20.0)]
        {
            let with: f64 = level - db / slope;
            let measured = measured([f64::round(level), with.round(), db]).unwrap();
            let [low, high] = measured.bounds;
            assert!((low..=high).contains(&f64::abs(slope)), "{slope}: {measured:?}");
        }
    }

    #[test]
    fn what_tells_nothing_is_refused() {
        for wrong in [[150.0, 149.0, 20.0], [150.0, 150.0, 20.0], [150.0, 110.0, 0.0], [300.0, 110.0, 20.0]] {
            assert!(measured(wrong).is_err(), "{wrong:?}");
        }
        assert!(scale([0.0, -120.0]).is_err());
    }
}
