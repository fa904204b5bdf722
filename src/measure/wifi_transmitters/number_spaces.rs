//! Which frames of an 802.11 transmitter share a sequence counter: told by the numbers, as cards differ.
//!
//! The standard (IEEE 802.11-2020, 10.3.2.14, from memory) has a counter for each receiver and traffic identifier of QoS
//! data to one station, and one for all else; QoS frames without data have no number that says anything. Cards also
//! number beacons, other management and data apart, or everything together. So every way to part the kinds of frames
//! that the standard counts together is counted, and everything together too; believed is the one with the fewest
//! breaks (new numbers that do not follow the one before), then the fewest lost, then the one with more counters. Source:
//! none, common practice. Bounded: four kinds, 15 ways to join them, 16 other counters.

use crate::units::Nanos;
use crate::units::hardware_address::Address;
use crate::wire::ieee80211::{FrameHeader, FrameKind};

use super::air_counter::{Counter, Counts};

const MOST_KINDS: usize = 4;
const MOST_APART: usize = 16;

/// Kinds of frames, a bit each.
type Kinds = u8;

/// A counter that the standard has apart, or of a kind beyond those that are joined.
type Apart = (Option<Address>, FrameKind);

/// All counters that a transmitter's frames may share.
#[derive(Clone, Debug, Default)]
pub(super) struct NumberSpaces {
    kinds: Vec<FrameKind>,
    /// One for each set of the kinds that were heard.
    shared: Vec<(Kinds, Counter)>,
    apart: Vec<(Apart, Counter)>,
    /// Everything in one.
    whole: Option<Counter>,
}

/// What the believed counters say.
#[derive(Clone, Debug, Default)]
pub(super) struct Counted {
    pub(super) received: u64,
    pub(super) copies: u64,
    pub(super) out_of_order: u64,
    pub(super) holes: u64,
    /// Of those that tell a loss; `None`: none does.
    pub(super) told: Option<Counts>,
}

impl NumberSpaces {
    /// Takes the number of a frame.
    pub(super) fn take(&mut self, at: Nanos, frame: &FrameHeader, number: u16) {
        take_into(&mut self.whole, at, number);
        let to_one = frame.receiver[0] & 1 == 0;
        let has_own = to_one && matches!(frame.kind, FrameKind::Quality(_));
        if let Some(kind) = (!has_own).then(|| self.bit(frame.kind)).flatten() {
            return self.take_shared(at, kind, number);
        }
        let key = (Some(frame.receiver).filter(|_| has_own), frame.kind);
        match self.apart.iter().position(|(other, _)| *other == key) {
            Some(place) => self.apart[place].1.take(at, number),
            None if self.apart.len() < MOST_APART => self.apart.push((key, Counter::begin(at, number))),
            None => {}
        }
    }

    /// A kind's bit; `None` where there are too many.
    fn bit(&mut self, kind: FrameKind) -> Option<Kinds> {
        let known = self.kinds.iter().position(|other| *other == kind);
        let place = known.or_else(|| {
            (self.kinds.len() < MOST_KINDS).then(|| {
                self.kinds.push(kind);
                self.kinds.len() - 1
            })
        })?;
        Some(1 << place)
    }

    fn take_shared(&mut self, at: Nanos, kind: Kinds, number: u16) {
        if self.shared.iter().all(|(kinds, _)| kinds & kind == 0) {
            // What the others counted so far, this kind may have counted with.
            let joined: Vec<_> = self.shared.iter().map(|(kinds, own)| (kinds | kind, own.clone())).collect();
            self.shared.extend(joined);
            for (_, counter) in self.shared.iter_mut().filter(|(kinds, _)| kinds & kind != 0) {
                counter.take(at, number);
            }
            self.shared.push((kind, Counter::begin(at, number)));
            return;
        }
        for (_, counter) in self.shared.iter_mut().filter(|(kinds, _)| kinds & kind != 0) {
            counter.take(at, number);
        }
    }

    /// The likeliest way to part some kinds into counters.
    fn parted(&self, kinds: Kinds) -> Vec<&Counter> {
        // The counter of the first kind holds some of the others, and the rest are parted among themselves.
        let first = kinds & kinds.wrapping_neg();
        let holds_first = |(set, _): &&(Kinds, Counter)| set & first != 0 && set & !kinds == 0;
        let ways = self.shared.iter().filter(holds_first).map(|(set, counter)| {
            let mut way = self.parted(kinds & !set);
            way.push(counter);
            way
        });
        ways.min_by_key(|way| cost(way)).unwrap_or_default()
    }

    /// What the counters say that explain the numbers best.
    pub(super) fn counted(&self) -> Counted {
        let mut counters = self.parted(((1_u16 << self.kinds.len()) - 1) as Kinds);
        counters.extend(self.apart.iter().map(|(_, counter)| counter));
        let whole: Vec<&Counter> = self.whole.iter().collect();
        if cost(&whole) < cost(&counters) {
            counters = whole;
        }
        let (mut all, mut told) = (Counts::default(), None::<Counts>);
        for counter in counters {
            all.add(&counter.counts);
            if counter.tells() {
                told.get_or_insert_default().add(&counter.counts);
            }
        }
        let Counts { received, copies, out_of_order, holes, .. } = all;
        Counted { received, copies, out_of_order, holes, told }
    }
}

/// Breaks, numbers lost, and the fewer the more counters there are.
fn cost(counters: &[&Counter]) -> (u64, u64, std::cmp::Reverse<usize>) {
    let sum = |of: fn(&Counter) -> u64| counters.iter().map(|counter| of(counter)).sum();
    (sum(|counter| counter.breaks), sum(|counter| counter.counts.lost), std::cmp::Reverse(counters.len()))
}

fn take_into(counter: &mut Option<Counter>, at: Nanos, number: u16) {
    match counter {
        Some(counter) => counter.take(at, number),
        None => *counter = Some(Counter::begin(at, number)),
    }
}

#[cfg(test)]
mod tests {
    use rand::rngs::ChaCha8Rng;
    use rand::{RngExt, SeedableRng};

    use crate::measure::wifi_transmitters::number_spaces::*;

    const ONE: Address = [2, 0, 0, 0, 0, 1];
    const OTHER: Address = [2, 0, 0, 0, 0, 2];
    const ALL: Address = [0xFF; 6];
    /// Of the shares of kinds that a card sends, one in a hundred each.
    const SENT: [(FrameKind, Address, u32); 6] = [
        (FrameKind::Beacon, ALL, 10),
        (FrameKind::Management, ONE, 5),
        (FrameKind::Data, ALL, 25),
        (FrameKind::Quality(0), ONE, 30),
        (FrameKind::Quality(6), ONE, 10),
        (FrameKind::Quality(0), OTHER, 20),
    ];

    /// A card that numbers these groups of `SENT` apart, each from anywhere: lost numbers, those counted lost and those
    /// counted received.
    fn heard(groups: &[&[usize]], loss: f64, seed: u64) -> (u64, Option<u64>, u64) {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut next: Vec<u16> = groups.iter().map(|_| random.random_range(0..4096)).collect();
        // Numbers lost since the counter was heard last: what is lost at the end is not seen.
        let mut waiting = vec![None::<u64>; groups.len()];
        let (mut spaces, mut lost) = (NumberSpaces::default(), 0);
        for frame in 0..6000_i64 {
            let mut pick = random.random_range(0..100_u32);
            let place = SENT.iter().position(|(_, _, share)| {
                let is_it = pick < *share;
                pick = pick.saturating_sub(*share);
                is_it
            });
            let (kind, receiver, _) = SENT[place.unwrap()];
            let group = groups.iter().position(|group| group.contains(&place.unwrap())).unwrap();
            let number = next[group];
            next[group] = (number + 1) % 4096;
            if random.random::<f64>() < loss {
                waiting[group] = waiting[group].map(|count| count + 1);
                continue;
            }
            lost += waiting[group].replace(0).unwrap_or(0);
            let header = FrameHeader {
                transmitter: ONE,
                receiver,
                is_data: true,
                kind,
                retry: false,
                sequence: Some((number, 0)),
            };
            spaces.take(Nanos::from_millis(frame * 2), &header, number);
        }
        let counted = spaces.counted();
        (lost, counted.told.map(|told| told.lost), counted.received)
    }

    /// The standard's card, cards that number by kind, one that numbers everything together.
    #[test]
    fn each_way_of_numbering_gives_what_was_lost() {
        let ways: [&[&[usize]]; 5] = [
            &[&[0, 1, 2], &[3], &[4], &[5]],
            &[&[0], &[1], &[2], &[3], &[4], &[5]],
            &[&[0], &[1, 2], &[3], &[4], &[5]],
            &[&[0, 1], &[2], &[3], &[4], &[5]],
            &[&[0, 1, 2, 3, 4, 5]],
        ];
        for seed in 10_001..10_011 {
            for (way, groups) in ways.iter().enumerate() {
                for loss in [0.0, 0.05, 0.3] {
                    let (lost, counted, _) = heard(groups, loss, seed);
                    assert_eq!(counted, Some(lost), "way {way}, loss {loss}, seed {seed}");
                }
            }
        }
    }

    fn take(spaces: &mut NumberSpaces, at: i64, receiver: Address, kind: FrameKind, number: u16) {
        let sequence = Some((number, 0));
        let header = FrameHeader { transmitter: ONE, receiver, is_data: true, kind, retry: false, sequence };
        spaces.take(Nanos::from_millis(at), &header, number);
    }

    /// Numbers by chance, numbers that stand still, and one kind that two counters share: they tell no loss.
    #[test]
    fn numbers_that_tell_nothing_give_no_loss() {
        let mut random = ChaCha8Rng::seed_from_u64(1);
        let (mut chance, mut still, mut two) = Default::default();
        for frame in 0..500_u16 {
            let at = i64::from(frame) * 2;
            take(&mut chance, at, ALL, FrameKind::Data, random.random_range(0..4096));
            take(&mut still, at, ALL, FrameKind::Data, 0);
            take(&mut two, at, ALL, FrameKind::Data, if frame % 5 == 0 { 2000 + frame / 5 } else { frame });
        }
        for spaces in [&chance, &still, &two] as [&NumberSpaces; 3] {
            assert!(spaces.counted().told.is_none());
        }
        // Those that tell something still do beside one that tells nothing.
        for frame in 0..500_u16 {
            take(&mut chance, i64::from(frame) * 2, ONE, FrameKind::Quality(0), frame + frame / 100);
        }
        assert_eq!(chance.counted().told.map(|told| told.lost), Some(4));
    }

    /// One restart is none of that: the numbers begin anew once.
    #[test]
    fn a_restart_still_tells() {
        let mut spaces = NumberSpaces::default();
        for frame in 0..500_u16 {
            let number = if frame < 250 { 1000 + frame } else { frame - 250 };
            take(&mut spaces, i64::from(frame) * 2, ALL, FrameKind::Data, number);
        }
        let counted = spaces.counted();
        assert_eq!((counted.holes, counted.received, counted.told.map(|told| told.lost)), (1, 500, Some(0)));
    }

    #[test]
    fn strangers_do_not_grow_memory() {
        let mut spaces = NumberSpaces::default();
        for number in 0..4000_u16 {
            let receiver = [2, 0, 0, 0, (number >> 8) as u8, number as u8];
            take(&mut spaces, 0, receiver, FrameKind::Quality(number as u8 & 15), number);
            take(&mut spaces, 0, ALL, FrameKind::Quality(number as u8 & 15), number);
        }
        assert!(spaces.apart.len() <= MOST_APART && spaces.shared.len() < 1 << MOST_KINDS);
        let _ = spaces.counted();
    }
}
