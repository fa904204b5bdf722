//! Invented sessions second by second, with levels alike in time and a day's own share, and what the comparison says of them.
//!
//! A flight goes out and back twice at 3 m/s. Level: a line over log distance (exponent 2.6), shadowing of 3 dB alike for some 8 s,
//! noise of 1 dB, a shift of the day. Packets are lost and pictures freeze by the level. The generator shares no code with
//! what it checks.

use fadewatch::judge::comparison::{ComparedSession, FlownLink, FlownSecond, VibrationSecond, compare};
use fadewatch::profile::LinkRole;
use fadewatch::summary::{ChangeWord, ComparedFigure, Comparison, Phase, VideoSource};
use fadewatch::units::LevelUnit;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

/// What is compared.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Course {
    /// Sessions a side.
    pub(crate) sessions: usize,
    /// Spread of the days, dB.
    pub(crate) day_db: f64,
    /// What the second side gains in the video link, dB.
    pub(crate) gain_db: f64,
    /// How far each side goes.
    pub(crate) far_m: [f64; 2],
}

/// What came of many.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Tally {
    pub(crate) seeds: u32,
    /// Figures that have a word.
    pub(crate) figures: u32,
    /// Of those, called better or worse.
    pub(crate) different: u32,
    /// Pairs of sides in which any figure is.
    pub(crate) any: u32,
    /// The video level called better.
    pub(crate) gained: u32,
    /// It has an interval.
    pub(crate) intervals: u32,
    /// Which holds the true gain.
    pub(crate) held: u32,
    /// The telemetry level, which never changes, called different.
    pub(crate) wrong: u32,
}

const NEAR_M: f64 = 12.0;
/// Metres a second.
const SPEED: f64 = 3.0;

struct Dice(ChaCha8Rng);

impl Dice {
    fn normal(&mut self) -> f64 {
        let (radius, angle): (f64, f64) = (1.0 - self.0.random::<f64>(), self.0.random());
        (-2.0 * radius.ln()).sqrt() * (std::f64::consts::TAU * angle).cos()
    }

    fn chance(&mut self, share: f64) -> bool {
        self.0.random::<f64>() < share
    }

    fn lost(&mut self, of: u32, share: f64) -> u32 {
        (0..of).filter(|_| self.chance(share)).count() as u32
    }
}

fn logistic(x: f64) -> f64 {
    1.0 / (1.0 + (-x).exp())
}

fn link(dice: &mut Dice, role: LinkRole, far_m: f64, shift_db: f64) -> FlownLink {
    let keep = (-1.0_f64 / 8.0).exp();
    let mut shadow = 3.0 * dice.normal();
    let lap_m = 2.0 * (far_m - NEAR_M);
    let seconds = (2.0 * lap_m / SPEED) as u32;
    let is_video = role == LinkRole::Video;
    let mut frozen_for = 0;
    let second = |step: u32| {
        shadow = keep * shadow + 3.0 * (1.0 - keep * keep).sqrt() * dice.normal();
        let gone = (f64::from(step) * SPEED) % lap_m;
        let is_out = gone < lap_m / 2.0;
        let distance_m = NEAR_M + if is_out { gone } else { lap_m - gone };
        let level = -30.0 - 26.0 * distance_m.log10() + shift_db + shadow + dice.normal();
        let share = 0.002 + 0.5 * logistic((-88.0 - level) / 1.5);
        let lost = dice.lost(40, share);
        if frozen_for > 0 {
            frozen_for -= 1;
        } else if is_video && dice.chance(logistic((-89.0 - level) / 1.2)) {
            frozen_for = 1 + u32::from(dice.chance(0.5));
        }
        FlownSecond {
            step,
            phase: Some(if is_out { Phase::Out } else { Phase::Back }),
            place: step / 4,
            distance_m: Some(distance_m),
            level: Some(level),
            received: Some(40 - lost),
            lost: Some(lost),
            stood: is_video.then_some(frozen_for > 0),
            moved: false,
        }
    };
    FlownLink {
        name: if is_video { "video" } else { "telemetry" }.to_owned(),
        role,
        unit: Some(LevelUnit::Dbm),
        source: is_video.then_some(VideoSource::Rtp),
        saturated_to_m: None,
        seconds: (0..seconds).map(second).collect(),
    }
}

fn session(dice: &mut Dice, course: Course, after: bool) -> ComparedSession {
    let [day, other_day] = [0, 1].map(|_| course.day_db * dice.normal());
    let gain = if after { course.gain_db } else { 0.0 };
    let far_m = course.far_m[usize::from(after)];
    let links = vec![
        link(dice, LinkRole::Video, far_m, day + gain),
        link(dice, LinkRole::Telemetry, far_m, 8.0 + other_day),
    ];
    let keep = (-1.0_f32 / 5.0).exp();
    let mut levels = [0.0_f32; 3];
    let vibration = links[0].seconds.iter().map(|second| {
        for level in &mut levels {
            *level = keep * *level + dice.normal() as f32;
        }
        VibrationSecond { step: second.step, phase: second.phase, levels: levels.map(|level| 12.0 + level) }
    });
    let vibration = vibration.collect();
    ComparedSession { links, vibration, ..ComparedSession::default() }
}

/// Two sides.
pub(crate) fn sides(seed: u64, course: Course) -> [Vec<ComparedSession>; 2] {
    let mut dice = Dice(ChaCha8Rng::seed_from_u64(seed));
    [false, true].map(|after| (0..course.sessions).map(|_| session(&mut dice, course, after)).collect())
}

/// What is said of them.
pub(crate) fn play(seed: u64, course: Course) -> Comparison {
    let [before, after] = sides(seed, course);
    compare(&before.iter().collect::<Vec<_>>(), &after.iter().collect::<Vec<_>>())
}

/// Many of them.
pub(crate) fn study(seeds: std::ops::Range<u64>, course: Course) -> Tally {
    let mut tally = Tally::default();
    for seed in seeds {
        let found = play(seed, course);
        let is_different =
            |change: Option<ChangeWord>| matches!(change, Some(ChangeWord::Better | ChangeWord::Worse));
        let judged = found.figures.iter().filter(|row| row.change.is_some());
        let different = judged.clone().filter(|row| is_different(row.change)).count() as u32;
        tally.seeds += 1;
        tally.figures += judged.count() as u32;
        tally.different += different;
        tally.any += u32::from(different > 0);
        for row in found.figures.iter().filter(|row| row.figure == ComparedFigure::Level) {
            if row.link.as_deref() == Some("video") {
                tally.gained += u32::from(row.change == Some(ChangeWord::Better));
                let held = row
                    .difference_ci95
                    .is_some_and(|[low, high]| low <= course.gain_db && course.gain_db <= high);
                tally.intervals += u32::from(row.difference_ci95.is_some());
                tally.held += u32::from(held);
            } else {
                tally.wrong += u32::from(is_different(row.change));
            }
        }
    }
    tally
}
