//! What happened, in words: for the list of events, and for `text` where the summary is written.

use std::fmt::Write as _;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::record::MarkKind;
use crate::summary::{
    Event, EventSummary, FailsafeSummary, Interval, LastPlace, MarginChange, OutputsWord, Phase,
};

use super::{caution, health_words, quantity};

/// One event as a sentence.
#[must_use]
pub fn text(row: &EventSummary) -> String {
    let link = row.link.as_deref().unwrap_or_default();
    match &row.event {
        Event::Phase(phase, why) => format!("{}: {why}", phase_title(*phase)),
        Event::VehicleLost(place) => lost(*place),
        Event::VehicleSilent => "the vehicle is silent from here on, cause not known".to_owned(),
        Event::AutopilotSilent => AUTOPILOT_SILENT.to_owned(),
        Event::Lost => format!("{link} is silent from here on"),
        Event::Back { after_s } | Event::HandsetOn { after_s } => {
            format!("{link} is heard again, after about {after_s:.0} s")
        }
        Event::HandsetOff => {
            format!("the handset sends nothing on {link} from here on: switched off, or its cable is out")
        }
        Event::HandsetMoves => {
            "does the handset move? The vehicle stands and its level changes: no distances here".to_owned()
        }
        Event::Restart { system, component } => format!("sender {system}/{component} restarted"),
        Event::RestartAloft => "the vehicle restarted in flight".to_owned(),
        Event::RestartUnplaced => {
            "the vehicle restarted, and nothing shows that it stood on the ground".to_owned()
        }
        Event::VideoRestart { after_s } => {
            format!("the picture's sender began anew, {after_s:.1} s after its last picture")
        }
        Event::Freeze { duration_s, ended, strain } => {
            let open = if *ended { "" } else { ", not over yet" };
            format!("picture frozen for {duration_s:.2} s{open}{}", health_words::meanwhile(strain))
        }
        Event::Failsafe(row) => failsafe(row),
        Event::Hold { duration_s } => {
            format!("sticks moved and the vehicle's input stood still for {duration_s:.2} s")
        }
        Event::Margin { change, margin, unit, seconds_left, metres_left } => {
            let mut text = format!("margin {margin:.1} {}", unit.difference_label());
            let ahead = *change != MarginChange::Cleared;
            if let Some(seconds) = seconds_left.filter(|_| ahead) {
                let _ = write!(text, ", about {seconds:.0} s left");
            }
            if let Some(metres) = metres_left.filter(|_| ahead) {
                let _ = write!(text, ", {metres:.0} m");
            }
            text
        }
        Event::Mark { kind, text } if text.is_empty() => mark(*kind).to_owned(),
        Event::Mark { kind, text } => format!("{}: {text}", mark(*kind)),
        Event::Acknowledged => "acknowledged".to_owned(),
        Event::SourceDown { source, reason } => format!("{source} is gone: {reason}"),
        Event::SourceUp { source } => format!("{source} is back"),
        Event::RelativeLevel { source } => {
            format!("{source} gives its level in a unit of its own: left out")
        }
        Event::Joystick { source, axes, name } => {
            let axes = quantity::counted(*axes as u64, "axis", "axes");
            format!("{source} is a joystick with {axes}: {name}")
        }
        Event::SameId { system, component, owner, other } => format!(
            "another sender with the id {system}/{component} at {other}: nothing of it counts, {owner} was first"
        ),
        Event::Forgotten { is_video, count } => {
            let what = if *is_video {
                quantity::counted(*count, "silent video stream", "silent video streams")
            } else {
                quantity::counted(*count, "silent sender", "silent senders")
            };
            format!("too many at once: {what} forgotten for new ones, from here on")
        }
        Event::HostDrop { source, count, strain } => {
            format!("this computer lost data of {source} itself ({count}){}", health_words::meanwhile(strain))
        }
        Event::Strain { what, lasted_s } => health_words::event(what, *lasted_s),
        Event::Stall { duration_s } => {
            format!("this computer stood still for {duration_s:.1} s: nothing of it is a link's")
        }
        Event::BytesLost { bytes } => {
            let missing = quantity::counted(*bytes, "byte is", "bytes are");
            format!("{missing} missing from the recording here")
        }
        Event::ClockStep { by_s } => {
            format!("the wall clock was set by {by_s:.3} s; timestamps ignore the change")
        }
        Event::StampBack { by_s } => format!("a record is stamped {by_s:.3} s before the one before it"),
        Event::StampStep { by_s } => {
            let side = if *by_s > 0.0 { "earlier" } else { "later" };
            format!("records are stamped {} {side} from here on; time goes on without that", long(*by_s))
        }
        Event::StampOff { by_s } => {
            let side = if *by_s < 0.0 { "before" } else { "after" };
            format!("a record is stamped {} {side} its neighbours; its time does not count", long(*by_s))
        }
        Event::Hole { duration_s } => format!("no record for {duration_s:.0} s"),
        Event::Transmits { what } => caution::sent(what),
        Event::Comment { text } | Event::StatusText { text, .. } | Event::Written { text, .. } => {
            text.clone()
        }
    }
}

impl Serialize for EventSummary {
    fn serialize<S: Serializer>(&self, out: S) -> Result<S::Ok, S::Error> {
        #[derive(Serialize)]
        struct Row<'a> {
            at_s: f64,
            kind: &'a str,
            link: Option<&'a str>,
            text: String,
        }
        let (kind, link) = (self.event.kind(), self.link.as_deref());
        Row { at_s: self.at_s, kind, link, text: text(self) }.serialize(out)
    }
}

impl<'de> Deserialize<'de> for EventSummary {
    fn deserialize<D: Deserializer<'de>>(input: D) -> Result<Self, D::Error> {
        #[derive(Deserialize)]
        struct Row {
            at_s: f64,
            kind: String,
            link: Option<String>,
            text: String,
        }
        let Row { at_s, kind, link, text } = Row::deserialize(input)?;
        Ok(Self { at_s, link, event: Event::Written { kind, text } })
    }
}

pub(super) const AUTOPILOT_SILENT: &str = "the autopilot is silent, other parts of the vehicle are heard";

/// A vehicle that is lost, with where it was last, for whoever goes to look for it.
pub(super) fn lost(place: LastPlace) -> String {
    let away = place.distance_m.map(|metres| format!("{metres:.0} m away"));
    let spot =
        place.spot.map(|(lat, lon, alt_m)| format!("at {lat:.6} {lon:.6}, {alt_m:.0} m above sea level"));
    let known: Vec<String> = away.into_iter().chain(spot).collect();
    let place = if known.is_empty() {
        ", its position is not known".to_owned()
    } else {
        format!("{}{}", then(place), known.join(", "))
    };
    format!("the vehicle is lost from here on{place}")
}

/// Before a last place: `, `, or how long ago that was.
pub(super) fn then(place: LastPlace) -> String {
    place.before_s.map_or_else(
        || ", ".to_owned(),
        |before_s| format!("; {} before, it was ", quantity::seconds(before_s)),
    )
}

/// A phase of the session, for people.
#[must_use]
pub const fn phase_title(phase: Phase) -> &'static str {
    match phase {
        Phase::Waiting => "waiting for the vehicle",
        Phase::Ground => "on the ground",
        Phase::Walk => "walk",
        Phase::Out => "on the way out",
        Phase::Back => "on the way back",
        Phase::Off => "switched off",
    }
}

/// What a mark says, before the words of the person.
#[must_use]
pub const fn mark(kind: MarkKind) -> &'static str {
    match kind {
        MarkKind::PictureFroze => "the picture froze",
        MarkKind::PictureShook => "the picture shook",
        MarkKind::HandsetHere => "the handset is here",
        MarkKind::Drill => "failsafe drill",
        MarkKind::Remark => "note",
    }
}

/// A time without its sign, of whatever length.
fn long(by_s: f64) -> String {
    let (by_s, days) = (by_s.abs(), by_s.abs() / 86_400.0);
    if days < 2.0 { format!("{by_s:.3} s") } else { format!("{days:.0} days") }
}

/// One loss of input as one line.
fn failsafe(row: &FailsafeSummary) -> String {
    let mut words =
        vec![if row.drill { "drill: control input stopped" } else { "control input lost" }.to_owned()];
    if row.cause.is_some() {
        words.push("the handset's own stream stopped first".to_owned());
    }
    let after = |what: &str, interval: Option<Interval>| match interval {
        Some([low, high]) => {
            format!("{what} after {:.2} s ({low:.2} to {high:.2})", f64::midpoint(low, high))
        }
        None => format!("{what}: not seen"),
    };
    words.push(after("detected", row.detected_after_interval_s));
    words.push(match row.outputs {
        Some(OutputsWord::Held) => "outputs held as they were".to_owned(),
        Some(OutputsWord::Moving) => "outputs kept moving".to_owned(),
        Some(OutputsWord::Elsewhere) => "outputs at rest, not at the profile's failsafe values".to_owned(),
        Some(OutputsWord::Steady) => after("outputs steady", row.servo_safe_after_interval_s),
        _ => after("outputs safe", row.servo_safe_after_interval_s),
    });
    words.push(match row.recovered_after_s {
        Some(seconds) => format!("input back after {seconds:.2} s"),
        None => "input not back".to_owned(),
    });
    words.join("; ")
}

#[cfg(test)]
mod tests {
    use crate::wording::event::*;

    #[test]
    fn what_stamps_did_is_said_with_its_side() {
        let said = |event| text(&EventSummary { at_s: 1.0, link: None, event });
        let step = "records are stamped 99.500 s earlier from here on; time goes on without that";
        assert_eq!(said(Event::StampStep { by_s: 99.5 }), step);
        let step = "records are stamped 20454 days later from here on; time goes on without that";
        assert_eq!(said(Event::StampStep { by_s: -20_454.0 * 86_400.0 }), step);
        let off = "a record is stamped 3 days before its neighbours; its time does not count";
        assert_eq!(said(Event::StampOff { by_s: -3.0 * 86_400.0 }), off);
    }

    #[test]
    fn one_is_no_plural() {
        let said = |event| text(&EventSummary { at_s: 1.0, link: None, event });
        let joystick = |axes| Event::Joystick { source: "handset".to_owned(), axes, name: "pad".to_owned() };
        assert_eq!(said(joystick(1)), "handset is a joystick with 1 axis: pad");
        assert_eq!(said(joystick(4)), "handset is a joystick with 4 axes: pad");
        assert_eq!(said(Event::BytesLost { bytes: 1 }), "1 byte is missing from the recording here");
    }

    #[test]
    fn a_drill_and_a_loss_read_apart() {
        let drill = FailsafeSummary {
            input_lost_s: 10.0,
            detected_after_s: Some(0.5),
            servo_safe_after_s: None,
            mode_before: None,
            mode_after: None,
            recovered_after_s: Some(6.0),
            detected_after_interval_s: Some([0.0, 1.0]),
            servo_safe_after_interval_s: None,
            drill: true,
            cause: Some(crate::summary::LossCause::Handset),
            outputs: Some(OutputsWord::Held),
            evidence: Some(false),
            why_not: None,
        };
        let text = "drill: control input stopped; the handset's own stream stopped first; detected after 0.50 s (0.00 to \
                    1.00); outputs held as they were; input back after 6.00 s";
        assert_eq!(failsafe(&drill), text);
        let loss = FailsafeSummary { drill: false, cause: None, outputs: Some(OutputsWord::Moving), ..drill };
        let loss = FailsafeSummary { recovered_after_s: None, detected_after_interval_s: None, ..loss };
        assert_eq!(
            failsafe(&loss),
            "control input lost; detected: not seen; outputs kept moving; input not back"
        );
    }
}
