//! A link's state as one sentence: what is so, and in a trip what to do.

use crate::profile::LinkRole;
use crate::summary::{Failure, LinkJudgement, LinkState, Phase, StateReason};
use crate::units::LevelUnit;

use super::{limit, quantity};

/// The sentence.
#[must_use]
pub(super) fn text(about: &str, state: LinkState, judged: &LinkJudgement) -> String {
    let said = what_is_so(about, judged);
    // What the pilot sees or feels comes first, else what to do: no narrow screen cuts it off.
    match (to_do(state, judged), judged.reason) {
        (None, _) => said,
        (Some(_), StateReason::Failing { what: Failure::Frozen | Failure::InputLost, .. }) => {
            format!("{said}: turn back")
        }
        (Some(ToDo::TurnBack), _) => format!("turn back now: {said}"),
        (Some(ToDo::GoNoFarther), _) => format!("go no farther: {said}"),
    }
}

/// What to do in a trip, the most pressing first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum ToDo {
    /// Turn back now.
    TurnBack,
    /// Go no farther.
    GoNoFarther,
}

fn in_trip(judged: &LinkJudgement) -> bool {
    judged.phase.is_none_or(Phase::is_trip)
}

/// What a link's state asks of the pilot; `None`: nothing, or what to check. A silent far side says that itself.
#[must_use]
pub fn to_do(state: LinkState, judged: &LinkJudgement) -> Option<ToDo> {
    if !in_trip(judged) {
        return None;
    }
    match (judged.reason, state) {
        (StateReason::Failing { what: Failure::Silent, .. }, _) => None,
        (StateReason::Failing { what: Failure::Frozen | Failure::InputLost, .. }, _) => Some(ToDo::TurnBack),
        (_, LinkState::Failing | LinkState::Alarm) if judged.role != LinkRole::Telemetry => {
            Some(ToDo::TurnBack)
        }
        (_, LinkState::Failing | LinkState::Alarm | LinkState::Warning) => Some(ToDo::GoNoFarther),
        _ => None,
    }
}

fn what_is_so(about: &str, judged: &LinkJudgement) -> String {
    let silent_s = judged.silent_s.unwrap_or_default();
    match judged.reason {
        StateReason::NeverHeard => format!("{about}: never heard yet"),
        StateReason::Off if judged.phase == Some(Phase::Off) => {
            format!("{about}: silent for {}, the vehicle is switched off", quantity::seconds(silent_s))
        }
        StateReason::Off => format!("{about}: silent for {}, switched off", quantity::seconds(silent_s)),
        StateReason::Blind => match &judged.broken {
            Some((source, why)) => format!("check source {source} ({why}): {about} cannot be seen"),
            None => {
                format!("{about} cannot be seen: what tells of it is silent, or this computer stood still")
            }
        },
        StateReason::Failing { what, for_s } => failing(about, judged, what, for_s),
        StateReason::OftenFailed => format!("{about} failed {}", how_often(judged)),
        StateReason::FailedLately { what, ago_s } => {
            format!("{} {} ago, {}", failed(about, what), quantity::seconds(ago_s), how_often(judged))
        }
        StateReason::Margin => margin(about, judged),
        StateReason::LosesMuch => {
            let lost = judged.loss_ratio.map_or_else(String::new, quantity::percent);
            format!("{about} lost {lost} of the last 10 s")
        }
        StateReason::Damaged => format!("{about}: over half of the last pictures came damaged"),
        StateReason::AsStrong { for_s } => {
            let level = judged.level.map_or_else(String::new, |level| quantity::level(level, judged.unit));
            format!("{about} {level}, as strong as where it worked for {}", quantity::seconds(for_s.into()))
        }
        StateReason::AsNear { for_s } => {
            format!("{about} as near as where it worked for {}", quantity::seconds(for_s.into()))
        }
        StateReason::NothingToJudgeBy => heard(about, judged),
    }
}

/// Capitals for what the pilot sees or feels at this moment.
fn failing(about: &str, judged: &LinkJudgement, what: Failure, for_s: f64) -> String {
    let what = match what {
        Failure::Silent => {
            let silent = quantity::seconds(judged.silent_s.unwrap_or(for_s));
            return format!("check power, antenna, source and port: nothing from {about} for {silent}");
        }
        Failure::MuchLost => {
            let lost = judged.loss_ratio.map_or_else(String::new, quantity::percent);
            return format!("{about} LOSES MUCH, {lost} of the last 10 s{}", place(judged));
        }
        Failure::Frozen => "PICTURE FROZEN",
        Failure::InputLost => "CONTROL INPUT LOST",
        Failure::Held => "CONTROL HELD",
    };
    format!("{what} {}{}{}", quantity::seconds(for_s), nth(judged), place(judged))
}

fn failed(about: &str, what: Failure) -> String {
    match what {
        Failure::Frozen => "picture froze".to_owned(),
        Failure::InputLost => "control input was lost".to_owned(),
        Failure::Held => "control stuck".to_owned(),
        Failure::Silent => format!("{about} was silent"),
        Failure::MuchLost => format!("{about} lost much"),
    }
}

/// `, 7th in 45 s`.
fn nth(judged: &LinkJudgement) -> String {
    let (count, over_s) = judged.failures;
    let ending = match (count % 10, count % 100) {
        (1, of) if of != 11 => "st",
        (2, of) if of != 12 => "nd",
        (3, of) if of != 13 => "rd",
        _ => "th",
    };
    if count < 2 { String::new() } else { format!(", {count}{ending} in {over_s:.0} s") }
}

fn how_often(judged: &LinkJudgement) -> String {
    match judged.failures {
        (0 | 1, _) => "once in the last minute".to_owned(),
        (count, over_s) => format!("{count} times in {over_s:.0} s"),
    }
}

fn place(judged: &LinkJudgement) -> String {
    judged.distance_m.map_or_else(String::new, |distance| format!(", at {}", quantity::metres(distance)))
}

fn margin(about: &str, judged: &LinkJudgement) -> String {
    let LinkJudgement { role, unit, margin, .. } = *judged;
    let limit = limit::name(role.limit_event());
    let Some(margin) = margin else {
        return format!("{about} was near its {limit} a moment ago, no level now");
    };
    let difference = margin.abs();
    let place = if difference < 0.5 {
        format!("at its {limit}")
    } else {
        let side = if margin < 0.0 { "below" } else { "above" };
        format!("{difference:.0} {} {side} its {limit}", unit.difference_label())
    };
    format!("{about} {place}{}", ahead(judged, margin))
}

fn ahead(judged: &LinkJudgement, margin: f64) -> String {
    if margin <= 0.0 || judged.seconds_left.is_some_and(|seconds| seconds < 1.0) {
        let what = match judged.role {
            LinkRole::Video => "picture may freeze",
            LinkRole::Telemetry => "frames may be lost",
            LinkRole::Control => "input may stick",
        };
        return format!(", {what} at any moment");
    }
    let Some(seconds) = judged.seconds_left else { return String::new() };
    // Metres are known where the vehicle's way outward gives the seconds, else the level's own slope does.
    match judged.metres_left {
        Some(metres) => format!(", about {seconds:.0} s left at this outward speed ({metres:.0} m)"),
        None => format!(", about {seconds:.0} s left as the level falls now"),
    }
}

fn heard(about: &str, judged: &LinkJudgement) -> String {
    let level = judged.level.map(|level| match judged.unit {
        LevelUnit::Dbm => format!("level {level:.0} dBm"),
        LevelUnit::Raw => format!("level {level:.0} units"),
    });
    let loss = judged.loss_ratio.map(|ratio| format!("{} lost in the last 10 s", quantity::percent(ratio)));
    let parts: Vec<String> = level.into_iter().chain(loss).collect();
    let parts = if parts.is_empty() { "it comes".to_owned() } else { parts.join(", ") };
    format!("{about}: {parts}; nothing yet to judge it by")
}
