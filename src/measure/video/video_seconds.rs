//! Packets and frame intervals by the second (see [`crate::measure::series`]), counted from the first record.
//!
//! A gap is spread evenly over the silence before the packet that showed it, over a day of it at most; a late packet is
//! taken off the newest second that still has a loss, of the last 60.

use crate::measure::context::Context;
use crate::measure::series;
use crate::units::Nanos;

/// Seconds over which one silence is spread at most.
const MOST_SPREAD: usize = 86_400;

/// What one second held.
#[derive(Clone, Copy, Debug)]
pub(super) struct Cell {
    pub(super) received: u16,
    pub(super) lost: u16,
    /// Longest interval between delivered frames that ended here, ms; 0: none ended.
    pub(super) interval_ms: f32,
}

impl series::Cell for Cell {
    const EMPTY: Self = Self { received: 0, lost: 0, interval_ms: 0.0 };
}

/// Cells of one stream.
#[derive(Clone, Debug)]
pub(super) struct Series {
    start: Nanos,
    cells: series::Series<Cell>,
    /// Seconds with a packet, and the first of them.
    covered: usize,
    first: Option<usize>,
}

impl Series {
    pub(super) const fn new(start: Nanos) -> Self {
        Self { start, cells: series::Series::new(), covered: 0, first: None }
    }

    /// Bytes held that copies do not share, beside the structure itself.
    pub(super) fn own_bytes(&self) -> usize {
        self.cells.own_bytes()
    }

    fn index(&self, at: Nanos) -> usize {
        (at - self.start).whole_secs()
    }

    pub(super) fn receive(&mut self, at: Nanos) {
        let second = self.index(at);
        let Some(cell) = self.cells.cell_mut(second) else { return };
        cell.received = cell.received.saturating_add(1);
        if cell.received == 1 {
            self.covered += 1;
            self.first = Some(self.first.map_or(second, |first| first.min(second)));
        }
    }

    pub(super) fn lose(&mut self, from: Nanos, to: Nanos, count: u64) {
        let last = self.index(to);
        let first = self.index(from).max((last + 1).saturating_sub(MOST_SPREAD));
        let steps = (last - first + 1) as u64;
        let until = |step: u64| (u128::from(count) * u128::from(step) / u128::from(steps)) as u64;
        for (second, step) in (first..).zip(0..steps) {
            let share = until(step + 1) - until(step);
            if share > 0
                && let Some(cell) = self.cells.cell_mut(second)
            {
                cell.lost = cell.lost.saturating_add(share.min(u64::from(u16::MAX)) as u16);
            }
        }
    }

    /// A packet that was counted lost has come after all.
    pub(super) fn find(&mut self) {
        let newest = self.cells.len();
        let with_loss =
            self.cells.range(newest.saturating_sub(60), newest).rev().find(|(_, cell)| cell.lost > 0);
        if let Some(cell) = with_loss.and_then(|(second, _)| self.cells.cell_mut(second)) {
            cell.lost -= 1;
        }
    }

    pub(super) fn interval(&mut self, at: Nanos, interval: Nanos) {
        let second = self.index(at);
        if let Some(cell) = self.cells.cell_mut(second) {
            cell.interval_ms = cell.interval_ms.max(interval.millis() as f32);
        }
    }

    /// What the seconds that a window of time touches held.
    pub(super) fn within(&self, from_s: f64, to_s: f64) -> impl Iterator<Item = (usize, Cell)> {
        let (from, to) = (from_s.floor().max(0.0) as usize, to_s.ceil().max(0.0) as usize);
        self.cells.range(from, to)
    }

    /// Share of the whole seconds with a packet, from the first with one up to `now`, of streams in turn.
    pub(super) fn availability(streams: &[&Self], context: &Context) -> Option<f64> {
        let first = streams.iter().filter_map(|one| one.first).min()?;
        let whole = streams.iter().map(|one| one.index(context.now)).max()?.max(first + 1);
        let covered = |one: &&Self| {
            let after = one.cells.range(whole, usize::MAX).filter(|(_, cell)| cell.received > 0).count();
            one.covered - after
        };
        // Two that meet within a second both hold it.
        let shared = streams.iter().filter(|one| {
            let meets = |other: &&Self| {
                one.first.is_some_and(|first| {
                    other.first.is_some_and(|its| its < first)
                        && other.cells.range(first, first + 1).any(|(_, cell)| cell.received > 0)
                })
            };
            streams.iter().any(meets)
        });
        let seconds = streams.iter().map(covered).sum::<usize>().saturating_sub(shared.count());
        let off = context.off_seconds((first as f64, whole as f64));
        Some((seconds as f64 / ((whole - first) as f64 - off).max(1.0)).min(1.0))
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::video::video_seconds::*;

    /// A packet at each tenth of a second of some spans.
    fn of(spans: &[(i64, i64)]) -> Series {
        let mut series = Series::new(Nanos::ZERO);
        for &(from, to) in spans {
            (from..to).for_each(|tenth| series.receive(Nanos::from_millis(100 * tenth)));
        }
        series
    }

    /// Nothing in the sixth and seventh of 13 s; another stream follows in the tenth, or with the eleventh.
    #[test]
    fn a_second_that_two_streams_share_counts_once() {
        let context = Context { start: Some(Nanos::ZERO), now: Nanos::from_secs(13), ..Context::default() };
        let before = of(&[(0, 50), (70, 95)]);
        for from in [97, 100] {
            let after = of(&[(from, 130)]);
            let share = Series::availability(&[&before, &after], &context).unwrap();
            assert!((share - 11.0 / 13.0).abs() < 1e-12, "{from}: {share}");
        }
        assert_eq!(Series::availability(&[&of(&[])], &context), None);
    }

    /// Nothing in the sixth and seventh of 13 s; the fourteenth has begun, and is no whole second.
    #[test]
    fn packets_of_a_second_that_is_not_over_cover_nothing() {
        let now = Nanos::from_millis(13_500);
        let context = Context { start: Some(Nanos::ZERO), now, ..Context::default() };
        let share = Series::availability(&[&of(&[(0, 50), (70, 135)])], &context).unwrap();
        assert!((share - 11.0 / 13.0).abs() < 1e-12, "{share}");
    }
}
