//! Links that fall silent and are heard again, as events: whoever was looking elsewhere finds them there.

use crate::summary::EventSummary;
use crate::units::Nanos;

use super::life::Phase;
use super::{LinkMonitor, MOST_EVENTS};

/// A link that was silent for longer is lost, in a trip.
pub(super) const SILENT: Nanos = Nanos::from_secs(2);

/// Of each link of the profile: when it was last heard, where it is lost.
#[derive(Clone, Debug, Default)]
pub(super) struct LostLinks(Vec<Option<Nanos>>);

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
            match self.lost_links.0[index] {
                None if self.is_lost(self.context.at_work(last, at)) => {
                    self.lost_links.0[index] = Some(last);
                    self.note_link(index, last, "lost", |name| format!("nothing from {name} from here on"));
                }
                Some(since) if last > since => {
                    self.lost_links.0[index] = None;
                    let silent = (last - since).secs();
                    self.note_link(index, last, "back", |name| {
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
        let after = |what: &str, seconds: Option<f64>| match seconds {
            Some(seconds) => format!("{what} within {seconds:.2} s"),
            None => format!("{what}: not seen"),
        };
        let mut events: Vec<EventSummary> = Vec::new();
        for incident in self.failsafe.summary(context) {
            let words = [
                "control input lost".to_owned(),
                after("detected", incident.detected_after_s),
                after("outputs safe", incident.servo_safe_after_s),
                after("input back", incident.recovered_after_s),
            ];
            events.push(event(incident.input_lost_s, "failsafe", words.join("; ")));
        }
        for (from, to) in self.latency.hold_spans().iter().take(MOST_EVENTS) {
            let length = (to - from).secs();
            let text = format!("sticks moved and the vehicle's input stood still for {length:.2} s");
            events.push(event(context.since_start_s(from), "hold", text));
        }
        events
    }
}
