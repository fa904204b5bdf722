//! What a bench test showed, item by item, held against the profile's limits.
//!
//! Definition: an item passes only if all of its interval lies on the right side of its limit, fails only if all of it
//! lies on the wrong side; else it is not proven, with how much more it needs. What cannot be measured says why, and
//! keeps the test from passing only where it is required: what decides whether the vehicle does what the sticks say, and
//! what it does without them (loss, latency, holds, drills, travel and jitter of the channels that steer); channels
//! against sticks, where a handset is heard that numbers its sticks so; and whatever the profile gives a limit for.
//! The test failed if any item did. Unit and window: those of the figures, the session. Source: none, common practice;
//! the interval of a count is Garwood's (1936). `summary` has the figures; nothing is measured here.

mod failsafe_items;
pub mod guide_steps;
mod joined_sheet;
mod needs;
mod stick_items;

use crate::profile::{BenchLimit, LinkRole, Profile};
use crate::stats::sample::poisson;
use crate::summary::{
    BenchItem, BenchNeed, BenchNeeds, BenchReason, BenchRow, BenchSheet, BenchWord, Bound, Interval,
    LatencyStage, LimitSource, Summary,
};

pub use joined_sheet::{Part, joined};

/// On which side of the limit a figure is to lie.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Side {
    AtMost,
    AtLeast,
}

/// An interval against a limit.
fn word(interval: Interval, limit: f64, side: Side) -> BenchWord {
    let [low, high] = interval;
    let (is_right, is_wrong) = match side {
        Side::AtMost => (high <= limit, low > limit),
        Side::AtLeast => (low >= limit, high < limit),
    };
    if is_right {
        BenchWord::Passed
    } else if is_wrong {
        BenchWord::Failed
    } else {
        BenchWord::NotProven
    }
}

/// An item that nothing is known of yet.
fn row(item: BenchItem, limit: BenchLimit, required: bool) -> BenchRow {
    BenchRow {
        item,
        of: None,
        value: None,
        interval: None,
        limit: limit.value,
        limit_from: if limit.given { LimitSource::Profile } else { LimitSource::Default },
        word: BenchWord::NotMeasured,
        required: required || limit.given,
        failing_channels: Vec::new(),
        needs: None,
        reason: None,
        missing: None,
    }
}

/// The same with a figure, its interval and its word.
fn judged(row: BenchRow, value: f64, interval: Interval, side: Side) -> BenchRow {
    let word = word(interval, row.limit, side);
    BenchRow { value: Some(value), interval: Some(interval), word, ..row }
}

const fn needs(what: BenchNeed, more: Option<u64>) -> BenchNeeds {
    BenchNeeds { what, more, channels: Vec::new() }
}

/// The sheet of a session; `sha256` of its recording, where there is one.
#[must_use]
pub fn sheet(summary: &Summary, profile: &Profile, sha256: Option<String>) -> BenchSheet {
    let mut items = loss(summary, profile);
    items.extend(latency(summary, profile));
    items.push(holds(summary, profile));
    items.extend(stick_items::rows(&summary.sticks, &profile.limits));
    items.extend(failsafe_items::rows(&summary.failsafe, profile));
    items.extend(supply(summary, profile));
    items.push(glass_to_glass(summary, profile));
    items.extend(margins(summary, profile));
    BenchSheet {
        schema: 1,
        version: env!("CARGO_PKG_VERSION"),
        verdict: verdict(&items),
        recording: summary.recording.clone(),
        sha256,
        earlier_recordings: Vec::new(),
        items,
        sticks: summary.sticks.clone(),
        failsafe: summary.failsafe.clone(),
    }
}

/// Of the whole test.
fn verdict(items: &[BenchRow]) -> BenchWord {
    let missing = |row: &BenchRow| row.required && row.word != BenchWord::Passed;
    if items.iter().any(|row| row.word == BenchWord::Failed) {
        BenchWord::Failed
    } else if items.iter().any(missing) {
        BenchWord::NotProven
    } else {
        BenchWord::Passed
    }
}

/// Each link of the profile but the control link, whose losses are its holds; without a profile each sender.
fn loss(summary: &Summary, profile: &Profile) -> Vec<BenchRow> {
    let limit = profile.limits.loss_ratio();
    let links = summary.links.iter().filter(|link| link.role != LinkRole::Control);
    let mut known: Vec<_> = links.map(|link| (link.link.clone(), link.loss)).collect();
    if summary.links.is_empty() {
        let streams = summary.streams.iter().filter(|stream| stream.link_loss);
        known = streams
            .map(|stream| {
                (format!("{} {}/{}", stream.interface, stream.system, stream.component), stream.loss)
            })
            .collect();
    }
    if known.is_empty() {
        let reason = Some(BenchReason::NotHeard);
        return vec![BenchRow { reason, ..row(BenchItem::Loss, limit, true) }];
    }
    let of_one = |(name, loss): (String, Option<crate::summary::RatioEstimate>)| {
        let row = BenchRow { of: Some(name), ..row(BenchItem::Loss, limit, true) };
        let Some(loss) = loss else { return BenchRow { reason: Some(BenchReason::NotHeard), ..row } };
        let row = judged(row, loss.ratio, loss.ci95, Side::AtMost);
        let more = needs::more(&row, summary.recording.duration_s);
        BenchRow { needs: needs::open(&row).then(|| needs(BenchNeed::Seconds, more)), ..row }
    };
    known.into_iter().map(of_one).collect()
}

/// How late nine in ten movements show at most, and how much later than half of them.
fn latency(summary: &Summary, profile: &Profile) -> [BenchRow; 2] {
    let limits = &profile.limits;
    let p90 = row(BenchItem::LatencyP90, limits.latency_p90_ms(), true);
    let spread = row(BenchItem::LatencySpread, limits.latency_spread_ms(), true);
    let missing = summary.latency.drawing.missing[0];
    let Some(stage) = &summary.latency.stick_to_servo else {
        let why = |row| BenchRow { reason: Some(BenchReason::Latency), missing, ..row };
        return [p90, spread].map(why);
    };
    [late(p90, stage), spread_of(spread, stage)].map(|row| {
        let more = match row.value {
            None => Some(stage.moves_needed.p90.max(1)),
            Some(_) => needs::more(&row, stage.events as f64),
        };
        let is_short = row.reason.is_none() && needs::open(&row);
        BenchRow { needs: is_short.then(|| needs(BenchNeed::Moves, more)), ..row }
    })
}

fn late(row: BenchRow, stage: &LatencyStage) -> BenchRow {
    if stage.bound == Bound::None {
        return BenchRow { reason: Some(BenchReason::NoBound), ..row };
    }
    let Some((value, [low, high])) = stage.p90_ms.zip(stage.p90_ci95_ms) else {
        return BenchRow { word: BenchWord::NotProven, ..row };
    };
    // The clock's error is of all movements alike, and no part of the interval.
    let clock = stage.clock_uncertainty_ms.unwrap_or(0.0);
    let row = judged(row, value, [low - clock, high + clock], Side::AtMost);
    if stage.bound == Bound::Upper && row.word != BenchWord::Passed {
        return BenchRow { word: BenchWord::NotProven, reason: Some(BenchReason::UpperBound), ..row };
    }
    row
}

/// A difference of two percentiles: what the clocks leave open falls out of it.
fn spread_of(row: BenchRow, stage: &LatencyStage) -> BenchRow {
    let p90 = stage.p90_ms.zip(stage.p90_ci95_ms);
    let Some(((p90, [low, high]), (p50, [p50_low, p50_high]))) = p90.zip(stage.p50_ms.zip(stage.p50_ci95_ms))
    else {
        return BenchRow { word: BenchWord::NotProven, ..row };
    };
    judged(row, p90 - p50, [(low - p50_high).max(0.0), high - p50_low], Side::AtMost)
}

/// Holds by the time in which sticks moved.
fn holds(summary: &Summary, profile: &Profile) -> BenchRow {
    let row = row(BenchItem::Holds, profile.limits.holds_per_minute(), true);
    let Some(holds) = summary.control_holds else {
        return BenchRow { reason: Some(BenchReason::NoSticks), ..row };
    };
    let per_minute = |count: f64| 60.0 * count / holds.moving_s;
    let interval = poisson::interval(holds.count);
    let row = if holds.moving_s > 0.0 {
        judged(row, per_minute(holds.count as f64), interval.map(per_minute), Side::AtMost)
    } else {
        BenchRow { word: BenchWord::NotProven, ..row }
    };
    if !needs::open(&row) {
        return row;
    }
    // As long as it takes if no further one comes.
    let enough_s = 60.0 * interval[1] / row.limit;
    let more = (enough_s - holds.moving_s).ceil().max(1.0) as u64;
    BenchRow { needs: Some(needs(BenchNeed::MovingSeconds, Some(more))), ..row }
}

fn supply(summary: &Summary, profile: &Profile) -> Vec<BenchRow> {
    let limit = profile.limits.supply_minutes();
    let none = || BenchRow { reason: Some(BenchReason::NoMinutes), ..row(BenchItem::Supply, limit, false) };
    let rows = summary.power.iter().map(|battery| {
        let of = format!("{}/{}/{}", battery.system, battery.component, battery.battery);
        match battery.minutes_left.zip(battery.minutes_left_ci95) {
            Some((minutes, interval)) => {
                let row = judged(row(BenchItem::Supply, limit, false), minutes, interval, Side::AtLeast);
                let needs = needs::open(&row).then(|| needs(BenchNeed::Load, None));
                BenchRow { of: Some(of), needs, ..row }
            }
            None => BenchRow { of: Some(of), ..none() },
        }
    });
    let rows: Vec<BenchRow> = rows.collect();
    if rows.is_empty() { vec![none()] } else { rows }
}

/// As it was entered: in this test, else in the profile.
fn glass_to_glass(summary: &Summary, profile: &Profile) -> BenchRow {
    let row = row(BenchItem::PictureDelay, profile.limits.glass_to_glass_ms(), false);
    let of_profile = || {
        let delay = profile.glass_to_glass_ms?;
        Some((delay, profile.glass_to_glass_ci95_ms.unwrap_or([delay, delay])))
    };
    match summary.guide.glass.or_else(of_profile) {
        Some((delay, interval)) => {
            let row = judged(row, delay, interval, Side::AtMost);
            let needs = needs::open(&row).then(|| needs(BenchNeed::Photographs, None));
            BenchRow { needs, ..row }
        }
        None => BenchRow { reason: Some(BenchReason::NotEntered), ..row },
    }
}

/// The lowest margin of each link that has one, at the power that was on.
fn margins(summary: &Summary, profile: &Profile) -> Vec<BenchRow> {
    let limit = profile.limits.margin_db();
    let lowest = |link: &crate::summary::LinkSummary| {
        let row = BenchRow { of: Some(link.link.clone()), ..row(BenchItem::Margin, limit, false) };
        match link.margin_db.and_then(|margin| margin.min) {
            Some(margin) => judged(row, margin, [margin, margin], Side::AtLeast),
            None => BenchRow { reason: Some(BenchReason::NoMargin), ..row },
        }
    };
    let has_level = |link: &&crate::summary::LinkSummary| {
        profile.link_named(&link.link).is_some_and(crate::profile::LinkProfile::has_level)
    };
    summary.links.iter().filter(has_level).map(lowest).collect()
}

#[cfg(test)]
mod tests;
