//! Which sets of values the samples of each movement allow, by the sets' numbers.
//!
//! A set comes from `stats::censored::turnbull` or `stats::censored::ems`. The bootstrap (Efron 1979) draws whole movements with
//! replacement, since the samples of one movement depend on each other.

use crate::stats::sample::bootstrap::Resampler;

/// Replicates of the bootstrap, and its seed.
pub(super) const REPLICATES: usize = 200;
pub(super) const SEED: u64 = 0x5eed_1a7e_0001;

/// The sets of a stage's movements.
#[derive(Clone, Debug, Default)]
pub(super) struct MovementSets {
    /// The set of each sample, one movement after the other.
    sets: Vec<u32>,
    /// Where each movement's end in `sets`.
    ends: Vec<usize>,
}

impl MovementSets {
    /// Takes a movement by its samples' sets. A sample without a set says nothing, but its movement counts; a
    /// movement without samples does not.
    pub(super) fn push(&mut self, samples: impl Iterator<Item = Option<u32>>) {
        let mut samples = samples.peekable();
        if samples.peek().is_some() {
            self.sets.extend(samples.flatten());
            self.ends.push(self.sets.len());
        }
    }

    /// Movements taken.
    pub(super) const fn len(&self) -> usize {
        self.ends.len()
    }

    /// How many samples have each of so many sets.
    pub(super) fn weights(&self, sets: usize) -> Vec<f64> {
        let mut weights = vec![0.0; sets];
        for &set in &self.sets {
            weights[set as usize] += 1.0;
        }
        weights
    }

    /// The same with other sets in place of these; `None` for one that says nothing.
    pub(super) fn renumbered(&self, numbers: &[Option<u32>]) -> Self {
        let mut renumbered = Self::default();
        let mut start = 0;
        for &end in &self.ends {
            renumbered.sets.extend(self.sets[start..end].iter().filter_map(|&set| numbers[set as usize]));
            renumbered.ends.push(renumbered.sets.len());
            start = end;
        }
        renumbered
    }

    /// Draws the movements anew, [`REPLICATES`] times, and hands on how many samples then have each set.
    pub(super) fn resample(&self, sets: usize, mut replicate: impl FnMut(&[f64])) {
        let mut resampler = Resampler::new(SEED);
        let mut counts = vec![0_u32; self.len()];
        let mut weights = vec![0.0; sets];
        for _ in 0..REPLICATES {
            resampler.draw(&mut counts);
            weights.fill(0.0);
            let mut start = 0;
            for (&end, &drawn) in self.ends.iter().zip(&counts) {
                for &set in &self.sets[start..end] {
                    weights[set as usize] += f64::from(drawn);
                }
                start = end;
            }
            replicate(&weights);
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::latency::movement_sets::*;

    /// Samples without a set and movements without samples; the counts are worked by hand.
    #[test]
    fn movements_are_counted_and_drawn_whole() {
        let mut sets = MovementSets::default();
        sets.push([Some(0), None, Some(2), Some(2)].into_iter());
        sets.push(std::iter::empty());
        sets.push([None].into_iter());
        assert_eq!((sets.len(), sets.weights(3)), (2, vec![1.0, 0.0, 2.0]));
        let renumbered = sets.renumbered(&[None, None, Some(0)]);
        assert_eq!((renumbered.len(), renumbered.weights(1)), (2, vec![2.0]));
        let mut replicates = 0;
        sets.resample(3, |weights| {
            let drawn = weights[0];
            assert!((0.0..=2.0).contains(&drawn) && weights == [drawn, 0.0, 2.0 * drawn]);
            replicates += 1;
        });
        assert_eq!(replicates, REPLICATES);
    }
}
