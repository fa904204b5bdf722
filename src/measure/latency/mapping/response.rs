//! How an output answers to one stick, movement by movement, and whether that is more than chance.
//!
//! Definition: the share of the output's variation within a movement that the stick explains, at the best lag
//! (`stats::time_series::coincidence`). The level that the movement before it left counts as one more sample: slow telemetry often
//! sees no other before a movement. An output follows where that share is over a third and chance alone would not give
//! it once in 200 times: the fewer samples a second, the more movements that takes. At most [`MOST_PIECES`] movements
//! are looked at. Lags in ms.

use crate::stats::time_series::coincidence;
use crate::stats::time_series::coincidence::{BestLag, LaggedReference, Moments};
use crate::stats::time_series::correlation::Trace;

use super::AlignedMovement;

const MOST_PIECES: usize = 12;
/// Samples of one movement, at most.
const MOST_SAMPLES: usize = 48;
/// The first lag that is looked at: two clocks may put an output before its stick, by no more than this.
const EARLIEST_MS: f64 = -40.0;
const STEP_MS: f64 = 40.0;
/// Draws, and the chance up to which an output is taken to follow.
const DRAWS: u32 = 200;
const MOST_CHANCE: f64 = 0.005;
const LEAST_SHARE: f64 = 1.0 / 3.0;
/// An output that varies by less than this within a movement stands still (half us).
const STANDS: f64 = 6.0;

/// One movement: the stick, and when the output was sampled.
struct Piece {
    stick: Vec<(f64, f64)>,
    times: Vec<f64>,
    /// What the output showed then; behind it, where it stood after the movement before, if that is known.
    values: Vec<f64>,
    /// The least and the greatest of the samples.
    span: (f64, f64),
    /// Where both stood after the movement before.
    before: Option<(f64, f64)>,
}

impl Piece {
    fn new(stick: Vec<(f64, f64)>, output: &[(f64, f64)]) -> Option<Self> {
        let step = output.len().div_ceil(MOST_SAMPLES).max(1);
        let (times, values): (Vec<f64>, Vec<f64>) = output.iter().step_by(step).copied().unzip();
        let span = values.iter().fold((f64::MAX, f64::MIN), |span, &value| widened(span, value));
        (!times.is_empty()).then_some(Self { stick, times, values, span, before: None })
    }

    fn end(&self) -> Option<(f64, f64)> {
        Some((self.stick.last()?.1, *self.values.get(self.times.len() - 1)?))
    }

    fn stood_before(&mut self, before: Option<(f64, f64)>) {
        self.before = before;
        self.values.extend(before.map(|before| before.1));
    }

    /// Of its output with the stick of a movement, at each lag.
    fn moments(&self, stick: &Self, read: &mut LaggedReference, lags: usize, moments: &mut Vec<Moments>) {
        let before = stick.before.zip(self.before).map(|(stick, own)| (stick.0, own.1));
        let samples = self.times.len();
        read.clear(samples + usize::from(before.is_some()));
        let mut first = Trace::new(&stick.stick).walk();
        for lag in 0..lags {
            // Each lag begins near where the one before it began.
            first.at(self.times[0] - lag_ms(lag));
            let mut walk = first.clone();
            for (sample, time) in self.times.iter().enumerate() {
                if let Some(value) = walk.at(time - lag_ms(lag)) {
                    read.set(sample, lag, value);
                }
            }
            if let Some((stick, _)) = before {
                read.set(samples, lag, stick);
            }
        }
        let from = moments.len();
        read.moments(&self.values[..samples + usize::from(before.is_some())], moments);
        let (low, high) = before.map_or(self.span, |before| widened(self.span, before.1));
        if high - low < STANDS {
            for own in &mut moments[from..] {
                (own.xy, own.yy) = (0.0, 0.0);
            }
        }
    }
}

fn widened((low, high): (f64, f64), value: f64) -> (f64, f64) {
    (low.min(value), high.max(value))
}

/// An output's answer to one stick.
pub(super) struct Response {
    pieces: Vec<Piece>,
    lags: usize,
    best: BestLag,
}

impl Response {
    /// Over movements of the stick; `output` gives the samples of one that count. `has_levels`: no other stick makes
    /// its levels. `None` with too few.
    pub(super) fn new(
        movements: &[&AlignedMovement<'_>],
        stick: u8,
        (longest_ms, has_levels): (f64, bool),
        output: impl Fn(&AlignedMovement<'_>) -> Vec<(f64, f64)>,
    ) -> Option<Self> {
        let own = || movements.iter().filter(|aligned| aligned.movement.stick == stick);
        let step = own().count().div_ceil(MOST_PIECES).max(1);
        let piece = |aligned: &&AlignedMovement<'_>| Piece::new(aligned.stick(stick), &output(aligned));
        let mut pieces: Vec<Piece> = own().step_by(step).filter_map(piece).collect();
        for later in (1..pieces.len()).filter(|_| has_levels) {
            let before = pieces[later - 1].end();
            pieces[later].stood_before(before);
        }
        if pieces.len() < super::FEWEST_MOVES {
            return None;
        }
        let lags = ((longest_ms - EARLIEST_MS) / STEP_MS) as usize + 1;
        let mut read = LaggedReference::new(lags);
        let mut own = Vec::with_capacity(pieces.len() * lags);
        for piece in &pieces {
            piece.moments(piece, &mut read, lags, &mut own);
        }
        let best = coincidence::best_lag(pieces.len(), lags, |piece, lag| own[piece * lags + lag]);
        Some(Self { pieces, lags, best })
    }

    /// The mean share of a movement that the stick explains.
    pub(super) const fn share(&self) -> f64 {
        self.best.share
    }

    pub(super) fn lag_ms(&self) -> f64 {
        lag_ms(self.best.place)
    }

    /// Output for stick.
    pub(super) const fn slope(&self) -> f64 {
        self.best.slope
    }

    /// Whether the output follows the stick, and did not only move when the stick did.
    pub(super) fn follows(&self) -> bool {
        if self.share() < LEAST_SHARE {
            return false;
        }
        let pieces = self.pieces.len();
        let mut read = LaggedReference::new(self.lags);
        let mut table = Vec::with_capacity(pieces * pieces * self.lags);
        for stick in &self.pieces {
            for output in &self.pieces {
                output.moments(stick, &mut read, self.lags, &mut table);
            }
        }
        coincidence::chance(pieces, self.lags, (DRAWS, MOST_CHANCE), &table) <= MOST_CHANCE
    }
}

fn lag_ms(place: usize) -> f64 {
    EARLIEST_MS + STEP_MS * place as f64
}

#[cfg(test)]
mod tests {
    use crate::measure::latency::mapping::response::*;
    use crate::measure::latency::mapping::tests::movement;

    /// The lag, and the share that it explains, of an output that repeats its stick so many ms later.
    fn answer(delay_ms: i16, longest_ms: f64) -> (f64, f64) {
        let row = |value: i16| std::array::from_fn(|channel| if channel == 0 { value } else { 3000 });
        let ramp = |step: i16| row(3000 + 8 * step.clamp(20, 40));
        let movement = movement(0, ramp, |step| ramp(step - delay_ms / 20));
        let aligned: Vec<AlignedMovement<'_>> =
            (0..3).map(|_| AlignedMovement::new(&movement, None)).collect();
        let output = |aligned: &AlignedMovement<'_>| aligned.outputs(0, f64::INFINITY).collect();
        let response = Response::new(&aligned.iter().collect::<Vec<_>>(), 0, (longest_ms, true), output);
        response.map(|response| (response.lag_ms(), response.share())).unwrap()
    }

    /// The delay that made the output is the oracle. Of one beyond the grid the end of the grid is left, which does not
    /// explain all.
    #[test]
    fn delays_are_looked_for_from_40_ms_before_the_stick_up_to_the_longest() {
        for delay_ms in [-40, 0, 40, 400] {
            let (lag_ms, share) = answer(delay_ms, 400.0);
            assert!(lag_ms == f64::from(delay_ms) && share > 0.999, "{delay_ms} ms: {lag_ms}, {share}");
        }
        for (delay_ms, end) in [(-80, -40.0), (440, 400.0)] {
            let (lag_ms, share) = answer(delay_ms, 400.0);
            assert!(lag_ms == end && share < 0.999, "{delay_ms} ms: {lag_ms}, {share}");
        }
    }
}
