//! The ages that one output sample allows.
//!
//! The output shows a stick position within its tolerance: every instant at which the stick stood there is a
//! candidate. On a ramp that is the time for which one value stood, or nearly one instant where sticks are not held
//! from value to value. Beside a ramp it is all the time before or after; the age has no high end where that goes
//! back beyond the search. Unit: ms.

use std::ops::Range;

use crate::stats::censored::turnbull::Ranges;

/// Grid of the ages in ms; ranges are widened to it.
pub(super) const GRID_MS: f64 = 0.25;
/// More separate candidates than this say nothing.
const MOST_RANGES: usize = 4;

/// A stick that went this far from one sample to the next moved (half us).
const MOVES: f64 = 24.0;

/// The line between sparse samples of a held input is off by as much as its hold between radio frames
/// differs there, 3 to 8 ms rms for frames 7 to 22 ms apart and nought on average. Over seeds 1 to 60 of
/// examples/latency_accuracy 2 and 3 ms had the least errors of 0, 2, 3 and 4 ms.
const HOLD_MS: f64 = 2.0;

/// How a stick's path between two samples is known.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum StickPath {
    /// What is sent on is one of the values seen: each stands until the next. The ages are then delays, to which
    /// `sample_hold` adds how long the value had stood.
    Held,
    /// Samples are dense: a straight line.
    #[default]
    Straight,
    /// Samples are sparse: within a ramp a straight line, but for the hold; elsewhere it went from one to
    /// the other, no one knows how.
    Between,
}

/// Where and how to look.
#[derive(Clone, Copy, Debug)]
pub(super) struct AgeSearch {
    pub(super) path: StickPath,
    /// Smallest age that can be, ms.
    pub(super) least_ms: f64,
    /// Oldest age looked for, ms.
    pub(super) look_back_ms: f64,
    /// The stamps' resolution, to both sides, ms.
    pub(super) blur_ms: f64,
}

/// The ages at `now` of positions from `low` to `high`, given the stick's samples (ms, value) in order.
/// Empty where the stick was never there, or at too many times.
pub(super) fn allowed(
    samples: &[(f64, f64)],
    now: f64,
    (low, high): (f64, f64),
    search: AgeSearch,
) -> Ranges {
    let latest = now - search.least_ms;
    let oldest = now - search.look_back_ms;
    let mut times: Vec<(f64, f64)> = Vec::new();
    let mut add = |from: f64, to: f64| {
        let (from, to) = (from.max(oldest), to.min(latest));
        if from > to {
            return;
        }
        match times.last_mut() {
            Some(last) if from <= last.1 + 1e-9 => last.1 = last.1.max(to),
            _ => times.push((from, to)),
        }
    };
    let within = |value: f64| value >= low && value <= high;
    if let Some(first) = samples.first()
        && within(first.1)
    {
        add(f64::NEG_INFINITY, first.0);
    }
    // From the last sample before the oldest time to the first one after the latest.
    let from = samples.partition_point(|sample| sample.0 < oldest).saturating_sub(1);
    let to = samples.partition_point(|sample| sample.0 <= latest).saturating_add(1).min(samples.len());
    for (index, pair) in (from..).zip(samples.get(from..to).unwrap_or_default().windows(2)) {
        let ((t0, v0), (t1, v1)) = (pair[0], pair[1]);
        if search.path == StickPath::Held {
            if within(v0) {
                add(t0, t1);
            }
            continue;
        }
        let (least, most) = (v0.min(v1), v0.max(v1));
        if most < low || least > high {
            continue;
        }
        let straight = search.path == StickPath::Straight || within_ramp(samples, index);
        if !straight || v0 == v1 {
            add(t0, t1);
            continue;
        }
        let hold = if search.path == StickPath::Straight { 0.0 } else { HOLD_MS };
        let at = |value: f64| t0 + (t1 - t0) * ((value - v0) / (v1 - v0)).clamp(0.0, 1.0);
        let (a, b) = (at(low), at(high));
        add(a.min(b) - hold, a.max(b) + hold);
    }
    if let Some(last) = samples.last()
        && within(last.1)
    {
        add(last.0, f64::INFINITY);
    }
    let rounded = |(from, to): (f64, f64)| {
        let low = ((now - to - search.blur_ms) / GRID_MS).floor() * GRID_MS;
        let high = ((now - from + search.blur_ms) / GRID_MS).ceil() * GRID_MS;
        let open = from <= oldest + 1e-9;
        (low, if open { f64::INFINITY } else { high.max(low + GRID_MS) })
    };
    let mut ranges: Ranges = Vec::with_capacity(times.len());
    for range in times.into_iter().rev().map(rounded) {
        match ranges.last_mut() {
            Some(last) if range.0 <= last.1 => last.1 = last.1.max(range.1),
            _ => ranges.push(range),
        }
    }
    if ranges.len() > MOST_RANGES {
        ranges.clear();
    }
    ranges
}

/// The least age that the ranges of an output allow: of held values that of the newest one.
pub(super) fn least(
    samples: &[(f64, f64)],
    now: f64,
    (low, high): (f64, f64),
    ranges: &Ranges,
    search: AgeSearch,
) -> f64 {
    let lowest = ranges.first().map_or(0.0, |range| range.0);
    if search.path != StickPath::Held {
        return lowest;
    }
    let before = &samples[..samples.partition_point(|sample| sample.0 <= now - search.least_ms)];
    let newest = before.iter().rev().find(|sample| sample.1 >= low && sample.1 <= high);
    newest.map_or(lowest, |newest| now - newest.0 - search.blur_ms)
}

/// The places of the stick samples that an output at `now` could show.
pub(super) fn reachable(samples: &[(f64, f64)], now: f64, search: AgeSearch) -> Range<usize> {
    let oldest = samples.partition_point(|sample| sample.0 < now - search.look_back_ms);
    let newest = samples.partition_point(|sample| sample.0 <= now - search.least_ms);
    oldest..newest
}

/// Whether an output shows the value of a moving stick's sample, or only what lies between two; `None` where it
/// does not tell.
pub(super) fn shown_value(
    samples: &[(f64, f64)],
    now: f64,
    (low, high): (f64, f64),
    search: AgeSearch,
) -> Option<ShownValue> {
    let near = samples.get(reachable(samples, now, search))?;
    // Where neighbours differ by less than the range there is nothing to tell.
    let tells = |a: f64, b: f64| (b - a).abs() > 2.0 * (high - low);
    let within = |value: f64| value >= low && value <= high;
    let at_value = near
        .windows(3)
        .any(|three| within(three[1].1) && tells(three[0].1, three[1].1) && tells(three[1].1, three[2].1));
    if at_value {
        return Some(ShownValue::OfSample);
    }
    // What a stick at rest explains tells nothing, though an earlier ramp crossed it.
    let rested = near.iter().any(|sample| within(sample.1));
    let crossed = near.windows(2).any(|pair| {
        let (least, most) = (pair[0].1.min(pair[1].1), pair[0].1.max(pair[1].1));
        tells(least, most) && least < low && most > high
    });
    (crossed && !rested).then_some(ShownValue::Between)
}

/// What an output shows of a moving stick.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum ShownValue {
    OfSample,
    Between,
}

/// Whether the stick moved all the way between a sample and the next: before, between and after
/// them it went the same way.
fn within_ramp(samples: &[(f64, f64)], index: usize) -> bool {
    let step = |index: usize| samples[index + 1].1 - samples[index].1;
    if index == 0 || index + 2 >= samples.len() {
        return false;
    }
    let (before, between, after) = (step(index - 1), step(index), step(index + 1));
    before.abs() >= MOVES && after.abs() >= MOVES && before * between > 0.0 && between * after > 0.0
}

#[cfg(test)]
mod tests {
    use crate::measure::latency::age_intervals::*;

    const SEARCH: AgeSearch =
        AgeSearch { path: StickPath::Straight, least_ms: -30.0, look_back_ms: 1000.0, blur_ms: 0.0 };

    fn ramp() -> Vec<(f64, f64)> {
        // Rest at 0 until 100 ms, 400 at 200 ms, rest.
        (0..60).map(|i| f64::from(i) * 20.0).map(|t| (t, ((t - 100.0) * 4.0).clamp(0.0, 400.0))).collect()
    }

    /// A value that stands from 160 to 180 ms and is shown at 230 ms came by 50 to 70 ms of delay; its age is 70.
    #[test]
    fn a_held_value_bounds_the_delay_by_its_stand() {
        let search = AgeSearch { path: StickPath::Held, ..SEARCH };
        let got = allowed(&ramp(), 230.0, (236.0, 244.0), search);
        assert_eq!(got, vec![(50.0, 70.0)]);
        assert!((least(&ramp(), 230.0, (236.0, 244.0), &got, search) - 70.0).abs() < 1e-9);
        assert!(allowed(&ramp(), 230.0, (196.0, 204.0), search).is_empty(), "between two values");
    }

    #[test]
    fn values_and_what_lies_between_are_told_apart() {
        let search = AgeSearch { path: StickPath::Held, ..SEARCH };
        assert_eq!(shown_value(&ramp(), 230.0, (236.0, 244.0), search), Some(ShownValue::OfSample));
        assert_eq!(shown_value(&ramp(), 230.0, (196.0, 204.0), search), Some(ShownValue::Between));
        assert_eq!(shown_value(&ramp(), 230.0, (-4.0, 4.0), search), None, "a stick at rest tells nothing");
        assert_eq!(shown_value(&ramp(), 230.0, (-100.0, 500.0), search), None, "too wide to tell");
    }

    /// Worked by hand from the ramp's own equation.
    #[test]
    fn on_a_ramp_the_age_is_nearly_exact() {
        let got = allowed(&ramp(), 230.0, (196.0, 204.0), SEARCH);
        assert_eq!(got, vec![(79.0, 81.0)]);
    }

    #[test]
    fn beside_a_ramp_it_is_open_to_one_side() {
        let before = allowed(&ramp(), 150.0, (-4.0, 4.0), SEARCH);
        assert_eq!(before, vec![(49.0, f64::INFINITY)]);
        let after = allowed(&ramp(), 250.0, (396.0, 404.0), SEARCH);
        assert_eq!(after, vec![(-30.0, 51.0)]);
    }

    #[test]
    fn out_and_back_gives_two_candidates() {
        let mut samples = ramp();
        samples.truncate(16);
        samples.extend(
            (16..40).map(|i| (f64::from(i) * 20.0, (400.0 - (f64::from(i) * 20.0 - 320.0) * 4.0).max(0.0))),
        );
        let got = allowed(&samples, 420.0, (199.0, 201.0), SEARCH);
        assert_eq!(got.len(), 2, "{got:?}");
    }

    #[test]
    fn sparse_samples_give_the_whole_step() {
        let search = AgeSearch { path: StickPath::Between, least_ms: 0.0, ..SEARCH };
        let samples = [(0.0, 0.0), (100.0, 0.0), (200.0, 300.0), (300.0, 400.0), (400.0, 400.0)];
        assert_eq!(allowed(&samples, 230.0, (148.0, 152.0), search), vec![(30.0, 130.0)]);
    }

    /// By the line through the two samples within the ramp: 150 was passed at 150 ms.
    #[test]
    fn sparse_samples_within_a_ramp_give_the_line_and_the_hold() {
        let search = AgeSearch { path: StickPath::Between, least_ms: 0.0, ..SEARCH };
        let samples =
            [(0.0, 0.0), (50.0, 0.0), (100.0, 100.0), (200.0, 200.0), (300.0, 300.0), (400.0, 300.0)];
        let got = allowed(&samples, 230.0, (149.0, 151.0), search);
        assert_eq!(got, vec![(79.0 - HOLD_MS, 81.0 + HOLD_MS)]);
    }
}
