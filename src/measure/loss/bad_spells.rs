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
