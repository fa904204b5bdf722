//! How much a class of samples lies above or below the others, after a common slope.
//!
//! Model: y = effect of the class - slope x + error, the errors correlated in time (analysis of covariance:
//! the slope comes from within the classes alone). Robust: Huber's weights (Huber 1964, k = 1.345).
//! A class's contrast is its effect less the mean effect of the other classes, each by its samples.
//! Interval: delete-one-block jackknife (Quenouille 1956, Tukey 1958). A block is a visit to a class,
//! visits less than 3 correlation times apart together, long ones cut into pieces of at least that. Student's t
//! with the blocks of the class less one, at 95 % for all classes together (Bonferroni), since one looks
//! at the lowest of them. A class with under 10 samples, in
//! under 4 blocks or visited only once is given without a contrast. Units: those of y.

use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::stats::curve_fit::path_loss::{HUBER, correlation_of, scale_of};
use crate::stats::sample::proportion;

const LEAST_SAMPLES: usize = 10;
const LEAST_BLOCKS: usize = 4;
const LEAST_VISITS: usize = 2;
const MOST_STEPS: usize = 50;
const CONFIDENCE: f64 = 0.95;

/// One sample at a time step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// When, in steps; samples come in this order.
    pub step: usize,
    /// What the slope is over.
    pub x: f64,
    /// The figure.
    pub y: f64,
    /// Class from 0.
    pub class: usize,
}

/// One class against the others.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Contrast {
    /// Samples in it.
    pub samples: usize,
    /// Pieces of time that count as independent.
    pub blocks: usize,
    /// Visits, at least 3 correlation times apart.
    pub visits: usize,
    /// Above (below: negative) the others; `None` with too little data.
    #[allow(clippy::struct_field_names, reason = "the contrast of a class, beside what it rests on")]
    pub contrast: Option<f64>,
    /// Interval that holds for all classes together.
    pub ci95: Option<[f64; 2]>,
}

/// Sums of one class, weighted.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    weight: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
}

impl Sums {
    fn take(&mut self, x: f64, y: f64, weight: f64) {
        self.weight += weight;
        self.x += weight * x;
        self.y += weight * y;
        self.xx += weight * x * x;
        self.xy += weight * x * y;
    }

    fn add(&mut self, other: &Self, sign: f64) {
        self.weight += sign * other.weight;
        self.x += sign * other.x;
        self.y += sign * other.y;
        self.xx += sign * other.xx;
        self.xy += sign * other.xy;
    }
}

/// Effects and slope of classes.
struct Fit {
    slope: f64,
    effects: Vec<Option<f64>>,
}

impl Fit {
    /// `None` where x does not vary within any class.
    fn of(sums: &[Sums]) -> Option<Self> {
        let (mut product, mut power) = (0.0, 0.0);
        for sum in sums.iter().filter(|sum| sum.weight > 1e-9) {
            product += sum.xy - sum.x * sum.y / sum.weight;
            power += (sum.xx - sum.x * sum.x / sum.weight).max(0.0);
        }
        let total: f64 = sums.iter().map(|sum| sum.weight).sum();
        if power <= 1e-9 * total {
            return None;
        }
        let slope = product / power;
        let effect = |sum: &Sums| (sum.weight > 1e-9).then(|| (sum.y - slope * sum.x) / sum.weight);
        Some(Self { slope, effects: sums.iter().map(effect).collect() })
    }

    fn residual(&self, sample: &Sample) -> f64 {
        self.effects[sample.class].map_or(0.0, |effect| sample.y - effect - self.slope * sample.x)
    }

    /// A class's effect less the mean of the others, by their weights.
    fn contrast(&self, class: usize, sums: &[Sums], usable: &[bool]) -> Option<f64> {
        let (mut mean, mut weight) = (0.0, 0.0);
        for other in (0..sums.len()).filter(|&other| other != class && usable[other]) {
            if let Some(effect) = self.effects[other] {
                mean += sums[other].weight * effect;
                weight += sums[other].weight;
            }
        }
        (weight > 1e-9).then_some(self.effects[class]? - mean / weight)
    }
}

/// The contrast of each class; `None` where no two classes have data enough, or x does not vary.
#[must_use]
pub fn contrasts(samples: &[Sample], classes: usize) -> Option<Vec<Contrast>> {
    let (weights, length) = robust(samples, classes)?;
    let mut found = vec![Contrast::default(); classes];
    let mut blocks: Vec<(usize, Sums)> = Vec::new();
    for (class, found) in found.iter_mut().enumerate() {
        let mine: Vec<usize> = (0..samples.len()).filter(|&index| samples[index].class == class).collect();
        found.samples = mine.len();
        for visit in mine.chunk_by(|a, b| samples[*b].step - samples[*a].step <= length) {
            let from = samples[visit[0]].step;
            let lasted = samples[visit[visit.len() - 1]].step - from + 1;
            let pieces = (lasted / length).max(1);
            let piece = |index: &usize| (samples[*index].step - from) * pieces / lasted;
            found.visits += 1;
            for part in visit.chunk_by(|a, b| piece(a) == piece(b)) {
                let mut sum = Sums::default();
                for &index in part {
                    sum.take(samples[index].x, samples[index].y, weights[index]);
                }
                found.blocks += 1;
                blocks.push((class, sum));
            }
        }
    }
    let is_usable = |class: &Contrast| {
        class.samples >= LEAST_SAMPLES && class.blocks >= LEAST_BLOCKS && class.visits >= LEAST_VISITS
    };
    let usable: Vec<bool> = found.iter().map(is_usable).collect();
    let looked_at = usable.iter().filter(|usable| **usable).count();
    if looked_at < 2 {
        return Some(found);
    }
    let mut whole = vec![Sums::default(); classes];
    for (class, sum) in &blocks {
        whole[*class].add(sum, 1.0);
    }
    let fit = Fit::of(&whole)?;
    // One fit without each block gives the contrasts of all classes.
    let left_out = |(of, taken): &(usize, Sums)| -> Option<Vec<Option<f64>>> {
        let mut rest = whole.clone();
        rest[*of].add(taken, -1.0);
        let fit = Fit::of(&rest)?;
        Some((0..classes).map(|class| fit.contrast(class, &rest, &usable)).collect())
    };
    let without: Option<Vec<Vec<Option<f64>>>> = blocks.iter().map(left_out).collect();
    for class in (0..classes).filter(|&class| usable[class]) {
        let Some(contrast) = fit.contrast(class, &whole, &usable) else { continue };
        let deleted: Option<Vec<f64>> =
            without.as_ref().and_then(|without| without.iter().map(|own| own[class]).collect());
        found[class].contrast = Some(contrast);
        found[class].ci95 = deleted.and_then(|deleted| {
            let half = half_width(&deleted, found[class].blocks, looked_at)?;
            Some([contrast - half, contrast + half])
        });
    }
    Some(found)
}

fn half_width(deleted: &[f64], blocks: usize, looked_at: usize) -> Option<f64> {
    let count = deleted.len() as f64;
    let mean = deleted.iter().sum::<f64>() / count;
    let spread: f64 = deleted.iter().map(|value| (value - mean).powi(2)).sum();
    let tail = (1.0 - CONFIDENCE) / 2.0 / looked_at as f64;
    let t = StudentsT::new(0.0, 1.0, blocks as f64 - 1.0).ok()?.inverse_cdf(1.0 - tail);
    Some(t * ((count - 1.0) / count * spread).sqrt())
}

/// Huber's weights at the fit, and a block's length in steps.
fn robust(samples: &[Sample], classes: usize) -> Option<(Vec<f64>, usize)> {
    let mut weights = vec![1.0; samples.len()];
    let mut residuals = Vec::new();
    let mut last = f64::INFINITY;
    for _ in 0..MOST_STEPS {
        let mut whole = vec![Sums::default(); classes];
        for (sample, &weight) in samples.iter().zip(&weights) {
            whole[sample.class].take(sample.x, sample.y, weight);
        }
        let fit = Fit::of(&whole)?;
        residuals = samples.iter().map(|sample| fit.residual(sample)).collect();
        let reach = HUBER * scale_of(&residuals);
        if reach <= 1e-9 || (fit.slope - last).abs() < 1e-6 {
            break;
        }
        last = fit.slope;
        for (weight, residual) in weights.iter_mut().zip(&residuals) {
            *weight = if residual.abs() <= reach { 1.0 } else { reach / residual.abs() };
        }
    }
    // Samples may lie several steps apart: the correlation is counted in samples.
    let steps = samples.last()?.step - samples.first()?.step + 1;
    let spacing = steps as f64 / samples.len() as f64;
    let length = (3.0 * correlation_of(&residuals) * spacing).ceil().max(1.0) as usize;
    Some((weights, length))
}

/// A lost share with an interval that allows for losses that come together within blocks of `length` steps:
/// (step, received, lost) in, Wilson's interval with the effective number of trials out.
#[must_use]
pub fn ratio(seconds: &[(usize, u32, u32)], length: usize) -> Option<(f64, [f64; 2])> {
    let first = seconds.first()?.0;
    let mut blocks: Vec<(usize, f64, f64)> = Vec::new();
    for &(step, received, lost) in seconds {
        let block = (step - first) / length.max(1);
        if blocks.last().is_none_or(|last| last.0 != block) {
            blocks.push((block, 0.0, 0.0));
        }
        let last = blocks.last_mut()?;
        last.1 += f64::from(received) + f64::from(lost);
        last.2 += f64::from(lost);
    }
    let trials: f64 = blocks.iter().map(|block| block.1).sum();
    let lost: f64 = blocks.iter().map(|block| block.2).sum();
    if trials <= 0.0 {
        return None;
    }
    let ratio = lost / trials;
    let count = blocks.len() as f64;
    let spread: f64 = blocks.iter().map(|block| (block.2 - ratio * block.1).powi(2)).sum();
    let variance = spread / (trials * trials) * count / (count - 1.0).max(1.0);
    // Without any loss, or with a single block, only the blocks are known to be independent.
    let effective = if spread > 0.0 && count > 1.0 {
        (ratio * (1.0 - ratio) / variance).min(trials)
    } else {
        count.min(trials)
    };
    let ci95 = proportion::wilson(ratio * effective, effective, proportion::student975(count - 1.0))?;
    Some((ratio, ci95))
}

#[cfg(test)]
mod tests {
    use crate::stats::curve_fit::ancova::*;

    fn noise(index: usize) -> f64 {
        (index * 7919 % 101) as f64 / 25.0 - 2.0
    }

    /// A walk in which each of three classes is visited in turn, one of them 8 below the others.
    fn walk(low: f64) -> Vec<Sample> {
        (0..600)
            .map(|step| {
                let class = step / 20 % 3;
                let x = 1.0 + (step % 200) as f64 / 150.0;
                let y = -40.0 - 27.0 * x + if class == 1 { low } else { 0.0 } + noise(step);
                Sample { step, x, y, class }
            })
            .collect()
    }

    #[test]
    fn a_low_class_is_found_with_its_depth() {
        let found = contrasts(&walk(-8.0), 3).unwrap();
        let low = found[1];
        assert!((low.contrast.unwrap() + 8.0).abs() < 0.5, "{low:?}");
        let ci95 = low.ci95.unwrap();
        assert!(ci95[0] < -8.0 && ci95[1] > -8.0 && ci95[1] < -6.0, "{ci95:?}");
        assert!((found[0].contrast.unwrap() - 4.0).abs() < 0.5, "half of the others is low: {found:?}");
        let none = contrasts(&walk(0.0), 3).unwrap();
        assert!(
            none.iter().all(|class| class.ci95.is_some_and(|ci95| ci95[0] < 0.0 && ci95[1] > 0.0)),
            "{none:?}"
        );
    }

    /// Balanced classes with one x each way: least squares by hand. y = 10 - 2 x in class 0, 4 - 2 x in class 1.
    #[test]
    fn exact_without_noise() {
        let samples: Vec<Sample> = (0..80)
            .map(|step| {
                let class = step / 10 % 2;
                let x = (step % 10) as f64;
                Sample { step, x, y: [10.0, 4.0][class] - 2.0 * x, class }
            })
            .collect();
        let found = contrasts(&samples, 2).unwrap();
        assert!(
            (found[0].contrast.unwrap() - 6.0).abs() < 1e-9
                && (found[1].contrast.unwrap() + 6.0).abs() < 1e-9
        );
    }

    #[test]
    fn too_little_data_gives_no_contrast() {
        assert_eq!(contrasts(&[], 3), None);
        let still: Vec<Sample> =
            (0..50).map(|step| Sample { step, x: 1.0, y: 2.0, class: step % 2 }).collect();
        assert_eq!(contrasts(&still, 2), None, "x does not vary");
        let once: Vec<Sample> =
            walk(0.0).into_iter().filter(|sample| sample.class != 1 || sample.step < 40).collect();
        let found = contrasts(&once, 3).unwrap();
        assert_eq!((found[1].samples, found[1].contrast), (20, None), "one visit is no evidence");
        assert!(found[0].contrast.is_some());
    }

    /// Blocks of independent losses: the variance is the binomial one, and Wilson's interval comes out
    /// (k = 50 of n = 1000: 0.0381 to 0.0653, tests/vectors/wilson.json's formula), a little wider by Student's t.
    #[test]
    fn a_ratio_allows_for_bursts() {
        let even: Vec<(usize, u32, u32)> = (0..200)
            .map(|step| (step, if step % 4 == 0 { 4 } else { 5 }, u32::from(step % 4 == 0)))
            .collect();
        let (ratio_even, ci_even) = ratio(&even, 1).unwrap();
        assert!((ratio_even - 0.05).abs() < 1e-12);
        assert!((ci_even[0] - 0.0381).abs() < 2e-3 && (ci_even[1] - 0.0653).abs() < 2e-3, "{ci_even:?}");
        let bursts: Vec<(usize, u32, u32)> =
            (0..200).map(|step| if step % 20 == 0 { (step, 0, 5) } else { (step, 5, 0) }).collect();
        let (ratio_bursts, ci_bursts) = ratio(&bursts, 3).unwrap();
        assert!((ratio_bursts - 0.05).abs() < 1e-12);
        assert!(ci_bursts[1] - ci_bursts[0] > 1.5 * (ci_even[1] - ci_even[0]), "{ci_bursts:?}");
        assert_eq!(ratio(&[(3, 0, 0)], 3), None);
        let (none, ci_none) = ratio(&[(0, 500, 0), (1, 500, 0)], 1).unwrap();
        assert!(none == 0.0 && ci_none[1] > 0.5, "two blocks say little: {ci_none:?}");
    }
}
