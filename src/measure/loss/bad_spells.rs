//! Bad spells of a link: seconds in a row in which much went missing.
//!
//! Definition: a whole second since the first record in which 3 frames or more and over 5 %, or over
//! twice the session's own share (at most 90 %) where that is more, of the link's frames were lost;
//! one good second between two bad ones does not end a spell. Seconds in which this computer lost
//! data are left out. The 24 spells with most lost are kept, in order of time.

use std::collections::BTreeSet;

use crate::measure::context::Context;

use super::MUCH_LOST;
use super::sender_flow::{SenderFlow, WHOLE, together};

const LEAST_LOST: u64 = 3;
const REACH_S: f64 = 2.0;
const MOST: usize = 24;

/// One spell: from and to in seconds, received, lost.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spell {
    /// Its first whole second.
    pub from_s: f64,
    /// The end of its last.
    pub to_s: f64,
    /// Received in it.
    pub received: u64,
    /// Lost in it.
    pub lost: u64,
}

/// The worst spells of the flows of one link, together.
pub(super) fn of(flows: &[&SenderFlow], context: &Context) -> Vec<Spell> {
    let own: Vec<BTreeSet<u64>> = flows.iter().map(|flow| flow.own_seconds(context, WHOLE)).collect();
    let seconds = || {
        let counted = flows.iter().zip(&own).map(|(flow, own)| {
            let seconds = flow.sequence.seconds.within(0.0, f64::MAX);
            seconds.filter(|(second, _)| !own.contains(&(*second as u64)))
        });
        together(counted).map(|(second, counts)| {
            let (received, lost) = (u64::from(counts.received), u64::from(counts.lost));
            let from_s = second as f64;
            Spell { from_s, to_s: from_s + 1.0, received, lost }
        })
    };
    let (received, lost) = seconds().fold((0, 0), |sum, one| (sum.0 + one.received, sum.1 + one.lost));
    let usual = lost as f64 / (received + lost).max(1) as f64;
    let limit = MUCH_LOST.max(2.0 * usual).min(0.9);
    let is_bad =
        |one: &Spell| one.lost >= LEAST_LOST && one.lost as f64 > limit * (one.received + one.lost) as f64;
    let mut spells: Vec<Spell> = Vec::new();
    // What came since the last bad second.
    let mut between = (0, 0);
    for one in seconds() {
        let last = spells.last_mut();
        if !is_bad(&one) {
            if last.is_some() {
                between = (between.0 + one.received, between.1 + one.lost);
            }
            continue;
        }
        match last.filter(|last| one.from_s - last.to_s < REACH_S) {
            Some(last) => {
                last.to_s = one.to_s;
                last.received += one.received + between.0;
                last.lost += one.lost + between.1;
            }
            None => spells.push(one),
        }
        between = (0, 0);
    }
    spells.sort_by(|a, b| b.lost.cmp(&a.lost).then(a.from_s.total_cmp(&b.from_s)));
    spells.truncate(MOST);
    spells.sort_by(|a, b| a.from_s.total_cmp(&b.from_s));
    spells
}

#[cfg(test)]
mod tests {
    use crate::measure::context::Sender;
    use crate::measure::loss::bad_spells::*;
    use crate::measure::loss::sequence::Arriving;
    use crate::record::{Direction, InterfaceId};
    use crate::units::Nanos;

    const SENDER: Sender =
        Sender { interface: InterfaceId(0), direction: Direction::Inbound, system: 1, component: 1 };

    /// From, to, received and lost of each spell, of a flow that received and lost so many in each second.
    fn spells(seconds: &[(u64, u64)]) -> Vec<(f64, f64, u64, u64)> {
        let first = Arriving { at: Nanos::ZERO, sequence: 0, message: 0, hash: 0, boot: None };
        // Its first frame is counted in the first second.
        let mut flow = SenderFlow::new(SENDER, None, first, Nanos::ZERO);
        for (second, (received, lost)) in seconds.iter().enumerate() {
            let at = Nanos::from_secs(second as i64);
            for _ in u64::from(second == 0)..*received {
                flow.sequence.seconds.add_received(at);
            }
            flow.sequence.seconds.add_lost(at, at, *lost);
        }
        let context = Context { start: Some(Nanos::ZERO), ..Context::default() };
        let told = of(&[&flow], &context);
        told.into_iter().map(|one| (one.from_s, one.to_s, one.received, one.lost)).collect()
    }

    /// Twenty seconds of 100 frames: the first and the fourth lose so many, and the rest as many as bring the
    /// session's share to this. Of which of the two a spell is told.
    fn told(first: u64, other: u64, share: u64) -> [bool; 2] {
        let mut lost = vec![0; 20];
        (lost[0], lost[3]) = (first, other);
        let rest = 20 * share - first - other;
        for (place, second) in [1, 2].into_iter().chain(4..20).enumerate() {
            lost[second] = rest / 18 + u64::from((place as u64) < rest % 18);
        }
        let seconds: Vec<(u64, u64)> = lost.into_iter().map(|lost| (100 - lost, lost)).collect();
        let found = spells(&seconds);
        [0.0, 3.0].map(|from_s| found.iter().any(|one| one.0 == from_s))
    }

    #[test]
    fn a_second_is_bad_over_five_percent_or_twice_the_session_s_share_up_to_ninety() {
        // 1 % of the session: 5 % counts. 10 %: 20 % does. 60 %: 90 %.
        assert_eq!(told(5, 6, 1), [false, true]);
        assert_eq!(told(20, 21, 10), [false, true]);
        assert_eq!(told(90, 91, 60), [false, true]);
    }

    #[test]
    fn three_lost_frames_are_bad_and_one_good_second_ends_no_spell() {
        let good = (100, 0);
        assert_eq!(spells(&[good, (8, 2), good, good, (7, 3), good]), [(4.0, 5.0, 7, 3)]);
        let bad = (90, 10);
        let once = [vec![good; 40], vec![bad, (99, 1), bad], vec![good; 40]].concat();
        assert_eq!(spells(&once), [(40.0, 43.0, 279, 21)]);
        let twice = [vec![good; 40], vec![bad, good, good, bad], vec![good; 40]].concat();
        assert_eq!(spells(&twice), [(40.0, 41.0, 90, 10), (43.0, 44.0, 90, 10)]);
    }
}
