//! Loss periods and distances, RFC 3357, and a two-state burst model.
//!
//! A loss period is a run of consecutive losses; the distance of a loss is its sequence
//! number less that of the loss before it. The two-state model (Gilbert 1960): a received
//! packet is followed by a lost one with chance p, a lost one by a received one with
//! chance r, so that bad spells last 1/r and good ones 1/p packets. Lengths are in packets.
//! Bounded: lengths from 1024 on share one entry per power of two.

use std::collections::BTreeMap;

use crate::units::interval::{BurstModel, LossDistances, LossPeriods, RatioEstimate};

use crate::stats::sample::proportion;

/// Below so many loss runs their variance says little, and the two-state model is a floor.
const FEW: u64 = 20;

/// What runs of received and of lost packets add up to.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Runs {
    lengths: BTreeMap<u32, u64>,
    /// Distances between losses with something received between them.
    distances: BTreeMap<u32, u64>,
    /// Received since a loss that a next loss would have its distance from.
    since_loss: Option<u64>,
    losses: Moments,
    receptions: Moments,
    longest: u64,
}

#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Moments {
    count: u64,
    sum: u64,
    squares: f64,
}

impl Moments {
    fn add(&mut self, length: u64) {
        self.count += 1;
        self.sum += length;
        self.squares += (length as f64).powi(2);
    }
    fn merge(&mut self, other: Self) {
        self.count += other.count;
        self.sum += other.sum;
        self.squares += other.squares;
    }
    fn mean(self) -> Option<f64> {
        (self.count > 0).then(|| self.sum as f64 / self.count as f64)
    }
    /// Sample variance; `None` of fewer than two.
    fn variance(self) -> Option<f64> {
        let mean = self.mean().filter(|_| self.count > 1)?;
        let count = self.count as f64;
        Some(((self.squares - count * mean * mean) / (count - 1.0)).max(0.0))
    }
}

/// Chances of the two-state model, per packet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gilbert {
    /// From received to lost.
    pub p: f64,
    /// From lost to received.
    pub r: f64,
}

impl Gilbert {
    /// Mean bad spell, packets.
    #[must_use]
    pub fn mean_bad(self) -> f64 {
        1.0 / self.r
    }
    /// Mean good spell, packets.
    #[must_use]
    pub fn mean_good(self) -> f64 {
        1.0 / self.p
    }
}

impl Runs {
    /// A run of lost packets.
    pub fn add_lost(&mut self, length: u64) {
        if length == 0 {
            return;
        }
        *self.lengths.entry(key_of(length)).or_default() += 1;
        if let Some(received) = self.since_loss.filter(|&received| received > 0) {
            *self.distances.entry(key_of(received + 1)).or_default() += 1;
        }
        self.since_loss = Some(0);
        self.losses.add(length);
        self.longest = self.longest.max(length);
    }

    /// A run of received packets, between two losses.
    pub fn add_received(&mut self, length: u64) {
        if length > 0 {
            self.receptions.add(length);
            if let Some(received) = &mut self.since_loss {
                *received += length;
            }
        }
    }

    /// A numbering ends: the next loss has no distance from the last.
    pub const fn end(&mut self) {
        self.since_loss = None;
    }

    /// Both together.
    pub fn merge(&mut self, other: &Self) {
        for (&length, &count) in &other.lengths {
            *self.lengths.entry(length).or_default() += count;
        }
        for (&distance, &count) in &other.distances {
            *self.distances.entry(distance).or_default() += count;
        }
        self.since_loss = None;
        self.losses.merge(other.losses);
        self.receptions.merge(other.receptions);
        self.longest = self.longest.max(other.longest);
    }

    /// Runs of lost packets by length; from 1024 on by the power of two below it.
    #[must_use]
    pub fn lengths(&self) -> Vec<(u32, u64)> {
        self.lengths.iter().map(|(&length, &count)| (length, count)).collect()
    }

    /// Lost packets in all runs.
    #[must_use]
    pub const fn lost(&self) -> u64 {
        self.losses.sum
    }

    /// RFC 3357's loss periods.
    #[must_use]
    pub fn periods(&self) -> LossPeriods {
        LossPeriods { count: self.losses.count, mean_length: self.losses.mean(), max_length: self.longest }
    }

    /// RFC 3357's loss distances; `None` with fewer than two losses.
    #[must_use]
    pub fn distances(&self) -> Option<LossDistances> {
        let adjacent = self.losses.sum - self.losses.count;
        let apart: u64 = self.distances.values().sum();
        let count = adjacent + apart;
        if count == 0 {
            return None;
        }
        let mut below = adjacent;
        let median = if 2 * below >= count {
            1
        } else {
            let middle = self.distances.iter().find(|(_, apart)| {
                below += **apart;
                2 * below >= count
            });
            middle.map_or(1, |(&distance, _)| u64::from(distance))
        };
        Some(LossDistances { count, median, adjacent_ratio: adjacent as f64 / count as f64 })
    }

    /// How long spells without and with loss last, in packets, and in seconds at a rate of sent
    /// packets; `None` without losses or receptions.
    #[must_use]
    pub fn burst_model(&self, received: u64, sent_hz: Option<f64>) -> Option<BurstModel> {
        let model = self.gilbert(received)?;
        let seconds = |packets: f64| sent_hz.filter(|rate| *rate > 0.0).map(|rate| packets / rate);
        Some(BurstModel {
            good_mean_packets: model.mean_good(),
            bad_mean_packets: model.mean_bad(),
            good_mean_s: seconds(model.mean_good()),
            bad_mean_s: seconds(model.mean_bad()),
        })
    }

    /// The two-state model of so many received packets with these loss runs: p = runs /
    /// received, r = runs / lost. `None` without losses or receptions.
    #[must_use]
    pub fn gilbert(&self, received: u64) -> Option<Gilbert> {
        let runs = self.losses.count as f64;
        (self.losses.count > 0 && received > 0)
            .then(|| Gilbert { p: runs / received as f64, r: runs / self.losses.sum as f64 })
    }

    /// Variance of the lost share times the trials, over that of independent losses.
    ///
    /// Alternating renewal process (Cox 1962, Renewal Theory, chapter 7): runs of mean
    /// `a` and variance `A` received, `b` and `B` lost, give (a² B + b² A) / (a + b)³; at
    /// least that of the two-state model, and of independent losses where runs are few.
    #[must_use]
    pub fn inflation(&self, received: u64, lost: u64) -> f64 {
        let ratio = lost as f64 / (received + lost).max(1) as f64;
        let binomial = ratio * (1.0 - ratio);
        let Some(model) = self.gilbert(received) else { return 1.0 };
        let two_state = (2.0 - model.p - model.r) / (model.p + model.r);
        let renewal = || {
            let (a, b) = (self.receptions.mean()?, self.losses.mean()?);
            let (va, vb) = (self.receptions.variance()?, self.losses.variance()?);
            (binomial > 0.0).then(|| (a * a * vb + b * b * va) / (a + b).powi(3) / binomial)
        };
        let estimate = match renewal() {
            Some(renewal) if self.losses.count >= FEW => renewal.max(0.5 * two_state),
            Some(renewal) => renewal.max(two_state),
            None => two_state,
        };
        if estimate.is_finite() { estimate.max(0.05) } else { 1.0 }
    }

    /// lost / (received + lost) with a 95 % interval that allows for bursts: Wilson's with
    /// the effective sample size, widened by Student's quantile where runs are few. `None`
    /// where nothing was expected.
    #[must_use]
    pub fn ratio(&self, received: u64, lost: u64) -> Option<RatioEstimate> {
        let expected = received + lost;
        if expected == 0 {
            return None;
        }
        let ratio = lost as f64 / expected as f64;
        let trials = (expected as f64 / self.inflation(received, lost)).min(expected as f64 * 20.0);
        let quantile = match self.losses.count {
            0 => proportion::Z975,
            runs => proportion::student975((runs.max(3) - 1) as f64),
        };
        let ci95 = proportion::wilson(ratio * trials, trials, quantile)?;
        Some(RatioEstimate { ratio, ci95 })
    }
}

/// Lengths from 1024 on share one key per power of two.
fn key_of(length: u64) -> u32 {
    let key = length.min(1 << 31) as u32;
    if key < 1024 { key } else { 1 << key.ilog2() }
}

#[cfg(test)]
mod tests {
    use crate::stats::time_series::loss_runs::*;

    fn near(a: f64, b: f64) -> bool {
        (a - b).abs() < 1e-12
    }

    /// RFC 3357's own sequences and figures computed apart: tests/vectors/loss_patterns.json.
    #[test]
    fn loss_patterns_match_rfc_3357() {
        let vectors: serde_json::Value =
            serde_json::from_str(include_str!("../../../tests/vectors/loss_patterns.json")).unwrap();
        for case in vectors["cases"].as_array().unwrap() {
            let numbers = |value: &serde_json::Value| -> Vec<u64> {
                value.as_array().unwrap().iter().map(|value| value.as_u64().unwrap()).collect()
            };
            let pairs = |key: &str| -> Vec<(u64, bool)> {
                let list = case[key].as_array().unwrap();
                list.iter().map(|pair| (pair[0].as_u64().unwrap(), pair[1] == 1)).collect()
            };
            let lost: Vec<bool> = numbers(&case["loss"]).iter().map(|&lost| lost == 1).collect();
            let mut runs = Runs::default();
            let lengths = numbers(&case["period_lengths"]);
            for &length in &lengths {
                runs.add_lost(length);
            }
            // The distances of the same sequence, run by run, and the two-state model.
            let mut runs_of = Runs::default();
            for run in lost.chunk_by(|a, b| a == b) {
                let length = run.len() as u64;
                if run[0] { runs_of.add_lost(length) } else { runs_of.add_received(length) }
            }
            let mut found: Vec<u64> = pairs("distance_stream")
                .iter()
                .filter(|(distance, lost)| *lost && *distance > 0)
                .map(|(distance, _)| *distance)
                .collect();
            found.sort_unstable();
            match runs_of.distances() {
                None => assert!(found.is_empty()),
                Some(distances) => {
                    assert_eq!(distances.count, found.len() as u64);
                    assert_eq!(distances.median, found[(found.len() - 1) / 2]);
                    let adjacent = found.iter().filter(|&&distance| distance == 1).count();
                    assert!(near(distances.adjacent_ratio, adjacent as f64 / found.len() as f64));
                }
            }
            assert_eq!(runs.periods().count, case["period_total"].as_u64().unwrap());
            assert_eq!(runs.periods().max_length, *lengths.iter().max().unwrap());
            assert!(near(runs.periods().mean_length.unwrap(), case["mean_burst"].as_f64().unwrap()));
        }
    }

    /// The same vectors' two-state figures from run lengths.
    #[test]
    fn the_burst_model_follows_from_run_lengths() {
        for (n, lengths, p, r, burst) in [
            (
                1000,
                &[(1, 10), (2, 5), (5, 2)][..],
                0.017_525_773_195_876_29,
                0.566_666_666_666_666_7,
                1.711_764_705_882_352_9,
            ),
            (
                10_000,
                &[(1, 40), (3, 10)],
                0.005_035_246_727_089_627,
                0.714_285_714_285_714_3,
                1.390_199_999_999_999_9,
            ),
        ] {
            let mut runs = Runs::default();
            for &(length, count) in lengths {
                for _ in 0..count {
                    runs.add_lost(length);
                }
            }
            let lost: u64 = lengths.iter().map(|&(length, count)| length * count).sum();
            let model = runs.gilbert(n - lost).unwrap();
            assert!(near(model.p, p) && near(model.r, r));
            // The mean loss run over that of independent losses at the same ratio.
            let independent = n as f64 / (n - lost) as f64;
            assert!(near(runs.periods().mean_length.unwrap() / independent, burst));
        }
    }

    #[test]
    fn without_losses_the_interval_is_wilson_s() {
        let runs = Runs::default();
        // 0 of 20: upper end 0.16112515805281935 (scipy, tests/vectors/wilson.json).
        let estimate = runs.ratio(20, 0).unwrap();
        assert!(estimate.ratio == 0.0 && estimate.ci95[0] == 0.0);
        assert!(near(estimate.ci95[1], 0.161_125_158_052_819_35));
        assert_eq!(runs.ratio(0, 0), None);
    }
}
