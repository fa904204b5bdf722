//! The link budget: what theory predicts for a link, from the profile alone.
//!
//! Level = power + gains - losses - path loss, free space (ITU-R P.525) and two rays over flat ground
//! (see [`crate::stats::space::propagation`]). Margins are over the receiver's sensitivity as its maker
//! states it; nothing here is measured. Without heights there are no two rays, without a
//! sensitivity no ranges: each is absent, and `missing` says what to add to the profile.

use serde::Serialize;

use crate::profile::{BudgetProfile, LinkProfile, LinkRole, Profile};
use crate::stats::space::propagation::Path;
use crate::summary::{BudgetLimit, Reason};

/// Distances of the table of levels, metres; the claimed one joins them.
const DISTANCES_M: [f64; 7] = [10.0, 30.0, 100.0, 300.0, 1_000.0, 3_000.0, 10_000.0];
/// Where the ground may cancel the signal: as many places as are worth knowing.
const MOST_CANCELLED: usize = 3;

/// All links of a profile.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Budget {
    /// One a link that has a `budget` table.
    pub links: Vec<LinkBudget>,
    /// Links without one.
    pub left_out: Vec<String>,
}

/// One link on paper.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LinkBudget {
    /// The link.
    pub link: String,
    /// Its role.
    pub role: LinkRole,
    /// As the profile says.
    pub frequency_mhz: f64,
    /// As the profile says.
    pub tx_power_dbm: f64,
    /// As the profile says.
    pub tx_gain_dbi: f64,
    /// As the profile says.
    pub rx_gain_dbi: f64,
    /// As the profile says.
    pub losses_db: f64,
    /// As the profile says.
    pub sensitivity_dbm: Option<f64>,
    /// Handset and vehicle antennas above ground, as the profile says.
    pub heights_m: Option<[f64; 2]>,
    /// From here on the ground takes its share.
    pub breakpoint_m: Option<f64>,
    /// Where the ground's reflection may cancel the signal, farthest first.
    pub ground_cancels_m: Vec<f64>,
    /// How far with which margin.
    pub ranges: Vec<RangeAt>,
    /// Levels over distance.
    pub levels: Vec<LevelAt>,
    /// Power reduction of a range check.
    pub reduced_power_db: Option<f64>,
    /// What its maker claims.
    pub claimed_m: Option<f64>,
    /// What is not in the profile.
    pub missing: Vec<Reason>,
}

/// How far a margin reaches.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RangeAt {
    /// Over the sensitivity.
    pub margin_db: f64,
    /// What it is for.
    pub limit: BudgetLimit,
    /// In free space.
    pub free_space_m: f64,
    /// Over flat ground.
    pub two_ray_m: Option<f64>,
    /// In free space at the reduced power of a range check.
    pub reduced_free_space_m: Option<f64>,
    /// Over flat ground at that power.
    pub reduced_two_ray_m: Option<f64>,
}

/// The level at one distance.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LevelAt {
    /// Slant.
    pub distance_m: f64,
    /// The maker's claim.
    pub claimed: bool,
    /// In free space.
    pub free_space_dbm: f64,
    /// Over flat ground.
    pub two_ray_dbm: Option<f64>,
    /// Over the sensitivity: over flat ground, in free space where no heights are known.
    pub margin_db: Option<f64>,
    /// The same at the reduced power of a range check.
    pub reduced_margin_db: Option<f64>,
}

/// A link's paths and powers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Theory {
    path: Path,
    /// Power and gains less losses.
    radiated_dbm: f64,
    sensitivity_dbm: Option<f64>,
}

impl Theory {
    /// Of a link's budget table.
    #[must_use]
    pub fn of(budget: &BudgetProfile) -> Self {
        Self {
            path: Path {
                frequency_mhz: budget.frequency_mhz,
                heights_m: budget.ground_height_m.zip(budget.vehicle_height_m),
            },
            radiated_dbm: budget.tx_power_dbm + budget.tx_gain_dbi + budget.rx_gain_dbi - budget.losses_db,
            sensitivity_dbm: budget.sensitivity_dbm,
        }
    }

    /// What the receiver needs, as its maker says.
    #[must_use]
    pub const fn sensitivity_dbm(&self) -> Option<f64> {
        self.sensitivity_dbm
    }

    /// Level in free space, dBm.
    #[must_use]
    pub fn free_space_dbm(&self, distance_m: f64) -> f64 {
        self.radiated_dbm - self.path.free_space_db(distance_m)
    }

    /// Level over flat ground, dBm.
    #[must_use]
    pub fn two_ray_dbm(&self, distance_m: f64) -> Option<f64> {
        self.path.two_ray_db(distance_m).map(|loss| self.radiated_dbm - loss)
    }

    /// Where the level in free space has fallen to this.
    #[must_use]
    pub fn free_space_m(&self, level_dbm: f64) -> f64 {
        self.path.free_space_m(self.radiated_dbm - level_dbm)
    }

    /// Where the level over flat ground has fallen to this.
    #[must_use]
    pub fn two_ray_m(&self, level_dbm: f64) -> Option<f64> {
        self.path.two_ray_m(self.radiated_dbm - level_dbm)
    }
}

impl Budget {
    /// Of every link of a profile that has a `budget` table.
    #[must_use]
    pub fn of(profile: &Profile) -> Self {
        let left_out =
            profile.link.iter().filter(|link| link.budget.is_none()).map(|link| link.name.clone()).collect();
        let links = profile.link.iter().filter_map(|link| Some(of_link(link, &link.budget?))).collect();
        Self { links, left_out }
    }
}

fn of_link(link: &LinkProfile, budget: &BudgetProfile) -> LinkBudget {
    let theory = Theory::of(budget);
    LinkBudget {
        link: link.name.clone(),
        role: link.role,
        frequency_mhz: budget.frequency_mhz,
        tx_power_dbm: budget.tx_power_dbm,
        tx_gain_dbi: budget.tx_gain_dbi,
        rx_gain_dbi: budget.rx_gain_dbi,
        losses_db: budget.losses_db,
        sensitivity_dbm: budget.sensitivity_dbm,
        heights_m: theory.path.heights_m.map(|(ground, vehicle)| [ground, vehicle]),
        breakpoint_m: theory.path.breakpoint_m(),
        ground_cancels_m: theory.path.cancelled_m(MOST_CANCELLED),
        ranges: ranges(link, &theory),
        levels: levels(link, &theory),
        reduced_power_db: link.reduced_power_db,
        claimed_m: link.claimed_range_m,
        missing: missing(link, &theory),
    }
}

/// At no margin, and at the margins at which the link alarms, warns, and is watched.
fn ranges(link: &LinkProfile, theory: &Theory) -> Vec<RangeAt> {
    let Some(sensitivity) = theory.sensitivity_dbm else { return Vec::new() };
    let limits = link.limits.unwrap_or_default();
    let wanted = [
        (0.0, BudgetLimit::NoneLeft),
        (limits.alarm_margin, BudgetLimit::Alarm),
        (limits.warning_margin, BudgetLimit::Warning),
        (limits.forecast_margin, BudgetLimit::TrendIsWatched),
    ];
    let reduced = |margin: f64| link.reduced_power_db.map(|less| sensitivity + margin + less);
    wanted
        .into_iter()
        .map(|(margin_db, limit)| RangeAt {
            margin_db,
            limit,
            free_space_m: theory.free_space_m(sensitivity + margin_db),
            two_ray_m: theory.two_ray_m(sensitivity + margin_db),
            reduced_free_space_m: reduced(margin_db).map(|level| theory.free_space_m(level)),
            reduced_two_ray_m: reduced(margin_db).and_then(|level| theory.two_ray_m(level)),
        })
        .collect()
}

/// Up to the first distance at which nothing is left, and at the one that the maker claims.
fn levels(link: &LinkProfile, theory: &Theory) -> Vec<LevelAt> {
    let reach_m = theory.sensitivity_dbm.map_or(f64::INFINITY, |level| theory.free_space_m(level));
    let beyond = DISTANCES_M.iter().position(|&distance| distance > reach_m).unwrap_or(DISTANCES_M.len());
    let mut distances = DISTANCES_M[..(beyond + 1).min(DISTANCES_M.len())].to_vec();
    distances.extend(link.claimed_range_m.filter(|claimed| *claimed > 0.0));
    distances.sort_by(f64::total_cmp);
    distances.dedup();
    distances
        .into_iter()
        .map(|distance_m| {
            let (free_space_dbm, two_ray_dbm) =
                (theory.free_space_dbm(distance_m), theory.two_ray_dbm(distance_m));
            let margin_db = theory.sensitivity_dbm.map(|need| two_ray_dbm.unwrap_or(free_space_dbm) - need);
            LevelAt {
                distance_m,
                claimed: link.claimed_range_m == Some(distance_m),
                free_space_dbm,
                two_ray_dbm,
                margin_db,
                reduced_margin_db: margin_db.zip(link.reduced_power_db).map(|(margin, less)| margin - less),
            }
        })
        .collect()
}

fn missing(link: &LinkProfile, theory: &Theory) -> Vec<Reason> {
    let lacks = [
        (theory.sensitivity_dbm.is_none(), Reason::NoSensitivity),
        (theory.path.heights_m.is_none(), Reason::NoHeights),
        (link.reduced_power_db.is_none(), Reason::NoReducedPower),
    ];
    lacks.into_iter().filter(|(lacks, _)| *lacks).map(|(_, reason)| reason).collect()
}

#[cfg(test)]
mod tests {
    use crate::judge::link_budget::*;

    const EXAMPLE: &str = "[[link]]\nname = \"video\"\nrole = \"video\"\nclaimed_range_m = 1000\n\
        reduced_power_db = 20\nbudget = { frequency_mhz = 5800, tx_power_dbm = 20, tx_gain_dbi = 2, \
        rx_gain_dbi = 2, losses_db = 1, sensitivity_dbm = -90";

    fn one(more: &str) -> LinkBudget {
        let profile = Profile::parse(&format!("{EXAMPLE}{more} }}\n")).unwrap();
        Budget::of(&profile).links.remove(0)
    }

    /// The example computed apart with scipy (tests/vectors/pathloss.json, `link_budget`): +20 dBm, 2 + 2 dBi,
    /// 1 dB lost, 5800 MHz: received level and margin to -90 dBm; range in free space 1837.311720 m.
    #[test]
    fn the_worked_example() {
        let vectors: serde_json::Value =
            serde_json::from_str(include_str!("../../tests/vectors/pathloss.json")).unwrap();
        let profile = Profile::parse(&format!("{EXAMPLE} }}\n")).unwrap();
        let theory = Theory::of(&profile.link[0].budget.unwrap());
        for row in vectors["link_budget"]["rows"].as_array().unwrap() {
            let level = theory.free_space_dbm(row["d_m"].as_f64().unwrap());
            assert!((level - row["prx_dbm"].as_f64().unwrap()).abs() < 1e-9, "{row}");
            let margin = level - theory.sensitivity_dbm().unwrap();
            assert!((margin - row["margin_to_minus90_dbm"].as_f64().unwrap()).abs() < 1e-9, "{row}");
        }
        let budget = one("");
        assert!((budget.ranges[0].free_space_m - 1_837.311_720).abs() < 1e-6);
        let claimed = budget.levels.iter().find(|level| level.claimed).unwrap();
        assert!((claimed.margin_db.unwrap() - 5.283_656_9).abs() < 1e-6, "{claimed:?}");
    }

    /// 20 dB less power: in free space a tenth of the distance has the same margin, and every margin is 20 dB less.
    #[test]
    fn reduced_power_stands_for_more_distance() {
        let budget = one("");
        for range in &budget.ranges {
            assert!((range.reduced_free_space_m.unwrap() * 10.0 / range.free_space_m - 1.0).abs() < 1e-12);
        }
        for level in &budget.levels {
            assert!((level.margin_db.unwrap() - level.reduced_margin_db.unwrap() - 20.0).abs() < 1e-12);
        }
    }

    /// Beyond the breakpoint (174.120458 m for 1.5 m and 1.5 m, tests/vectors/pathloss.json) 12 dB a doubling.
    #[test]
    fn heights_bring_the_ground_in() {
        let budget = one(", ground_height_m = 1.5, vehicle_height_m = 1.5");
        assert!((budget.breakpoint_m.unwrap() - 174.120_458).abs() < 1e-4);
        let two_ray = budget.ranges[0].two_ray_m.unwrap();
        assert!((two_ray - (1_837.311_720_f64 * 174.120_458).sqrt()).abs() < 1e-3, "{two_ray}");
        assert!(budget.ground_cancels_m.windows(2).all(|pair| pair[0] > pair[1]));
        assert!(budget.missing.is_empty(), "{:?}", budget.missing);
    }

    #[test]
    fn what_the_profile_lacks_is_absent_and_named() {
        let profile = Profile::parse(
            "[[link]]\nname = \"a\"\nrole = \"video\"\nbudget = { frequency_mhz = 900, tx_power_dbm = 27, \
             tx_gain_dbi = 0, rx_gain_dbi = 0 }\n[[link]]\nname = \"b\"\nrole = \"control\"\n",
        )
        .unwrap();
        let budget = Budget::of(&profile);
        assert_eq!(budget.left_out, ["b"]);
        let link = &budget.links[0];
        assert!(link.ranges.is_empty() && link.breakpoint_m.is_none());
        assert!(link.levels.iter().all(|level| level.margin_db.is_none() && level.two_ray_dbm.is_none()));
        assert_eq!(link.missing.len(), 3);
    }

    #[test]
    fn impossible_values_are_refused_with_key_and_line() {
        for (value, names) in [
            ("frequency_mhz = 5.8, tx_power_dbm = 20, tx_gain_dbi = 2, rx_gain_dbi = 2", "megahertz"),
            ("frequency_mhz = 5800, tx_power_dbm = 2000, tx_gain_dbi = 2, rx_gain_dbi = 2", "tx_power_dbm"),
            ("frequency_mhz = 5800, tx_power_dbm = 20, tx_gain_dbi = 2", "rx_gain_dbi"),
            ("frequency_mhz = 5800, tx_power_dbm = 20, tx_gain_dbi = 2, rx_gain_dbi = 2, hight = 1", "hight"),
            (
                "frequency_mhz = 5800, tx_power_dbm = 20, tx_gain_dbi = 2, rx_gain_dbi = 2, sensitivity_dbm = 90",
                "sensitivity_dbm",
            ),
        ] {
            let text = format!("[[link]]\nname = \"a\"\nrole = \"video\"\nbudget = {{ {value} }}\n");
            let error = Profile::parse(&text).unwrap_err().to_string();
            assert!(error.contains("line 4") && error.contains(names), "{error}");
        }
    }

    /// Half decades from 10 m to 10 km, up to the first beyond the range in free space (1,837 m), and the claim among them.
    #[test]
    fn levels_are_listed_up_to_the_first_distance_with_nothing_left() {
        let distances = |profile: &str| {
            let budget = Budget::of(&Profile::parse(profile).unwrap()).links.remove(0);
            budget.levels.into_iter().map(|level| (level.distance_m, level.claimed)).collect::<Vec<_>>()
        };
        let near = [(10.0, false), (30.0, false), (100.0, false), (300.0, false)];
        let known = [&near[..], &[(1_000.0, true), (3_000.0, false)]].concat();
        assert_eq!(distances(&format!("{EXAMPLE} }}\n")), known);
        // Without a sensitivity nothing says where that is.
        let unknown = EXAMPLE.replace(", sensitivity_dbm = -90", "").replace("= 1000", "= 2000");
        let all = [(1_000.0, false), (2_000.0, true), (3_000.0, false), (10_000.0, false)];
        assert_eq!(distances(&format!("{unknown} }}\n")), [&near[..], &all].concat());
    }
}
