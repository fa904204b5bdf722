//! Invented sessions, second by second: level, vibration and strain each go their own way; freezes follow one of them.
//!
//! The level falls with the distance of trips out and back and fades; the vibration follows a throttle that changes every few
//! seconds, about a mean that differs between sessions; this computer is strained in spells. In each second without a
//! freeze the chance of one is that of the truth: logistic in the level over 3 dB, logistic in the vibration over a tenth
//! of it, 1 in 6 in a strained second, or the same all the time. Random freezes beside the truth: 1 in 10 of all.

use fadewatch::judge::picture_cause::{BadInstant, WorseBySecond, causes};
use fadewatch::summary::{BadPicture, PictureCause};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

/// What lies behind the freezes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Truth {
    Radio,
    Airframe,
    Computer,
    /// Freezes at random, while it shakes all the time.
    None,
    /// The radio, while the vehicle shakes more the farther it is.
    RadioFarAndFast,
}

impl Truth {
    pub(crate) const ALL: [Self; 5] =
        [Self::Radio, Self::Airframe, Self::Computer, Self::None, Self::RadioFarAndFast];

    const fn cause(self) -> Option<PictureCause> {
        match self {
            Self::Radio | Self::RadioFarAndFast => Some(PictureCause::Radio),
            Self::Airframe => Some(PictureCause::Airframe),
            Self::Computer => Some(PictureCause::Computer),
            Self::None => None,
        }
    }
}

/// How the verdict was.
pub(crate) struct Outcome {
    /// The truth alone, or with nothing else wrong: of none, that no cause was named.
    pub(crate) right: bool,
    /// A cause that is none was named.
    pub(crate) wrong: bool,
    pub(crate) freezes: usize,
}

/// A number about 0 with a deviation of 1.
fn normal(random: &mut ChaCha8Rng) -> f64 {
    (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0
}

fn logistic(over: f64) -> f64 {
    1.0 / (1.0 + (-over).exp())
}

/// Level, vibration and strain of each second.
fn seconds(random: &mut ChaCha8Rng, count: usize, faster: f64) -> [Vec<f64>; 3] {
    let (period_s, far_m) = (random.random_range(80.0..240.0), random.random_range(150.0..600.0));
    let mean: f64 = random.random_range(8.0..60.0);
    let (mut fade, mut throttle, mut strained) = (0.0, 0.0, false);
    let mut all = [Vec::new(), Vec::new(), Vec::new()];
    for second in 0..count {
        let turn = (second as f64 / period_s).fract();
        let away = 1.0 - (2.0 * turn - 1.0).abs();
        let metres = 20.0 + far_m * away;
        fade = 0.8 * fade + 0.6 * 3.0 * normal(random);
        throttle = 0.85 * throttle + 0.53 * normal(random);
        strained = if strained { random.random::<f64>() > 0.2 } else { random.random::<f64>() < 0.02 };
        all[0].push(-25.0 - 25.0 * metres.log10() + fade);
        all[1].push(mean * (0.3 * throttle + faster * away).exp());
        all[2].push(f64::from(u8::from(strained)));
    }
    all
}

fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[((sorted.len() - 1) as f64 * share) as usize]
}

/// Plays one session.
pub(crate) fn session(truth: Truth, seed: u64) -> Outcome {
    let mut random = ChaCha8Rng::seed_from_u64(seed ^ (truth as u64) << 32);
    let count = random.random_range(400..1200);
    let [level, vibration, strain] =
        seconds(&mut random, count, if truth == Truth::RadioFarAndFast { 0.6 } else { 0.0 });
    let (weak, strong) = (quantile(&level, 0.06), quantile(&vibration, 0.94));
    let mut bad: Vec<BadInstant> = Vec::new();
    let mut free_from = 5.0;
    for second in 5..count - 5 {
        let at = second as f64;
        let chance = match truth {
            Truth::Radio | Truth::RadioFarAndFast => 0.3 * logistic((weak - level[second]) / 3.0),
            Truth::Airframe => 0.3 * logistic((vibration[second] - strong) / (0.1 * strong)),
            Truth::Computer => strain[second] / 6.0,
            Truth::None => 0.02,
        };
        let chance = if truth == Truth::None { chance } else { chance + 0.0015 };
        if at >= free_from && random.random::<f64>() < chance {
            let lasts = 0.2 - 0.8 * random.random::<f64>().ln();
            let from_s = at + random.random::<f64>();
            bad.push(BadInstant { from_s, to_s: from_s + lasts, by_mark: false, certain: None });
            free_from = from_s + lasts + 1.0;
        }
    }
    let series = |values: &[f64], sign: f64| values.iter().map(|value| (sign * value) as f32).collect();
    let seconds = WorseBySecond {
        radio: series(&level, -1.0),
        airframe: series(&vibration, 1.0),
        computer: series(&strain, 1.0),
        counted: vec![true; count],
    };
    let (summary, _) = causes(BadPicture::Froze, &bad, &bad, &seconds);
    let named = summary.causes.unwrap_or_default();
    let wrong = named.iter().any(|named| Some(*named) != truth.cause());
    let right = !wrong && truth.cause().is_none_or(|cause| named.contains(&cause));
    Outcome { right, wrong, freezes: bad.len() }
}
