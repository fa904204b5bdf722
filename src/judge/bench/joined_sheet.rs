//! One sheet of a bench test that was interrupted: each item by the recording that shows it best.
//!
//! Definition: what is counted adds up (drills, holds and the time in which sticks moved); a channel stands by the
//! recording in which it was moved farthest, rest by the longer rest, and faults of any; every other item stands by its
//! graver word where one failed, else by the recording that shows more, the last on a tie. So nothing that failed is
//! hidden by trying again: who repaired something begins a new test. Unit and window: those of the items; each recording
//! is a window of its own, since what lay between them was not heard and is no loss. Source: none, common practice.

use crate::profile::Profile;
use crate::summary::{
    BenchItem, BenchPart, BenchRow, BenchSheet, BenchWord, ControlHolds, StickSummary, Summary,
};

use super::{sheet, verdict};

/// One recording of the test.
#[derive(Clone, Copy, Debug)]
pub struct Part<'a> {
    /// Its figures.
    pub summary: &'a Summary,
    /// SHA-256 of its file, where there is one.
    pub sha256: Option<&'a str>,
}

/// The sheet of all recordings of one test, the last one last; `None` without any.
#[must_use]
pub fn joined(parts: &[Part<'_>], profile: &Profile) -> Option<BenchSheet> {
    let (last, earlier) = parts.split_last()?;
    let hash = |part: &Part<'_>| part.sha256.map(str::to_owned);
    if earlier.is_empty() {
        return Some(sheet(last.summary, profile, hash(last)));
    }
    let mut together = sheet(&counted_together(last.summary, parts), profile, hash(last));
    for part in earlier {
        let rows = sheet(part.summary, profile, None).items;
        for row in rows.into_iter().filter(|row| stands_alone(row.item)) {
            join(&mut together.items, row);
        }
        together
            .earlier_recordings
            .push(BenchPart { recording: part.summary.recording.clone(), sha256: hash(part) });
    }
    together.verdict = verdict(&together.items);
    Some(together)
}

/// Items of what does not add up.
const fn stands_alone(item: BenchItem) -> bool {
    matches!(
        item,
        BenchItem::Loss
            | BenchItem::LatencyP90
            | BenchItem::LatencySpread
            | BenchItem::Supply
            | BenchItem::PictureDelay
            | BenchItem::Margin
    )
}

/// The last recording's figures, with what adds up of all of them.
fn counted_together(last: &Summary, parts: &[Part<'_>]) -> Summary {
    let (mut failsafe, mut sticks) = (Vec::new(), Vec::new());
    let (mut control_holds, mut guide) = (None::<ControlHolds>, last.guide.clone());
    for Part { summary, .. } in parts {
        failsafe.extend(summary.failsafe.iter().cloned());
        control_holds = match (control_holds, summary.control_holds) {
            (Some(before), Some(own)) => Some(holds_of(&before, &own)),
            (before, own) => before.or(own),
        };
        sticks = sticks_of(sticks, &summary.sticks);
        // The delay that was entered last, in whichever it was.
        guide.glass = summary.guide.glass.or(guide.glass);
    }
    Summary { control_holds, sticks, failsafe, guide, ..last.clone() }
}

fn holds_of(before: &ControlHolds, own: &ControlHolds) -> ControlHolds {
    ControlHolds {
        count: before.count + own.count,
        longest_s: before.longest_s.max(own.longest_s),
        total_s: before.total_s + own.total_s,
        moving_s: before.moving_s + own.moving_s,
        left_out: before.left_out + own.left_out,
    }
}

fn sticks_of(before: Vec<StickSummary>, own: &[StickSummary]) -> Vec<StickSummary> {
    let mut all = before;
    for stick in own {
        match all.iter_mut().find(|other| other.channel == stick.channel) {
            Some(other) => *other = stick_of(other, stick),
            None => all.push(stick.clone()),
        }
    }
    all.sort_by_key(|stick| stick.channel);
    all
}

/// One channel of two recordings.
fn stick_of(before: &StickSummary, own: &StickSummary) -> StickSummary {
    let shown = |stick: &StickSummary| (stick.ends_seen, stick.travel_us);
    let mut best = if shown(before) > shown(own) { before.clone() } else { own.clone() };
    let rest = if before.still_s > own.still_s { before } else { own };
    (best.jitter_us, best.still_s) = (rest.jitter_us, rest.still_s);
    if best.centre_us.is_none() {
        let other = if before.centre_us.is_some() { before } else { own };
        (best.centre_us, best.centre_ci95_us) = (other.centre_us, other.centre_ci95_us);
    }
    if best.direction.is_none() {
        let other = if own.direction.is_some() { own } else { before };
        (best.stick, best.direction) = (other.stick, other.direction);
    }
    best.compared = before.compared.max(own.compared);
    if best.outputs.is_empty() {
        best.outputs = if own.outputs.is_empty() { before.outputs.clone() } else { own.outputs.clone() };
    }
    best.findings.clone_from(&own.findings);
    let further = before.findings.iter().filter(|finding| !own.findings.contains(finding));
    best.findings.extend(further);
    best
}

/// How much a word shows, the gravest most.
const fn weight(word: BenchWord) -> u8 {
    match word {
        BenchWord::NotMeasured => 0,
        BenchWord::NotProven => 1,
        BenchWord::Passed => 2,
        BenchWord::Failed => 3,
    }
}

/// Puts an earlier row beside those of the last recording.
fn join(items: &mut Vec<BenchRow>, row: BenchRow) {
    let is_empty = |row: &BenchRow| row.of.is_none() && row.word == BenchWord::NotMeasured;
    // A row that only says that nothing was heard stands for none.
    let same = |other: &&mut BenchRow| {
        other.item == row.item && (other.of == row.of || is_empty(other) || is_empty(&row))
    };
    if let Some(other) = items.iter_mut().find(same) {
        let width = |row: &BenchRow| row.interval.map_or(f64::INFINITY, |[low, high]| high - low);
        let is_better = weight(row.word) > weight(other.word)
            || row.word == other.word && row.word == BenchWord::NotProven && width(&row) < width(other);
        if is_better {
            *other = row;
        }
    } else {
        let last = items.iter().rposition(|other| other.item == row.item);
        items.insert(last.map_or(items.len(), |at| at + 1), row);
    }
}
