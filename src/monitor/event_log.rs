//! Events as they are kept: each kind has a budget of its own, so that none crowds out the others.
//!
//! Of a kind the newest [`NEWEST`] are kept, and of those before them the [`GRAVEST`] gravest (see `Event::gravity`), the
//! newer of two alike; of all others their number.

use std::collections::BTreeMap;

#[cfg(test)]
use crate::summary::Event;
use crate::summary::{EventSummary, EventsLeftOut};

const NEWEST: usize = 256;
const GRAVEST: usize = 256;
const KEPT: usize = NEWEST + GRAVEST;

/// The events of one kind, in the order in which they were told, each with its number among all.
#[derive(Clone, Debug, Default)]
struct Kind {
    rows: Vec<(u64, EventSummary)>,
    count: u64,
}

/// All events.
#[derive(Clone, Debug, Default)]
pub(super) struct EventLog {
    kinds: BTreeMap<String, Kind>,
    count: u64,
}

impl EventLog {
    pub(super) fn push(&mut self, event: EventSummary) {
        let word = event.event.kind();
        if !self.kinds.contains_key(word) {
            self.kinds.insert(word.to_owned(), Kind::default());
        }
        let Some(kind) = self.kinds.get_mut(event.event.kind()) else { return };
        kind.count += 1;
        kind.rows.push((self.count, event));
        self.count += 1;
        // What is pruned now would be pruned at the end too: what comes later only makes it older.
        if kind.rows.len() >= 2 * KEPT {
            prune(&mut kind.rows);
        }
    }

    /// The events in order of time, those of one instant as they were told; and how many are left out.
    pub(super) fn finish(mut self) -> (Vec<EventSummary>, Vec<EventsLeftOut>) {
        let mut left_out = Vec::new();
        let mut rows = Vec::new();
        for (word, kind) in &mut self.kinds {
            prune(&mut kind.rows);
            let count = kind.count - kind.rows.len() as u64;
            if count > 0 {
                left_out.push(EventsLeftOut { kind: word.clone(), count });
            }
            rows.append(&mut kind.rows);
        }
        rows.sort_by(|a, b| a.1.at_s.total_cmp(&b.1.at_s).then(a.0.cmp(&b.0)));
        (rows.into_iter().map(|(_, event)| event).collect(), left_out)
    }

    /// About how many bytes it holds.
    pub(super) fn own_bytes(&self) -> usize {
        self.kinds.values().map(|kind| size_of_val(kind.rows.as_slice())).sum()
    }

    #[cfg(test)]
    pub(super) fn iter(&self) -> impl Iterator<Item = &Event> {
        self.kinds.values().flat_map(|kind| &kind.rows).map(|(_, row)| &row.event)
    }
}

fn prune(rows: &mut Vec<(u64, EventSummary)>) {
    if rows.len() <= KEPT {
        return;
    }
    let older = rows.len() - NEWEST;
    let mut gravest: Vec<(f64, u64)> =
        rows[..older].iter().map(|(number, row)| (row.event.gravity(), *number)).collect();
    let order = |a: &(f64, u64), b: &(f64, u64)| b.0.total_cmp(&a.0).then(b.1.cmp(&a.1));
    let (_, least, _) = gravest.select_nth_unstable_by(GRAVEST - 1, order);
    let least = *least;
    let newest = rows[older].0;
    rows.retain(|(number, row)| *number >= newest || order(&(row.event.gravity(), *number), &least).is_le());
}

#[cfg(test)]
mod tests {
    use crate::monitor::event_log::*;

    fn stall(at_s: f64, duration_s: f64) -> EventSummary {
        EventSummary { at_s, link: None, event: Event::Stall { duration_s } }
    }

    fn told(number: usize) -> EventSummary {
        let event = Event::StatusText { text: number.to_string(), severity: 4 };
        EventSummary { at_s: number as f64, link: None, event }
    }

    #[test]
    fn no_kind_crowds_out_another() {
        let mut log = EventLog::default();
        (0..5000).for_each(|number| log.push(told(number)));
        log.push(stall(6000.0, 1.0));
        let (events, left_out) = log.finish();
        assert_eq!(events.len(), KEPT + 1);
        assert_eq!(events.last().unwrap(), &stall(6000.0, 1.0));
        assert_eq!(events[KEPT - 1], told(4999));
        assert_eq!(left_out, [EventsLeftOut { kind: "vehicle".to_owned(), count: 5000 - KEPT as u64 }]);
    }

    /// The oracle sorts all of them at once, however often the log pruned on the way.
    #[test]
    fn the_newest_and_the_gravest_stay() {
        let mut x: u64 = 10_001;
        for count in [1, 511, 512, 513, 1023, 1024, 1025, 9000] {
            let all: Vec<EventSummary> = (0..count)
                .map(|number| {
                    x = x.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                    stall(f64::from(number), ((x >> 33) % 1000) as f64)
                })
                .collect();
            let mut log = EventLog::default();
            all.iter().cloned().for_each(|event| log.push(event));
            let (older, newest) = all.split_at(all.len().saturating_sub(NEWEST));
            let mut gravest = older.to_vec();
            gravest.sort_by(|a, b| {
                b.event.gravity().total_cmp(&a.event.gravity()).then(b.at_s.total_cmp(&a.at_s))
            });
            gravest.truncate(GRAVEST);
            gravest.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
            let (events, left_out) = log.finish();
            assert_eq!(events, [&gravest, newest].concat());
            let left: u64 = left_out.iter().map(|row| row.count).sum();
            assert_eq!(left + events.len() as u64, count as u64);
        }
    }

    /// Rows of one instant stay as they were told, whatever their kinds.
    #[test]
    fn the_order_is_that_of_time_and_of_telling() {
        let mut log = EventLog::default();
        let rows = [stall(1.0, 2.0), told(1), stall(1.0, 1.0), told(0)];
        rows.iter().cloned().for_each(|row| log.push(row));
        let expected = [&rows[3], &rows[0], &rows[1], &rows[2]].map(Clone::clone);
        assert_eq!(log.finish(), (expected.to_vec(), Vec::new()));
    }
}
