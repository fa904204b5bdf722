//! A sender's silences: the longest, those that are outages, and those shared with others.
//!
//! Silences of 0.25 s and more are kept, at most 2048 a sender; when full, the least length
//! that is kept doubles. The usual interval is the median of all, from a histogram with
//! steps of a quarter octave.

use crate::units::Nanos;

const MOST_KEPT: usize = 2048;
const LEAST: Nanos = Nanos::from_millis(250);
const BUCKETS: usize = 128;
/// An outage: silent for longer than this, and than five usual intervals.
const OUTAGE_S: f64 = 2.0;

#[derive(Clone, Debug)]
pub(super) struct Silences {
    kept: Vec<(Nanos, Nanos)>,
    least: Nanos,
    longest: Nanos,
    intervals: Vec<u32>,
}

impl Default for Silences {
    fn default() -> Self {
        Self { kept: Vec::new(), least: LEAST, longest: Nanos::ZERO, intervals: vec![0; BUCKETS] }
    }
}

impl Silences {
    pub(super) fn observe(&mut self, from: Nanos, to: Nanos) {
        let length = to - from;
        self.intervals[quarter_octave(length)] += 1;
        self.longest = self.longest.max(length);
        if length >= self.least {
            self.kept.push((from, to));
            while self.kept.len() > MOST_KEPT {
                self.least += self.least;
                self.kept.retain(|&(from, to)| to - from >= self.least);
            }
        }
    }

    pub(super) const fn longest(&self) -> Nanos {
        self.longest
    }

    fn usual_s(&self) -> Option<f64> {
        let all: u64 = self.intervals.iter().map(|&count| u64::from(count)).sum();
        let mut below = 0;
        let bucket = self.intervals.iter().position(|&count| {
            below += u64::from(count);
            below * 2 >= all
        })?;
        (all > 0).then(|| 1e-4 * 2_f64.powf((bucket as f64 + 0.5) / 4.0))
    }

    /// Longer than this is an outage.
    pub(super) fn outage_s(&self) -> f64 {
        OUTAGE_S.max(5.0 * self.usual_s().unwrap_or(0.0))
    }

    pub(super) fn kept(&self) -> &[(Nanos, Nanos)] {
        &self.kept
    }
}

/// From 0.1 ms in quarter octaves; everything shorter together.
fn quarter_octave(length: Nanos) -> usize {
    const EXPONENT: u32 = 52;
    /// The fourth roots of 2, 4 and 8.
    const QUARTERS: [f64; 3] = [1.189_207_115_002_721, std::f64::consts::SQRT_2, 1.681_792_830_507_429];
    let ratio = (length.0 as f64 * 1e-5).max(1.0);
    let octave = (ratio.to_bits() >> EXPONENT) as usize - 1023;
    let within = f64::from_bits(ratio.to_bits() & ((1 << EXPONENT) - 1) | 1023 << EXPONENT);
    let quarter: usize = QUARTERS.iter().map(|&edge| usize::from(within >= edge)).sum();
    (4 * octave + quarter).min(BUCKETS - 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The logarithm itself is the oracle.
    #[test]
    fn quarter_octaves_are_those_of_the_logarithm() {
        for step in 1..4000_i64 {
            let length = Nanos(step * step * step * 77);
            let expected = ((length.secs() / 1e-4).max(1.0).log2() * 4.0) as usize;
            assert_eq!(quarter_octave(length), expected.min(BUCKETS - 1), "{length:?}");
        }
    }
}
