//! What to do, or what is so, in one or two words that can stand large; and what nobody has acknowledged.
//!
//! What fails comes before any margin. `good` stands there only where every link is good.

use crate::profile::LinkRole;
use crate::snapshot::{Lane, Unacknowledged};
use crate::summary::{Failure, Judgement, LinkJudgement, LinkState, StateReason, Verdict};

use super::link_sentence::{ToDo, to_do};
use super::quantity;

/// A phrase to be drawn large.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FieldWord {
    /// What to do.
    ToDo(ToDo),
    /// A link's far side is silent.
    Check(LinkRole),
    /// A source here is gone.
    CheckSource,
    /// What fails.
    Fails(Failure),
    /// The vehicle was lost in flight, or far away.
    VehicleLost,
    /// All of it is silent.
    VehicleSilent,
    /// The autopilot alone is silent.
    AutopilotSilent,
    /// A battery is nearly empty.
    BatteryLow,
    /// Frames come, none of a vehicle.
    NoVehicle,
    /// No frame came.
    NothingHeard,
    /// Switched off on the ground.
    Off,
    /// Some links are silent, the others are not.
    NotAllHeard,
    /// Some links cannot be seen.
    NotAllSeen,
    /// A link's state.
    State(LinkState),
}

impl FieldWord {
    /// In words.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            Self::ToDo(ToDo::TurnBack) => "TURN BACK",
            Self::ToDo(ToDo::GoNoFarther) => "GO NO FARTHER",
            Self::Check(LinkRole::Video) => "CHECK VIDEO",
            Self::Check(LinkRole::Control) => "CHECK CONTROL",
            Self::Check(LinkRole::Telemetry) => "CHECK TELEMETRY",
            Self::CheckSource => "CHECK SOURCE",
            Self::Fails(Failure::Frozen) => "PICTURE FROZEN",
            Self::Fails(Failure::InputLost) => "INPUT LOST",
            Self::Fails(Failure::Held) => "CONTROL HELD",
            Self::Fails(Failure::Silent) => "SILENT",
            Self::Fails(Failure::MuchLost) => "LOSES MUCH",
            Self::VehicleLost => "VEHICLE LOST",
            Self::VehicleSilent => "VEHICLE SILENT",
            Self::AutopilotSilent => "AUTOPILOT SILENT",
            Self::BatteryLow => "BATTERY LOW",
            Self::NoVehicle => "NO VEHICLE",
            Self::NothingHeard => "NOTHING HEARD",
            Self::Off => "OFF",
            Self::NotAllHeard => "NOT ALL HEARD",
            Self::NotAllSeen => "NOT ALL SEEN",
            Self::State(LinkState::Failing) => "FAILING",
            Self::State(LinkState::Alarm) => "ALARM",
            Self::State(LinkState::Warning) => "WARNING",
            Self::State(LinkState::Good) => "GOOD",
            Self::State(LinkState::Heard) => "HEARD",
            Self::State(LinkState::Silent) => "NOT HEARD",
            Self::State(LinkState::Unknown) => "NOT SEEN",
        }
    }
}

/// What stands large.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FieldText<'a> {
    /// The first phrase.
    pub first: FieldWord,
    /// What lies behind it, where that is more than a margin.
    pub second: Option<FieldWord>,
    /// The state behind both.
    pub state: LinkState,
    /// The link that they speak of.
    pub about: Option<&'a str>,
}

/// What stands large, by the verdicts of an instant, the most pressing first.
#[must_use]
pub fn of(verdicts: &[Verdict]) -> FieldText<'_> {
    let asks = |verdict: &&Verdict| verdict.state.asks() && what(verdict).is_some();
    let is_gone = |verdict: &&Verdict| {
        matches!(verdict.judgement, Judgement::VehicleLost(_) | Judgement::VehicleSilent)
    };
    let asking = || verdicts.iter().filter(asks);
    let Some(first) = asking().find(is_gone).or_else(|| asking().next()) else { return calm(verdicts) };
    let what = what(first);
    // A link may ask for more than one that fails.
    let to_do = asking().filter_map(link_to_do).min().filter(|_| !is_gone(&first)).map(FieldWord::ToDo);
    let second = what.filter(|what| to_do.is_some() && !matches!(what, FieldWord::State(_)));
    let about = matches!(first.judgement, Judgement::Link(_)).then_some(first.about.as_str());
    FieldText {
        first: to_do.or(what).unwrap_or(FieldWord::State(first.state)),
        second,
        state: first.state,
        about,
    }
}

fn link_to_do(verdict: &Verdict) -> Option<ToDo> {
    if let Judgement::Link(judged) = &verdict.judgement { to_do(verdict.state, judged) } else { None }
}

/// What is so, of a verdict that asks for something. This computer's own losses ask for nothing in the field.
fn what(verdict: &Verdict) -> Option<FieldWord> {
    match &verdict.judgement {
        Judgement::Link(judged) => Some(of_link(verdict.state, judged)),
        Judgement::VehicleLost(_) => Some(FieldWord::VehicleLost),
        Judgement::VehicleSilent => Some(FieldWord::VehicleSilent),
        Judgement::AutopilotSilent => Some(FieldWord::AutopilotSilent),
        Judgement::Battery { .. } => Some(FieldWord::BatteryLow),
        Judgement::Written(_) => Some(FieldWord::State(verdict.state)),
        _ => None,
    }
}

fn of_link(state: LinkState, judged: &LinkJudgement) -> FieldWord {
    match judged.reason {
        StateReason::Failing { what: Failure::Silent, .. } => FieldWord::Check(judged.role),
        StateReason::Failing { what, .. } => FieldWord::Fails(what),
        _ => FieldWord::State(state),
    }
}

/// Where nothing asks for anything: the least that can be said of all links.
fn calm(verdicts: &[Verdict]) -> FieldText<'_> {
    let word = |first, state| FieldText { first, second: None, state, about: None };
    let has = |what: &Judgement| verdicts.iter().any(|verdict| verdict.judgement == *what);
    let is_link =
        |verdict: &&Verdict| matches!(verdict.judgement, Judgement::Link(_) | Judgement::Written(_));
    let links: Vec<&Verdict> = verdicts.iter().filter(is_link).collect();
    let Some(first) = links.first() else {
        let first = match () {
            () if has(&Judgement::VehicleOff) => FieldWord::Off,
            () if has(&Judgement::NoVehicle) => FieldWord::NoVehicle,
            () => FieldWord::NothingHeard,
        };
        return word(first, LinkState::Unknown);
    };
    let any = |state: LinkState| links.iter().any(|verdict| verdict.state == state);
    let broken = links.iter().any(|verdict| {
        matches!(&verdict.judgement, Judgement::Link(judged) if verdict.state == LinkState::Unknown && judged.broken.is_some())
    });
    if broken {
        word(FieldWord::CheckSource, LinkState::Unknown)
    } else if links.iter().all(|verdict| verdict.state == first.state) {
        let is_off = first.state == LinkState::Silent && has(&Judgement::VehicleOff);
        word(if is_off { FieldWord::Off } else { FieldWord::State(first.state) }, first.state)
    } else if any(LinkState::Unknown) {
        word(FieldWord::NotAllSeen, LinkState::Unknown)
    } else if any(LinkState::Silent) {
        word(FieldWord::NotAllHeard, LinkState::Heard)
    } else {
        word(FieldWord::State(LinkState::Heard), LinkState::Heard)
    }
}

/// What nobody has acknowledged, all of it and in brief: `unacknowledged: video alarm 12 s ago and 1 more`. What fails
/// comes first, then what began first.
#[must_use]
pub fn unacknowledged(lanes: &[Lane]) -> Option<[String; 2]> {
    let mut calls: Vec<(&Lane, Unacknowledged)> =
        lanes.iter().filter_map(|lane| Some((lane, lane.unacknowledged?))).collect();
    calls.sort_by(|(_, one), (_, other)| {
        let fails = |call: &Unacknowledged| call.state == LinkState::Failing;
        fails(other).cmp(&fails(one)).then(other.ago_s.total_cmp(&one.ago_s))
    });
    let said: Vec<String> = calls.iter().map(|(lane, call)| one_call(lane, *call)).collect();
    let (first, others) = said.split_first()?;
    let more = if others.is_empty() { String::new() } else { format!(" and {} more", others.len()) };
    Some([format!("unacknowledged: {}", said.join(", ")), format!("unacknowledged: {first}{more}")])
}

fn one_call(lane: &Lane, call: Unacknowledged) -> String {
    let whole_s = call.ago_s.floor();
    let ago = if whole_s < 10.0 { format!("{whole_s:.0} s") } else { quantity::seconds(whole_s) };
    format!("{} {} {ago} ago", lane.link, call.state.word())
}

#[cfg(test)]
mod tests {
    use crate::summary::{LastPlace, Phase};
    use crate::units::LevelUnit;
    use crate::wording::field_words::*;
    use LinkState::{Alarm, Failing, Good, Heard, Silent, Unknown, Warning};

    fn link(role: LinkRole, state: LinkState, reason: StateReason, phase: Option<Phase>) -> Verdict {
        let judged = LinkJudgement {
            role,
            reason,
            unit: LevelUnit::Dbm,
            level: None,
            margin: None,
            seconds_left: None,
            metres_left: None,
            distance_m: None,
            loss_ratio: None,
            silent_s: None,
            failures: (0, 0.0),
            phase,
            broken: None,
        };
        Verdict { about: role.word().to_owned(), state, judgement: Judgement::Link(Box::new(judged)) }
    }

    fn other(about: &str, state: LinkState, judgement: Judgement) -> Verdict {
        Verdict { about: about.to_owned(), state, judgement }
    }

    const fn fails(what: Failure) -> StateReason {
        StateReason::Failing { what, for_s: 1.0 }
    }

    fn said(verdicts: &[Verdict]) -> (&str, &str) {
        let text = of(verdicts);
        (text.first.text(), text.second.map_or("", FieldWord::text))
    }

    use LinkRole::{Control, Telemetry, Video};

    #[test]
    fn what_fails_is_said_with_what_to_do_and_on_the_ground_without() {
        let out = Some(Phase::Out);
        for (role, what, expected, on_the_ground) in [
            (Video, Failure::Frozen, ("TURN BACK", "PICTURE FROZEN"), "PICTURE FROZEN"),
            (Control, Failure::InputLost, ("TURN BACK", "INPUT LOST"), "INPUT LOST"),
            (Control, Failure::Held, ("TURN BACK", "CONTROL HELD"), "CONTROL HELD"),
            (Video, Failure::MuchLost, ("TURN BACK", "LOSES MUCH"), "LOSES MUCH"),
            (Telemetry, Failure::MuchLost, ("GO NO FARTHER", "LOSES MUCH"), "LOSES MUCH"),
            (Video, Failure::Silent, ("CHECK VIDEO", ""), "CHECK VIDEO"),
            (Telemetry, Failure::Silent, ("CHECK TELEMETRY", ""), "CHECK TELEMETRY"),
        ] {
            let in_phase = |phase| [link(role, Failing, fails(what), phase)];
            assert_eq!(said(&in_phase(out)), expected);
            assert_eq!(said(&in_phase(None)), expected, "video alone has no phases");
            assert_eq!(said(&in_phase(Some(Phase::Ground))), (on_the_ground, ""));
        }
    }

    #[test]
    fn a_margin_asks_and_is_no_failure() {
        let at = |state, phase| [link(Video, state, StateReason::Margin, phase)];
        assert_eq!(said(&at(Alarm, Some(Phase::Out))), ("TURN BACK", ""));
        assert_eq!(said(&at(Warning, Some(Phase::Back))), ("GO NO FARTHER", ""));
        assert_eq!(said(&at(Warning, Some(Phase::Ground))), ("WARNING", ""));
    }

    /// Telemetry fails, and the video is about to: the pilot turns back, and reads what fails.
    #[test]
    fn the_most_that_any_link_asks_for_comes_first() {
        let out = Some(Phase::Out);
        let verdicts = [
            link(Telemetry, Failing, fails(Failure::MuchLost), out),
            link(Video, Alarm, StateReason::Margin, out),
        ];
        assert_eq!(said(&verdicts), ("TURN BACK", "LOSES MUCH"));
        assert_eq!(of(&verdicts).about, Some("telemetry"));
    }

    #[test]
    fn a_vehicle_that_is_gone_is_not_told_to_turn_back() {
        let place = LastPlace::default();
        let frozen = link(Video, Failing, fails(Failure::Frozen), Some(Phase::Out));
        for (judgement, words) in
            [(Judgement::VehicleLost(place), "VEHICLE LOST"), (Judgement::VehicleSilent, "VEHICLE SILENT")]
        {
            let verdicts = [frozen.clone(), other("vehicle", Failing, judgement)];
            assert_eq!(said(&verdicts), (words, ""));
        }
    }

    #[test]
    fn good_stands_there_only_where_every_link_is_good() {
        let with = |state| link(Control, state, StateReason::Margin, Some(Phase::Out));
        for one in LinkState::ALL {
            for two in LinkState::ALL {
                let verdicts = [with(one), with(two)];
                let text = of(&verdicts);
                let is_good = (one, two) == (Good, Good);
                assert_eq!(text.first == FieldWord::State(Good), is_good, "{one:?} {two:?}");
                assert_eq!(text.state == Good, is_good, "{one:?} {two:?}");
            }
        }
        assert_eq!(said(&[with(Good), with(Heard)]).0, "HEARD");
        assert_eq!(said(&[with(Good), with(Silent)]).0, "NOT ALL HEARD");
        assert_eq!(said(&[with(Heard), with(Unknown)]).0, "NOT ALL SEEN");
    }

    #[test]
    fn without_links_or_a_vehicle_it_says_so() {
        let recording = |judgement| [other("recording", Unknown, judgement)];
        assert_eq!(said(&[]).0, "NOTHING HEARD");
        assert_eq!(said(&recording(Judgement::NothingHeard)).0, "NOTHING HEARD");
        assert_eq!(said(&recording(Judgement::NoVehicle)).0, "NO VEHICLE");
        let never = link(Video, Silent, StateReason::NeverHeard, Some(Phase::Waiting));
        assert_eq!(said(&[never]).0, "NOT HEARD");
        let off = link(Video, Silent, StateReason::Off, Some(Phase::Off));
        assert_eq!(said(&[other("vehicle", Silent, Judgement::VehicleOff), off]).0, "OFF");
    }

    #[test]
    fn what_is_no_link_s_hides_no_link() {
        let good = || link(Video, Good, StateReason::Margin, Some(Phase::Out));
        let drops = other("recording", Warning, Judgement::HostDrops(3));
        assert_eq!(said(&[good(), drops]).0, "GOOD");
        let battery = |state| {
            let judgement =
                Judgement::Battery { system: 1, battery: 0, minutes_left: 1.5, ci95: None, to: None };
            other("power", state, judgement)
        };
        assert_eq!(said(&[battery(Warning), good()]).0, "BATTERY LOW");
        assert_eq!(said(&[good(), battery(Unknown)]).0, "GOOD");
    }

    #[test]
    fn what_is_unacknowledged_is_said_with_its_age() {
        let lane = |link: &str, call: Option<(LinkState, f64)>| Lane {
            link: link.to_owned(),
            unacknowledged: call.map(|(state, ago_s)| Unacknowledged { state, ago_s }),
            ..Lane::default()
        };
        assert_eq!(unacknowledged(&[lane("video", None)]), None);
        let lanes =
            [lane("video", Some((Alarm, 12.9))), lane("rc", None), lane("down", Some((Failing, 0.4)))];
        let all = "unacknowledged: down failing 0 s ago, video alarm 12 s ago";
        let brief = "unacknowledged: down failing 0 s ago and 1 more";
        assert_eq!(unacknowledged(&lanes), Some([all, brief].map(str::to_owned)));
        let one = "unacknowledged: video alarm 12 s ago".to_owned();
        assert_eq!(unacknowledged(&lanes[..1]), Some([one.clone(), one]));
    }
}
