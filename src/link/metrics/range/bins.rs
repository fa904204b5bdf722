//! Bins of distance, and how far a link is proven.
//!
//! Bins of 10 m start at the nearest distance flown; one with under 5 s of data takes in the next until
//! it has 5 s. A merged bin wider than 50 m (so also a gap), or as much on end where the link was not
//! measured, ends the proof. Proven is the far edge of the last passed bin before the first that fails.
//! The rules per role are the design's own, common practice, no source. Unit: metres.

const BIN_M: f64 = 10.0;
const LEAST_SECONDS: usize = 5;
const WIDEST_M: f64 = 50.0;
const MOST_LOSS: f64 = 0.05;
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
    /// A failsafe stood.
    pub(super) failsafe: bool,
    /// Seconds in which sticks moved, and of those the input held.
    pub(super) moved_s: f64,
    pub(super) held_s: f64,
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

/// One bin with its verdict.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Bin {
    pub(super) from_m: f64,
    pub(super) to_m: f64,
    pub(super) seconds: Vec<Second>,
    pub(super) passed: Option<bool>,
    /// By what it failed.
    pub(super) failed_by: Option<&'static str>,
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
    pub(super) why: &'static str,
}

/// Bins near to far, merged; the last may have under 5 s: then it is not judged.
pub(super) fn bins(seconds: &[Second], rule: Rule) -> Vec<Bin> {
    let mut sorted = seconds.to_vec();
    sorted.sort_by(|a, b| a.distance_m.total_cmp(&b.distance_m));
    let Some(nearest) = sorted.first().map(|second| second.distance_m) else { return Vec::new() };
    let mut bins: Vec<Bin> = Vec::new();
    let mut open: Vec<Second> = Vec::new();
    let mut from = 0_u32;
    let edge = |bin: u32| nearest + BIN_M * f64::from(bin);
    let bin_of = |second: &Second| ((second.distance_m - nearest) / BIN_M) as u32;
    for group in sorted.chunk_by(|a, b| bin_of(a) == bin_of(b)) {
        let to = bin_of(&group[0]) + 1;
        open.extend_from_slice(group);
        if open.len() >= LEAST_SECONDS {
            let judged = judge(&open, rule);
            bins.push(Bin {
                from_m: edge(from),
                to_m: edge(to),
                seconds: std::mem::take(&mut open),
                passed: judged.map(|judged| judged.is_ok()),
                failed_by: judged.and_then(Result::err),
            });
            from = to;
        }
    }
    if let Some(last) = open.last() {
        let to_m = edge(bin_of(last) + 1);
        bins.push(Bin { from_m: edge(from), to_m, seconds: open, passed: None, failed_by: None });
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
            _ if width > WIDEST_M + 1e-9 => return Some((proof, end("gap"))),
            Some(false) => return Some((proof, end(bin.failed_by.unwrap_or("not_measured")))),
            Some(true) => {
                proof.distance_m = bin.to_m;
                proof.seconds += bin.seconds.len();
                unmeasured_m = 0.0;
                last = Some(end("farthest"));
            }
            None => {
                unmeasured_m += width;
                if unmeasured_m > WIDEST_M {
                    return Some((proof, end("not_measured")));
                }
            }
        }
    }
    last.map(|end| (proof, end))
}

/// Passed, or what it fails by; `None`: not measured.
pub(super) fn judge(seconds: &[Second], rule: Rule) -> Option<Result<(), &'static str>> {
    let by = |fails: bool, why| if fails { Err(why) } else { Ok(()) };
    if seconds.iter().any(|second| second.left) {
        return Some(Err("position_lost"));
    }
    match rule {
        Rule::Frozen => {
            let watched = seconds.iter().any(|second| second.frozen.is_some());
            watched.then(|| by(seconds.iter().any(|second| second.frozen == Some(true)), "frozen"))
        }
        Rule::Loss => loss_ratio(seconds).map(|ratio| by(ratio > MOST_LOSS, "loss")),
        Rule::Holds => {
            if seconds.iter().any(|second| second.failsafe) {
                return Some(Err("failsafe"));
            }
            let moved: f64 = seconds.iter().map(|second| second.moved_s).sum();
            let held: f64 = seconds.iter().map(|second| second.held_s).sum();
            (moved > 0.0).then(|| by(held > MOST_HOLDS * moved, "holds"))
        }
    }
}

/// Lost share of seconds together.
pub(super) fn loss_ratio(seconds: &[Second]) -> Option<f64> {
    let (received, lost) = seconds
        .iter()
        .filter_map(|second| second.traffic)
        .fold((0_u64, 0_u64), |sum, (received, lost)| (sum.0 + u64::from(received), sum.1 + u64::from(lost)));
    (received + lost > 0).then(|| lost as f64 / (received + lost) as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn flown(distances: &[f64]) -> Vec<Second> {
        distances
            .iter()
            .map(|&distance_m| Second { distance_m, frozen: Some(false), ..Second::default() })
            .collect()
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
        assert_eq!((bins[0].from_m, bins[0].to_m, bins[0].seconds.len()), (5.0, 15.0, 10));
        let (proven, end) = proof(&bins).unwrap();
        assert_eq!(proven, Proof { distance_m: 65.0, seconds: 60 });
        assert_eq!((end.from_m, end.to_m, end.why), (65.0, 75.0, "frozen"));
    }

    #[test]
    fn thin_bins_merge_outward() {
        // 4 m a second: two or three seconds a bin.
        let bins = bins(&flown(&outward(0.0, 100.0, 4.0)), Rule::Frozen);
        assert!(bins.iter().take(bins.len() - 1).all(|bin| bin.seconds.len() >= 5));
        assert_eq!((bins[0].from_m, bins[0].to_m), (0.0, 20.0));
        assert_eq!(proof(&bins).unwrap().0.distance_m, 100.0);
        assert_eq!(proof(&bins).unwrap().1.why, "farthest");
    }

    #[test]
    fn a_gap_ends_the_proof() {
        let mut distances = outward(0.0, 29.0, 1.0);
        distances.extend(outward(95.0, 130.0, 1.0));
        let bins = bins(&flown(&distances), Rule::Frozen);
        assert_eq!(proof(&bins).unwrap().0.distance_m, 30.0);
        assert_eq!(proof(&bins).unwrap().1.why, "gap");
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
