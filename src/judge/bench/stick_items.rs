//! Channels on the bench sheet: against the handset's sticks, travel, centre, jitter.
//!
//! Answers are judged of every channel that was held against a stick, and of those that steer at least; what the
//! profile means so (`meant_channels`) is no fault. Travel and jitter are judged of the channels that steer, and so is
//! their centre where the profile says where it shall be or how far off it may be: nobody but the builder knows, and a
//! trim is no fault. A short travel fails only where both ends were reached three times: else the stick may not have been moved all the
//! way. A channel that never moved fails nothing.

use crate::profile::{BenchLimit, BenchLimits};
use crate::summary::{
    BenchItem, BenchNeed, BenchNeeds, BenchReason, BenchRow, BenchWord, Interval, StickFinding, StickSummary,
};

use super::{Side, row, word};

/// Steps that tell what a channel follows; times that an end is reached.
const TIMES: u64 = 3;
/// Still spans that jitter is told by.
const STILL_S: u64 = 3;

/// One channel against a limit.
struct Judged {
    channel: u8,
    value: Option<f64>,
    interval: Option<Interval>,
    word: BenchWord,
}

pub(super) fn rows(sticks: &[StickSummary], limits: &BenchLimits) -> Vec<BenchRow> {
    let steer = |judge: &dyn Fn(&StickSummary) -> Option<Judged>| -> Vec<Judged> {
        let open = |channel| Judged { channel, value: None, interval: None, word: BenchWord::NotProven };
        let of = |channel: u8| {
            let known = sticks.iter().find(|stick| stick.channel == channel);
            known.map_or_else(|| Some(open(channel)), judge)
        };
        limits.steering().iter().filter_map(|channel| of(*channel)).collect()
    };
    let mut rows = vec![answers(sticks, limits), travel(&steer, limits.stick_travel_us())];
    rows.extend(centre(&steer, limits));
    rows.push(jitter(&steer, limits.jitter_us()));
    if sticks.is_empty() {
        let reason = Some(BenchReason::NoChannel);
        let none = |row| BenchRow { word: BenchWord::NotMeasured, needs: None, reason, ..row };
        rows = rows.into_iter().map(none).collect();
    }
    rows
}

type Steering<'a> = &'a dyn Fn(&dyn Fn(&StickSummary) -> Option<Judged>) -> Vec<Judged>;

/// Rows of several channels as one: the worst stands for all.
fn together(row: &BenchRow, judged: &[Judged], side: Side, what: BenchNeed, more: u64) -> BenchRow {
    let known = judged.iter().filter(|one| one.value.is_some());
    let order =
        |one: &&Judged| one.value.map_or(0.0, |value| if side == Side::AtMost { -value } else { value });
    let worst = known.min_by(|a, b| order(a).total_cmp(&order(b)));
    let channels = |word: BenchWord| -> Vec<u8> {
        judged.iter().filter(|one| one.word == word).map(|one| one.channel).collect()
    };
    let (failing_channels, open) = (channels(BenchWord::Failed), channels(BenchWord::NotProven));
    let word = if !failing_channels.is_empty() {
        BenchWord::Failed
    } else if open.is_empty() {
        BenchWord::Passed
    } else {
        BenchWord::NotProven
    };
    let needs =
        (word == BenchWord::NotProven).then_some(BenchNeeds { what, more: Some(more), channels: open });
    let of = worst.map(|one| one.channel.to_string());
    let (value, interval) = worst.map_or((None, None), |one| (one.value, one.interval));
    BenchRow { of, value, interval, word, failing_channels, needs, ..row.clone() }
}

/// A count of the steps that its stick made is no limit of the profile: the number needed stands there.
fn answers(sticks: &[StickSummary], limits: &BenchLimits) -> BenchRow {
    let is_heard = sticks.iter().any(|stick| stick.compared.is_some());
    let row = row(BenchItem::Answers, BenchLimit { value: 0.0, given: false }, is_heard);
    if !is_heard {
        return BenchRow { reason: Some(BenchReason::NotNumbered), ..row };
    }
    let is_fault = |channel: u8, finding: &StickFinding| {
        let is_way = matches!(finding, StickFinding::Crossed | StickFinding::Reversed);
        !(is_way && limits.is_meant(channel))
    };
    let mut failing_channels = Vec::new();
    for stick in sticks {
        if stick.findings.iter().any(|finding| is_fault(stick.channel, finding)) {
            failing_channels.push(stick.channel);
        }
    }
    let is_shown = |channel: &u8| {
        let known = sticks.iter().find(|stick| stick.channel == *channel);
        known.is_some_and(|stick| stick.direction.is_some() || !stick.findings.is_empty())
    };
    let open: Vec<u8> = limits.steering().iter().copied().filter(|channel| !is_shown(channel)).collect();
    let word = match (failing_channels.is_empty(), open.is_empty()) {
        (false, _) => BenchWord::Failed,
        (true, true) => BenchWord::Passed,
        (true, false) => BenchWord::NotProven,
    };
    let needs = (word == BenchWord::NotProven).then_some(BenchNeeds {
        what: BenchNeed::Steps,
        more: Some(TIMES),
        channels: open,
    });
    let value = Some(failing_channels.len() as f64);
    BenchRow { value, word, failing_channels, needs, ..row }
}

fn travel(steer: Steering<'_>, limit: BenchLimit) -> BenchRow {
    let judged = steer(&|stick| {
        let travel = f64::from(stick.travel_us);
        // What was seen is the least that there is.
        let interval = [travel, if stick.ends_seen { travel } else { f64::MAX }];
        let word = word(interval, limit.value, Side::AtLeast);
        let interval = stick.ends_seen.then_some([travel, travel]);
        Some(Judged { channel: stick.channel, value: Some(travel), interval, word })
    });
    together(&row(BenchItem::Travel, limit, true), &judged, Side::AtLeast, BenchNeed::Ends, TIMES)
}

/// `None`: the profile says nothing of a centre.
fn centre(steer: Steering<'_>, limits: &BenchLimits) -> Option<BenchRow> {
    let (limit, centre) = (limits.centre_error_us(), limits.stick_centre_us());
    if !limit.given && !centre.given {
        return None;
    }
    let centre_us = centre.value;
    let row = row(BenchItem::Centre, limit, true);
    let judged = steer(&|stick| {
        let (centre, [low, high]) = stick.centre_us.zip(stick.centre_ci95_us)?;
        let (low, high) = (low - centre_us, high - centre_us);
        let nearest = if low <= 0.0 && high >= 0.0 { 0.0 } else { low.abs().min(high.abs()) };
        let interval = [nearest, low.abs().max(high.abs())];
        let word = word(interval, limit.value, Side::AtMost);
        let value = Some((centre - centre_us).abs());
        Some(Judged { channel: stick.channel, value, interval: Some(interval), word })
    });
    let judged: Vec<Judged> = judged.into_iter().filter(|one| one.value.is_some()).collect();
    if judged.is_empty() {
        return Some(BenchRow { reason: Some(BenchReason::NoCentre), ..row });
    }
    Some(together(&row, &judged, Side::AtMost, BenchNeed::Rest, STILL_S))
}

fn jitter(steer: Steering<'_>, limit: BenchLimit) -> BenchRow {
    let judged = steer(&|stick| {
        let Some(jitter) = stick.jitter_us.filter(|_| stick.still_s >= STILL_S) else {
            let channel = stick.channel;
            return Some(Judged { channel, value: None, interval: None, word: BenchWord::NotProven });
        };
        // The range of n normal values scatters by 1.17 of itself a root of n; each still span counts once, since what
        // disturbs a channel comes in spells. Half the last digit at least.
        let reach = (2.0 * 1.17 * jitter / (stick.still_s as f64).sqrt()).max(0.5);
        let interval = [(jitter - reach).max(0.0), jitter + reach];
        let word = word(interval, limit.value, Side::AtMost);
        Some(Judged { channel: stick.channel, value: Some(jitter), interval: Some(interval), word })
    });
    together(&row(BenchItem::Jitter, limit, true), &judged, Side::AtMost, BenchNeed::Rest, 10)
}
