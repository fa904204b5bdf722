//! A sender's silences: the longest, those that are outages, and those shared with others.
//!
//! Silences of 0.25 s and more are kept, at most 2048 a sender; when full, the least length
//! that is kept doubles. The usual interval is the median of all, from a histogram with
//! steps of a quarter octave.

use crate::units::Nanos;

const MOST_KEPT: usize = 2048;
const LEAST: Nanos = Nanos::from_millis(250);
const BUCKETS: usize = 128;
/// So many silences of about one length are usual.
const MANY: u32 = 4;
/// An outage: silent for longer than this, and than five usual intervals.
const OUTAGE_S: f64 = 2.0;

#[derive(Clone, Debug)]
pub(super) struct Silences {
    kept: Vec<(Nanos, Nanos)>,
    least: Nanos,
    longest: Nanos,
    intervals: [u32; BUCKETS],
}

impl Default for Silences {
    fn default() -> Self {
        Self { kept: Vec::new(), least: LEAST, longest: Nanos::ZERO, intervals: [0; BUCKETS] }
    }
}

impl Silences {
    /// Bytes held beside the structure itself.
    pub(super) fn own_bytes(&self) -> usize {
        size_of_val(self.kept.as_slice())
    }

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

    /// Silences of this length or less add to the usual interval alone.
    pub(super) fn plain(&self) -> Nanos {
        self.longest.min(self.least - Nanos(1))
    }

    /// Counts a plain silence.
    #[inline]
    pub(super) fn observe_plain(&mut self, length: Nanos) {
        self.intervals[quarter_octave(length)] += 1;
    }

    pub(super) const fn longest(&self) -> Nanos {
        self.longest
    }

    /// The same without some that are kept.
    pub(super) fn longest_but(&self, is_left_out: impl Fn(Nanos, Nanos) -> bool) -> Nanos {
        if !self.kept.iter().any(|&(from, to)| is_left_out(from, to)) {
            return self.longest;
        }
        let kept = self.kept.iter().filter(|&&(from, to)| !is_left_out(from, to));
        kept.map(|&(from, to)| to - from).max().unwrap_or(self.least)
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

    /// The usual pause: half of the time lies in intervals at least as long. Those not far shorter than a silence are left
    /// out while they are few, those longer than it always.
    pub(super) fn pause_s(&self, silence: Nanos) -> f64 {
        let (half, whole) = (quarter_octave(Nanos(silence.0 / 2)), quarter_octave(silence));
        let near: u32 = self.intervals[half..whole].iter().sum();
        let end = if near >= MANY { whole } else { half };
        let length = |bucket: usize| 1e-4 * 2_f64.powf((bucket as f64 + 0.5) / 4.0);
        let time = |bucket: usize| f64::from(self.intervals[bucket]) * length(bucket);
        let all: f64 = (0..end).map(time).sum();
        let mut longer = 0.0;
        let usual = (0..end).rev().find(|&bucket| {
            longer += time(bucket);
            longer * 2.0 >= all
        });
        usual.filter(|_| all > 0.0).map_or(0.0, length)
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
#[inline]
fn quarter_octave(length: Nanos) -> usize {
    const MANTISSA: u64 = (1 << 52) - 1;
    const ONE: u64 = 1023 << 52;
    /// The edge within each eighth of an octave's span: the fourth roots of 2, 4 and 8, each in its own.
    const EDGES: [u64; 8] = {
        let mut edges = [u64::MAX; 8];
        edges[1] = 1.189_207_115_002_721_f64.to_bits() & MANTISSA;
        edges[3] = std::f64::consts::SQRT_2.to_bits() & MANTISSA;
        edges[5] = 1.681_792_830_507_429_f64.to_bits() & MANTISSA;
        edges
    };
    // Octave and eighth stand at the top of the bits; below an edge lie half as many quarters as eighths.
    let bits = (length.0 as f64 * 1e-5).max(1.0).to_bits() - ONE;
    let is_past_edge = bits & MANTISSA >= EDGES[(bits >> 49) as usize % 8];
    ((bits >> 50) as usize + usize::from(is_past_edge)).min(BUCKETS - 1)
}

#[cfg(test)]
mod tests {
    use crate::measure::loss::silence::*;

    /// The logarithm itself is the oracle.
    #[test]
    fn quarter_octaves_are_those_of_the_logarithm() {
        for step in 1..4000_i64 {
            let length = Nanos(step * step * step * 77);
            let expected = ((length.secs() / 1e-4).max(1.0).log2() * 4.0) as usize;
            assert_eq!(quarter_octave(length), expected.min(BUCKETS - 1), "{length:?}");
        }
    }
    /// The usual interval is known to a quarter octave: its middle is at most an eighth off.
    #[test]
    fn an_outage_is_longer_than_two_seconds_and_than_five_usual_intervals() {
        let outage_s = |ms: i64| {
            let mut silences = Silences::default();
            for number in 0..20 {
                silences.observe(Nanos::from_millis(number * ms), Nanos::from_millis((number + 1) * ms));
            }
            silences.outage_s()
        };
        for ms in (500..4000).step_by(35) {
            let octaves = (outage_s(ms) / (5e-3 * ms as f64)).log2();
            assert!(octaves.abs() <= 0.125 + 1e-9, "{ms} ms: {octaves}");
        }
        assert_eq!([20, 300].map(outage_s), [2.0; 2]);
    }
    /// 3,000 silences of 0.3 s beside 40 of 0.6 s: the short ones are let go, and not the others.
    #[test]
    fn where_there_are_too_many_the_longer_ones_are_kept() {
        let mut silences = Silences::default();
        let mut at = Nanos::ZERO;
        for number in 0..3040 {
            let to = at + Nanos::from_millis(if number % 76 == 0 { 600 } else { 300 });
            silences.observe(at, to);
            at = to;
        }
        let long = silences.kept().iter().filter(|(from, to)| *to - *from > Nanos::from_millis(500)).count();
        assert!(long == 40 && silences.kept().len() <= 2048, "{long} of {}", silences.kept().len());
    }
}
