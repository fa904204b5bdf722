//! How things stand and what to do: the sentences of the overview, and `text` of a verdict where the summary is written.

pub mod source_fault;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::summary::{
    BatteryEnd, Judgement, LinkSecond, LinkState, Reason, StateChange, StickAdvice, Verdict,
};

use super::event::{AUTOPILOT_SILENT, lost};
use super::{link_sentence, quantity};

/// The stages of the latency.
pub const STAGES: [&str; 3] = ["stick to servo", "stick to input", "input to servo"];

/// One verdict as a sentence.
#[must_use]
pub fn text(verdict: &Verdict) -> String {
    let about = &verdict.about;
    match &verdict.judgement {
        Judgement::Link(judged) => link_sentence::text(about, verdict.state, judged),
        Judgement::Written(text) => text.clone(),
        Judgement::NothingHeard => "nothing heard yet".to_owned(),
        Judgement::NoVehicle => "frames come, but no vehicle among them yet".to_owned(),
        Judgement::VehicleLost(place) => lost(*place),
        Judgement::VehicleSilent => "the vehicle is silent, cause not known".to_owned(),
        Judgement::AutopilotSilent => AUTOPILOT_SILENT.to_owned(),
        Judgement::VehicleOff => {
            "the vehicle is switched off, or its battery is out, on the ground".to_owned()
        }
        Judgement::Source { source, url, fault } => source_fault::text(source, url.as_deref(), fault),
        Judgement::OtherVehicle { wanted, heard } => format!(
            "the profile's vehicle is {wanted}, system {heard} is heard: if it is yours, give system = {heard} under [vehicle]"
        ),
        Judgement::OtherComponent { link, system, wanted, heard } => format!(
            "{link}: {system}/{wanted} is not heard, {system}/{heard} is: is it on, and right in the profile?"
        ),
        Judgement::NoLatency(StickAdvice::Now) => {
            "latency not measured yet: on the bench, propellers off, move one stick at a time, quickly"
                .to_owned()
        }
        Judgement::NoLatency(StickAdvice::NotNow) => "latency not measured yet".to_owned(),
        Judgement::NoLatency(StickAdvice::NextTime) => {
            "latency not measured: next time, on the bench, propellers off, move one stick at a time, quickly"
                .to_owned()
        }
        Judgement::UnheardLatency(why) => format!("latency not measured: {}", unheard(*why)),
        Judgement::UnboundedLatency => format!("latency not measured: {}", Reason::NoBound),
        Judgement::Latency { stage, p50_ms: None, needed, .. } => {
            let moves = quantity::counted(*needed, "more quick stick move", "more quick stick moves");
            format!("{}: {moves} needed", STAGES[*stage])
        }
        Judgement::Latency { stage, bound, p50_ms: Some(p50), p90_ms, events, .. } => {
            let ninety = p90_ms.map(|p90| format!(", {}", quantity::within(quantity::NINETY, *bound, p90)));
            let half = quantity::within(quantity::HALF, *bound, *p50);
            let moves = quantity::counted(*events, "move", "moves");
            format!("{}: {half}{} ({moves})", STAGES[*stage], ninety.unwrap_or_default())
        }
        Judgement::HostDrops(dropped) => {
            format!("this computer lost data itself ({dropped}): those seconds are kept out of link loss")
        }
        Judgement::Battery { system, battery, minutes_left, ci95, to } => {
            let left = quantity::minutes_left(*minutes_left, *ci95, *to);
            let load = if *to == Some(BatteryEnd::Cutoff) { "" } else { " if the load goes on as it was" };
            format!("battery {battery} of system {system}: {left}{load}")
        }
    }
}

/// Which end of the latency is not heard; what to do hangs on what is asked for already, and stands with the stages.
const fn unheard(why: Reason) -> &'static str {
    match why {
        Reason::NoSticks => "no stick messages heard",
        Reason::NoInput => "no RC input messages heard",
        _ => "no servo messages heard",
    }
}

impl Serialize for StateChange {
    fn serialize<S: Serializer>(&self, out: S) -> Result<S::Ok, S::Error> {
        #[derive(Serialize)]
        struct Row<'a> {
            at_s: f64,
            was: Option<&'static str>,
            acknowledged: bool,
            quiet: bool,
            text: String,
            #[serde(flatten)]
            link: &'a LinkSecond,
        }
        let Self { at_s, was, acknowledged, quiet, ref link, ref verdict } = *self;
        Row { at_s, was, acknowledged, quiet, text: text(verdict), link }.serialize(out)
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
