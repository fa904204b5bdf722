//! Whether several counters number the frames that come under one id.
//!
//! Definition: up to four counters are followed. A frame goes on from the counter that it is the next number of, else from
//! the present one if it is less than nine ahead; else it opens another. A return is a frame that is the very next number
//! of a counter that was left, where both that one and the one that is left for it have gone on by one twice before. One numbering
//! with losses returns by chance alone (3 in 256 jumps); two that interleave do so all the time. Unit: frames. Window:
//! about the last 256 jumps. A late frame, a copy, and a second frame under the newest number say nothing. A restart
//! opens a counter, and never returns. Bounded: a counter is forgotten after 1,024 frames.

const MOST: usize = 4;
/// So far ahead of a counter a number still goes on from it.
const NEAR: u8 = 8;
const FORGOTTEN: u64 = 1024;
/// So often a counter's next number must have come.
const STEPS: u8 = 2;
const ENOUGH: u32 = 4;
/// Jumps of one numbering for a return by chance (some 85), with room.
const BY_CHANCE: u32 = 8;
/// So many jumps that no time explains, among few frames, are of numbers that cannot be followed.
const UNEXPLAINED: f64 = 6.0;
const FADES: f64 = 0.999;
/// Jumps that are remembered.
const REMEMBERED: u32 = 256;

#[derive(Clone, Copy, Debug, Default)]
struct Counter {
    last: u8,
    /// The frame that it came with.
    seen: u64,
    /// How often its very next number came, up to what makes it one.
    steps: u8,
    returned: bool,
}

/// The counters under one id.
#[derive(Clone, Debug)]
pub(super) struct Numberings {
    counters: [Counter; MOST],
    known: usize,
    present: usize,
    frames: u64,
    returns: u32,
    jumps: u32,
    /// Jumps that no time explains, half forgotten after some 700 frames.
    unexplained: f64,
}

impl Numberings {
    pub(super) fn begin(first: u8) -> Self {
        let mut counters = [Counter::default(); MOST];
        counters[0].last = first;
        Self { counters, known: 1, present: 0, frames: 0, returns: 0, jumps: 0, unexplained: 0.0 }
    }

    /// So many frames went on one by one up to a number.
    pub(super) fn went_on(&mut self, frames: u64, newest: u8) {
        if frames > 0 {
            self.frames += frames;
            self.unexplained *= FADES.powi(frames.min(1000) as i32);
            self.counters[self.present] =
                Counter { last: newest, seen: self.frames, steps: STEPS, ..self.counters[self.present] };
        }
    }

    /// Takes a frame that is no copy and not late; whether the counters are seen to interleave.
    pub(super) fn observe(&mut self, number: u8) -> bool {
        let ahead = |counter: &Counter| number.wrapping_sub(counter.last);
        if ahead(&self.counters[self.present]) == 0 {
            return false;
        }
        self.frames += 1;
        self.unexplained *= FADES;
        if self.unexplained > UNEXPLAINED {
            return true;
        }
        let frames = self.frames;
        let nearest = |most: u8| {
            let known = (0..self.known).filter(|&place| frames - self.counters[place].seen <= FORGOTTEN);
            let near = known.filter(|&place| (1..=most).contains(&ahead(&self.counters[place])));
            near.min_by_key(|&place| (place != self.present, ahead(&self.counters[place])))
        };
        let place = nearest(1).or_else(|| nearest(NEAR));
        let is_next = place.is_some_and(|place| ahead(&self.counters[place]) == 1);
        let is_other = place.is_some_and(|place| place != self.present);
        let Some(place) = place else {
            self.open(number);
            return false;
        };
        let (present, back) = (self.counters[self.present], self.counters[place]);
        let returned = is_next && is_other && present.steps.min(back.steps) >= STEPS;
        self.returns += u32::from(returned);
        self.jumps += u32::from(!is_next);
        let (steps, returned) = (STEPS.min(back.steps + u8::from(is_next)), returned || back.returned);
        self.counters[place] = Counter { last: number, seen: frames, steps, returned };
        self.present = place;
        self.forget();
        self.returns >= ENOUGH + self.jumps / BY_CHANCE
    }

    /// The numbers jumped by more than the time since the last explains, or even began anew elsewhere than at 0.
    pub(super) const fn jumped(&mut self, is_anew: bool) {
        self.unexplained += if is_anew { 3.0 } else { 1.0 };
    }

    fn forget(&mut self) {
        if self.returns + self.jumps >= REMEMBERED {
            (self.returns, self.jumps) = (self.returns / 2, self.jumps / 2);
        }
    }

    fn open(&mut self, number: u8) {
        self.jumps += 1;
        self.forget();
        let place = if self.known < MOST {
            self.known += 1;
            self.known - 1
        } else {
            (0..MOST)
                .min_by_key(|&place| (self.counters[place].returned, self.counters[place].seen))
                .unwrap_or(0)
        };
        self.counters[place] = Counter { last: number, seen: self.frames, steps: 0, returned: false };
        self.present = place;
    }
}

#[cfg(test)]
mod tests {
    use rand::rngs::ChaCha8Rng;
    use rand::{RngExt as _, SeedableRng as _};

    use crate::measure::loss::numberings::*;

    fn interleave(numbers: impl IntoIterator<Item = u64>) -> bool {
        let mut numbers = numbers.into_iter().map(|number| number as u8);
        let mut numberings = Numberings::begin(numbers.next().unwrap_or(0));
        numbers.any(|number| numberings.observe(number))
    }

    #[test]
    fn two_counters_at_any_paces_are_told() {
        for (apart, pace) in [(128, 1), (5, 1), (250, 3), (77, 10), (100, 50)] {
            let numbers = (0..400_u64).flat_map(|step| {
                let other = (step % pace == 0).then_some(apart + step / pace);
                [Some(step), other].into_iter().flatten()
            });
            assert!(interleave(numbers), "{apart} apart, one to {pace}");
        }
    }

    /// 1,000 seeds of one counter with losses of any kind, restarts and lone stragglers.
    #[test]
    fn one_counter_with_losses_and_restarts_is_not() {
        for seed in 1..=1000 {
            let mut random = ChaCha8Rng::seed_from_u64(seed);
            let (share, longest) = (random.random::<f64>(), 1 << random.random_range(1..11));
            let mut number = 0_u64;
            let numbers = (0..4000).map(|_| {
                number += 1;
                if random.random::<f64>() < share {
                    number += random.random_range(0..longest);
                }
                if random.random::<f64>() < 0.005 {
                    number = random.random_range(0..256);
                }
                let straggles = random.random::<f64>() < 0.02;
                number.wrapping_sub(if straggles { random.random_range(0..60) } else { 0 })
            });
            assert!(!interleave(numbers.collect::<Vec<_>>()), "seed {seed}");
        }
    }

    #[test]
    fn two_frames_under_each_number_are_one_counter() {
        assert!(!interleave((0..1000).map(|step| step / 2)));
    }
    /// Frames of two counters in turn until they are told, after so many jumps of one.
    fn told_after(jumps: u64) -> u64 {
        let mut numberings = Numberings::begin(0);
        let last = 20 * jumps;
        for jump in 1..=jumps {
            assert!(!numberings.observe((20 * jump) as u8));
        }
        let mut frames = (1..).flat_map(|step| [last + 100 + step, last + step]);
        1 + frames.position(|number| numberings.observe(number as u8)).expect("they are told at last") as u64
    }

    /// By the definition: four returns, and one more for each 8 of the last 128 to 256 jumps. Some six frames make two
    /// counters of them first.
    #[test]
    fn the_last_256_jumps_are_remembered() {
        let expected = |remembered: u64| 6 + 4 + remembered / 8;
        // All 200 of them.
        assert!(told_after(200).abs_diff(expected(200)) <= 3, "{}", told_after(200));
        // Of 390: 256 are halved, and then those up to 384.
        assert!(told_after(390).abs_diff(expected(134)) <= 3, "{}", told_after(390));
    }
}
