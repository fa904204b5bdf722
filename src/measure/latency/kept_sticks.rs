//! Stick positions of a source, one message of which may name only some of its channels.
//!
//! A channel that a message does not name keeps its value. It was not sampled then: within [`SAMPLED`] of its last
//! sample it is [`UNSAID`], so that how long a value stood is known from its own samples. After that its value is
//! repeated, as of a stick at rest. A channel that is handed back to the radio is absent. Values in half us.

use crate::units::Nanos;

use super::movement_track::{ABSENT, UNSAID, Values};

/// A channel said more seldom than this counts as at rest between; less than a gap within a movement.
const SAMPLED: Nanos = Nanos::from_millis(100);

/// The last position of each stick.
#[derive(Clone, Debug)]
pub(super) struct KeptSticks {
    last: [(Nanos, i16); 18],
}

impl Default for KeptSticks {
    fn default() -> Self {
        Self { last: [(Nanos::ZERO, ABSENT); 18] }
    }
}

impl KeptSticks {
    /// Takes a message: where the sticks are, and the same with [`UNSAID`] where it is no sample.
    pub(super) fn take(&mut self, at: Nanos, said: &Values) -> (Values, Values) {
        let (mut all, mut samples) = (*said, *said);
        for (stick, last) in self.last.iter_mut().enumerate() {
            if said[stick] != UNSAID {
                *last = (at, said[stick]);
                continue;
            }
            all[stick] = last.1;
            if last.1 == ABSENT || at - last.0 > SAMPLED {
                samples[stick] = last.1;
            }
        }
        (all, samples)
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::latency::kept_sticks::*;

    /// Two channels said in turns, and one handed back; worked by hand.
    #[test]
    fn a_channel_that_is_not_named_keeps_its_value() {
        let row = |two: [i16; 2]| std::array::from_fn(|stick| two.get(stick).copied().unwrap_or(UNSAID));
        let mut kept = KeptSticks::default();
        let mut take = |ms, said| {
            let (all, samples) = kept.take(Nanos::from_millis(ms), &row(said));
            assert_eq!((all[2], samples[2]), (ABSENT, ABSENT));
            ([all[0], all[1]], [samples[0], samples[1]])
        };
        assert_eq!(take(0, [3000, UNSAID]), ([3000, ABSENT], [3000, ABSENT]));
        assert_eq!(take(20, [UNSAID, 2400]), ([3000, 2400], [UNSAID, 2400]));
        assert_eq!(take(120, [UNSAID, 2410]), ([3000, 2410], [3000, 2410]), "long at rest");
        assert_eq!(take(140, [ABSENT, UNSAID]), ([ABSENT, 2410], [ABSENT, UNSAID]), "handed back");
        assert_eq!(take(160, [UNSAID, UNSAID]), ([ABSENT, 2410], [ABSENT, UNSAID]));
    }
}
