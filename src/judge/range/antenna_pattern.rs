//! Level and loss against the direction of the handset and against height: where the antennas have nulls.
//!
//! Direction: from the vehicle's nose to the handset, clockwise from above, in the horizontal plane, so
//! banking is not seen; the nose is GLOBAL_POSITION_INT's heading, else ATTITUDE's yaw, at most
//! 1 s old. Sectors of 30 degrees, the first straight ahead. Height: above the handset, in at most 8
//! layers of a round thickness. Levels of whole seconds from 10 m on, the distance taken out by a
//! common slope (see [`crate::stats::curve_fit::ancova`]); a null is a sector or layer whose whole interval lies
//! below the others and whose level does so by 3 dB or more (in device units: whose whole interval does). What
//! stands in the way of the radio in one direction alone looks the same: the pages say so.
//! Unit: the level's. A gap, a long silence of the position or an unknown heading leaves its seconds out.

use crate::stats::curve_fit::ancova;
use crate::stats::curve_fit::ancova::{Contrast, Sample};
use crate::stats::sample::quantile;
use crate::summary::{Aspect, HeadingSummary, HeightSummary, Layer, Reason, Sector, Uncompared};
use crate::units::LevelUnit;

use super::bins::Second;

const SECTOR_DEG: f64 = 30.0;
const SECTORS: usize = 12;
const NO_SECTOR: u8 = u8::MAX;
const MOST_LAYERS: f64 = 8.0;
const MOST_COMPARED: usize = 6_000;
const LEAST_NULL_DB: f64 = 3.0;
/// Blocks for the loss, seconds: three times the correlation time that shadowing has as a rule (3 s).
const LOSS_BLOCK: usize = 9;

/// One second with where the handset lay; of a day there are many.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seen {
    distance_m: f64,
    /// Of the vehicle above the handset.
    height_m: f64,
    /// Seconds from the first record.
    number: u32,
    /// NaN: none.
    level: f32,
    /// Received and lost, where they are known.
    traffic: Option<(u32, u32)>,
    frozen: Option<bool>,
    /// [`NO_SECTOR`]: none.
    sector: u8,
}

impl Seen {
    /// `bearing_deg`: from the nose to the handset, 0 to 360.
    pub(super) fn new(number: usize, second: &Second, bearing_deg: Option<f64>, height_m: f64) -> Self {
        let sector = |bearing: f64| {
            let turned = (bearing + SECTOR_DEG / 2.0).rem_euclid(360.0);
            ((turned / SECTOR_DEG) as usize).min(SECTORS - 1) as u8
        };
        Self {
            distance_m: second.distance_m,
            height_m,
            number: number as u32,
            level: second.level.map_or(f32::NAN, |level| level as f32),
            traffic: second.traffic,
            frozen: second.frozen,
            sector: bearing_deg.map_or(NO_SECTOR, sector),
        }
    }
}

/// Sectors; `None` where no heading is known at all.
pub(super) fn heading(seen: &[Seen], unit: LevelUnit) -> Option<HeadingSummary> {
    let class = |seen: &Seen| (seen.sector != NO_SECTOR).then_some(usize::from(seen.sector));
    let (aspects, missing) = aspects(seen, SECTORS, unit, class)?;
    let sectors = (0..).zip(aspects).filter(|(_, aspect)| aspect.seconds > 0).map(|(index, aspect)| {
        let from_deg = (f64::from(index) * SECTOR_DEG - SECTOR_DEG / 2.0).rem_euclid(360.0);
        Sector { from_deg, to_deg: (from_deg + SECTOR_DEG).rem_euclid(360.0), aspect }
    });
    Some(HeadingSummary { sectors: sectors.collect(), missing: missing.map(Reason::Sectors) })
}

/// Layers of height.
pub(super) fn height(seen: &[Seen], unit: LevelUnit) -> Option<HeightSummary> {
    let (low, high) = seen.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), seen| {
        (low.min(seen.height_m), high.max(seen.height_m))
    });
    if low > high {
        return None;
    }
    let thick_m = thickness((high - low) / (MOST_LAYERS - 1.0));
    let bottom = (low / thick_m).floor();
    let count = ((high / thick_m).floor() - bottom) as usize + 1;
    let class = |seen: &Seen| Some(((seen.height_m / thick_m).floor() - bottom) as usize);
    let (aspects, missing) = aspects(seen, count, unit, class)?;
    let layers = (0..).zip(aspects).filter(|(_, aspect)| aspect.seconds > 0).map(|(index, aspect)| {
        let from_m = (bottom + f64::from(index)) * thick_m;
        Layer { from_m, to_m: from_m + thick_m, aspect }
    });
    Some(HeightSummary { layers: layers.collect(), missing: missing.map(Reason::Layers) })
}

/// 5 m, or a larger round number.
fn thickness(at_least_m: f64) -> f64 {
    [5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1_000.0, 2_000.0]
        .into_iter()
        .find(|thick| *thick >= at_least_m)
        .unwrap_or(5_000.0)
}

/// Each class's figures, and why none is held against the others.
fn aspects(
    seen: &[Seen],
    classes: usize,
    unit: LevelUnit,
    class: impl Fn(&Seen) -> Option<usize>,
) -> Option<(Vec<Aspect>, Option<Uncompared>)> {
    let known = || seen.iter().filter_map(|seen| Some((seen, class(seen)?)));
    known().next()?;
    let with_level = || known().filter(|(seen, _)| !seen.level.is_nan());
    let samples = with_level().count();
    let step = samples.div_ceil(MOST_COMPARED).max(1);
    let sample = |(seen, class): (&Seen, usize)| {
        let (step, y) = (seen.number as usize, f64::from(seen.level));
        Sample { step, x: seen.distance_m.log10(), y, class }
    };
    let compared: Vec<Sample> = with_level().step_by(step).map(sample).collect();
    let found = ancova::contrasts(&compared, classes);
    let missing = match &found {
        _ if samples == 0 => Some(Uncompared::NoLevel),
        None => Some(Uncompared::OneDistance),
        Some(found) if found.iter().all(|class| class.contrast.is_none()) => Some(Uncompared::OneClass),
        Some(_) => None,
    };
    let contrast = |class: usize| found.as_ref().map(|found| found[class]).unwrap_or_default();
    let one = |number: usize| {
        let mine: Vec<&Seen> = known().filter(|(_, class)| *class == number).map(|(seen, _)| seen).collect();
        aspect(&mine, contrast(number), unit)
    };
    Some(((0..classes).map(one).collect(), missing))
}

fn aspect(mine: &[&Seen], contrast: Contrast, unit: LevelUnit) -> Aspect {
    let distances: Vec<f64> = mine.iter().map(|seen| seen.distance_m).collect();
    let traffic: Vec<(usize, u32, u32)> = mine
        .iter()
        .filter_map(|seen| seen.traffic.map(|(received, lost)| (seen.number as usize, received, lost)))
        .collect();
    let loss = ancova::ratio(&traffic, LOSS_BLOCK);
    let frozen = mine.iter().filter(|seen| seen.frozen == Some(true)).count() as u64;
    let least = if unit == LevelUnit::Dbm { -LEAST_NULL_DB } else { 0.0 };
    let below = contrast.ci95.is_some_and(|ci95| ci95[1] < 0.0);
    Aspect {
        seconds: mine.len() as u64,
        passes: contrast.visits as u64,
        blocks: contrast.blocks as u64,
        distance_m: quantile::median(&distances),
        level_against_others: contrast.contrast,
        level_against_others_ci95: contrast.ci95,
        loss_ratio: loss.map(|loss| loss.0),
        loss_ci95: loss.map(|loss| loss.1),
        frozen_s: mine.iter().any(|seen| seen.frozen.is_some()).then_some(frozen),
        null: below && contrast.contrast.is_some_and(|level| level <= least),
    }
}

#[cfg(test)]
mod tests {
    use crate::judge::range::antenna_pattern::*;

    fn second(number: usize, distance_m: f64, level: f64, bearing_deg: f64) -> Seen {
        let second = Second {
            distance_m,
            level: Some(level),
            traffic: Some((10, 0)),
            frozen: Some(false),
            ..Second::default()
        };
        Seen::new(number, &second, Some(bearing_deg), 12.0)
    }

    #[test]
    fn straight_ahead_is_the_first_sector_on_both_sides_of_north() {
        let seen: Vec<Seen> = [350.0, 10.0, 14.9, 15.1, 180.0]
            .into_iter()
            .enumerate()
            .map(|(number, bearing)| second(number, 20.0, -50.0, bearing))
            .collect();
        let heading = heading(&seen, LevelUnit::Dbm).unwrap();
        let found: Vec<(f64, f64, u64)> = heading
            .sectors
            .iter()
            .map(|sector| (sector.from_deg, sector.to_deg, sector.aspect.seconds))
            .collect();
        assert_eq!(found, [(345.0, 15.0, 3), (15.0, 45.0, 1), (165.0, 195.0, 1)]);
        assert!(heading.missing.is_some() && heading.sectors.iter().all(|sector| !sector.aspect.null));
    }

    /// Out and back eight times, the handset behind on the way out: 9 dB lower there.
    #[test]
    fn a_null_behind_is_found() {
        let seen: Vec<Seen> = (0..480)
            .map(|number| {
                let (leg, along) = (number / 30, (number % 30) as f64);
                let outward = leg % 2 == 0;
                let distance = if outward { 20.0 + 3.0 * along } else { 110.0 - 3.0 * along };
                let noise = (number * 7919 % 101) as f64 / 25.0 - 2.0;
                let low = if outward { 9.0 } else { 0.0 };
                let level = -30.0 - 26.0 * distance.log10() + noise - low;
                second(number, distance, level, if outward { 178.0 } else { 2.0 })
            })
            .collect();
        let found = heading(&seen, LevelUnit::Dbm).unwrap();
        let [ahead, behind] = found.sectors[..] else { panic!("{found:?}") };
        assert!(behind.aspect.null && !ahead.aspect.null, "{found:?}");
        assert!((behind.aspect.level_against_others.unwrap() + 9.0).abs() < 0.6, "{behind:?}");
        assert_eq!(behind.aspect.frozen_s, Some(0));
        let layers = height(&seen, LevelUnit::Dbm).unwrap();
        assert_eq!((layers.layers.len(), layers.layers[0].from_m, layers.layers[0].to_m), (1, 10.0, 15.0));
        assert!(layers.missing.is_some());
    }
}
