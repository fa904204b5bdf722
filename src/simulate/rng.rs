//! Seeded chance: one independent stream of numbers for each purpose.
//!
//! A purpose has its own stream, so that a change in one part of a scenario leaves
//! the others as they were. Only the generator itself comes from a crate (its output is
//! stable by promise); distributions are written out here.

use rand::rngs::ChaCha8Rng;
use rand::{Rng, SeedableRng};

/// A stream of chance for one purpose.
pub(crate) struct Dice(ChaCha8Rng);

impl Dice {
    /// The stream of this seed for this purpose.
    pub(crate) fn new(seed: u64, purpose: &str) -> Self {
        let mixed = purpose.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
        });
        Self(ChaCha8Rng::seed_from_u64(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ mixed))
    }

    /// Even between 0 and 1, 1 left out.
    pub(crate) fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Even between two bounds.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// True with this chance.
    pub(crate) fn chance(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// Exponential with this mean.
    pub(crate) fn exponential(&mut self, mean: f64) -> f64 {
        -mean * (1.0 - self.unit()).ln()
    }

    /// Standard normal (Box and Muller 1958).
    pub(crate) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.unit()).cos()
    }
}
