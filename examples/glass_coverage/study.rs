//! Photographs of a running time and its picture, by way of two screens, a camera and a video link, whose delay is
//! known. Nothing of it comes from the estimator: what an eye reads off follows from when each thing was lit.

use fadewatch::measure::glass_to_glass::{Optics, Photograph, delay};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};

/// A screen: shows what it was given at its last refresh, row by row; an eye looks at one place of it.
#[derive(Clone, Copy)]
struct Display {
    period_ms: f64,
    phase_ms: f64,
    /// How far down its rows are the digits, 0 to 1.
    row: f64,
}

impl Display {
    fn any(dice: &mut ChaCha8Rng, period_ms: f64) -> Self {
        Self { period_ms, phase_ms: dice.random_range(0.0..period_ms), row: dice.random() }
    }

    /// When what is lit at an instant was taken from the computer.
    fn taken(&self, at_ms: f64) -> f64 {
        let drawn = at_ms - self.row * self.period_ms - self.phase_ms;
        (drawn / self.period_ms).floor() * self.period_ms + self.phase_ms
    }
}

/// One bench: it stays as it is while all photographs are made.
struct Bench {
    stopwatch: Display,
    handset: Display,
    frame_ms: f64,
    frame_phase_ms: f64,
    shutter_ms: f64,
    link_ms: f64,
    jitter_ms: f64,
    exposure_ms: f64,
    /// Which part of an exposure the reader's eye takes, 0: the earliest that was lit, 1: the latest.
    eye: [f64; 2],
    /// Readings whose last digit is off by one or two.
    slips: f64,
    seed: u64,
}

impl Bench {
    fn any(seed: u64) -> Self {
        let dice = &mut ChaCha8Rng::seed_from_u64(seed);
        let refresh_ms = [1_000.0 / 60.0, 20.0, 1_000.0 / 120.0][dice.random_range(0..3)];
        let frame_ms = [1_000.0 / 30.0, 40.0, 1_000.0 / 60.0][dice.random_range(0..3)];
        Self {
            stopwatch: Display::any(dice, refresh_ms),
            handset: Display::any(dice, refresh_ms),
            frame_ms,
            frame_phase_ms: dice.random_range(0.0..frame_ms),
            shutter_ms: dice.random_range(1.0..frame_ms),
            link_ms: dice.random_range(20.0..250.0),
            jitter_ms: dice.random_range(0.0..15.0),
            exposure_ms: dice.random_range(2.0..25.0),
            eye: [dice.random(), dice.random()],
            slips: dice.random_range(0.0..0.3),
            seed,
        }
    }

    /// The time that the stopwatch shows at an instant.
    fn time(&self, at_ms: f64) -> f64 {
        self.stopwatch.taken(at_ms)
    }

    /// When the picture that is lit at an instant was filmed: the middle of its shutter.
    fn filmed(&self, at_ms: f64) -> f64 {
        let taken = self.handset.taken(at_ms);
        let newest = ((taken - self.link_ms - self.frame_phase_ms) / self.frame_ms).floor() as i64;
        // Frames come late by a jitter of their own; the newest that is there is shown.
        let shown = (0..5).map(|back| newest - back).find(|frame| self.arrived(*frame) <= taken);
        shown.unwrap_or(newest - 5) as f64 * self.frame_ms + self.frame_phase_ms - self.shutter_ms / 2.0
    }

    fn arrived(&self, frame: i64) -> f64 {
        // The finalizer of SplitMix64 (Steele, Lea and Flood 2014): a frame is as late whenever it is looked at.
        let mut mixed = self.seed.wrapping_add(frame.cast_unsigned().wrapping_mul(0x9e37_79b9_7f4a_7c15));
        mixed = (mixed ^ mixed >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ mixed >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
        let late_ms = self.jitter_ms * ((mixed ^ mixed >> 31) >> 11) as f64 / (1_u64 << 53) as f64;
        frame as f64 * self.frame_ms + self.frame_phase_ms + self.link_ms + late_ms
    }

    /// The mean age of the picture where the photographer looks.
    fn truth(&self) -> f64 {
        let instants = 4_000;
        let age = |index: i32| {
            let at_ms = 5_000.0 + f64::from(index) * 1.618_034;
            at_ms - self.filmed(at_ms)
        };
        (0..instants).map(age).sum::<f64>() / f64::from(instants)
    }

    fn photograph(&self, dice: &mut ChaCha8Rng) -> Photograph {
        let at_ms = dice.random_range(5_000.0..900_000.0);
        let lit = |eye: f64| at_ms + (eye - 0.5) * self.exposure_ms;
        let mut read = |time_ms: f64| {
            let slip = if dice.random_bool(self.slips) { dice.random_range(-2..=2) } else { 0 };
            time_ms.floor() + f64::from(slip)
        };
        Photograph {
            time_ms: read(self.time(lit(self.eye[0]))),
            picture_ms: read(self.time(self.filmed(lit(self.eye[1])))),
        }
    }
}

/// What a study counted.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Tally {
    pub(crate) benches: u32,
    pub(crate) said: u32,
    pub(crate) held: u32,
    pub(crate) apart: u32,
    pub(crate) half_ms: f64,
    pub(crate) error_ms: f64,
}

/// Benches of these seeds, so many photographs of each.
pub(crate) fn study(seeds: std::ops::Range<u64>, photographs: usize) -> Tally {
    let mut tally = Tally::default();
    for seed in seeds {
        let bench = Bench::any(seed);
        let mut dice = ChaCha8Rng::seed_from_u64(seed ^ photographs as u64);
        let taken: Vec<Photograph> = (0..photographs).map(|_| bench.photograph(&mut dice)).collect();
        tally.benches += 1;
        let optics = Optics { refresh_ms: bench.handset.period_ms, exposure_ms: bench.exposure_ms };
        let Ok(found) = delay(&taken, optics) else { continue };
        let truth = bench.truth();
        tally.said += 1;
        tally.held +=
            u32::from(found.glass_to_glass_ci95_ms[0] <= truth && truth <= found.glass_to_glass_ci95_ms[1]);
        tally.apart += u32::from(!found.photographs_apart.is_empty());
        tally.half_ms += (found.glass_to_glass_ci95_ms[1] - found.glass_to_glass_ci95_ms[0]) / 2.0;
        tally.error_ms += found.glass_to_glass_ms - truth;
    }
    tally
}
