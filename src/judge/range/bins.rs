//! Bins of distance, and how far a link is proven.
//!
//! Bins of 10 m start at the nearest distance flown; one with under 5 s of data takes in the next until
//! it has 5 s. A merged bin wider than 50 m (so also a gap), or as much on end where the link was not
//! measured, ends the proof. Proven is the far edge of the last passed bin before the first that fails.
//! The rules per role are the design's own, common practice, no source. Unit: metres.

use std::collections::BTreeMap;

use crate::measure::loss::MUCH_LOST;
use crate::summary::ProofWord;

const BIN_M: f64 = 10.0;
const LEAST_SECONDS: usize = 5;
const WIDEST_M: f64 = 50.0;
const MOST_HOLDS: f64 = 0.05;

/// What one second says of a link.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Second {
    pub(super) distance_m: f64,
    pub(super) level: Option<f64>,
    /// Frames or packets received and lost.
    pub(super) traffic: Option<(u32, u32)>,
    /// The position was lost here for long.
    pub(super) left: bool,
    /// Any frozen time; `None`: the picture is not watched.
    pub(super) frozen: Option<bool>,
    /// The nearest distance while it was frozen: a fast vehicle is in another bin when the second is over.
    pub(super) frozen_m: Option<f64>,
    /// A failsafe stood.
    pub(super) failsafe: bool,
    /// Seconds in which sticks moved, and of those the input held.
    pub(super) moved_s: f64,
    pub(super) held_s: f64,
}

impl Second {
    /// The distance that its verdict belongs to.
    fn judged_m(&self, rule: Rule) -> f64 {
        match rule {
            Rule::Frozen => self.frozen_m.unwrap_or(self.distance_m),
            Rule::Loss | Rule::Holds => self.distance_m,
        }
    }
}

/// How a bin is judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Rule {
    /// No frozen time.
    Frozen,
    /// At most 5 % lost.
    Loss,
    /// No failsafe, at most 5 % of moving time held.
    Holds,
}

/// What many seconds say together.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Tally {
    pub(super) levels: Vec<f32>,
    pub(super) sums: Sums,
}

/// The same without their levels.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Sums {
    pub(super) seconds: usize,
    traffic: (u64, u64),
    left: bool,
    frozen: Option<bool>,
    failsafe: bool,
    moved_s: f64,
    held_s: f64,
}

impl Sums {
    fn of(second: &Second) -> Self {
        let (received, lost) = second.traffic.unwrap_or_default();
        Self {
            seconds: 1,
            traffic: (u64::from(received), u64::from(lost)),
            left: second.left,
            frozen: second.frozen,
            failsafe: second.failsafe,
            moved_s: second.moved_s,
            held_s: second.held_s,
        }
    }

    fn join(self, other: Self) -> Self {
        Self {
            seconds: self.seconds + other.seconds,
            traffic: (self.traffic.0 + other.traffic.0, self.traffic.1 + other.traffic.1),
            left: self.left || other.left,
            frozen: self.frozen.max(other.frozen),
            failsafe: self.failsafe || other.failsafe,
            moved_s: self.moved_s + other.moved_s,
            held_s: self.held_s + other.held_s,
        }
    }
}

impl Tally {
    pub(super) fn add(&mut self, second: &Second) {
        self.levels.extend(second.level.map(|level| level as f32));
        self.sums = self.sums.join(Sums::of(second));
    }

    fn join(&mut self, other: Self) {
        self.levels.extend(other.levels);
        self.sums = self.sums.join(other.sums);
    }

    /// Lost share.
    pub(super) fn loss_ratio(&self) -> Option<f64> {
        let (received, lost) = self.sums.traffic;
        (received + lost > 0).then(|| lost as f64 / (received + lost) as f64)
    }
}

/// One bin with its verdict.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Bin {
    pub(super) from_m: f64,
    pub(super) to_m: f64,
    pub(super) tally: Tally,
    pub(super) passed: Option<bool>,
    /// By what it failed.
    pub(super) failed_by: Option<ProofWord>,
}

/// How far, on how many seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Proof {
    pub(super) distance_m: f64,
    pub(super) seconds: usize,
}

/// The bin that ended a proof, and why.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct End {
    pub(super) from_m: f64,
    pub(super) to_m: f64,
    pub(super) why: ProofWord,
}

/// Bins near to far, merged; the last may have under 5 s: then it is not judged. The seconds are gone
/// through twice.
pub(super) fn bins<I: Iterator<Item = Second>>(seconds: impl Fn() -> I, rule: Rule) -> Vec<Bin> {
    let distances = seconds().map(|second| second.judged_m(rule));
    let Some(nearest) = distances.min_by(f64::total_cmp) else { return Vec::new() };
    let mut tallies: BTreeMap<u32, Tally> = BTreeMap::new();
    for second in seconds() {
        tallies.entry(((second.judged_m(rule) - nearest) / BIN_M) as u32).or_default().add(&second);
    }
    let mut bins: Vec<Bin> = Vec::new();
    let mut open = Tally::default();
    let (mut from, mut to) = (0_u32, 0_u32);
    let edge = |bin: u32| nearest + BIN_M * f64::from(bin);
    for (bin, tally) in tallies {
        to = bin + 1;
        open.join(tally);
        if open.sums.seconds >= LEAST_SECONDS {
            let judged = judge(&open, rule);
            bins.push(Bin {
                from_m: edge(from),
                to_m: edge(to),
                tally: std::mem::take(&mut open),
                passed: judged.map(|judged| judged.is_ok()),
                failed_by: judged.and_then(Result::err),
            });
            from = to;
        }
    }
    if open.sums.seconds > 0 {
        bins.push(Bin { from_m: edge(from), to_m: edge(to), tally: open, passed: None, failed_by: None });
    }
    bins
}

/// `None` where nothing was measured in any bin.
pub(super) fn proof(bins: &[Bin]) -> Option<(Proof, End)> {
    if bins.iter().all(|bin| bin.passed.is_none()) {
        return None;
    }
    let mut proof = Proof { distance_m: 0.0, seconds: 0 };
    let mut unmeasured_m = 0.0;
    let mut last = None;
    for bin in bins {
        let width = bin.to_m - bin.from_m;
        let end = |why| End { from_m: bin.from_m, to_m: bin.to_m, why };
        match bin.passed {
            _ if width > WIDEST_M + 1e-9 => return Some((proof, end(ProofWord::Gap))),
            Some(false) => return Some((proof, end(bin.failed_by.unwrap_or(ProofWord::NotMeasured)))),
            Some(true) => {
                proof.distance_m = bin.to_m;
                proof.seconds += bin.tally.sums.seconds;
                unmeasured_m = 0.0;
                last = Some(end(ProofWord::Farthest));
            }
            None => {
                unmeasured_m += width;
                if unmeasured_m > WIDEST_M {
                    return Some((proof, end(ProofWord::NotMeasured)));
                }
            }
        }
    }
    last.map(|end| (proof, end))
}

/// Passed, or what it fails by; `None`: not measured.
pub(super) fn judge(tally: &Tally, rule: Rule) -> Option<Result<(), ProofWord>> {
    let by = |fails: bool, why| if fails { Err(why) } else { Ok(()) };
    if tally.sums.left {
        return Some(Err(ProofWord::PositionLost));
    }
    match rule {
        Rule::Frozen => tally.sums.frozen.map(|frozen| by(frozen, ProofWord::Frozen)),
        Rule::Loss => tally.loss_ratio().map(|ratio| by(ratio > MUCH_LOST, ProofWord::Loss)),
        Rule::Holds if tally.sums.failsafe => Some(Err(ProofWord::Failsafe)),
        Rule::Holds => (tally.sums.moved_s > 0.0)
            .then(|| by(tally.sums.held_s > MOST_HOLDS * tally.sums.moved_s, ProofWord::Holds)),
    }
}

#[cfg(test)]
mod tests {
    use crate::judge::range::bins::*;

    fn flown(distances: &[f64]) -> Vec<Second> {
        distances
            .iter()
            .map(|&distance_m| Second { distance_m, frozen: Some(false), ..Second::default() })
            .collect()
    }

    fn bins(seconds: &[Second], rule: Rule) -> Vec<Bin> {
        super::bins(|| seconds.iter().copied(), rule)
    }

    fn outward(from: f64, to: f64, step: f64) -> Vec<f64> {
        let count = ((to - from) / step).round() as usize;
        (0..=count).map(|index| from + step * index as f64).collect()
    }

    #[test]
    fn proven_up_to_the_bin_before_the_first_freeze() {
        let mut seconds = flown(&outward(5.0, 104.0, 1.0));
        seconds[60].frozen = Some(true);
        let bins = bins(&seconds, Rule::Frozen);
        assert_eq!((bins[0].from_m, bins[0].to_m, bins[0].tally.sums.seconds), (5.0, 15.0, 10));
        let (proven, end) = proof(&bins).unwrap();
        assert_eq!(proven, Proof { distance_m: 65.0, seconds: 60 });
        assert_eq!((end.from_m, end.to_m, end.why), (65.0, 75.0, ProofWord::Frozen));
    }

    /// Frozen at 43 m, 57 m away when the second is over.
    #[test]
    fn a_freeze_fails_the_bin_in_which_it_began() {
        let mut seconds = flown(&outward(5.0, 104.0, 1.0));
        let distance_m = 57.0;
        seconds.push(Second { distance_m, frozen: Some(true), frozen_m: Some(43.0), ..Second::default() });
        assert_eq!(proof(&bins(&seconds, Rule::Frozen)).unwrap().0.distance_m, 35.0);
        seconds.last_mut().unwrap().frozen = Some(false);
        assert_eq!(proof(&bins(&seconds, Rule::Frozen)).unwrap().1.why, ProofWord::Farthest);
    }

    #[test]
    fn thin_bins_merge_outward() {
        // 4 m a second: two or three seconds a bin.
        let bins = bins(&flown(&outward(0.0, 100.0, 4.0)), Rule::Frozen);
        assert!(bins.iter().take(bins.len() - 1).all(|bin| bin.tally.sums.seconds >= 5));
        assert_eq!((bins[0].from_m, bins[0].to_m), (0.0, 20.0));
        assert_eq!(proof(&bins).unwrap().0.distance_m, 100.0);
        assert_eq!(proof(&bins).unwrap().1.why, ProofWord::Farthest);
    }

    #[test]
    fn a_gap_ends_the_proof() {
        let mut distances = outward(0.0, 29.0, 1.0);
        distances.extend(outward(95.0, 130.0, 1.0));
        let bins = bins(&flown(&distances), Rule::Frozen);
        assert_eq!(proof(&bins).unwrap().0.distance_m, 30.0);
        assert_eq!(proof(&bins).unwrap().1.why, ProofWord::Gap);
    }

    #[test]
    fn a_lost_position_fails_its_bin() {
        let mut seconds = flown(&outward(0.0, 49.0, 1.0));
        seconds[25].left = true;
        assert_eq!(proof(&bins(&seconds, Rule::Frozen)).unwrap().0.distance_m, 20.0);
    }

    #[test]
    fn a_first_bin_that_fails_proves_nothing() {
        let mut seconds = flown(&outward(0.0, 49.0, 1.0));
        seconds[2].frozen = Some(true);
        assert_eq!(proof(&bins(&seconds, Rule::Frozen)).unwrap().0, Proof { distance_m: 0.0, seconds: 0 });
    }

    #[test]
    fn telemetry_fails_by_more_than_five_percent() {
        let with_loss = |lost| -> Vec<Second> {
            outward(0.0, 9.0, 1.0)
                .iter()
                .map(|&distance_m| Second { distance_m, traffic: Some((95, lost)), ..Second::default() })
                .collect()
        };
        assert_eq!(bins(&with_loss(5), Rule::Loss)[0].passed, Some(true));
        assert_eq!(bins(&with_loss(6), Rule::Loss)[0].passed, Some(false));
        assert_eq!(bins(&flown(&outward(0.0, 9.0, 1.0)), Rule::Loss)[0].passed, None);
    }

    #[test]
    fn control_is_measured_only_where_sticks_move() {
        let mut seconds = flown(&outward(0.0, 29.0, 1.0));
        assert_eq!(proof(&bins(&seconds, Rule::Holds)), None);
        for second in &mut seconds[20..] {
            second.moved_s = 1.0;
        }
        assert_eq!(proof(&bins(&seconds, Rule::Holds)).unwrap().0.distance_m, 30.0);
        seconds[22].held_s = 0.6;
        assert_eq!(bins(&seconds, Rule::Holds)[2].passed, Some(false));
        seconds[22].held_s = 0.0;
        seconds[22].failsafe = true;
        assert_eq!(bins(&seconds, Rule::Holds)[2].passed, Some(false));
    }
}
