//! Two sides of sessions held against each other: what differs beyond chance, under the conditions that both had.
//!
//! Figures of seconds are matched by distance and direction, where distances are not known by level, so that a farther
//! flight is no worse link (see `comparison/flown_seconds.rs`, `stats/curve_fit/matched_effects.rs`); others stand as they
//! are (`comparison/session_figures.rs`). Words allow for all figures that were looked at (Benjamini and Hochberg 1995); intervals are each
//! figure's own. With one session a side nobody knows what a day alone does: the words then say of these two sessions that
//! they differ, and a caution says so.

mod flown_seconds;
mod gravity;
mod session_figures;

use crate::profile::LinkRole;
use crate::stats::curve_fit::matched_effects;
use crate::stats::curve_fit::matched_effects::{Kind, Sample, chance, student};
use crate::stats::sample::multiplicity;
use crate::summary::{
    ChangeWord, ComparedFigure, ComparedLinkRow, ComparedSessionRow, Comparison, ComparisonCaution,
    FigureDifference, MatchedBy, NotCompared, ReachDifference, TagChange,
};
use crate::units::LevelUnit;

pub use flown_seconds::{ComparedSession, FlownLink, FlownSecond, VibrationSecond};
pub use gravity::gravest;

use session_figures::Estimate;

/// The words' level, for all figures together.
const LEVEL: f64 = 0.05;
/// A difference that is told from is told this often.
const POWER: f64 = 0.9;
/// Beyond it nobody flies so often.
const MOST_SESSIONS: f64 = 100.0;
/// The shortest list of sessions that says anything of the days.
const LEAST_TOLD: usize = 2;
/// Farthest distances of both sides that differ by more are told.
const OTHER_DISTANCE: f64 = 1.5;

const MATCHED: [ComparedFigure; 6] = [
    ComparedFigure::Level,
    ComparedFigure::Loss,
    ComparedFigure::Silent,
    ComparedFigure::Freezes,
    ComparedFigure::Frozen,
    ComparedFigure::Holds,
];
const AXES: [ComparedFigure; 3] =
    [ComparedFigure::VibrationX, ComparedFigure::VibrationY, ComparedFigure::VibrationZ];

/// The second side against the first.
#[must_use]
pub fn compare(before: &[&ComparedSession], after: &[&ComparedSession]) -> Comparison {
    let sides = [before, after];
    let mut figures = Vec::new();
    let mut farthest_m = Vec::new();
    for name in link_names(&sides) {
        for figure in MATCHED {
            let Some((estimate, by, unit, scale, far)) = matched(figure, &name, sides) else { continue };
            farthest_m.extend(far.map(|far| (name.clone(), far)));
            figures.push((row(figure, Some(name.clone()), unit, by), estimate, scale));
        }
    }
    for figure in session_figures::FIGURES {
        if let Some(estimate) = session_figures::estimate(figure, sides) {
            let unit = if matches!(figure, ComparedFigure::FailsafeDetected | ComparedFigure::FailsafeSafe) {
                "s"
            } else {
                "ms"
            };
            figures.push((row(figure, None, unit, Some(MatchedBy::Session)), estimate, 1.0));
        }
    }
    for (axis, figure) in AXES.into_iter().enumerate() {
        if let Some((estimate, by)) = vibration(axis, sides) {
            figures.push((row(figure, None, "as sent", by), estimate, 1.0));
        }
    }
    let changed_tags = changed_tags(sides);
    let figures = judged(figures);
    let role =
        |name: &str| sides.iter().flat_map(|side| side.iter()).find_map(|one| Some(one.link(name)?.role));
    let first = gravest(&figures, role, |_| true);
    let is_worse = first.is_some_and(|place| figures[place].change == Some(ChangeWord::Worse));
    let better = || gravest(&figures, role, |row| row.change == Some(ChangeWord::Better));
    Comparison {
        gravest: first,
        gained: if is_worse { better() } else { None },
        cautions: cautions(sides, &changed_tags),
        changed_tags,
        reach: reach(&figures, role, sides, &farthest_m),
        figures,
        sessions: session_rows(&[(before, Some("before")), (after, Some("after"))]),
    }
}

/// Sessions in the order of their time, without sides.
#[must_use]
pub fn over_time(sessions: &[&ComparedSession]) -> Comparison {
    let mut sessions = sessions.to_vec();
    let began = |session: &ComparedSession| session.summary.recording.start_utc.clone();
    // Those without a time come last, as they were named.
    sessions.sort_by_key(|session| (began(session).is_none(), began(session)));
    Comparison { sessions: session_rows(&[(&sessions, None)]), ..Comparison::default() }
}

/// Names of the links of all sessions, in their order.
fn link_names(sides: &[&[&ComparedSession]; 2]) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    for link in sides.iter().flat_map(|side| side.iter()).flat_map(|session| &session.links) {
        if !names.contains(&link.name) {
            names.push(link.name.clone());
        }
    }
    names
}

fn row(
    figure: ComparedFigure,
    link: Option<String>,
    unit: &'static str,
    matched_by: Option<MatchedBy>,
) -> FigureDifference {
    FigureDifference {
        figure,
        link,
        unit,
        value_before: None,
        value_after: None,
        difference: None,
        difference_ci95: None,
        change: None,
        by_luck: None,
        tells_from: None,
        more_sessions_each: None,
        matched_by,
        samples_before: 0,
        samples_after: 0,
        why_not: None,
    }
}

type Matched = (Estimate, Option<MatchedBy>, &'static str, f64, Option<f64>);

/// One figure of a link, matched second by second; `None` where neither side has it.
fn matched(figure: ComparedFigure, name: &str, sides: [&[&ComparedSession]; 2]) -> Option<Matched> {
    let links = sides.map(|side| {
        let own = side.iter().filter_map(|session| Some((session.link(name)?, session.is_grounded)));
        own.filter(|(link, _)| !link.samples(0, figure, None).is_empty()).collect::<Vec<_>>()
    });
    let (unit, scale) = match figure {
        ComparedFigure::Level => {
            let units = links.iter().flatten().map(|(link, _)| link.unit);
            let in_db = units.clone().all(|unit| unit == Some(LevelUnit::Dbm));
            (if in_db { "db" } else { "raw" }, 1.0)
        }
        ComparedFigure::Freezes => ("per min", 60.0),
        _ => ("ratio", 1.0),
    };
    let refused =
        |why| Some((Estimate { why_not: Some(why), ..Estimate::default() }, None, unit, scale, None));
    let by = match [links[0].is_empty(), links[1].is_empty()] {
        [true, true] => return None,
        [true, false] => return refused(NotCompared::NotBefore),
        [false, true] => return refused(NotCompared::NotAfter),
        _ => match conditions(figure, &links) {
            Ok(by) => by,
            Err(why) => return refused(why),
        },
    };
    let mut side = Vec::new();
    let mut samples = Vec::new();
    for (after, links) in [false, true].into_iter().zip(&links) {
        for (link, grounded) in links {
            let fits = match by {
                Some(MatchedBy::Distance) => !grounded && link.has_distance(),
                Some(MatchedBy::Level) => !grounded && link.has_level(),
                Some(_) => *grounded,
                None => true,
            };
            if fits {
                samples.extend(link.samples(side.len(), figure, by));
                side.push(after);
            }
        }
    }
    let kind = if figure == ComparedFigure::Level { Kind::Level } else { Kind::Share };
    let (estimate, largest_x) = of_samples(&samples, &side, kind);
    let estimate = if by.is_none() {
        let why_not = Some(NotCompared::NothingToMatchBy);
        Estimate { ci95: None, chance: None, error: None, why_not, ..estimate }
    } else {
        estimate
    };
    let farthest_m = largest_x.filter(|_| by == Some(MatchedBy::Distance)).map(|x| 10.0_f64.powf(x));
    Some((estimate, by, unit, scale, farthest_m.filter(|_| figure == ComparedFigure::Level)))
}

/// What both sides can be matched by; none where there is nothing.
fn conditions(
    figure: ComparedFigure,
    links: &[Vec<(&FlownLink, bool)>; 2],
) -> Result<Option<MatchedBy>, NotCompared> {
    let grounded = links.each_ref().map(|side| side.iter().all(|(_, grounded)| *grounded));
    if grounded[0] != grounded[1] {
        return Err(NotCompared::GroundAndTrips);
    }
    let all = || links.iter().flatten().map(|(link, _)| link);
    if matches!(figure, ComparedFigure::Freezes | ComparedFigure::Frozen)
        && all().any(|link| link.source != links[0][0].0.source)
    {
        return Err(NotCompared::MarksAndPackets);
    }
    let one_unit = all().all(|link| link.unit == links[0][0].0.unit);
    if figure == ComparedFigure::Level && !one_unit {
        return Err(NotCompared::OtherUnits);
    }
    let both = |has: fn(&FlownLink) -> bool| links.iter().all(|side| side.iter().any(|(link, _)| has(link)));
    Ok(if grounded[0] && figure != ComparedFigure::Level {
        Some(MatchedBy::Ground)
    } else if !grounded[0] && both(FlownLink::has_distance) {
        Some(MatchedBy::Distance)
    } else if figure != ComparedFigure::Level && one_unit && both(FlownLink::has_level) {
        Some(MatchedBy::Level)
    } else {
        None
    })
}

/// Vibration along an axis.
fn vibration(axis: usize, sides: [&[&ComparedSession]; 2]) -> Option<(Estimate, Option<MatchedBy>)> {
    let refused = |why| Some((Estimate { why_not: Some(why), ..Estimate::default() }, None));
    let has = sides.map(|side| side.iter().any(|session| !session.vibration.is_empty()));
    match has {
        [false, false] => return None,
        [false, true] => return refused(NotCompared::NotBefore),
        [true, false] => return refused(NotCompared::NotAfter),
        [true, true] => {}
    }
    let shaken = sides.map(|side| {
        side.iter()
            .copied()
            .filter(|session| !session.vibration.is_empty())
            .collect::<Vec<&ComparedSession>>()
    });
    let grounded = shaken.each_ref().map(|side| side.iter().all(|session| session.is_grounded));
    if grounded[0] != grounded[1] {
        return refused(NotCompared::GroundAndTrips);
    }
    let (mut side, mut samples) = (Vec::new(), Vec::new());
    for (after, sessions) in [false, true].into_iter().zip(&shaken) {
        for session in sessions.iter().filter(|session| session.is_grounded == grounded[0]) {
            samples.extend(flown_seconds::vibration_samples(session, side.len(), axis));
            side.push(after);
        }
    }
    let by = if grounded[0] { MatchedBy::Ground } else { MatchedBy::Direction };
    Some((of_samples(&samples, &side, Kind::Level).0, Some(by)))
}

fn of_samples(samples: &[Sample], side: &[bool], kind: Kind) -> (Estimate, Option<f64>) {
    let Some(found) = matched_effects::difference(samples, side, kind) else {
        return (Estimate { why_not: Some(NotCompared::NothingInCommon), ..Estimate::default() }, None);
    };
    let sessions = [false, true].map(|after| side.iter().filter(|one| **one == after).count() as u64);
    // A share is never below 0, as the model may say where it is next to nothing.
    let below = if kind == Kind::Share { found.before.min(found.after).min(0.0) } else { 0.0 };
    let plain = Estimate {
        before: Some(found.before - below),
        after: Some(found.after - below),
        difference: Some(found.value()),
        samples: found.samples.map(|count| count as u64),
        sessions,
        ..Estimate::default()
    };
    let Some(error) = found.error else {
        return (Estimate { why_not: Some(NotCompared::FewPlaces), ..plain }, Some(found.largest_x));
    };
    let half = student(found.degrees, 0.975) * error;
    let estimate = Estimate {
        ci95: Some([found.value() - half, found.value() + half]),
        chance: Some(chance(found.value(), error, found.degrees)),
        error: Some((error, found.degrees)),
        ..plain
    };
    (estimate, Some(found.largest_x))
}

/// Which way is good: up for levels alone.
const fn is_better_up(figure: ComparedFigure) -> bool {
    matches!(figure, ComparedFigure::Level)
}

/// Words for all of them, allowing for their number.
fn judged(figures: Vec<(FigureDifference, Estimate, f64)>) -> Vec<FigureDifference> {
    let chances: Vec<f64> = figures.iter().filter_map(|(_, estimate, _)| estimate.chance).collect();
    let mut adjusted = multiplicity::adjusted(&chances).into_iter();
    let looks = chances.len().max(1) as f64;
    let judge = |(row, estimate, scale): (FigureDifference, Estimate, f64)| {
        let by_luck = estimate.chance.and_then(|_| adjusted.next());
        let difference = estimate.difference;
        let change = by_luck.zip(difference).map(|(by_luck, difference)| {
            if by_luck > LEVEL || difference == 0.0 {
                ChangeWord::NoDifference
            } else if (difference > 0.0) == is_better_up(row.figure) {
                ChangeWord::Better
            } else {
                ChangeWord::Worse
            }
        });
        let needed = estimate.error.map(|(error, degrees)| {
            let told = student(degrees, 1.0 - LEVEL / 2.0 / looks) * error;
            (told, told + student(degrees, POWER) * error)
        });
        let is_open = change == Some(ChangeWord::NoDifference);
        FigureDifference {
            value_before: estimate.before.map(|value| value * scale),
            value_after: estimate.after.map(|value| value * scale),
            difference: difference.map(|value| value * scale),
            difference_ci95: estimate.ci95.map(|ci95| ci95.map(|end| end * scale)),
            change,
            by_luck,
            tells_from: needed.map(|(_, size)| size * scale),
            more_sessions_each: needed
                .filter(|_| is_open)
                .zip(difference)
                .and_then(|((told, _), difference)| more_sessions(told, difference, estimate.sessions)),
            samples_before: estimate.samples[0],
            samples_after: estimate.samples[1],
            why_not: estimate.why_not,
            ..row
        }
    };
    figures.into_iter().map(judge).collect()
}

/// The error falls with the root of the sessions.
fn more_sessions(told: f64, difference: f64, sessions: [u64; 2]) -> Option<u64> {
    let now = sessions[0].max(sessions[1]).max(1) as f64;
    let wanted = now * (told / difference).powi(2);
    let least = if sessions == [1, 1] { LEAST_TOLD as f64 } else { 1.0 };
    let more = (wanted - now).ceil().max(least);
    (more <= MOST_SESSIONS).then_some(more as u64)
}

fn changed_tags(sides: [&[&ComparedSession]; 2]) -> Vec<TagChange> {
    let values = |side: &[&ComparedSession], tag: &str| {
        let own = side.iter().map(|one| one.summary.recording.tags.get(tag).cloned().unwrap_or_default());
        let mut values: Vec<String> = own.collect();
        values.sort();
        values.dedup();
        values
    };
    let all = sides.iter().flat_map(|side| side.iter()).flat_map(|one| one.summary.recording.tags.keys());
    let mut tags: Vec<&String> = all.collect();
    tags.sort();
    tags.dedup();
    let changed = tags.into_iter().map(|tag| TagChange {
        tag: tag.clone(),
        tag_before: values(sides[0], tag),
        tag_after: values(sides[1], tag),
    });
    changed.filter(|change| change.tag_before != change.tag_after).collect()
}

fn cautions(sides: [&[&ComparedSession]; 2], changed: &[TagChange]) -> Vec<ComparisonCaution> {
    let counts = sides.map(<[_]>::len);
    let all = || sides.iter().flat_map(|side| side.iter());
    let mut vehicles: Vec<u8> = all().filter_map(|session| session.vehicle).collect();
    vehicles.sort_unstable();
    vehicles.dedup();
    let farthest = sides.map(|side| side.iter().filter_map(|one| farthest_m(one)).reduce(f64::max));
    let apart = farthest[0].zip(farthest[1]).is_some_and(|(one, other)| {
        one.max(other) > OTHER_DISTANCE * one.min(other) && one.max(other) > flown_seconds::NEAREST_M
    });
    [
        (counts == [1, 1], ComparisonCaution::OneSessionEach),
        (counts != [1, 1] && counts[0].min(counts[1]) <= LEAST_TOLD, ComparisonCaution::FewSessions),
        (changed.len() > 1, ComparisonCaution::SeveralTags),
        (changed.is_empty(), ComparisonCaution::NoTagDiffers),
        (vehicles.len() > 1, ComparisonCaution::OtherVehicles),
        (all().all(|session| session.is_grounded), ComparisonCaution::OnlyGround),
        (apart, ComparisonCaution::OtherDistances),
    ]
    .into_iter()
    .filter_map(|(holds, caution)| holds.then_some(caution))
    .collect()
}

fn farthest_m(session: &ComparedSession) -> Option<f64> {
    session.summary.range.iter().find_map(|row| row.max_distance_m)
}

/// What the gravest level that differs is worth at the farthest distance that both have, by the fall of level that the
/// sessions' own lines show.
fn reach(
    figures: &[FigureDifference],
    role: impl Fn(&str) -> Option<LinkRole>,
    sides: [&[&ComparedSession]; 2],
    farthest_m: &[(String, f64)],
) -> Option<ReachDifference> {
    let is_level = |row: &FigureDifference| row.figure == ComparedFigure::Level && row.unit == "db";
    let row = &figures[gravest(figures, role, is_level)?];
    let link = row.link.clone()?;
    let exponents: Vec<f64> = sides
        .iter()
        .flat_map(|side| side.iter())
        .flat_map(|session| session.summary.range.iter().filter(|range| range.link == link))
        .filter(|range| range.path_loss_exponent_ci95.is_some_and(|ci95| ci95[0] > 0.0))
        .filter_map(|range| range.path_loss_exponent)
        .collect();
    if exponents.is_empty() {
        return None;
    }
    let exponent = exponents.iter().sum::<f64>() / exponents.len() as f64;
    let at_m = farthest_m.iter().find(|(of, _)| *of == link)?.1;
    let gained_m = at_m * (10.0_f64.powf(row.difference? / (10.0 * exponent)) - 1.0);
    Some(ReachDifference { link, gained_m, at_m })
}

fn session_rows(sides: &[(&[&ComparedSession], Option<&'static str>)]) -> Vec<ComparedSessionRow> {
    let all: Vec<(&ComparedSession, Option<&'static str>)> =
        sides.iter().flat_map(|(side, word)| side.iter().map(|one| (*one, *word))).collect();
    let names: Vec<String> = {
        let sessions: Vec<&ComparedSession> = all.iter().map(|one| one.0).collect();
        link_names(&[&sessions, &[]])
    };
    let levels: Vec<Option<Vec<Option<f64>>>> = names
        .iter()
        .map(|name| {
            let mut samples = Vec::new();
            for (group, (session, _)) in all.iter().enumerate() {
                let link = session.link(name).filter(|link| !session.is_grounded && link.has_distance());
                let own =
                    link.map(|link| link.samples(group, ComparedFigure::Level, Some(MatchedBy::Distance)));
                samples.extend(own.into_iter().flatten());
            }
            matched_effects::effects(&samples, all.len())
        })
        .collect();
    let row = |(group, (session, side)): (usize, &(&ComparedSession, Option<&'static str>))| {
        let link_row = |(name, levels): (&String, &Option<Vec<Option<f64>>>)| {
            let link = session.link(name)?;
            let figures = session.summary.links.iter().find(|row| row.link == *name);
            let in_db = link.unit.map(|unit| if unit == LevelUnit::Dbm { "db" } else { "raw" });
            let is_picture = link.source.is_some();
            Some(ComparedLinkRow {
                link_name: name.clone(),
                level_beside: levels.as_ref().and_then(|levels| levels[group]),
                level_unit: in_db,
                lost_ratio: figures.and_then(|row| row.loss).map(|loss| loss.ratio),
                freeze_count: session
                    .summary
                    .video
                    .as_ref()
                    .filter(|_| is_picture)
                    .map(|video| video.freezes),
            })
        };
        let stage = session.summary.latency.stick_to_servo.as_ref().filter(|stage| stage.is_bounded());
        ComparedSessionRow {
            session: session.summary.recording.file.clone(),
            side: *side,
            began_utc: session.summary.recording.start_utc.clone(),
            session_tags: session.summary.recording.tags.clone(),
            farthest_m: farthest_m(session),
            stick_to_servo_p50_ms: stage.and_then(|stage| stage.p50_ms),
            link_rows: names.iter().zip(&levels).filter_map(link_row).collect(),
        }
    };
    all.iter().enumerate().map(row).collect()
}
