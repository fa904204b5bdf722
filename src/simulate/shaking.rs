//! What an inertial sensor feels: noise, and tones of a fixed frequency or of the motors' turns.

use std::f64::consts::TAU;

use super::rng::Dice;
use super::scenario::{Inertial, Tone};

/// Turns a second of the motors.
pub(crate) fn motor_hz(settings: &Inertial, at_s: f64) -> f64 {
    let next = settings.motor.partition_point(|[from_s, _]| *from_s <= at_s);
    match (settings.motor.get(next.wrapping_sub(1)), settings.motor.get(next)) {
        (Some([from_s, from]), Some([to_s, to])) => from + (to - from) * (at_s - from_s) / (to_s - from_s),
        (Some([_, hz]), None) | (None, Some([_, hz])) => *hz,
        (None, None) => 0.0,
    }
}

/// One sensor as time goes on.
pub(crate) struct Shaking<'a> {
    settings: &'a Inertial,
    dice: Dice,
    /// When the last sample was taken, and the turns up to then.
    last_s: f64,
    turns: f64,
}

impl<'a> Shaking<'a> {
    pub(crate) fn new(settings: &'a Inertial, seed: u64) -> Self {
        Self { settings, dice: Dice::new(seed, "inertial"), last_s: 0.0, turns: 0.0 }
    }

    /// m/s²; times must not fall.
    pub(crate) fn sample(&mut self, at_s: f64) -> [f32; 3] {
        let mean_hz = motor_hz(self.settings, f64::midpoint(self.last_s, at_s));
        self.turns += mean_hz * (at_s - self.last_s);
        self.last_s = at_s;
        let mut felt = [0.0, 0.0, -9.81];
        for value in &mut felt {
            *value += self.settings.noise * self.dice.normal();
        }
        for Tone { axis, level, steady_hz, times } in &self.settings.tone {
            let turns = steady_hz.map_or(times * self.turns, |hz| hz * at_s);
            felt[usize::from(*axis) - 1] += level * 2_f64.sqrt() * (TAU * turns).sin();
        }
        felt.map(|value| value as f32)
    }
}
