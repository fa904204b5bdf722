//! Older movements of a stage, as the ages that they allowed when they were the newest.
//!
//! The window stays the whole session: at most [`MOST`] are kept, thinned evenly (`archive_thinning`). Copies of
//! the core share them; a thousand of 20 samples each take about 300 kB.

use std::sync::Arc;

use crate::summary::LeftOut;

use super::age_intervals::StickPath;
use super::archive_thinning::Thinning;
use super::censoring::MovementAges;
use super::stage_evidence::{StageEvidence, older};

/// Older movements that are kept.
const MOST: u64 = 2048;

/// The older movements of a stage.
#[derive(Clone, Debug, Default)]
pub(super) struct Archive {
    pub(super) thinning: Thinning,
    /// How the sticks' path was read when the first of them came.
    pub(super) path: Option<StickPath>,
    left_out: LeftOut,
    /// The largest lower end of any sample's age, of those that are not kept too.
    oldest_ms: Option<f64>,
    /// In the order in which they came.
    movements: Arc<Vec<MovementAges>>,
}

impl Archive {
    /// Makes room: so many movements came here in all, or are about to.
    pub(super) fn expect(&mut self, count: u64) {
        let thinning = Thinning::to_at_most(MOST, count);
        if thinning != self.thinning {
            self.thinning = thinning;
            let before = self.movements.len();
            Arc::make_mut(&mut self.movements).retain(|ages| thinning.keeps(ages.number));
            self.left_out.thinned += (before - self.movements.len()) as u64;
        }
    }

    /// Takes movements that were read for the last time; those that are not to be kept are not among them.
    pub(super) fn take(&mut self, evidence: StageEvidence) {
        self.path.get_or_insert(evidence.path);
        self.left_out += evidence.left_out;
        self.oldest_ms = older(self.oldest_ms, evidence.oldest_ms);
        Arc::make_mut(&mut self.movements).extend(evidence.movements);
    }

    /// Puts these movements before newer ones.
    pub(super) fn put_before(&self, newer: &mut StageEvidence) {
        newer.movements.splice(0..0, self.movements.iter().cloned());
        newer.oldest_ms = older(newer.oldest_ms, self.oldest_ms);
        newer.left_out += self.left_out;
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::latency::archive::*;
    use crate::measure::latency::censoring::AgeRange;
    use crate::units::Nanos;

    /// Movements that come at once.
    const BLOCK: u64 = 64;

    /// What movement `number` says; three samples of two outputs.
    fn ages(number: u64) -> MovementAges {
        let low = (number % 1000) as f32;
        let ranges = [(0, low), (0, low + 9.0), (4, low + 1.0)];
        MovementAges {
            number,
            stick: 7,
            start: Nanos::from_secs(number.cast_signed()),
            oldest_ms: f64::from(low),
            ranges: ranges.map(|(output, low)| AgeRange { output, more: false, low, high: low + 4.0 }).into(),
        }
    }

    /// As a stage does it: so many blocks of movements, of which every tenth says nothing.
    fn after(blocks: u64) -> Archive {
        let mut archive = Archive::default();
        for first in (0..blocks).map(|block| block * BLOCK) {
            archive.expect(first + BLOCK);
            let mut evidence = StageEvidence::default();
            for number in first..first + BLOCK {
                match number % 10 {
                    9 => evidence.left_out.gap += 1,
                    _ => evidence.add(ages(number), archive.thinning),
                }
            }
            archive.take(evidence);
        }
        archive
    }

    #[test]
    fn a_short_session_is_kept_as_it_is_before_newer_movements() {
        let archive = after(MOST / BLOCK);
        let mut all = StageEvidence { movements: vec![ages(MOST)], ..StageEvidence::default() };
        archive.put_before(&mut all);
        let expected: Vec<MovementAges> = (0..=MOST).filter(|number| number % 10 != 9).map(ages).collect();
        assert_eq!(all.movements, expected);
        let gap = MOST + 1 - expected.len() as u64;
        assert_eq!(all.left_out, LeftOut { gap, ..LeftOut::default() });
    }

    /// The bound holds at every length, counts stay true, and what was thinned out still says how old ages were.
    #[test]
    fn a_long_session_is_bounded_and_counted() {
        for blocks in [33, 51, 52, 53, 54, 200, 500, 1000] {
            let (archive, all) = (after(blocks), blocks * BLOCK);
            let kept: Vec<u64> = archive.movements.iter().map(|ages| ages.number).collect();
            let expected: Vec<u64> =
                (0..all).filter(|&number| archive.thinning.keeps(number) && number % 10 != 9).collect();
            assert_eq!(kept, expected, "{all}");
            assert!(kept.len() as u64 <= MOST && kept.len() as u64 > MOST / 2, "{all}: {}", kept.len());
            let out = archive.left_out;
            assert_eq!(kept.len() as u64 + out.gap + out.thinned, all);
            assert_eq!(archive.oldest_ms, Some(998.0));
        }
    }

    #[test]
    fn copies_share_the_movements() {
        let archive = after(9);
        assert!(Arc::ptr_eq(&archive.movements, &archive.clone().movements));
    }
}
