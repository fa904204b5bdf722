//! A sender's own recent rate: numbers a second over its last minute, and how it varies.

use std::collections::VecDeque;

use crate::units::Nanos;

const SPACING: Nanos = Nanos::from_secs(1);
const MOST: usize = 61;
/// Checkpoints in one block of the spread.
const BLOCK: usize = 5;
/// The longest time over which it is taken, in checkpoints.
const LONGEST: usize = 20;
/// So many times over which a spread is taken must have passed.
const PARTS: usize = 3;
const UNKNOWN: f64 = 0.05;
/// The time over which the newest rate is taken.
const NEWEST: f64 = 5.0;
/// A sender that pauses again within so many numbers has another pace.
const FEW: u64 = 16;
/// Numbers that a second may take more, or less, than half to twice the usual.
const ODD: f64 = 8.0;

/// Checkpoints of the numbering, about one a second.
#[derive(Clone, Debug, Default)]
pub(super) struct Rate {
    points: VecDeque<(Nanos, u64)>,
    /// The oldest of them, and when the next is due.
    oldest: (Nanos, u64),
    due: Nanos,
    /// Of all its life, numbers a second from one checkpoint to the next.
    highest: f64,
    /// The number after the last pause.
    paused: Option<u64>,
}

impl Rate {
    pub(super) fn observe(&mut self, at: Nanos, number: u64) {
        if self.points.is_empty() || at >= self.due {
            if self.points.len() >= MOST {
                self.points.pop_front();
            }
            if let Some(&(last, from)) = self.points.back() {
                self.highest = self.highest.max((number - from) as f64 / (at - last).secs().max(1.0));
            }
            self.points.push_back((at, number));
            self.note_ends();
        }
    }

    pub(super) fn clear(&mut self) {
        self.points.clear();
        self.paused = None;
    }

    /// The sender paused, up to a number: that is left out of its rate, unless it pauses again and again.
    pub(super) fn pause(&mut self, time: Nanos, numbers: u64, number: u64) {
        if self.paused.is_some_and(|paused| number - paused < FEW) {
            self.points.clear();
        } else {
            self.skip(time, numbers);
        }
        self.paused = Some(number);
    }

    /// Whether it has paused before.
    pub(super) const fn has_paused(&self) -> bool {
        self.paused.is_some()
    }

    /// Numbers a second of the last few seconds; `None` before two seconds and eight numbers.
    pub(super) fn newest_per_second(&self, at: Nanos, number: u64) -> Option<f64> {
        let earlier = |point: &&(Nanos, u64)| (at - point.0).secs() >= NEWEST;
        let &(from, first) = self.points.iter().rev().find(earlier).or(self.points.front())?;
        let (span, numbers) = ((at - from).secs(), number.saturating_sub(first));
        (span >= 2.0 && numbers >= 8).then(|| numbers as f64 / span)
    }

    /// Whether every second of the last minute took about as many numbers as the others: half to twice as many. Fewer than
    /// five seconds show nothing.
    pub(super) fn is_even(&self, at: Nanos, number: u64) -> bool {
        let Some(mean) = self.per_second(at, number) else { return false };
        let now = (at, number);
        let later = self.points.iter().skip(1).chain([&now]);
        self.points.len() >= BLOCK
            && self.points.iter().zip(later).all(|(from, to)| {
                let (taken, usual) = (to.1.saturating_sub(from.1) as f64, mean * (to.0 - from.0).secs());
                0.5 * usual - ODD <= taken && taken <= 2.0 * usual.max(mean) + ODD
            })
    }

    /// Leaves a silence out of the rate: what lies before moves up to its end.
    pub(super) fn skip(&mut self, time: Nanos, numbers: u64) {
        for point in &mut self.points {
            point.0 += time;
            point.1 += numbers;
        }
        self.note_ends();
    }

    fn note_ends(&mut self) {
        if let (Some(&oldest), Some(&(newest, _))) = (self.points.front(), self.points.back()) {
            self.oldest = oldest;
            self.due = newest + SPACING;
        }
    }

    /// Before this stamp no checkpoint is due.
    pub(super) const fn due(&self) -> Nanos {
        self.due
    }

    /// Numbers a second up to this one; `None` before two seconds and eight numbers.
    pub(super) fn per_second(&self, at: Nanos, number: u64) -> Option<f64> {
        let &(first, from) = self.points.front()?;
        let (span, numbers) = ((at - first).secs(), number.saturating_sub(from));
        (span >= 2.0 && numbers >= 8).then(|| numbers as f64 / span)
    }

    /// The highest rate that the sender was seen to send at, over a second or more, or since it began.
    pub(super) fn highest_per_second(&self, at: Nanos, number: u64) -> f64 {
        let (first, from) = self.oldest;
        let since_begin = number.saturating_sub(from) as f64 / (at - first).secs().max(0.5);
        self.highest.max(since_begin)
    }

    /// How many numbers may follow one by one, and after silences up to which length, for `is_short` to hold.
    pub(super) fn outlook(&self, at: Nanos, number: u64, numbers: u64) -> (u64, Nanos) {
        let (first, from) = self.oldest;
        let passed = number.saturating_sub(from);
        let more = passed / 16 + 8;
        let span = (at - first).0.max(0) as u64;
        let short = numbers.saturating_mul(span) / (passed + more);
        (more, Nanos(i64::try_from(short).unwrap_or(i64::MAX) - 1))
    }

    /// Whether fewer numbers than this should pass in a silence, told without a division; where
    /// it is not told, `per_second` decides.
    #[inline]
    pub(super) fn is_short(&self, silence: Nanos, at: Nanos, number: u64, numbers: u64) -> bool {
        let (first, from) = self.oldest;
        let (silence, span) = (silence.0.max(0) as u64, (at - first).0.max(0) as u64);
        let passed = number.saturating_sub(from);
        // A product that is too large for its type is not told.
        silence == 0 || passed.saturating_mul(silence) < numbers.saturating_mul(span)
    }

    /// Spread of the rates of blocks of five seconds, relative; 5 % where too few are known.
    pub(super) fn relative_spread(&self) -> f64 {
        let points: Vec<_> = self.points.iter().rev().step_by(BLOCK).collect();
        let rates: Vec<f64> = points
            .windows(2)
            .map(|pair| (pair[0].1 - pair[1].1) as f64 / (pair[0].0 - pair[1].0).secs().max(1e-9))
            .collect();
        relative_deviation(&rates).unwrap_or(UNKNOWN)
    }

    /// Whether it has been seen for long enough to say how it varies.
    pub(super) fn is_measured(&self) -> bool {
        self.points.len() / PARTS >= BLOCK
    }

    /// Spread of the rates over times as long as a silence, from 5 to 20 s, relative; 5 % where too few are known.
    pub(super) fn spread_over(&self, silence: Nanos) -> f64 {
        if !self.is_measured() {
            return UNKNOWN;
        }
        let lag = silence.whole_secs().clamp(BLOCK, LONGEST).min(self.points.len() / PARTS);
        let later = self.points.iter().skip(lag);
        let rates = self
            .points
            .iter()
            .zip(later)
            .map(|(one, other)| (other.1 - one.1) as f64 / (other.0 - one.0).secs().max(1e-9));
        // What varies faster than that averages out over a longer silence.
        let longer = (lag as f64 / silence.secs()).min(1.0).sqrt();
        relative_deviation(&rates.collect::<Vec<f64>>()).map_or(UNKNOWN, |spread| spread * longer)
    }
}

/// Standard deviation by the mean, of three and more.
fn relative_deviation(rates: &[f64]) -> Option<f64> {
    let count = rates.len() as f64;
    let mean = rates.iter().sum::<f64>() / count;
    let squares: f64 = rates.iter().map(|rate| (rate / mean - 1.0).powi(2)).sum();
    (rates.len() >= 3 && mean > 0.0).then(|| (squares / (count - 1.0)).sqrt())
}

#[cfg(test)]
mod tests {
    use crate::measure::loss::rate::*;

    /// A checkpoint after each step of seconds and numbers; with the stamp and the number of the last.
    fn of(steps: &[(i64, u64)]) -> (Rate, Nanos, u64) {
        let (mut rate, mut at, mut number) = (Rate::default(), Nanos::from_secs(1000), 500);
        rate.observe(at, number);
        for (seconds, numbers) in steps {
            at += Nanos::from_secs(*seconds);
            number += numbers;
            rate.observe(at, number);
        }
        (rate, at, number)
    }

    fn is_even(steps: &[(i64, u64)]) -> bool {
        let (rate, at, number) = of(steps);
        rate.is_even(at, number)
    }

    #[test]
    fn the_rate_is_numbers_by_time() {
        let (rate, at, number) = of(&[(1, 100), (1, 140), (2, 240)]);
        assert_eq!(rate.per_second(at, number), Some(120.0));
        // Not before two seconds and eight numbers.
        assert_eq!(rate.per_second(Nanos::from_millis(1_001_990), 900), None);
        assert_eq!(of(&[(3, 7)]).0.per_second(Nanos::from_secs(1003), 507), None);
    }

    /// Of 20 seconds with 100 numbers and one with x the mean is (2000 + x) / 21: twice it and 8 is reached at x = 219.4,
    /// half of it less 8 at x = 40.6.
    #[test]
    fn a_second_may_take_half_to_twice_as_many_and_eight() {
        let with =
            |numbers: u64| is_even(&[vec![(1, 100); 10], vec![(1, numbers)], vec![(1, 100); 10]].concat());
        assert!(with(219) && !with(220));
        assert!(with(41) && !with(40));
    }

    #[test]
    fn a_longer_step_may_take_as_many_more() {
        let with =
            |seconds: i64, numbers: u64| is_even(&[vec![(1, 100); 10], vec![(seconds, numbers)]].concat());
        assert!(with(3, 300) && with(4, 400));
        // What 13 s take, but all of it in three of them less than half or more than twice the mean.
        assert!(!with(3, 100) && !with(3, 1100));
        // Fewer than five show nothing.
        assert!(!is_even(&[(1, 100); 3]) && is_even(&[(1, 100); 4]));
    }

    /// 100 a second, a pause of 3 s, and another one so many numbers later: the rate after it.
    fn after_two_pauses(numbers: u64) -> Option<f64> {
        let (mut rate, mut at, mut number) = of(&[(1, 100); 4]);
        let three_seconds = Nanos::from_secs(3);
        at += three_seconds;
        rate.pause(three_seconds, 0, number);
        assert_eq!(rate.per_second(at, number), Some(100.0));
        number += numbers;
        at += Nanos::from_millis(10 * numbers as i64) + three_seconds;
        rate.pause(three_seconds, 0, number);
        rate.per_second(at, number)
    }

    #[test]
    fn pauses_are_left_out_unless_the_sender_pauses_again_within_sixteen_numbers() {
        assert_eq!(after_two_pauses(16), Some(100.0));
        assert_eq!(after_two_pauses(15), None);
    }

    /// 100 a second for 10 s, then 200 a second for 5 s: those are the last few seconds.
    #[test]
    fn the_newest_rate_is_that_of_the_last_five_seconds() {
        let (rate, at, number) = of(&[vec![(1, 100); 10], vec![(1, 200); 5]].concat());
        assert_eq!(rate.newest_per_second(at, number), Some(200.0));
        // A sender that began two seconds ago, or less.
        let (rate, at, number) = of(&[(1, 50), (1, 50)]);
        assert_eq!(rate.newest_per_second(at, number), Some(50.0));
        assert_eq!(rate.newest_per_second(at - Nanos(1), number), None);
    }
}
