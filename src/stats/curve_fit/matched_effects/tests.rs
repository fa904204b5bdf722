use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

use crate::stats::curve_fit::matched_effects::*;

const SIDES: [bool; 2] = [false, true];

fn normal(random: &mut ChaCha8Rng) -> f64 {
    (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0
}

/// Cells of both sides in turn, each with its own level, a slope within them, the second group 4 above the first.
fn exact(shift: f64, only_after: u32) -> Vec<Sample> {
    let mut samples = Vec::new();
    for group in 0..2_usize {
        for step in 0..60 + only_after * group as u32 {
            let (cell, x) = (step / 10, f64::from(step % 10) / 10.0 + f64::from(step / 10));
            let y =
                f64::from(cell * cell) - 3.0 * (x - f64::from(cell)) + if group == 1 { shift } else { 0.0 };
            samples.push(Sample { group, step, place: step, cell, x, y, weight: 1.0 });
        }
    }
    samples
}

/// By hand: all cells alike but for the shift. What the second group alone flew through moves nothing.
#[test]
fn a_shift_is_found_whatever_one_side_alone_went_through() {
    for only_after in [0, 200] {
        let found = difference(&exact(4.0, only_after), &SIDES, Kind::Level).unwrap();
        assert!((found.value() - 4.0).abs() < 1e-9, "{found:?}");
        assert_eq!((found.samples, found.largest_x), ([60, 60], 5.9));
        let each = effects(&exact(4.0, only_after), 2).unwrap();
        assert!((each[0].unwrap() + 2.0).abs() < 1e-9 && (each[1].unwrap() - 2.0).abs() < 1e-9, "{each:?}");
        assert!((found.effects[1].unwrap() - 2.0).abs() < 1e-9 && found.error.unwrap() < 1e-6, "{found:?}");
    }
    let apart: Vec<Sample> = exact(4.0, 0)
        .into_iter()
        .map(|sample| Sample { cell: sample.cell + 10 * sample.group as u32, ..sample })
        .collect();
    assert_eq!(difference(&apart, &SIDES, Kind::Level), None, "nothing in common");
    assert_eq!(effects(&apart, 2), None);
    assert_eq!(difference(&[], &SIDES, Kind::Level), None);
}

/// One cell, independent samples: the difference of two means, with the error and the degrees of freedom of Welch (1947),
/// worked here from the samples' variances; with as many samples on each side the leverage is that of the mean to 1 part in
/// some hundred.
#[test]
fn two_plain_samples_give_welch_s_test() {
    let mut random = ChaCha8Rng::seed_from_u64(5);
    for count in [24_u32, 60] {
        let mut samples = Vec::new();
        for group in 0..2 {
            for step in 0..count {
                let y = normal(&mut random) * (1.0 + 2.0 * group as f64);
                samples.push(Sample { group, step, place: step, cell: 0, x: 0.0, y, weight: 1.0 });
            }
        }
        let moments = |group: usize| {
            let own: Vec<f64> = samples.iter().filter(|s| s.group == group).map(|s| s.y).collect();
            let mean = own.iter().sum::<f64>() / own.len() as f64;
            (
                mean,
                own.iter().map(|y| (y - mean).powi(2)).sum::<f64>()
                    / (own.len() as f64 - 1.0)
                    / own.len() as f64,
            )
        };
        let ((mean_a, var_a), (mean_b, var_b)) = (moments(0), moments(1));
        // Blocks of a few samples.
        let fitted = Matched::of(&samples, 2, Kind::Share).unwrap();
        let own: Vec<usize> = (0..samples.len()).filter(|at| samples[*at].group == 0).collect();
        let found = difference(&samples, &SIDES, Kind::Level).unwrap();
        let plain = difference(&samples, &SIDES, Kind::Share).unwrap();
        assert!((plain.value() - (mean_b - mean_a)).abs() < 1e-9);
        assert!((found.value() - plain.value()).abs() < 1.0);
        let blocks = blocks(&samples, &fitted.residuals, &own);
        assert!(blocks.len() as u32 >= count / 4, "blocks of 3 or 4 samples: {}", blocks.len());
        let welch = (var_a + var_b).sqrt();
        let ratio = plain.error.unwrap() / welch;
        assert!((0.6..1.6).contains(&ratio), "{ratio}: blocks of a few samples scatter");
    }
}

/// A flight: levels alike for some 10 s, out and back through the cells, and each group its own shift.
fn flight(random: &mut ChaCha8Rng, group: usize, shift: f64, seconds: u32) -> Vec<Sample> {
    let keep = (-0.1_f64).exp();
    let mut shadow = 3.0 * normal(random);
    (0..seconds)
        .map(|step| {
            shadow = keep * shadow + 3.0 * (1.0 - keep * keep).sqrt() * normal(random);
            let cell = if step < seconds / 2 { step / 20 } else { 100 + (seconds - step) / 20 };
            let x = f64::from(step % 20) / 20.0;
            let y = -60.0 - 2.0 * f64::from(cell % 100) - x + shift + shadow + normal(random);
            Sample { group, step, place: step / 20, cell, x, y, weight: 1.0 }
        })
        .collect()
}

/// Of 200 pairs of flights without a difference 95 % hold it in their interval (91 to 99 of 100 by chance alone, three
/// standard errors), whether one flight a side or three with a day's own shift each; a difference of 4, or
/// 5 over the days' own, is told in nine of ten.
#[test]
fn intervals_hold_the_truth_and_a_change_is_told() {
    for (flights, day, change) in [(1_usize, 0.0, 4.0), (3, 1.0, 5.0)] {
        let (mut held, mut told) = (0, 0);
        for seed in 10_001..10_201 {
            let mut random = ChaCha8Rng::seed_from_u64(seed);
            let mut samples = Vec::new();
            for group in 0..2 * flights {
                let shift = day * normal(&mut random) + if group < flights { 0.0 } else { change };
                samples.extend(flight(&mut random, group, shift, 600));
            }
            let side: Vec<bool> = (0..2 * flights).map(|group| group >= flights).collect();
            let found = difference(&samples, &side, Kind::Level).unwrap();
            let error = found.error.unwrap();
            held += u32::from((found.value() - change).abs() <= student(found.degrees, 0.975) * error);
            told += u32::from(chance(found.value(), error, found.degrees) < 0.05);
        }
        assert!((181..=199).contains(&held), "{flights}: {held}");
        assert!(told >= 180, "{flights}: {told}");
    }
}

/// A stay at one place is one sample of it, however long: two hovers say nothing of how places vary.
#[test]
fn a_hover_is_one_sample() {
    let hover = |group: usize, level: f64| {
        (0..600).map(move |step| Sample {
            group,
            step,
            place: 0,
            cell: 3,
            x: 0.0,
            y: level + f64::from(step * 7919 % 101) / 100.0,
            weight: 1.0,
        })
    };
    let samples: Vec<Sample> = hover(0, -70.0).chain(hover(1, -60.0)).collect();
    let found = difference(&samples, &SIDES, Kind::Level).unwrap();
    assert!((found.value() - 10.0).abs() < 0.1 && found.error.is_none(), "{found:?}");
}

/// What never happened on either side has an interval: none in 300 s each is at most some 1 % apart, by Poisson counts of one
/// each: 1.96 x sqrt(2) / 300.
#[test]
fn none_on_both_sides_is_not_exact() {
    let none: Vec<Sample> = (0..2)
        .flat_map(|group| {
            (0..300).map(move |step| Sample {
                group,
                step,
                place: step,
                cell: 0,
                x: 0.0,
                y: 0.0,
                weight: 1.0,
            })
        })
        .collect();
    let found = difference(&none, &SIDES, Kind::Share).unwrap();
    assert_eq!(found.value(), 0.0);
    assert!((found.error.unwrap() - 2.0_f64.sqrt() / 300.0).abs() < 1e-9, "{found:?}");
}

/// Student's points: printed tables, such as NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2.
#[test]
fn chances_are_those_of_the_tables() {
    assert!((student(4.0, 0.975) - 2.776).abs() < 1e-3 && (chance(2.776, 1.0, 4.0) - 0.05).abs() < 1e-4);
    assert_eq!(chance(0.0, 0.0, 3.0), 1.0);
}
