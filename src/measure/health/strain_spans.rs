//! Spans of time in the order in which they came, those that touch as one; at most [`MOST`], of later ones the length alone.

use crate::units::Nanos;

const MOST: usize = 65_536;

#[derive(Clone, Debug, Default)]
pub(super) struct StrainSpans {
    spans: Vec<(Nanos, Nanos)>,
    total: Nanos,
}

impl StrainSpans {
    /// Adds a span that begins no earlier than the last one ended.
    pub(super) fn add(&mut self, from: Nanos, to: Nanos) {
        self.total += to - from;
        let count = self.spans.len();
        match self.spans.last_mut() {
            Some((_, end)) if *end == from => *end = to,
            _ if count < MOST => self.spans.push((from, to)),
            _ => {}
        }
    }

    /// Whether any of them has time in common with this span.
    pub(super) fn touches(&self, from: Nanos, to: Nanos) -> bool {
        let first = self.spans.partition_point(|(_, end)| *end <= from);
        self.spans.get(first).is_some_and(|(begin, _)| *begin < to)
    }

    pub(super) const fn total(&self) -> Nanos {
        self.total
    }

    pub(super) fn own_bytes(&self) -> usize {
        size_of_val(self.spans.as_slice())
    }
}
