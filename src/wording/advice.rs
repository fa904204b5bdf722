//! How things stand and what to do: the sentences of the overview, and `text` of a verdict where the summary is written.

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::summary::{Bound, Judgement, LinkState, Verdict};

use super::event::{AUTOPILOT_SILENT, lost};
use super::link_sentence;

/// The stages of the latency.
pub const STAGES: [&str; 3] = ["stick to servo", "stick to input", "input to servo"];

/// One verdict as a sentence.
#[must_use]
pub fn text(verdict: &Verdict) -> String {
    let about = &verdict.about;
    match &verdict.judgement {
        Judgement::Link(judged) => link_sentence::text(about, verdict.state, judged),
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
