//! Leaves out fixes that cannot be: far from their neighbours and from what the speed allows.
//!
//! Definition: a fix can be reached from another one where their slant distance is at most 30 m and what the vehicle goes
//! in the time between them: at 50 m/s, or one and a half times the faster of the speeds that both said. A fix that
//! cannot be reached waits, as do those after it. One that can be reached from the last good fix shows that all that
//! waited lay astray: they are left out and counted. What waits for 5 s is a place of its own after all, and counts from
//! its own time on. Of the first two fixes both count, as nobody knows which is right; where the third agrees with one
//! alone, the other is taken back. Units: metres, seconds. Common practice, no source. A gap makes more reachable; duplicates never get here. Bounded: 256 fixes wait.

use crate::units::Nanos;

use super::track::{LONGEST_BRIDGE, Place};

/// What receivers and filters wander by.
const NEAR_M: f64 = 30.0;
const USUAL_M_S: f64 = 50.0;
const FASTER: f64 = 1.5;
const LONGEST_WAIT: Nanos = Nanos::from_secs(5);
const MOST_WAITING: usize = 256;

/// A place as it came.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Fix {
    pub(super) at: Nanos,
    pub(super) place: Place,
    /// Where the nose pointed, degrees.
    pub(super) nose_deg: Option<f64>,
    /// The sender's own word.
    pub(super) speed_m_s: Option<f64>,
}

impl Fix {
    fn reaches(&self, other: &Self) -> bool {
        let said = [self.speed_m_s, other.speed_m_s].into_iter().flatten().fold(0.0, f64::max);
        let goes_m = (FASTER * said).max(USUAL_M_S) * (other.at - self.at).secs().abs();
        self.place.distance(other.place).0 <= NEAR_M + goes_m
    }
}

/// What one more fix shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Shown {
    /// Fixes that count, in order of time.
    pub(super) good: Vec<Fix>,
    /// One of two that counted so far lay astray: they count anew.
    pub(super) forget: bool,
}

/// The last good fix, and those that wait.
#[derive(Clone, Debug, Default)]
pub(super) struct LoneFixes {
    last: Option<Fix>,
    /// No other fix counted yet.
    is_first: bool,
    /// The first fix, as long as the second alone denies it.
    denied: Option<Fix>,
    waiting: Vec<Fix>,
    /// Fixes left out so far.
    pub(super) left_out: u64,
}

impl LoneFixes {
    pub(super) fn take(&mut self, fix: Fix) -> Shown {
        let Some(last) = self.last else {
            (self.last, self.is_first) = (Some(fix), true);
            return Shown { good: vec![fix], forget: false };
        };
        let agrees = last.reaches(&fix);
        if let Some(first) = self.denied.take()
            && fix.at - last.at <= LONGEST_BRIDGE
            && first.reaches(&fix) != agrees
        {
            self.last = Some(fix);
            self.left_out += 1;
            return Shown { good: vec![if agrees { last } else { first }, fix], forget: true };
        }
        if agrees {
            self.left_out += self.waiting.len() as u64;
            self.waiting.clear();
        } else if self.is_first {
            self.denied = self.last;
        } else {
            self.waiting.push(fix);
            let waits = fix.at - self.waiting[0].at;
            if waits < LONGEST_WAIT && self.waiting.len() < MOST_WAITING {
                return Shown::default();
            }
            self.last = Some(fix);
            return Shown { good: std::mem::take(&mut self.waiting), forget: false };
        }
        (self.last, self.is_first) = (Some(fix), false);
        Shown { good: vec![fix], forget: false }
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::position::lone_fix::*;

    /// A fix so far north of one place, at a time.
    fn fix(at_s: f64, north_m: f64, speed_m_s: Option<f64>) -> Fix {
        let place = Place::new(54.0 + north_m / 111_307.0, 10.0, 20.0).unwrap();
        Fix { at: Nanos::from_secs_f64(at_s), place, nose_deg: None, speed_m_s }
    }

    /// Times of the fixes that counted, how many were left out, and whether one of the first two was taken back.
    fn run(fixes: &[Fix]) -> (Vec<f64>, u64, bool) {
        let (mut lone, mut good, mut astray) = (LoneFixes::default(), Vec::new(), false);
        for fix in fixes {
            let shown = lone.take(*fix);
            if shown.forget {
                good.clear();
                astray = true;
            }
            good.extend(shown.good.iter().map(|fix| fix.at.secs()));
        }
        (good, lone.left_out, astray)
    }

    #[test]
    fn one_fix_astray_is_left_out_and_so_are_a_few() {
        for astray in [1, 2, 20] {
            let north = |step: i32| if (50..50 + astray).contains(&step) { 4000.0 } else { f64::from(step) };
            let fixes: Vec<Fix> =
                (0..100).map(|step| fix(f64::from(step) / 5.0, north(step), Some(5.0))).collect();
            let (good, left_out, first) = run(&fixes);
            assert_eq!((good.len(), left_out, first), (100 - astray as usize, astray as u64, false));
            assert!(good.windows(2).all(|pair| pair[0] < pair[1]));
        }
    }

    /// 60 m off at 5 Hz is more than 30 m and 50 m/s for 0.2 s; 39 m is not.
    #[test]
    fn what_receivers_wander_by_counts() {
        let around = |off: f64| run(&[0.0, 0.0, off, 0.0, 0.0].map(|north| fix(0.0, north, None))).1;
        assert_eq!((around(29.0), around(31.0)), (0, 1));
        let at = |off: f64| {
            let fixes = [(0.0, 0.0), (0.2, 0.0), (0.4, off), (0.6, 0.0)];
            run(&fixes.map(|(at, north)| fix(at, north, None))).1
        };
        assert_eq!((at(39.0), at(41.0)), (0, 1));
    }

    /// A fast one at 1 Hz that says its speed; one that says nothing, or 0, waits but is never lost.
    #[test]
    fn who_is_fast_is_not_lost() {
        let flight = |speed: Option<f64>| -> Vec<Fix> {
            (0..60).map(|second| fix(f64::from(second), 90.0 * f64::from(second), speed)).collect()
        };
        assert_eq!(run(&flight(Some(90.0))), ((0..60).map(f64::from).collect(), 0, false));
        let (good, left_out, _) = run(&flight(Some(0.0)));
        assert!(good.len() >= 55 && left_out <= 1, "{good:?} {left_out}");
    }

    /// After a silence it may be anywhere that it can have gone to; a place that stays is believed after 5 s.
    #[test]
    fn a_new_place_that_stays_is_believed() {
        let silent: Vec<Fix> = [(0.0, 0.0), (1.0, 0.0), (21.0, 1000.0), (22.0, 1000.0)]
            .map(|(at, north)| fix(at, north, None))
            .to_vec();
        assert_eq!(run(&silent).0.len(), 4);
        let jump: Vec<Fix> = (0..40)
            .map(|second| fix(f64::from(second), if second < 20 { 0.0 } else { 900.0 }, None))
            .collect();
        assert_eq!(run(&jump), ((0..40).map(f64::from).collect(), 0, false));
    }

    #[test]
    fn of_the_first_two_the_third_decides() {
        let order = [fix(0.0, 4000.0, None), fix(1.0, 0.0, None), fix(2.0, 1.0, None), fix(3.0, 2.0, None)];
        assert_eq!(run(&order), (vec![1.0, 2.0, 3.0], 1, true));
        // The second alone lay astray.
        let order = [fix(0.0, 0.0, None), fix(1.0, 4000.0, None), fix(2.0, 1.0, None), fix(3.0, 2.0, None)];
        assert_eq!(run(&order), (vec![0.0, 2.0, 3.0], 1, true));
        assert_eq!(run(&order[..2]), (vec![0.0, 1.0], 0, false), "nobody knows");
    }

    #[test]
    fn what_never_settles_does_not_grow_memory() {
        let mut lone = LoneFixes::default();
        for step in 0..10_000 {
            lone.take(fix(0.0, if step % 2 == 0 { 0.0 } else { f64::from(step) * 100.0 }, None));
            assert!(lone.waiting.len() <= MOST_WAITING);
        }
    }
}
