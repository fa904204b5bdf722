//! What one stick did over a movement, and where it stood.
//!
//! A stick stood over a span of time if all of its samples in it, and the next one on either side, lie within a few half us
//! of each other. For each sample the first one is kept from which on that holds: every output asks for a span that ends at
//! each of its own samples. Values in half us, times in ms since the movement's start.

use crate::stats::time_series::correlation::Level;

/// A stick within this over the time that an age can be stood still (half us).
pub(super) const STILL: f64 = 8.0;

/// What a stick did over a movement, as far as it is known.
#[derive(Debug)]
pub(super) enum StickCourse {
    Standing(Level),
    Moving(MovingStick),
}

impl StickCourse {
    /// Where the stick stood still all the time; `None` where it moved or is not known.
    pub(super) fn stood(&self, span: (f64, f64), near: &mut Near) -> Option<f64> {
        match self {
            Self::Standing(level) => (level.from <= span.1 && span.1 <= level.to).then_some(level.value),
            Self::Moving(stick) => stick.stood(&stick.still_since, span, near),
        }
    }
}

/// A stick that moved: time and value.
#[derive(Debug)]
pub(super) struct MovingStick {
    pub(super) samples: Vec<(f64, f64)>,
    still_since: Vec<u32>,
}

impl MovingStick {
    pub(super) fn new(samples: Vec<(f64, f64)>) -> Self {
        let still_since = stands_since(&samples, STILL);
        Self { samples, still_since }
    }

    /// Where it stood all the time by `since`; `None` where it moved then or is not known.
    pub(super) fn stood(&self, since: &[u32], span: (f64, f64), near: &mut Near) -> Option<f64> {
        near.go(&self.samples, span);
        let at = near.past.checked_sub(1)?;
        let known = self.samples[self.samples.len() - 1].0 >= span.1;
        (known && near.stands(since)).then(|| self.samples[at].1)
    }

    /// Whether it stood still from one time to another; false where it is not known.
    pub(super) fn is_still(&self, span: (f64, f64), near: &mut Near) -> bool {
        near.go(&self.samples, span);
        near.stands(&self.still_since)
    }
}

/// Which samples lie in a span: the next one is found from there, as spans mostly follow each other.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Near {
    /// Samples before it.
    before: usize,
    /// Samples up to its end.
    past: usize,
}

impl Near {
    fn go(&mut self, samples: &[(f64, f64)], (from, to): (f64, f64)) {
        self.before = next_place(samples, self.before, |time| time < from);
        self.past = next_place(samples, self.past, |time| time <= to);
    }

    /// Whether all of them and the one next to either end stand, by the first with which each does.
    fn stands(self, since: &[u32]) -> bool {
        let last = self.past.min(since.len().wrapping_sub(1));
        since.get(last).is_some_and(|&first| first as usize <= self.before.saturating_sub(1))
    }
}

/// How many samples lie before something, looked for from where that was last.
#[inline]
fn next_place(samples: &[(f64, f64)], mut at: usize, is_before: impl Fn(f64) -> bool) -> usize {
    while samples.get(at).is_some_and(|sample| is_before(sample.0)) {
        at += 1;
    }
    while at > 0 && !is_before(samples[at - 1].0) {
        at -= 1;
    }
    at
}

/// For each sample the first one from which on, up to it, all lie within `give` of each other.
pub(super) fn stands_since(samples: &[(f64, f64)], give: f64) -> Vec<u32> {
    let (mut first, mut low, mut high) = (0, f64::MAX, f64::MIN);
    let mut all = Vec::with_capacity(samples.len());
    for (place, &(_, value)) in samples.iter().enumerate() {
        (low, high) = (low.min(value), high.max(value));
        if high - low > give {
            // Those before lie within it of each other: only this one can be too far from some.
            let apart = |other: &(f64, f64)| (other.1 - value).abs() > give;
            first += samples[first..place].iter().rposition(apart).map_or(0, |last| last + 1);
            let rest = samples[first..=place].iter().map(|sample| sample.1);
            (low, high) = (rest.clone().fold(f64::MAX, f64::min), rest.fold(f64::MIN, f64::max));
        }
        all.push(first as u32);
    }
    all
}

/// How far a stick went from one time to another, with the samples next to both.
pub(super) fn travel(stick: &[(f64, f64)], from: f64, to: f64) -> f64 {
    let first = stick.partition_point(|sample| sample.0 < from).saturating_sub(1);
    let past = stick.partition_point(|sample| sample.0 <= to);
    let near = stick[first..(past + 1).min(stick.len())].iter().map(|sample| sample.1);
    near.clone().fold(f64::MIN, f64::max) - near.fold(f64::MAX, f64::min)
}

#[cfg(test)]
mod tests {
    use rand::rngs::ChaCha8Rng;
    use rand::{RngExt as _, SeedableRng as _};

    use crate::measure::latency::mapping::stick_course::*;

    /// By the definition: the greatest less the least of the samples in between and next to the ends.
    fn by_definition(samples: &[(f64, f64)], (from, to): (f64, f64), give: f64) -> Option<f64> {
        let before = samples.iter().rposition(|sample| sample.0 < from).unwrap_or(0);
        let behind = samples.iter().position(|sample| sample.0 > to).unwrap_or(samples.len() - 1);
        let held = samples.iter().rev().find(|sample| sample.0 <= to)?;
        let values = samples[before..=behind].iter().map(|sample| sample.1);
        let span = values.clone().fold(f64::MIN, f64::max) - values.fold(f64::MAX, f64::min);
        (samples.last()?.0 >= to && span <= give).then_some(held.1)
    }

    #[test]
    fn a_stick_stood_as_by_the_definition() {
        let mut rng = ChaCha8Rng::seed_from_u64(10_001);
        let (mut stood, mut moved) = (0, 0);
        for _ in 0..200 {
            let (mut time, mut value) = (-500.0, 3000.0);
            let samples: Vec<(f64, f64)> = (0..rng.random_range(1..60))
                .map(|_| {
                    time += f64::from(rng.random_range(5..40));
                    value += f64::from(if rng.random_bool(0.1) {
                        rng.random_range(-40..40)
                    } else {
                        rng.random_range(-2..3)
                    });
                    (time, value)
                })
                .collect();
            let stick = MovingStick::new(samples.clone());
            let (mut near, mut own) = (Near::default(), Near::default());
            for _ in 0..50 {
                let to = f64::from(rng.random_range(-600..2000));
                let span = (to - f64::from(rng.random_range(0..400)), to);
                for give in [STILL, 25.0] {
                    let found = stick.stood(&stands_since(&samples, give), span, &mut near);
                    assert_eq!(found, by_definition(&samples, span, give), "{samples:?} {span:?} {give}");
                    if found.is_some() { stood += 1 } else { moved += 1 }
                }
                let still = travel(&samples, span.0, span.1) <= STILL;
                assert_eq!(stick.is_still(span, &mut own), still, "{samples:?} {span:?}");
            }
        }
        assert!(stood > 1000 && moved > 1000, "{stood} {moved}");
    }

    /// A stick that trembles by 3 us (6 half us) stands still; one that goes 6 us to and fro does not.
    #[test]
    fn a_stick_that_trembles_by_three_us_stands_still() {
        for (give, stood) in [(6.0, Some(3000.0)), (12.0, None)] {
            let samples = (0..20).map(|step| (20.0 * f64::from(step), 3000.0 + give * f64::from(step % 2)));
            let course = StickCourse::Moving(MovingStick::new(samples.collect()));
            assert_eq!(course.stood((100.0, 325.0), &mut Near::default()), stood, "{give}");
        }
    }
}
