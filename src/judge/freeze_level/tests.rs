//! Checks of the threshold: exact cases by hand, and a short seeded study.

use crate::judge::freeze_level::*;

fn count(level: f32, seconds: u32, freezes: u32) -> LevelCount {
    LevelCount { level, seconds, freezes }
}

/// Seconds of a level with the expected number of freezes for known parameters.
fn expected(middle: f64, slope: f64, base: f64) -> Vec<LevelCount> {
    (-100..=-60)
        .map(|level| {
            let curve = crate::stats::curve_fit::logistic::logistic(slope * (f64::from(level) - middle));
            let chance = base + (1.0 - base) * curve;
            count(level as f32, 20_000, (20_000.0 * chance).round() as u32)
        })
        .collect()
}

/// The oracle is the model: at even chance the level is the middle, at 5 % it is logit(0.05) / slope above.
#[test]
fn expected_freezes_give_the_threshold_back() {
    let session = expected(-86.0, -0.6, 0.002);
    let found = estimate(&[session.clone(), session], None).unwrap();
    assert!((found.level_p50.unwrap() + 86.0).abs() < 0.02, "{found:?}");
    assert!((found.level_p05 - (-86.0 + 2.944_439 / 0.6)).abs() < 0.02, "{found:?}");
    assert!((found.base.unwrap() - 0.002).abs() < 2e-4);
    assert_eq!(found.method, Method::Logistic);
    let ci95 = found.level_p05_ci95.unwrap();
    assert!(ci95[0] < found.level_p05 && ci95[1] > found.level_p05 && ci95[1] - ci95[0] < 0.2);
    assert!(found.agreement.unwrap().p > 0.9);
}

/// Sessions with other levels, in any order: each still meets what the curve says at its own.
#[test]
fn the_order_of_levels_says_nothing() {
    let other = |middle: f64| -> Vec<LevelCount> {
        expected(middle, -0.6, 0.002)
            .iter()
            .map(|row| LevelCount { level: row.level + 0.4, ..*row })
            .collect()
    };
    let sorted = [expected(-86.0, -0.6, 0.002), other(-85.0)];
    let turned = sorted.clone().map(|mut session| {
        session.reverse();
        session.swap(3, 20);
        session
    });
    let (sorted, turned) = (estimate(&sorted, None).unwrap(), estimate(&turned, None).unwrap());
    assert!((sorted.level_p05 - turned.level_p05).abs() < 1e-9);
    let width = |found: &Estimate| found.level_p05_ci95.map(|ci95| ci95[1] - ci95[0]).unwrap();
    assert!((width(&sorted) - width(&turned)).abs() < 1e-6);
    let deviance = |found: &Estimate| found.agreement.unwrap().deviance;
    assert!((deviance(&sorted) / deviance(&turned) - 1.0).abs() < 1e-9);
}

/// What is held likely, in words: a base chance of 1 in 1100 a second, give or take a factor of 7, and a slope of 0 give or
/// take 10 over one standard deviation of the levels. The log-likelihood is written out, and its greatest value with these
/// looked for on a grid that narrows. 300 seconds without a freeze say so little of the base that the words decide.
#[test]
fn few_seconds_leave_the_base_near_what_is_held_likely() {
    let counts = [count(-95.0, 10, 6), count(-88.0, 40, 3), count(-80.0, 100, 0), count(-65.0, 200, 0)];
    let seconds: f64 = counts.iter().map(|count| f64::from(count.seconds)).sum();
    let mean = |of: &dyn Fn(f64) -> f64| {
        let sum: f64 = counts.iter().map(|count| f64::from(count.seconds) * of(count.level.into())).sum();
        sum / seconds
    };
    let middle = mean(&|level| level);
    let spread = mean(&|level| (level - middle).powi(2)).sqrt();
    let chance_of = |odds: f64| 1.0 / (1.0 + (-odds).exp());
    // By the level of 5 %, the slope over one standard deviation, and the log odds of the base.
    let likely = |[level_p05, slope, odds]: [f64; 3]| {
        let own = counts.iter().map(|count| {
            let over = (f64::from(count.level) - level_p05) / spread;
            let curve = chance_of((0.05_f64 / 0.95).ln() + slope * over);
            let chance = chance_of(odds) + (1.0 - chance_of(odds)) * curve;
            let (freezes, seconds) = (f64::from(count.freezes), f64::from(count.seconds));
            freezes * chance.ln() + (seconds - freezes) * (1.0 - chance).ln()
        });
        let held_likely = (slope / 10.0).powi(2) + ((odds + 1099.0_f64.ln()) / 7.0_f64.ln()).powi(2);
        own.sum::<f64>() - 0.5 * held_likely
    };
    let mut best = [-85.0, -6.0, -7.0];
    let mut reach = [6.0, 5.0, 6.0];
    for _ in 0..40 {
        let about = best;
        for place in 0..11 * 11 * 11 {
            let at = [place % 11, place / 11 % 11, place / 121].map(|step| f64::from(step - 5) / 5.0);
            let tried = [0, 1, 2].map(|which| about[which] + reach[which] * at[which]);
            if likely(tried) > likely(best) {
                best = tried;
            }
        }
        reach = reach.map(|reach| 0.7 * reach);
    }
    let found = estimate(&[counts.to_vec()], None).unwrap();
    let base = found.base.unwrap();
    let odds = (base / (1.0 - base)).ln();
    assert!((odds - best[2]).abs() < 0.1, "{odds} for {best:?}");
    assert!((found.level_p05 - best[0]).abs() < 0.05, "{found:?} for {best:?}");
    assert!((found.slope.unwrap() * spread / best[1] - 1.0).abs() < 0.003, "{found:?} for {best:?}");
}

#[test]
fn few_freezes_give_the_isotonic_estimate() {
    // By hand: shares of 2 in 10 and 1 in 40 fall already, and only the first is 5 %. At and below -84.5 dBm it
    // is 3 in 50: 5 % are possible there.
    let sessions = [vec![count(-90.0, 10, 2), count(-70.0, 500, 0)], vec![count(-84.5, 40, 1)]];
    let found = estimate(&sessions, None).unwrap();
    assert_eq!((found.level_p05, found.warns_at), (-90.0, -84.5));
    assert_eq!((found.level_p50, found.level_p05_ci95, found.base), (None, None, None));
    assert_eq!(found.method, Method::Isotonic);
    assert_eq!(found.freezes, 3);
}

/// Seconds without one at a weaker level pool with it: 1 in 20 and 0 in 20 are 1 in 40, under 5 % everywhere.
#[test]
fn a_stray_freeze_gives_no_level() {
    assert_eq!(estimate(&[vec![count(-80.0, 20, 1), count(-90.0, 20, 0)]], None), None);
    // And beside a true one it does not ring: 2 in 700 seconds rule 5 % out up there.
    let sessions = [vec![count(-95.0, 4, 1), count(-80.0, 300, 0), count(-60.0, 400, 1)]];
    let found = estimate(&sessions, None).unwrap();
    assert_eq!((found.level_p05, found.warns_at), (-95.0, -95.0));
}

/// The safe end with three sessions or with 19 freezes, the level itself beyond both.
#[test]
fn warnings_use_the_safe_end_where_little_stands_behind_it() {
    let session = |times: u32| {
        vec![count(-95.0, 2 * times, times), count(-88.0, 20 * times, times), count(-70.0, 400, 0)]
    };
    let of = |sessions: usize, times: u32| estimate(&vec![session(times); sessions], None).unwrap();
    for (sessions, times, is_thin) in [(3, 4, true), (4, 2, true), (4, 3, false), (8, 2, false)] {
        let found = of(sessions, times);
        assert_eq!(found.method, Method::Logistic);
        let safe = found.level_p05_ci95.unwrap()[1];
        assert_eq!(
            found.warns_at,
            if is_thin { safe } else { found.level_p05 },
            "{sessions} {}",
            found.freezes
        );
    }
}

#[test]
fn without_freezes_there_is_no_threshold() {
    assert_eq!(estimate(&[vec![count(-70.0, 500, 0)]], None), None);
    assert_eq!(estimate(&[], None), None);
}

/// Sessions that differ by 6 dB must widen the interval and be seen to disagree.
#[test]
fn sessions_that_disagree_are_told() {
    let thin = |middle: f64| -> Vec<LevelCount> {
        expected(middle, -0.6, 0.001)
            .iter()
            .map(|row| count(row.level, row.seconds / 400, (f64::from(row.freezes) / 400.0).round() as u32))
            .collect()
    };
    let alike = estimate(&[thin(-86.0), thin(-86.0), thin(-86.0)], None).unwrap();
    let apart = estimate(&[thin(-89.0), thin(-86.0), thin(-83.0)], None).unwrap();
    assert!(alike.agreement.unwrap().p > 0.5);
    assert!(apart.agreement.unwrap().p < 0.01, "{:?}", apart.agreement);
    let width = |found: &Estimate| found.level_p05_ci95.map(|ci| ci[1] - ci[0]).unwrap();
    assert!(width(&apart) > 2.0 * width(&alike));
    let levels: Vec<f64> = apart.sessions.iter().filter_map(|session| session.level_p05).collect();
    assert!(levels[0] + 2.0 < levels[1] && levels[1] + 2.0 < levels[2], "{levels:?}");
}

/// A clean set of sessions with one of 8 that lies 6 dB apart, and one that goes up by 1 dB a session.
#[test]
fn an_outlier_and_a_drift_are_named() {
    let thin = |middle: f64| -> Vec<LevelCount> {
        expected(middle, -0.6, 0.001)
            .iter()
            .map(|row| count(row.level, row.seconds / 400, (f64::from(row.freezes) / 400.0).round() as u32))
            .collect()
    };
    let mut middles = [-86.0; 8];
    let of = |middles: &[f64; 8]| estimate(&middles.map(thin), None).unwrap().agreement.unwrap();
    assert_eq!(of(&middles).finding, Finding::Agree);
    middles[2] = -80.0;
    assert_eq!(of(&middles).finding, Finding::Outlier(2));
    for (index, middle) in middles.iter_mut().enumerate() {
        *middle = -90.0 + index as f64;
    }
    let drift = of(&middles);
    assert_eq!(drift.finding, Finding::Drift);
    assert!((drift.drift_per_session.unwrap() - 1.0).abs() < 0.25, "{drift:?}");
}

/// Freezes at every level alike must not be taken for ones that follow it.
#[test]
fn what_does_not_follow_the_level_is_told() {
    let alike: Vec<LevelCount> = (-100..=-60).map(|level| count(level as f32, 60, 1)).collect();
    if let Some(found) = estimate(&[alike.clone(), alike], None) {
        assert!(!found.follows_level, "{found:?}");
    }
    let found = estimate(&[expected(-86.0, -0.6, 0.002)], None).unwrap();
    assert!(found.follows_level);
}
