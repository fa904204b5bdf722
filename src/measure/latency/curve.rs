//! How an output answers to a stick: sign, scale, trim, dead band and end stops.
//!
//! It is fitted to pairs of stick and output taken while the stick stood still, since nothing is uncertain there;
//! where those are too few, to pairs of slow moments too. The curve is a straight line with flat pieces at the ends
//! (end stops) and within (dead band). Where still pairs do not fit that, it goes from one still level to the next.
//! Unit: half microseconds on both sides.

use crate::stats::sample::quantile;

/// Still levels closer than this are one.
const LEVEL: f64 = 6.0;
/// Outputs within this are the same.
const FLAT: f64 = 3.0;
/// A flat piece spans at least this much of the stick.
const FLAT_SPAN: f64 = 16.0;
/// Still levels must span this much for a slope.
const SPAN: f64 = 80.0;

/// A stick position and the output.
pub(super) type Pair = (f64, f64);

/// A monotone curve of straight pieces.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Curve {
    /// -1 for a reversed output.
    sign: f64,
    /// Stick and output x sign, both rising; beyond the ends it goes on as its end pieces do.
    knots: Vec<(f64, f64)>,
    /// Half width of what the output can be off it.
    pub(super) tolerance: f64,
    /// Other sticks that add to the output, and how much for each half us.
    others: Vec<(u8, f64)>,
}

/// A still level: stick, output, pairs.
type Level = (f64, f64, f64);

impl Curve {
    /// From the pairs of a still stick. Where they do not span enough of the stick, from all pairs by their weights
    /// (1 for a still stick); `None` where those do not either.
    pub(super) fn fit(still: &[Pair], all: &[(Pair, f64)], coefficient: f64) -> Option<Self> {
        let sign = if coefficient < 0.0 { -1.0 } else { 1.0 };
        let mut levels = levels(still, sign);
        let spans = |levels: &[Level]| {
            levels.last().map_or(0.0, |last| last.0) - levels.first().map_or(0.0, |first| first.0)
        };
        let suffice = levels.len() >= 2 && spans(&levels) >= SPAN;
        let knots = if suffice { knots(&mut levels)? } else { line_through(all, sign)? };
        let mut curve = Self { sign, knots, tolerance: 0.0, others: Vec::new() };
        curve.tolerance = curve.scatter(still, if suffice { 2.0 } else { 6.0 });
        Some(curve)
    }

    /// Of an output to which other sticks add as well; the pairs were of what is left without them.
    pub(super) fn with_others(self, others: Vec<(u8, f64)>) -> Self {
        Self { others, ..self }
    }

    pub(super) fn others(&self) -> &[(u8, f64)] {
        &self.others
    }

    /// Whether the output goes against the stick.
    pub(super) const fn is_reversed(&self) -> bool {
        self.sign < 0.0
    }

    /// The widest span of the stick, between its ends, over which the output stands still, us; `None`: none was seen.
    pub(super) fn dead_band_us(&self) -> Option<f64> {
        let last = self.knots.len().saturating_sub(2);
        let inner = self.knots.windows(2).enumerate().filter(|(index, _)| *index > 0 && *index < last);
        let flat = inner.filter(|(_, pair)| (pair[1].1 - pair[0].1).abs() <= FLAT);
        let spans = flat.map(|(_, pair)| pair[1].0 - pair[0].0).filter(|span| *span >= FLAT_SPAN);
        spans.reduce(f64::max).map(|half_us| half_us / 2.0)
    }

    /// The still pairs' scatter about the curve, as a half width that nearly all keep.
    fn scatter(&self, still: &[Pair], least: f64) -> f64 {
        let off = still.iter().map(|&(stick, output)| (output * self.sign - self.value(stick)).abs());
        let typical = quantile::select(&mut off.collect::<Vec<f64>>(), 0.7).unwrap_or(0.0);
        (least + 2.0 * typical).min(20.0)
    }

    fn value(&self, stick: f64) -> f64 {
        let (a, b) = self.piece(|knot| knot.0 < stick);
        a.1 + (b.1 - a.1) * (stick - a.0) / (b.0 - a.0)
    }

    fn piece(&self, before: impl Fn(&(f64, f64)) -> bool) -> ((f64, f64), (f64, f64)) {
        let right = self.knots.partition_point(before).clamp(1, self.knots.len() - 1);
        (self.knots[right - 1], self.knots[right])
    }

    /// The stick position at which the output is reached first (`upper` false) or left last.
    fn inverse(&self, output: f64, upper: bool) -> f64 {
        let (first, last) = (self.knots[0], self.knots[self.knots.len() - 1]);
        let flat = |a: (f64, f64), b: (f64, f64)| (b.1 - a.1) <= 1e-6 * (b.0 - a.0);
        if output < first.1 && flat(first, self.knots[1]) {
            return f64::NEG_INFINITY;
        }
        if output > last.1 && flat(self.knots[self.knots.len() - 2], last) {
            return f64::INFINITY;
        }
        let (a, b) = self.piece(|knot| if upper { knot.1 <= output } else { knot.1 < output });
        if flat(a, b) {
            return match upper {
                true if output >= b.1 => f64::INFINITY,
                true => a.0,
                false if output <= a.1 => f64::NEG_INFINITY,
                false => b.0,
            };
        }
        a.0 + (b.0 - a.0) * (output - a.1) / (b.1 - a.1)
    }

    /// The stick positions that an output can stand for.
    pub(super) fn sticks(&self, output: f64) -> (f64, f64) {
        let output = output * self.sign;
        (self.inverse(output - self.tolerance, false), self.inverse(output + self.tolerance, true))
    }

    /// The stick position that an output stands for, for drawing.
    pub(super) fn stick(&self, output: f64) -> f64 {
        let output = output * self.sign;
        let (first, last) = (self.knots[0].0, self.knots[self.knots.len() - 1].0);
        let (low, high) = (self.inverse(output, false), self.inverse(output, true));
        0.5 * (low.clamp(first - 2000.0, last + 2000.0) + high.clamp(first - 2000.0, last + 2000.0))
    }
}

/// Still pairs gathered to levels, from low to high stick.
fn levels(still: &[Pair], sign: f64) -> Vec<Level> {
    let mut still: Vec<Pair> = still.iter().map(|&(stick, output)| (stick, output * sign)).collect();
    still.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let mut levels = Vec::new();
    let mut from = 0;
    while from < still.len() {
        let to = from + still[from..].partition_point(|pair| pair.0 <= still[from].0 + LEVEL);
        let group = &still[from..to];
        let mut outputs: Vec<f64> = group.iter().map(|pair| pair.1).collect();
        let stick = group.iter().map(|pair| pair.0).sum::<f64>() / group.len() as f64;
        levels.push((stick, quantile::select(&mut outputs, 0.5).unwrap_or(0.0), group.len() as f64));
        from = to;
    }
    levels
}

/// Runs of levels with the same output: first and one past the last.
fn flats(levels: &[Level]) -> Vec<(usize, usize)> {
    let mut runs = Vec::new();
    let mut from = 0;
    while from < levels.len() {
        let same = |level: &Level| (level.1 - levels[from].1).abs() <= FLAT;
        let to = from + levels[from..].iter().take_while(|level| same(level)).count();
        if to - from >= 2 && levels[to - 1].0 - levels[from].0 >= FLAT_SPAN {
            runs.push((from, to));
        }
        from = to.max(from + 1);
    }
    runs
}

fn knots(levels: &mut [Level]) -> Option<Vec<(f64, f64)>> {
    let runs = flats(levels);
    // The sloped stretches between flat runs share one slope.
    let mut stretches: Vec<&[Level]> = Vec::new();
    let mut from = 0;
    for &(start, end) in &runs {
        stretches.push(&levels[from..start]);
        from = end;
    }
    stretches.push(&levels[from..]);
    let slope = common_slope(&stretches, &runs, levels)?;
    let intercept = |stretch: &[Level]| {
        let weight: f64 = stretch.iter().map(|level| level.2).sum();
        (weight > 0.0)
            .then(|| stretch.iter().map(|level| level.2 * (level.1 - slope * level.0)).sum::<f64>() / weight)
    };
    let mut knots: Vec<(f64, f64)> = Vec::new();
    let mut worst: f64 = 0.0;
    for (index, stretch) in stretches.iter().enumerate() {
        let Some(intercept) = intercept(stretch) else { continue };
        worst =
            stretch.iter().map(|level| (level.1 - slope * level.0 - intercept).abs()).fold(worst, f64::max);
        let flat_output = |&(start, end): &(usize, usize)| {
            let run = &levels[start..end];
            run.iter().map(|level| level.1).sum::<f64>() / run.len() as f64
        };
        let before = index.checked_sub(1).and_then(|at| runs.get(at));
        if let Some(output) = before.map(flat_output) {
            knots.push(((output - intercept) / slope, output));
        } else {
            let first = stretch[0].0 - 100.0;
            knots.push((first, slope * first + intercept));
        }
        if let Some(output) = runs.get(index).map(flat_output) {
            knots.push(((output - intercept) / slope, output));
        } else {
            let last = stretch[stretch.len() - 1].0 + 100.0;
            knots.push((last, slope * last + intercept));
        }
    }
    let (first, last) = (*knots.first()?, *knots.last()?);
    if runs.first().is_some_and(|run| run.0 == 0) {
        knots.insert(0, (first.0.min(levels[0].0) - 1000.0, first.1));
    }
    if runs.last().is_some_and(|run| run.1 == levels.len()) {
        knots.push((last.0.max(levels[levels.len() - 1].0) + 1000.0, last.1));
    }
    let rising = knots.windows(2).all(|pair| pair[1].0 > pair[0].0 && pair[1].1 >= pair[0].1);
    if worst > 10.0 || !rising {
        return isotonic(levels);
    }
    Some(knots)
}

/// Least squares within each stretch; with no stretch of two levels, from end to end.
fn common_slope(stretches: &[&[Level]], runs: &[(usize, usize)], levels: &[Level]) -> Option<f64> {
    let (mut xx, mut xy) = (0.0, 0.0);
    for stretch in stretches {
        let weight: f64 = stretch.iter().map(|level| level.2).sum();
        if stretch.len() < 2 {
            continue;
        }
        let mean_x = stretch.iter().map(|level| level.2 * level.0).sum::<f64>() / weight;
        let mean_y = stretch.iter().map(|level| level.2 * level.1).sum::<f64>() / weight;
        for level in *stretch {
            xx += level.2 * (level.0 - mean_x) * (level.0 - mean_x);
            xy += level.2 * (level.0 - mean_x) * (level.1 - mean_y);
        }
    }
    let slope = if xx > 0.0 {
        xy / xx
    } else {
        let (first, last) = (levels.first()?, levels.last()?);
        if !runs.is_empty() && levels.len() < 4 {
            return None;
        }
        (last.1 - first.1) / (last.0 - first.0)
    };
    (slope > 0.02).then_some(slope)
}

/// From level to level, made rising.
fn isotonic(levels: &[Level]) -> Option<Vec<(f64, f64)>> {
    let mut highest = f64::NEG_INFINITY;
    let knots: Vec<(f64, f64)> = levels
        .iter()
        .map(|level| {
            highest = highest.max(level.1);
            (level.0, highest)
        })
        .collect();
    (knots.len() >= 2 && knots[knots.len() - 1].1 > knots[0].1).then_some(knots)
}

/// Weighted least squares through all pairs.
fn line_through(pairs: &[(Pair, f64)], sign: f64) -> Option<Vec<(f64, f64)>> {
    let total: f64 = pairs.iter().map(|(_, weight)| weight).sum();
    let mean_x = pairs.iter().map(|((stick, _), weight)| weight * stick).sum::<f64>() / total;
    let mean_y = pairs.iter().map(|((_, output), weight)| weight * output * sign).sum::<f64>() / total;
    let (mut xx, mut xy) = (0.0, 0.0);
    for ((stick, output), weight) in pairs {
        xx += weight * (stick - mean_x) * (stick - mean_x);
        xy += weight * (stick - mean_x) * (output * sign - mean_y);
    }
    let slope = xy / xx;
    if !(slope.is_finite() && slope > 0.02) {
        return None;
    }
    let at = |stick: f64| (stick, mean_y + slope * (stick - mean_x));
    Some(vec![at(mean_x - 500.0), at(mean_x + 500.0)])
}

#[cfg(test)]
mod tests {
    use crate::measure::latency::curve::*;

    fn of_still(pairs: &[Pair], coefficient: f64) -> Option<Curve> {
        let all: Vec<(Pair, f64)> = pairs.iter().map(|&pair| (pair, 1.0)).collect();
        Curve::fit(pairs, &all, coefficient)
    }

    /// The oracle is the rule that made the pairs.
    #[test]
    fn finds_reversal_scale_trim_dead_band_and_stops() {
        let rule = |stick: f64| {
            let off = stick - 3000.0;
            let dead = if off.abs() < 40.0 { 0.0 } else { off - 40.0 * off.signum() };
            (3100.0 - 0.7 * dead).clamp(2700.0, 3500.0)
        };
        let pairs: Vec<Pair> = (0..80).map(|i| 2000.0 + 25.0 * f64::from(i)).map(|s| (s, rule(s))).collect();
        let curve = of_still(&pairs, -0.9).unwrap();
        for stick in [2600.0, 2800.0, 3200.0, 3400.0] {
            let (low, high) = curve.sticks(rule(stick));
            assert!(low <= stick && high >= stick && high - low < 30.0, "{stick}: {low} to {high}");
        }
        let (low, high) = curve.sticks(3100.0);
        assert!((2940.0..=2962.0).contains(&low) && (3038.0..3060.0).contains(&high), "{low} to {high}");
        // 80 half us wide.
        let dead_band_us = curve.dead_band_us().unwrap();
        assert!(curve.is_reversed() && (34.0..=46.0).contains(&dead_band_us), "{dead_band_us}");
        assert_eq!(curve.sticks(2700.0).1, f64::INFINITY);
        assert_eq!(curve.sticks(3500.0).0, f64::NEG_INFINITY);
    }

    #[test]
    fn two_levels_make_a_line() {
        let curve = of_still(&[(2000.0, 2200.0), (4000.0, 3800.0), (2000.0, 2200.0)], 0.9).unwrap();
        let (low, high) = curve.sticks(3000.0);
        assert!((0.5 * (low + high) - 3000.0).abs() < 1.0 && curve.dead_band_us().is_none());
        assert!(of_still(&[(2000.0, 2200.0)], 0.9).is_none());
    }

    /// Two end stops with one level between them: from end to end it is 800 half us over 2000.
    #[test]
    fn one_level_between_two_stops_has_the_slope_from_end_to_end() {
        let stops =
            [(2000.0, 2700.0), (2100.0, 2700.0), (3000.0, 3100.0), (3900.0, 3500.0), (4000.0, 3500.0)];
        let curve = of_still(&stops, 0.9).unwrap();
        for (output, stick) in [(2900.0, 2500.0), (3300.0, 3500.0)] {
            let (low, high) = curve.sticks(output);
            assert!((0.5 * (low + high) - stick).abs() < 1.0, "{output}: {low} to {high}");
        }
    }

    /// A flat piece spans 16 half us of the stick or more: levels nearer each other lie on a slope.
    #[test]
    fn two_levels_are_flat_only_where_they_lie_far_enough_apart() {
        let levels =
            [(2000.0, 2600.0), (2015.0, 2602.0), (3000.0, 3100.0), (4000.0, 3400.0), (4016.0, 3402.0)];
        assert_eq!(flats(&levels.map(|(stick, output)| (stick, output, 1.0))), [(3, 5)]);
    }
}
