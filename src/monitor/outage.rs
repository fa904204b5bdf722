//! Links that fall silent and are heard again, as events: whoever was looking elsewhere finds them there.

use crate::profile::LinkRole;
use crate::summary::{EventSummary, FailsafeSummary, Interval};
use crate::units::Nanos;

use super::{LinkMonitor, MOST_EVENTS};
use crate::measure::life::Phase;

/// A link of which nothing came for longer is silent, in a trip.
pub(super) const SILENT: Nanos = Nanos::from_secs(2);

/// A handset that is silent for longer is switched off, or its cable is out: told on the ground, where nothing is lost.
const HANDSET_OFF: Nanos = Nanos::from_secs(5);

/// Of each link of the profile: when it was last heard, where its silence was told, and what it was told as.
#[derive(Clone, Debug, Default)]
pub(super) struct LostLinks(Vec<Option<(Nanos, Silent)>>);

/// What a link's silence is told as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Silent {
    Lost,
    HandsetOff,
}

impl LinkMonitor {
    /// Whether a link that is silent is lost: not on the ground, where the vehicle may have been switched off and nothing
    /// rings, nor before it is heard.
    pub(super) fn is_lost(&self, silent: Nanos) -> bool {
        silent > SILENT && !self.context.life.is_quiet()
    }

    /// Why nothing is to be heard of the vehicle.
    pub(super) fn absent_word(&self) -> &'static str {
        match self.context.life.now() {
            Some(Phase::Off) => "the vehicle is switched off",
            Some(Phase::Waiting) => "the vehicle is not heard yet",
            _ => "on the ground",
        }
    }

    /// Notes at a whole second what became of each link.
    pub(super) fn note_silences(&mut self, at: Nanos) {
        for index in 0..self.context.profile.link.len() {
            if self.lost_links.0.len() <= index {
                self.lost_links.0.push(None);
            }
            let Some(last) = self.last_heard(index) else { continue };
            let silent = self.context.at_work(last, at);
            let is_control = self.context.profile.link[index].role == LinkRole::Control;
            match self.lost_links.0[index] {
                None if self.is_lost(silent) => {
                    self.lost_links.0[index] = Some((last, Silent::Lost));
                    self.note_link(index, last, "lost", |name| format!("{name} is silent from here on"));
                }
                None if is_control && silent > HANDSET_OFF => {
                    self.lost_links.0[index] = Some((last, Silent::HandsetOff));
                    self.note_link(index, last, "handset-off", |name| {
                        format!("the handset sends nothing on {name} from here on: switched off, or its cable is out")
                    });
                }
                Some((since, told)) if last > since => {
                    self.lost_links.0[index] = None;
                    let silent = (last - since).secs();
                    let kind = if told == Silent::Lost { "back" } else { "handset-on" };
                    self.note_link(index, last, kind, |name| {
                        format!("{name} is heard again, after about {silent:.0} s")
                    });
                }
                _ => {}
            }
        }
    }

    /// When anything of a link's own traffic last came.
    fn last_heard(&self, index: usize) -> Option<Nanos> {
        let link = &self.context.profile.link[index];
        let packets = self.of_packets(link, |video| video.last_heard(&self.context));
        packets.or_else(|| self.loss.last_heard(&self.context, link))
    }

    fn note_link(&mut self, index: usize, at: Nanos, kind: &str, text: impl Fn(&str) -> String) {
        let name = self.context.profile.link[index].name.clone();
        let (at_s, text) = (self.context.since_start_s(at), text(&name));
        self.keep(EventSummary { at_s, kind: kind.to_owned(), link: Some(name), text });
    }

    /// Losses of the control input and its holds, as events.
    pub(super) fn control_events(&self) -> Vec<EventSummary> {
        let context = &self.context;
        let control = context.profile.control_link();
        let event = |at_s: f64, kind: &str, text: String| EventSummary {
            at_s,
            kind: kind.to_owned(),
            link: control.map(|link| link.name.clone()),
            text,
        };
        let mut events: Vec<EventSummary> = Vec::new();
        for incident in self.failsafe.summary(context) {
            events.push(event(incident.input_lost_s, "failsafe", in_words(&incident)));
        }
        for (from, to) in self.latency.hold_spans().iter().take(MOST_EVENTS) {
            let length = (to - from).secs();
            let text = format!("sticks moved and the vehicle's input stood still for {length:.2} s");
            events.push(event(context.since_start_s(from), "hold", text));
        }
        events
    }
}

/// One loss of input as one line.
fn in_words(row: &FailsafeSummary) -> String {
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
    words.push(match row.outputs.as_deref() {
        Some("held") => "outputs held as they were".to_owned(),
        Some("moving") => "outputs kept moving".to_owned(),
        Some("steady") => after("outputs steady", row.servo_safe_after_interval_s),
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
    use crate::monitor::outage::*;

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
            cause: Some("handset".into()),
            outputs: Some("held".into()),
            evidence: Some(false),
            why_not: None,
        };
        let text = "drill: control input stopped; the handset's own stream stopped first; detected after 0.50 s (0.00 to \
                    1.00); outputs held as they were; input back after 6.00 s";
        assert_eq!(in_words(&drill), text);
        let loss = FailsafeSummary { drill: false, cause: None, outputs: Some("moving".into()), ..drill };
        let loss = FailsafeSummary { recovered_after_s: None, detected_after_interval_s: None, ..loss };
        assert_eq!(
            in_words(&loss),
            "control input lost; detected: not seen; outputs kept moving; input not back"
        );
    }
}
