//! Where a channel stands when nobody moves it: its centre, and how it jitters there.
//!
//! Definition: a still span is a second (or more, until it has 8 reports) within 200 us of which both halves have the
//! same median and scatter alike; what is not still loses its first half, so that a rest of a second and a half has one.
//! Still spans whose medians lie within 12 us are of one level. The centre is a level between the ends to which the
//! channel came back five times, from over 60 us away, and two and a half times as often as to any other between its
//! ends, and whose spans' medians scatter by no more than 3 us (or three quarters of the jitter): a knob or a throttle
//! rests anywhere, and a throttle in hover near one place, never at it. Its figure is the mean of its spans' medians,
//! with an interval by their scatter. Jitter: the interquartile range of all reports of still spans about their span's
//! median. Unit: us. Window: the session. Source: none, common practice; quartiles by rank. A gap of 2 s ends a span; a
//! restart and a duplicate change nothing. Bounded: [`MOST_LEVELS`] levels, the most visited stay; 512 reports a span.

use crate::units::Nanos;
use crate::units::interval::Interval;

const SPAN: Nanos = Nanos::from_secs(1);
const FEWEST: usize = 8;
const MOST: usize = 512;
const GAP: Nanos = Nanos::from_secs(2);
/// More is movement, not jitter.
const WIDEST_US: u16 = 200;
/// Medians of one level.
const LEVEL_US: f64 = 12.0;
const LEFT_US: f64 = 60.0;
const MOST_LEVELS: usize = 16;
const RETURNS: u32 = 5;
/// A spring brings a stick back so nearly to one place (standard deviation); a hand does not.
const SPRING_US: f64 = 3.0;
/// Either side of a centre the channel goes at least so far.
const SIDE_US: f64 = 100.0;
/// Nearer the ends than this share of the travel is an end.
const END_SHARE: f64 = 0.1;
/// Deviations that are told apart, either way.
const REACH: usize = 128;

/// Where it stood.
#[derive(Clone, Copy, Debug, Default)]
struct Level {
    spans: u32,
    mean: f64,
    /// Sum of squares about the mean.
    squares: f64,
    arrivals: u32,
}

/// The levels at which a channel rests.
#[derive(Clone, Debug, Default)]
pub(super) struct RestLevels {
    span: Vec<(Nanos, u16)>,
    levels: Vec<Level>,
    /// The median of the last still span, until the channel leaves it.
    standing: Option<f64>,
    /// Reports by their deviation from their span's median, as far as [`REACH`].
    deviations: Vec<u32>,
    still: u64,
}

impl RestLevels {
    pub(super) fn observe(&mut self, at: Nanos, pulse: u16) {
        if self.span.last().is_some_and(|(last, _)| at - *last > GAP) {
            self.span.clear();
        }
        if self.standing.is_some_and(|level| (level - f64::from(pulse)).abs() > LEFT_US) {
            self.standing = None;
        }
        self.span.push((at, pulse));
        let lasted = self.span.first().is_some_and(|(began, _)| at - *began >= SPAN);
        if (lasted && self.span.len() >= FEWEST) || self.span.len() >= MOST {
            if let Some(median) = still(&self.span) {
                self.stand(median);
                self.span.clear();
            } else {
                self.span.drain(..self.span.len().div_ceil(2));
            }
        }
    }

    fn stand(&mut self, median: f64) {
        self.still += 1;
        self.deviations.resize(2 * REACH + 1, 0);
        for (_, pulse) in &self.span {
            let off = f64::from(*pulse) - median;
            // Most stand exactly there.
            let place = if off == 0.0 { REACH } else { (off.round() + REACH as f64).max(0.0) as usize };
            self.deviations[place.min(2 * REACH)] += 1;
        }
        let arrives = self.standing.replace(median).is_none();
        let near = |level: &&mut Level| (level.mean - median).abs() <= LEVEL_US;
        let known = self.levels.iter_mut().filter(near);
        let known = known.min_by(|a, b| (a.mean - median).abs().total_cmp(&(b.mean - median).abs()));
        let level = if let Some(level) = known {
            level
        } else {
            if self.levels.len() >= MOST_LEVELS {
                let least = self.levels.iter().enumerate().min_by_key(|(_, level)| level.spans);
                let least = least.map_or(0, |(place, _)| place);
                self.levels.swap_remove(least);
            }
            self.levels.push(Level { mean: median, ..Level::default() });
            let last = self.levels.len() - 1;
            &mut self.levels[last]
        };
        level.spans += 1;
        level.arrivals += u32::from(arrives);
        let off = median - level.mean;
        level.mean += off / f64::from(level.spans);
        level.squares += off * (median - level.mean);
    }

    pub(super) const fn still_spans(&self) -> u64 {
        self.still
    }

    /// Where it comes back to from both sides, and its interval.
    pub(super) fn centre(&self, low: u16, high: u16) -> Option<(f64, Interval)> {
        let (low, high) = (f64::from(low), f64::from(high));
        let end = END_SHARE * (high - low);
        let inner = self.levels.iter().filter(|level| level.mean > low + end && level.mean < high - end);
        let mut inner: Vec<&Level> = inner.collect();
        inner.sort_by_key(|level| std::cmp::Reverse(level.arrivals));
        let level = inner.first()?;
        let second = inner.get(1).map_or(0, |level| level.arrivals);
        let both_sides = level.mean - low >= SIDE_US && high - level.mean >= SIDE_US;
        if !both_sides || level.arrivals < RETURNS || 2 * level.arrivals < 5 * second {
            return None;
        }
        let spans = f64::from(level.spans);
        let scatter = (level.squares / (spans - 1.0).max(1.0)).sqrt();
        if scatter > SPRING_US.max(0.75 * self.jitter_us().unwrap_or(0.0)) {
            return None;
        }
        let error = scatter / spans.sqrt();
        // Half the last digit of a report at least.
        let reach = (2.0 * error).max(0.5);
        Some((level.mean, [level.mean - reach, level.mean + reach]))
    }

    /// The interquartile range at rest; `None` before three still spans.
    pub(super) fn jitter_us(&self) -> Option<f64> {
        let all: u64 = self.deviations.iter().copied().map(u64::from).sum();
        if self.still < 3 || all == 0 {
            return None;
        }
        let rank = |share: f64| {
            let rank = (share * all as f64).ceil() as u64;
            let mut below = 0;
            self.deviations.iter().position(|count| {
                below += u64::from(*count);
                below >= rank
            })
        };
        Some(rank(0.75)? as f64 - rank(0.25)? as f64)
    }
}

/// The median of a span that is still.
fn still(span: &[(Nanos, u16)]) -> Option<f64> {
    let pulses = || span.iter().map(|(_, pulse)| *pulse);
    let (low, high) = (pulses().min()?, pulses().max()?);
    if low == high {
        return Some(f64::from(low));
    }
    if high - low > WIDEST_US {
        return None;
    }
    let mut pulses: Vec<u16> = pulses().collect();
    let half = pulses.len() / 2;
    let ([first_low, first_mid, first_high], [low_again, mid_again, high_again]) =
        (quartiles(&mut pulses[..half]), quartiles(&mut pulses[half..]));
    let (one, other) = (first_high - first_low, high_again - low_again);
    let scatter = one.max(other);
    // The medians of halves of n reports scatter by about 0.9 quartile ranges a root of n.
    let give = (3.0 * scatter / (half as f64).sqrt()).max(3.0);
    let is_still = (first_mid - mid_again).abs() <= give && one.min(other) >= scatter / 4.0 - 2.0;
    is_still.then(|| quartiles(&mut pulses)[1])
}

/// Of values that it sorts.
fn quartiles(values: &mut [u16]) -> [f64; 3] {
    values.sort_unstable();
    [0.25, 0.5, 0.75].map(|share| {
        let place = share * (values.len() - 1) as f64;
        let at = |place: f64| values.get(place as usize).copied().map_or(0.0, f64::from);
        f64::midpoint(at(place.floor()), at(place.ceil()))
    })
}

#[cfg(test)]
mod tests {
    use crate::measure::stick_channels::rest_levels::*;

    /// Reports at 20 Hz: out to a side for 1.5 s, and then for 3 s at each of the places in turn.
    fn of(places: &[f64]) -> RestLevels {
        let mut rest = RestLevels::default();
        let mut at = Nanos::ZERO;
        for (number, place) in places.iter().enumerate() {
            let side = if number % 2 == 0 { 1900.0 } else { 1100.0 };
            for report in 0..90 {
                at += Nanos::from_millis(50);
                rest.observe(at, if report < 30 { side } else { *place } as u16);
            }
        }
        rest
    }

    #[test]
    fn a_spring_has_a_centre_and_a_hand_has_none() {
        let spring = of(&[1502.0, 1500.0, 1503.0, 1501.0, 1498.0]);
        let (centre, [low, high]) = spring.centre(1100, 1900).unwrap();
        assert!((centre - 1500.8).abs() < 0.3 && low < 1501.0 && 1500.6 < high, "{centre} {low} {high}");
        let hover = [1440.0, 1456.0, 1462.0, 1447.0, 1438.0, 1461.0, 1450.0, 1443.0];
        assert_eq!(of(&hover).centre(1100, 1900), None);
        // Four times is no habit yet; nor is a place to which it comes back as often as to another.
        assert_eq!(of(&[1500.0; 4]).centre(1100, 1900), None);
        assert_eq!(of(&[1500.0, 1300.0].repeat(6)).centre(1100, 1900), None);
        // A rest at an end is no centre.
        assert_eq!(of(&[1100.0; 5]).centre(1100, 1900), None);
        assert_eq!(of(&[1500.0; 3]).jitter_us(), Some(0.0));
    }

    /// Against the quartiles of the same values, sorted.
    #[test]
    fn jitter_is_the_range_of_the_middle_half() {
        let mut rest = RestLevels::default();
        let noise = |number: i64| (number * 7919 % 31) - 15;
        let mut all: Vec<i64> = (0..2000).map(noise).collect();
        for (number, own) in all.iter().enumerate() {
            rest.observe(Nanos::from_millis(20 * number as i64), (1500 + own) as u16);
        }
        all.sort_unstable();
        let exact = (all[1500] - all[500]) as f64;
        assert!((rest.jitter_us().unwrap() - exact).abs() <= 1.0, "{:?} {exact}", rest.jitter_us());
    }

    /// It stands at 1500: 100 us away on either side, or one less.
    #[test]
    fn a_channel_goes_a_hundred_microseconds_to_either_side_of_a_centre() {
        let rest = of(&[1500.0; 5]);
        let has_centre = |low: u16, high: u16| rest.centre(low, high).is_some();
        assert!(has_centre(1400, 1900) && !has_centre(1401, 1900));
        assert!(has_centre(1100, 1600) && !has_centre(1100, 1599));
    }
}
