//! Whether signals follow references, or only moved when those did: a randomization test over pieces.
//!
//! A piece counts by the share of its signal's variation that its reference explains, with one slope for all pieces
//! and at one lag for all: from 0 to 1, so that one great step is one coincidence and no more. The statistic is the
//! greatest sum over the lags. Where signals know nothing of references it is the same for pieces in any order, each
//! with a lag of its own: the chance of a sum as great comes from such draws (Pitman 1937; counted as Phipson and
//! Smyth, Stat. Appl. Genet. Mol. Biol. 9, 2010). Slow sampling leaves few lags that differ, and so asks for more pieces.
//! Seeded. No unit.

use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

const SEED: u64 = 0x5eed_1a7e_0002;

/// Sums about the means of a reference x and a signal y over one piece.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Moments {
    /// Of the reference.
    pub xx: f64,
    /// Of both.
    pub xy: f64,
    /// Of the signal.
    pub yy: f64,
}

impl Moments {
    /// Of pairs; nothing of fewer than two.
    #[must_use]
    pub fn of(pairs: impl Iterator<Item = (f64, f64)>) -> Self {
        let (mut count, mut x_mean, mut y_mean) = (0.0, 0.0, 0.0);
        let mut moments = Self::default();
        // Welford, Technometrics 4 (1962).
        for (x, y) in pairs {
            count += 1.0;
            let (dx, dy) = (x - x_mean, y - y_mean);
            x_mean += dx / count;
            y_mean += dy / count;
            moments.xx += dx * (x - x_mean);
            moments.xy += dx * (y - y_mean);
            moments.yy += dy * (y - y_mean);
        }
        moments
    }
}

/// The lag at which signals follow best.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BestLag {
    /// Its place among the lags.
    pub place: usize,
    /// The mean share of a piece that is explained there.
    pub share: f64,
    /// Signal for reference.
    pub slope: f64,
}

/// Looks for it; `of` gives the moments of a piece at a lag.
#[must_use]
pub fn best_lag(pieces: usize, lags: usize, of: impl Fn(usize, usize) -> Moments) -> BestLag {
    let mut best = BestLag::default();
    for place in 0..lags {
        let (xx, xy) = (0..pieces).fold((0.0, 0.0), |(xx, xy), piece| {
            let own = of(piece, place);
            (xx + own.xx, xy + own.xy)
        });
        if xx <= 0.0 {
            continue;
        }
        let slope = xy / xx;
        let shares = (0..pieces).map(|piece| {
            let own = of(piece, place);
            let explained = slope * (2.0 * own.xy - slope * own.xx);
            if own.yy > 0.0 { (explained / own.yy).clamp(0.0, 1.0) } else { 0.0 }
        });
        let share = shares.sum::<f64>() / pieces as f64;
        if share > best.share {
            best = BestLag { place, share, slope };
        }
    }
    best
}

/// The chance that signals which know nothing of the references follow as well, from so many draws; `of` gives the
/// moments of a reference with a signal at a lag. Draws end once the chance is over `enough`.
#[must_use]
pub fn chance(
    pieces: usize,
    lags: usize,
    (draws, enough): (u32, f64),
    of: impl Fn(usize, usize, usize) -> Moments,
) -> f64 {
    let mut table = Vec::with_capacity(pieces * pieces * lags);
    for reference in 0..pieces {
        for signal in 0..pieces {
            table.extend((0..lags).map(|lag| of(reference, signal, lag)));
        }
    }
    let at = |reference: usize, signal: usize, lag: usize| table[(reference * pieces + signal) * lags + lag];
    let found = best_lag(pieces, lags, |piece, lag| at(piece, piece, lag)).share;
    let mut random = ChaCha8Rng::seed_from_u64(SEED);
    let mut order: Vec<usize> = (0..pieces).collect();
    let mut shifts = vec![0; pieces];
    let mut as_great = 0;
    let chance = |as_great: u32| f64::from(as_great + 1) / f64::from(draws + 1);
    for _ in 0..draws {
        for piece in (1..pieces).rev() {
            order.swap(piece, random.random_range(0..=piece));
        }
        shifts.fill_with(|| random.random_range(0..lags));
        let drawn =
            best_lag(pieces, lags, |piece, lag| at(order[piece], piece, (lag + shifts[piece]) % lags));
        as_great += u32::from(drawn.share >= found - 1e-9);
        if chance(as_great) > enough {
            break;
        }
    }
    chance(as_great)
}

#[cfg(test)]
mod tests {
    use crate::stats::coincidence::*;

    const LAGS: usize = 27;

    /// A reference that goes by so much within 150 ms, and a signal that steps by so much so late.
    #[derive(Clone, Copy)]
    struct Piece {
        reference: f64,
        signal: f64,
        step_ms: f64,
    }

    /// Of pieces of 1.2 s, sampled every so many ms.
    fn moments(reference: Piece, signal: Piece, lag: usize, every_ms: f64) -> Moments {
        let lag_ms = 40.0 * lag as f64 - 40.0;
        let times = (0..).map(|sample| 7.0 + every_ms * f64::from(sample));
        Moments::of(times.take_while(|time| *time < 1200.0).map(|time| {
            let x = reference.reference * ((time - lag_ms) / 150.0).clamp(0.0, 1.0);
            (x, if time >= signal.step_ms { signal.signal } else { 0.0 })
        }))
    }

    fn chance_of(pieces: &[Piece], every_ms: f64) -> f64 {
        let of =
            |reference: usize, signal: usize, lag| moments(pieces[reference], pieces[signal], lag, every_ms);
        chance(pieces.len(), LAGS, (200, 0.2), of)
    }

    fn pieces(count: usize, seed: u64, follows: bool) -> Vec<Piece> {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut between = |low: f64, high: f64| low + (high - low) * random.random::<f64>();
        let pieces = (0..count).map(|_| {
            let reference = between(-800.0, 800.0);
            let (signal, step_ms) = (between(-800.0, 800.0), between(0.0, 1000.0));
            if follows {
                Piece { reference, signal: 0.7 * reference, step_ms: 150.0 }
            } else {
                Piece { reference, signal, step_ms }
            }
        });
        pieces.collect()
    }

    /// The sums about the means, worked by hand.
    #[test]
    fn moments_of_a_few_pairs() {
        let moments = Moments::of([(1.0, 10.0), (2.0, 14.0), (6.0, 12.0)].into_iter());
        assert_eq!(moments, Moments { xx: 14.0, xy: 2.0, yy: 8.0 });
        assert_eq!(Moments::of(std::iter::once((3.0, 4.0))), Moments::default());
    }

    #[test]
    fn what_follows_is_significant_the_later_the_slower_it_is_sampled() {
        for seed in 1..=20 {
            assert!(chance_of(&pieces(5, seed, true), 40.0) < 0.01, "{seed}");
            assert!(chance_of(&pieces(8, seed, true), 240.0) < 0.01, "{seed}");
        }
    }

    /// Three steps that came after three movements prove nothing where it is looked twice a second, be they of
    /// one size or not.
    #[test]
    fn three_coincidences_at_two_a_second_are_none() {
        for (sizes, step_ms) in [([600.0, -600.0, 600.0], 150.0), ([500.0, -300.0, 700.0], 90.0)] {
            let three = sizes.map(|reference| Piece { reference, signal: 0.5 * reference, step_ms });
            assert!(chance_of(&three, 500.0) > 0.01, "{sizes:?}");
        }
    }

    /// One great step among many small ones is one coincidence, though it makes nearly all of the covariance.
    #[test]
    fn one_great_step_is_one_coincidence() {
        for seed in 1..=20 {
            let mut pieces = pieces(12, seed, false);
            for piece in &mut pieces {
                (piece.reference, piece.signal) = (0.1 * piece.reference, 0.0);
            }
            pieces[4] = Piece { reference: 800.0, signal: 800.0, step_ms: 150.0 };
            let best = best_lag(12, LAGS, |piece, lag| moments(pieces[piece], pieces[piece], lag, 100.0));
            assert!(best.share <= 1.0 / 12.0 && best.share > 0.05, "{seed}: {best:?}");
        }
    }

    /// By the definition of a chance: of signals that know nothing, one in twenty is under a twentieth.
    #[test]
    fn chance_alone_is_found_as_often_as_it_says() {
        for every_ms in [100.0, 500.0] {
            let found = |&seed: &u64| chance_of(&pieces(8, seed, false), every_ms) <= 0.05;
            let found = (1..=300).filter(found).count();
            assert!(found <= 27, "{found} of 300 at {every_ms} ms");
        }
    }
}
