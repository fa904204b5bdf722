//! What all channels showed over a movement, column by column.
//!
//! Most channels stand still meanwhile: those are kept as one value each.

use super::Values;

/// One column a channel, all of one length.
#[derive(Clone, Debug)]
pub(in crate::measure::latency) struct Columns {
    samples: usize,
    /// Of channels that stood still.
    still: Values,
    /// Those that changed, a bit each.
    changed: u32,
    /// Their columns, one after the other.
    values: Box<[i16]>,
}

impl Columns {
    /// From samples and the row in each.
    pub(in crate::measure::latency) fn new<T>(samples: &[T], row: impl Fn(&T) -> &Values) -> Self {
        let still = samples.first().map(&row).copied().unwrap_or_default();
        let changes = |channel: &usize| samples.iter().any(|one| row(one)[*channel] != still[*channel]);
        let channels: Vec<usize> = (0..still.len()).filter(changes).collect();
        let mut values = Vec::with_capacity(channels.len() * samples.len());
        for &channel in &channels {
            values.extend(samples.iter().map(|one| row(one)[channel]));
        }
        let changed = channels.iter().fold(0, |bits, channel| bits | 1 << channel);
        Self { samples: samples.len(), still, changed, values: values.into() }
    }

    /// What a channel showed all the time, if it stood still; it may not be there.
    pub(in crate::measure::latency) fn standing(&self, channel: u8) -> Option<i16> {
        (self.changed & 1 << channel == 0).then_some(self.still[usize::from(channel)])
    }

    /// What a channel showed, sample by sample.
    pub(in crate::measure::latency) fn column(&self, channel: u8) -> impl Iterator<Item = i16> + '_ {
        let still = self.still[usize::from(channel)];
        let own = self.own(channel);
        (0..self.samples).map(move |sample| own.get(sample).copied().unwrap_or(still))
    }

    /// The values of a channel that changed; none of others.
    fn own(&self, channel: u8) -> &[i16] {
        let bit = 1 << channel;
        if self.changed & bit == 0 {
            return &[];
        }
        let place = (self.changed & (bit - 1)).count_ones() as usize;
        &self.values[place * self.samples..][..self.samples]
    }

    /// Whether two channels showed the same all the time.
    pub(in crate::measure::latency) fn are_alike(&self, one: u8, other: u8) -> bool {
        self.still[usize::from(one)] == self.still[usize::from(other)] && self.own(one) == self.own(other)
    }

    /// Bytes held beside the structure itself.
    pub(super) fn bytes(&self) -> usize {
        size_of_val(&*self.values)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use crate::measure::latency::movement_track::ABSENT;
    use crate::measure::latency::movement_track::columns::*;

    proptest! {
        /// The rows themselves are the oracle.
        #[test]
        fn columns_are_the_rows(
            rows in prop::collection::vec(prop::array::uniform18(prop_oneof![Just(3000), Just(ABSENT), 0_i16..4]), 0..40),
            stands: u32,
        ) {
            let mut rows = rows;
            let first = rows.first().copied().unwrap_or_default();
            for row in &mut rows {
                for channel in (0..18).filter(|channel| stands >> channel & 1 != 0) {
                    row[channel] = first[channel];
                }
            }
            let columns = Columns::new(&rows, |row| row);
            for channel in 0..18_u8 {
                let expected: Vec<i16> = rows.iter().map(|row| row[usize::from(channel)]).collect();
                let stands = expected.iter().all(|value| *value == first[usize::from(channel)]);
                prop_assert_eq!(columns.standing(channel), stands.then_some(first[usize::from(channel)]));
                for other in 0..18_u8 {
                    let alike = rows.iter().all(|row| row[usize::from(channel)] == row[usize::from(other)]);
                    prop_assert_eq!(columns.are_alike(channel, other), alike);
                }
                prop_assert_eq!(columns.column(channel).collect::<Vec<_>>(), expected);
            }
            let moving = (0..18).filter(|channel| rows.iter().any(|row| row[*channel] != first[*channel])).count();
            prop_assert_eq!(columns.values.len(), moving * rows.len());
        }
    }
}
