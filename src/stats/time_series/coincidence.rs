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
/// Lags are summed so many at a time.
const LANES: usize = 4;
/// What rounding can add to a mean share, by far.
const ROUNDING: f64 = 1e-6;

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
    /// The share of the signal's variation that the reference explains at most, with any slope.
    fn most_explained(&self) -> f64 {
        if self.xy == 0.0 { 0.0 } else { (self.xy * self.xy / (self.xx * self.yy)).min(1.0) }
    }
}

/// What a reference shows beside the samples of a signal, read at several lags at once.
#[derive(Clone, Debug)]
pub struct LaggedReference {
    lags: usize,
    /// The values at all lags, NaN where there is none, lie side by side; a row a sample.
    rows: Vec<[f64; LANES]>,
}

impl LaggedReference {
    /// At so many lags; without samples.
    #[must_use]
    pub const fn new(lags: usize) -> Self {
        Self { lags, rows: Vec::new() }
    }

    /// Begins anew with so many samples, of which no value is known.
    pub fn clear(&mut self, samples: usize) {
        self.rows.clear();
        self.rows.resize(samples * self.width(), [f64::NAN; LANES]);
    }

    /// Sets the value beside a sample at a lag.
    pub fn set(&mut self, sample: usize, lag: usize, value: f64) {
        let width = self.width();
        self.rows[sample * width + lag / LANES][lag % LANES] = value;
    }

    const fn width(&self) -> usize {
        self.lags.div_ceil(LANES)
    }

    /// The moments with a signal's values at each lag, put behind others; nothing of fewer than two pairs.
    pub fn moments(&self, values: &[f64], moments: &mut Vec<Moments>) {
        for place in 0..self.width() {
            let mut sums = Welford::default();
            for (x, &y) in self.rows.iter().skip(place).step_by(self.width()).zip(values) {
                sums = sums.with(x, y);
            }
            let lags = LANES.min(self.lags - place * LANES);
            let own = |lane: usize| Moments { xx: sums.xx[lane], xy: sums.xy[lane], yy: sums.yy[lane] };
            moments.extend((0..lags).map(own));
        }
    }
}

/// Running means and sums about them at several lags (Welford, Technometrics 4, 1962).
#[derive(Clone, Copy, Debug, Default)]
struct Welford {
    count: [f64; LANES],
    x_mean: [f64; LANES],
    y_mean: [f64; LANES],
    xx: [f64; LANES],
    xy: [f64; LANES],
    yy: [f64; LANES],
}

impl Welford {
    /// With one more pair where the reference has a value.
    #[inline]
    fn with(mut self, x: &[f64; LANES], y: f64) -> Self {
        for (lane, &x) in x.iter().enumerate() {
            let is_known = !x.is_nan();
            let keep = |new: f64, old: f64| if is_known { new } else { old };
            let count = self.count[lane] + 1.0;
            let (dx, dy) = (x - self.x_mean[lane], y - self.y_mean[lane]);
            let x_mean = self.x_mean[lane] + dx / count;
            let y_mean = self.y_mean[lane] + dy / count;
            self.xx[lane] = keep(self.xx[lane] + dx * (x - x_mean), self.xx[lane]);
            self.xy[lane] = keep(self.xy[lane] + dx * (y - y_mean), self.xy[lane]);
            self.yy[lane] = keep(self.yy[lane] + dy * (y - y_mean), self.yy[lane]);
            self.count[lane] = keep(count, self.count[lane]);
            self.x_mean[lane] = keep(x_mean, self.x_mean[lane]);
            self.y_mean[lane] = keep(y_mean, self.y_mean[lane]);
        }
        self
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

/// What can be explained of a piece at any lag, by slopes above zero and by those below it. All pieces have one slope,
/// so that few draws come near a share that was found: the others need no look at their lags.
#[derive(Clone, Copy, Debug, Default)]
struct MostExplained {
    rising: f64,
    falling: f64,
}

impl MostExplained {
    fn new(lags: &[Moments]) -> Self {
        let most = |rises: bool| {
            let own = lags.iter().filter(|own| (own.xy > 0.0) == rises);
            own.map(Moments::most_explained).fold(0.0, f64::max)
        };
        Self { rising: most(true), falling: most(false) }
    }

    fn and(self, other: Self) -> Self {
        Self { rising: self.rising + other.rising, falling: self.falling + other.falling }
    }

    /// The mean over so many pieces.
    fn share(self, pieces: usize) -> f64 {
        self.rising.max(self.falling) / pieces as f64
    }
}

/// The chance that signals which know nothing of the references follow as well, from so many draws; `table` holds the
/// moments of each reference with each signal at each lag. Draws end once the chance is over `enough`.
#[must_use]
pub fn chance(pieces: usize, lags: usize, (draws, enough): (u32, f64), table: &[Moments]) -> f64 {
    let at = |reference: usize, signal: usize, lag: usize| table[(reference * pieces + signal) * lags + lag];
    let found = best_lag(pieces, lags, |piece, lag| at(piece, piece, lag)).share;
    let most: Vec<MostExplained> = table.chunks_exact(lags).map(MostExplained::new).collect();
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
        let most = order.iter().enumerate().map(|(piece, reference)| most[reference * pieces + piece]);
        if most.fold(MostExplained::default(), MostExplained::and).share(pieces) + ROUNDING < found {
            continue;
        }
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
    use crate::stats::time_series::coincidence::*;

    impl Moments {
        /// Of pairs, one after the other.
        fn of(pairs: impl Iterator<Item = (f64, f64)>) -> Self {
            let (mut count, mut x_mean, mut y_mean) = (0.0, 0.0, 0.0);
            let mut moments = Self::default();
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
        chance(pieces.len(), LAGS, (200, 0.2), &table(pieces, every_ms))
    }

    /// Of each reference with each signal at each lag.
    fn table(pieces: &[Piece], every_ms: f64) -> Vec<Moments> {
        let lags = |reference: Piece, signal: Piece| {
            (0..LAGS).map(move |lag| moments(reference, signal, lag, every_ms))
        };
        let pairs =
            pieces.iter().flat_map(|&reference| pieces.iter().map(move |&signal| (reference, signal)));
        pairs.flat_map(|(reference, signal)| lags(reference, signal)).collect()
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

    /// Several lags at once give what each gives alone, to the last bit, where values are missing too.
    #[test]
    fn lags_together_are_as_each_alone() {
        let mut random = ChaCha8Rng::seed_from_u64(7);
        for lags in [1, 4, 6, 27] {
            let values: Vec<f64> = (0..19).map(|_| random.random::<f64>() - 0.5).collect();
            let references: Vec<Vec<Option<f64>>> = (0..lags)
                .map(|lag| {
                    let value =
                        |_| (random.random_range(0..=lag) < 5).then(|| 1000.0 * random.random::<f64>());
                    (0..values.len()).map(value).collect()
                })
                .collect();
            let mut read = LaggedReference::new(lags);
            let mut together = Vec::new();
            // What an earlier signal left is gone.
            for samples in [values.len(), 5] {
                read.clear(samples);
                for (lag, reference) in references.iter().enumerate() {
                    for (sample, value) in reference[..samples].iter().enumerate() {
                        value.map(|value| read.set(sample, lag, value));
                    }
                }
                together.clear();
                read.moments(&values[..samples], &mut together);
                let pairs = |reference: &[Option<f64>]| -> Vec<(f64, f64)> {
                    reference[..samples].iter().zip(&values).filter_map(|(x, y)| Some(((*x)?, *y))).collect()
                };
                let alone = references.iter().map(|reference| Moments::of(pairs(reference).into_iter()));
                assert_eq!(together, alone.collect::<Vec<_>>());
            }
        }
    }

    /// The draws that are passed over are those that reach nothing: the plain search over all lags is the oracle.
    #[test]
    fn no_draw_explains_more_than_its_bound() {
        for seed in 1..=100 {
            let pieces = pieces(6, seed, seed % 2 == 0);
            let table = table(&pieces, 100.0);
            let most: Vec<MostExplained> = table.chunks_exact(LAGS).map(MostExplained::new).collect();
            let mut random = ChaCha8Rng::seed_from_u64(seed);
            let order: Vec<usize> = (0..6).map(|_| random.random_range(0..6)).collect();
            let shifts: Vec<usize> = (0..6).map(|_| random.random_range(0..LAGS)).collect();
            let drawn = best_lag(6, LAGS, |piece, lag| {
                table[(order[piece] * 6 + piece) * LAGS + (lag + shifts[piece]) % LAGS]
            });
            let own = order.iter().enumerate().map(|(piece, reference)| most[reference * 6 + piece]);
            let bound = own.fold(MostExplained::default(), MostExplained::and).share(6);
            assert!(drawn.share <= bound + 1e-12, "{seed}: {drawn:?} over {bound}");
        }
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
