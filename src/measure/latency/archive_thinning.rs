//! Which movements of a long session are kept, by their numbers alone.
//!
//! A whole step would not do: every second flick of a stick that goes out and back is one out. Number n is kept if
//! the fractional part of n times the golden ratio, half a turn on, lies below a share. The share is a power of that
//! ratio's inverse, so that what is kept of a longer session was kept before. Kept numbers lie one of two
//! neighbouring Fibonacci numbers apart, never more than twice as far here as there (the theorem of three gaps:
//! Swierczkowski 1959), and no pattern of the sticks falls in step with them. No unit.

/// 2^64 over the golden ratio.
const GOLDEN: u64 = 0x9E37_79B9_7F4A_7C15;
/// Half a turn: without it, the first numbers would lie on the borders of the shares.
const HALF: u64 = 1 << 63;

/// Keeps an even share of all numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Thinning {
    /// The share in 2^64ths, less one.
    up_to: u64,
}

impl Default for Thinning {
    /// Keeps all.
    fn default() -> Self {
        Self { up_to: u64::MAX }
    }
}

impl Thinning {
    /// Keeps `most` of so many numbers from 0, give or take one.
    pub(super) const fn to_at_most(most: u64, count: u64) -> Self {
        let mut up_to = u64::MAX;
        while times_share(count, up_to) >= most {
            up_to = times_share(up_to, GOLDEN);
        }
        Self { up_to }
    }

    pub(super) const fn keeps(self, number: u64) -> bool {
        number.wrapping_mul(GOLDEN).wrapping_add(HALF) <= self.up_to
    }
}

/// A share in 2^64ths of a number, rounded down.
const fn times_share(number: u64, share: u64) -> u64 {
    ((number as u128 * share as u128) >> 64) as u64
}

#[cfg(test)]
mod tests {
    use crate::measure::latency::archive_thinning::*;

    fn kept(thinning: Thinning, count: u64) -> Vec<u64> {
        (0..count).filter(|&number| thinning.keeps(number)).collect()
    }

    #[test]
    fn few_are_all_kept() {
        for count in [0, 1, 99, 100] {
            assert_eq!(Thinning::to_at_most(100, count), Thinning::default(), "{count}");
        }
        assert_eq!(kept(Thinning::default(), 100).len(), 100);
        assert_ne!(Thinning::to_at_most(100, 101), Thinning::default());
    }

    /// The bound holds, what is kept is evenly spread, and it was kept before.
    #[test]
    fn many_are_thinned_evenly() {
        let mut before = kept(Thinning::default(), 100_000);
        for count in [101, 150, 162, 163, 500, 1000, 4321, 20_000, 100_000] {
            let thinning = Thinning::to_at_most(100, count);
            let now = kept(thinning, count);
            assert!((60..=101).contains(&now.len()), "{count}: {}", now.len());
            assert!(now.iter().all(|number| before.binary_search(number).is_ok()), "{count}");
            let all = kept(thinning, 100_000);
            let gaps = || all.windows(2).map(|pair| pair[1] - pair[0]);
            let (least, most) = (gaps().min().unwrap(), gaps().max().unwrap());
            assert!(most <= 2 * least, "{count}: {least} to {most}");
            before = all;
        }
    }

    /// Sticks moved in turns, or out and back, are kept in turns too.
    #[test]
    fn no_pattern_falls_in_step() {
        for count in [1000, 3000, 10_000, 30_000] {
            let now = kept(Thinning::to_at_most(600, count), count);
            for turns in 2..=12 {
                for own in 0..turns {
                    let share = now.iter().filter(|number| *number % turns == own).count();
                    let even = now.len() as f64 / turns as f64;
                    assert!((share as f64 - even).abs() <= 6.0, "{count}, {own} of {turns}: {share}, {even}");
                }
            }
        }
    }
}
