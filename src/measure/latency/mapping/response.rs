//! How an output answers to one stick, movement by movement, and whether that is more than chance.
//!
//! Definition: the share of the output's variation within a movement that the stick explains, at the best lag
//! (`stats::coincidence`). The level that the movement before it left counts as one more sample: slow telemetry often
//! sees no other before a movement. An output follows where that share is over a third and chance alone would not give
//! it once in 200 times: the fewer samples a second, the more movements that takes. At most [`MOST_PIECES`] movements
//! are looked at. Lags in ms.

use crate::stats::coincidence;
use crate::stats::coincidence::{BestLag, Moments};
use crate::stats::correlation::Trace;

use super::AlignedMovement;

const MOST_PIECES: usize = 12;
/// Samples of one movement, at most.
const MOST_SAMPLES: usize = 48;
const EARLIEST_MS: f64 = -40.0;
const STEP_MS: f64 = 40.0;
/// Draws, and the chance up to which an output is taken to follow.
const DRAWS: u32 = 200;
const MOST_CHANCE: f64 = 0.005;
const LEAST_SHARE: f64 = 1.0 / 3.0;
/// An output that varies by less than this within a movement stands still (half us).
const STANDS: f64 = 6.0;

/// One movement: the stick, and the output's samples.
struct Piece {
    stick: Vec<(f64, f64)>,
    output: Vec<(f64, f64)>,
    /// Where both stood after the movement before.
    before: Option<(f64, f64)>,
}

impl Piece {
    fn new(stick: Vec<(f64, f64)>, output: &[(f64, f64)]) -> Option<Self> {
        let step = output.len().div_ceil(MOST_SAMPLES).max(1);
        let output: Vec<(f64, f64)> = output.iter().step_by(step).copied().collect();
        (!output.is_empty()).then_some(Self { stick, output, before: None })
    }

    fn end(&self) -> Option<(f64, f64)> {
        Some((self.stick.last()?.1, self.output.last()?.1))
    }

    /// Of its output with the stick of a movement.
    fn moments(&self, stick: &Self, lag_ms: f64) -> Moments {
        let before = stick.before.zip(self.before).map(|(stick, own)| (stick.0, own.1));
        let values = || self.output.iter().map(|sample| sample.1).chain(before.map(|before| before.1));
        let mut walk = Trace::new(&stick.stick).walk();
        let pairs = self.output.iter().filter_map(|&(time, value)| Some((walk.at(time - lag_ms)?, value)));
        let moments = Moments::of(pairs.chain(before));
        if values().fold(f64::MIN, f64::max) - values().fold(f64::MAX, f64::min) < STANDS {
            return Moments { xy: 0.0, yy: 0.0, ..moments };
        }
        moments
    }
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
            pieces[later].before = pieces[later - 1].end();
        }
        if pieces.len() < super::FEWEST_MOVES {
            return None;
        }
        let lags = ((longest_ms - EARLIEST_MS) / STEP_MS) as usize + 1;
        let of = |piece: usize, lag| pieces[piece].moments(&pieces[piece], lag_ms(lag));
        let best = coincidence::best_lag(pieces.len(), lags, of);
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
        let of =
            |stick: usize, output: usize, lag| self.pieces[output].moments(&self.pieces[stick], lag_ms(lag));
        self.share() >= LEAST_SHARE
            && coincidence::chance(self.pieces.len(), self.lags, (DRAWS, MOST_CHANCE), of) <= MOST_CHANCE
    }
}

fn lag_ms(place: usize) -> f64 {
    EARLIEST_MS + STEP_MS * place as f64
}
