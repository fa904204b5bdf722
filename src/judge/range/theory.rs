//! The range that theory predicts for a link, and how far the fitted line lies below it.
//!
//! Free space and two rays over flat ground from the profile's budget (see [`crate::judge::link_budget`]), counted to
//! the freeze limit of earlier sessions, else to the receiver's stated sensitivity. Compared with the
//! fitted line at the geometric middle of the distances flown, where the fit is surest; its interval
//! is the fit's own. Levels in device units cannot be compared. Unit: metres, decibels.

use crate::judge::link_budget::Theory;
use crate::profile::LinkProfile;
use crate::stats::curve_fit::path_loss;
use crate::stats::curve_fit::path_loss::PathLoss;
use crate::summary::{RangeTheory, TheoryLimit, Threshold};
use crate::units::LevelUnit;

const LINE_POINTS: u32 = 48;
const NEAREST_LINE_M: f64 = 3.0;

/// A fitted line with the replicates of its bootstrap.
type FittedLine<'a> = (&'a PathLoss, Option<&'a [(f64, f64)]>);

/// `None` without a budget in the profile. `middle_m`: the geometric middle of the distances flown.
pub(super) fn summary(
    link: &LinkProfile,
    line: Option<FittedLine<'_>>,
    threshold: Option<&Threshold>,
    middle_m: Option<f64>,
) -> Option<RangeTheory> {
    let theory = Theory::of(&link.budget?);
    let in_dbm = link.unit() == LevelUnit::Dbm;
    let (limit, limit_level) = match (threshold.filter(|_| in_dbm), theory.sensitivity_dbm()) {
        (Some(threshold), _) => (Some(TheoryLimit::FreezeLevel), Some(threshold.level_p05)),
        (None, Some(level)) => (Some(TheoryLimit::Sensitivity), Some(level)),
        (None, None) => (None, None),
    };
    let compared_at_m = middle_m.filter(|_| in_dbm && line.is_some());
    let below = |level: f64, at: f64| theory.free_space_dbm(at) - level;
    let below_free_space_db = compared_at_m.zip(line).map(|(at, (fit, _))| below(fit.level(at), at));
    let below_free_space_ci95_db =
        compared_at_m.zip(line.and_then(|(_, replicates)| replicates)).and_then(|(at, all)| {
            path_loss::interval(all, |level, exponent| Some(below(level - 10.0 * exponent * at.log10(), at)))
        });
    Some(RangeTheory {
        limit,
        limit_level,
        free_space_m: limit_level.map(|level| theory.free_space_m(level)),
        two_ray_m: limit_level.and_then(|level| theory.two_ray_m(level)),
        compared_at_m,
        below_free_space_db,
        below_free_space_ci95_db,
    })
}

/// Distance, level in free space, level over flat ground: up to a distance. Empty in device units.
pub(super) fn lines(link: &LinkProfile, far_m: f64) -> Vec<(f64, f64, Option<f64>)> {
    let Some(budget) = link.budget.filter(|_| link.unit() == LevelUnit::Dbm && far_m > NEAREST_LINE_M) else {
        return Vec::new();
    };
    let theory = Theory::of(&budget);
    let at = |point: u32| {
        NEAREST_LINE_M * (far_m / NEAREST_LINE_M).powf(f64::from(point) / f64::from(LINE_POINTS - 1))
    };
    (0..LINE_POINTS)
        .map(at)
        .map(|distance| (distance, theory.free_space_dbm(distance), theory.two_ray_dbm(distance)))
        .collect()
}

#[cfg(test)]
mod tests {
    use crate::judge::range::theory::*;
    use crate::profile::Profile;

    /// Friis' law is the oracle.
    #[test]
    fn the_lines_go_from_three_metres_to_the_distance_asked_for() {
        let profile = Profile::parse(
            "[[link]]\nname = \"video\"\nrole = \"video\"\nlevel = { slope_db = 1, offset_dbm = 0 }\n\
            budget = { frequency_mhz = 5800, tx_power_dbm = 20, tx_gain_dbi = 2, rx_gain_dbi = 2, losses_db = 1 }\n",
        );
        let link = &profile.unwrap().link[0];
        let drawn = lines(link, 300.0);
        let (first, last) = (drawn[0], drawn[drawn.len() - 1]);
        assert!((first.0 - 3.0).abs() < 1e-9 && (last.0 - 300.0).abs() < 1e-9, "{first:?} {last:?}");
        for (metres, level, _) in drawn {
            let loss = 20.0 * (4.0 * std::f64::consts::PI * metres * 5.8e9 / 299_792_458.0).log10();
            assert!((level - (23.0 - loss)).abs() < 1e-6, "{metres} m: {level}");
        }
        assert!(lines(link, 3.0).is_empty() && !lines(link, 3.1).is_empty());
    }
}
