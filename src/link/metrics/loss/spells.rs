//! Bad spells of a link: seconds in a row in which much went missing.
//!
//! Definition: a whole second since the first record in which 3 frames or more and over 5 %, or over
//! twice the session's own share (at most 90 %) where that is more, of the link's frames were lost;
//! one good second between two bad ones does not end a spell. Seconds in which this computer lost
//! data are left out. The 24 spells with most lost are kept, in order of time.

use std::collections::BTreeMap;

use crate::link::context::Context;

use super::flow::{Flow, WHOLE};

const LEAST_LOST: u64 = 3;
const LEAST_RATIO: f64 = 0.05;
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
pub(super) fn of(flows: &[&Flow], context: &Context) -> Vec<Spell> {
    let mut spans: BTreeMap<u64, Spell> = BTreeMap::new();
    for flow in flows {
        let own = flow.own_seconds(context, WHOLE);
        for (from_s, width, bin) in flow.sequence.seconds.within(0.0, f64::MAX) {
            if own.contains(&(from_s as u64)) {
                continue;
            }
            let to_s = from_s + width;
            let span = spans.entry(from_s as u64).or_insert(Spell { from_s, to_s, received: 0, lost: 0 });
            span.to_s = span.to_s.max(to_s);
            span.received += u64::from(bin.received);
            span.lost += u64::from(bin.lost);
        }
    }
    let received: u64 = spans.values().map(|span| span.received).sum();
    let lost: u64 = spans.values().map(|span| span.lost).sum();
    let usual = lost as f64 / (received + lost).max(1) as f64;
    let limit = LEAST_RATIO.max(2.0 * usual).min(0.9);
    let is_bad = |span: &Spell| {
        span.lost >= LEAST_LOST && span.lost as f64 > limit * (span.received + span.lost) as f64
    };
    let mut spells: Vec<Spell> = Vec::new();
    for span in spans.values().filter(|span| is_bad(span)) {
        match spells.last_mut().filter(|last| span.from_s - last.to_s < REACH_S) {
            Some(last) => {
                let between = spans
                    .range(last.to_s as u64..span.from_s as u64)
                    .fold((0, 0), |sum, (_, span)| (sum.0 + span.received, sum.1 + span.lost));
                last.to_s = span.to_s;
                last.received += span.received + between.0;
                last.lost += span.lost + between.1;
            }
            None => spells.push(*span),
        }
    }
    spells.sort_by(|a, b| b.lost.cmp(&a.lost).then(a.from_s.total_cmp(&b.from_s)));
    spells.truncate(MOST);
    spells.sort_by(|a, b| a.from_s.total_cmp(&b.from_s));
    spells
}
