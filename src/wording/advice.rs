//! How things stand and what to do: the sentences of the overview, and `text` of a verdict where the summary is written.

use std::fmt::Write as _;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::profile::LinkRole;
use crate::summary::{Bound, Judgement, LinkState, Phase, Verdict};
use crate::units::LevelUnit;

use super::event::{AUTOPILOT_SILENT, lost};
use super::{limit, reason};

/// The stages of the latency.
pub const STAGES: [&str; 3] = ["stick to servo", "stick to input", "input to servo"];

/// One verdict as a sentence.
#[must_use]
pub fn text(verdict: &Verdict) -> String {
    let about = &verdict.about;
    match &verdict.judgement {
        Judgement::Absent { silent_s, phase } => {
            let why = match phase {
                Some(Phase::Off) => "the vehicle is switched off",
                Some(Phase::Waiting) => "the vehicle is not heard yet",
                _ => "on the ground",
            };
            format!("{about}: silent for {silent_s:.0} s, {why}")
        }
        Judgement::Silent { silent_s, broken } => {
            let first = match broken {
                Some((source, why)) => format!("check source {source} ({why})"),
                None => "check power, antenna, source and port".to_owned(),
            };
            format!("{first}: nothing from {about} for {silent_s:.0} s")
        }
        Judgement::Margin { role, unit, margin, seconds_left, metres_left } => {
            let place = place(*role, *unit, *margin);
            let ahead = ahead(*role, *margin, *seconds_left, *metres_left);
            format!("{}{about} {place}{ahead}", what_to_do(verdict.state))
        }
        Judgement::Measured { role, unit, level, loss_ratio } => {
            measured(about, *role, *unit, *level, *loss_ratio)
        }
        Judgement::Written(text) => text.clone(),
        Judgement::NothingHeard => {
            "nothing heard yet: check that the source is the right one, its baud rate, and that the vehicle is on"
                .to_owned()
        }
        Judgement::NoVehicle => "frames come, but no vehicle among them yet".to_owned(),
        Judgement::VehicleLost(place) => lost(*place),
        Judgement::VehicleSilent => "the vehicle is silent, cause not known".to_owned(),
        Judgement::AutopilotSilent => AUTOPILOT_SILENT.to_owned(),
        Judgement::VehicleOff => {
            "the vehicle is switched off, or its battery is out, on the ground".to_owned()
        }
        Judgement::NoLatency => "latency not measured yet: move one stick at a time, quickly".to_owned(),
        Judgement::Latency { stage, p50_ms: None, needed, .. } => {
            format!("{}: {needed} more quick stick moves needed", STAGES[*stage])
        }
        Judgement::Latency { stage, bound, p50_ms: Some(p50), p90_ms, events, .. } => {
            let bound = match bound {
                Bound::Upper => "at most ",
                Bound::None => "(clock not aligned) ",
                Bound::TwoSided => "",
            };
            let p90 = p90_ms.map_or_else(String::new, |p90| format!(", 9 of 10 within {p90:.0} ms"));
            format!("{} {bound}{p50:.0} ms{p90} ({events} moves)", STAGES[*stage])
        }
        Judgement::HostDrops(dropped) => {
            format!("this computer lost data itself ({dropped}): those seconds are kept out of link loss")
        }
        Judgement::Battery { system, battery, minutes_left } => format!(
            "battery {battery} of system {system}: about {minutes_left:.1} min left at the recent current"
        ),
    }
}

impl Serialize for Verdict {
    fn serialize<S: Serializer>(&self, out: S) -> Result<S::Ok, S::Error> {
        #[derive(Serialize)]
        struct Row<'a> {
            about: &'a str,
            word: &'a str,
            text: String,
        }
        Row { about: &self.about, word: self.state.word(), text: text(self) }.serialize(out)
    }
}

impl<'de> Deserialize<'de> for Verdict {
    fn deserialize<D: Deserializer<'de>>(input: D) -> Result<Self, D::Error> {
        #[derive(Deserialize)]
        struct Row {
            about: String,
            word: String,
            text: String,
        }
        let Row { about, word, text } = Row::deserialize(input)?;
        let state = LinkState::ALL.into_iter().find(|state| state.word() == word);
        Ok(Self { about, state: state.unwrap_or_default(), judgement: Judgement::Written(text) })
    }
}

/// It comes first, so that no narrow screen cuts it off.
const fn what_to_do(state: LinkState) -> &'static str {
    match state {
        LinkState::Alarm => "turn back now: ",
        LinkState::Warning => "go no farther: ",
        _ => "",
    }
}

fn place(role: LinkRole, unit: LevelUnit, margin: f64) -> String {
    let (limit, difference) = (limit::name(role.limit_event()), margin.abs());
    if difference < 0.5 {
        return format!("at its {limit}");
    }
    let side = if margin < 0.0 { "below" } else { "above" };
    format!("{difference:.0} {} {side} its {limit}", unit.difference_label())
}

fn ahead(role: LinkRole, margin: f64, seconds_left: Option<f64>, metres_left: Option<f64>) -> String {
    let Some(seconds) = seconds_left else { return String::new() };
    if seconds < 1.0 || margin <= 0.0 {
        let what = match role {
            LinkRole::Video => "picture may freeze",
            LinkRole::Telemetry => "frames may be lost",
            LinkRole::Control => "input may stick",
        };
        return format!(", {what} at any moment");
    }
    // Metres are known where the vehicle's way outward gives the seconds, else the level's own slope does.
    match metres_left {
        Some(metres) => format!(", about {seconds:.0} s left at this outward speed ({metres:.0} m)"),
        None => format!(", about {seconds:.0} s left as the level falls now"),
    }
}

fn measured(
    about: &str,
    role: LinkRole,
    unit: LevelUnit,
    level: Option<f64>,
    loss_ratio: Option<f64>,
) -> String {
    let mut text = format!("{about}: ");
    let level_text = level.map(|level| format!("level {level:.0} {}", unit.label()));
    let loss = loss_ratio.map(|ratio| format!("{:.1} % lost", ratio * 100.0));
    let parts: Vec<String> = level_text.into_iter().chain(loss).collect();
    text.push_str(if parts.is_empty() { "nothing measured yet" } else { "" });
    text.push_str(&parts.join(", "));
    if level.is_some() && role == LinkRole::Video {
        let _ = write!(text, ", {} not known: {}", limit::name(role.limit_event()), reason::NO_LIMIT);
    }
    text
}

#[cfg(test)]
mod tests {
    use crate::wording::advice::*;

    fn said(about: &str, state: LinkState, judgement: Judgement) -> String {
        text(&Verdict { about: about.to_owned(), state, judgement })
    }

    #[test]
    fn what_to_do_comes_first() {
        let near = |margin, state| {
            let (role, unit) = (LinkRole::Video, LevelUnit::Dbm);
            let (seconds_left, metres_left) = (Some(8.7), Some(17.4));
            said("video", state, Judgement::Margin { role, unit, margin, seconds_left, metres_left })
        };
        assert_eq!(
            near(2.6, LinkState::Alarm),
            "turn back now: video 3 dB above its freeze limit, about 9 s left at this outward speed (17 m)"
        );
        assert!(near(5.0, LinkState::Warning).starts_with("go no farther: video 5 dB above"));
        assert!(
            near(-0.2, LinkState::Alarm)
                .starts_with("turn back now: video at its freeze limit, picture may freeze")
        );
    }

    #[test]
    fn a_silent_link_says_what_to_check() {
        assert_eq!(
            said("video", LinkState::Silent, Judgement::Silent { silent_s: 5.2, broken: None }),
            "check power, antenna, source and port: nothing from video for 5 s"
        );
        let broken = Some(("vehicle".to_owned(), "unplugged".to_owned()));
        assert_eq!(
            said("control", LinkState::Silent, Judgement::Silent { silent_s: 29.0, broken }),
            "check source vehicle (unplugged): nothing from control for 29 s"
        );
    }
}
