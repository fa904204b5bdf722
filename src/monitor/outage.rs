//! Links that fall silent and are heard again, as events: whoever was looking elsewhere finds them there.

use crate::profile::LinkRole;
use crate::summary::{Event, EventSummary};
use crate::units::Nanos;

use super::LinkMonitor;

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
        // The time of bare bytes is the sender's own: a silence there may be that of its clock alone.
        silent > SILENT && !self.context.life.is_quiet() && !self.is_bare()
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
                    self.note_link(index, last, Event::Lost);
                }
                None if is_control && silent > HANDSET_OFF => {
                    self.lost_links.0[index] = Some((last, Silent::HandsetOff));
                    self.note_link(index, last, Event::HandsetOff);
                }
                Some((since, told)) if last > since => {
                    self.lost_links.0[index] = None;
                    let after_s = (last - since).secs();
                    let lost = told == Silent::Lost;
                    let event = if lost { Event::Back { after_s } } else { Event::HandsetOn { after_s } };
                    self.note_link(index, last, event);
                }
                _ => {}
            }
        }
    }

    /// Whether a link's silence is told as the handset's.
    pub(super) fn is_handset_off(&self, index: usize) -> bool {
        matches!(self.lost_links.0.get(index), Some(Some((_, Silent::HandsetOff))))
    }

    /// When anything of a link's own traffic last came.
    pub(super) fn last_heard(&self, index: usize) -> Option<Nanos> {
        self.last_and_spacing(index).0
    }

    fn note_link(&mut self, index: usize, at: Nanos, event: Event) {
        let link = Some(self.context.profile.link[index].name.clone());
        self.keep(EventSummary { at_s: self.context.since_start_s(at), link, event });
    }

    /// Losses of the control input, and holds that ended after an instant, as events.
    pub(super) fn control_events(&self, since: Nanos) -> Vec<EventSummary> {
        let context = &self.context;
        let link = || context.profile.control_link().map(|link| link.name.clone());
        let losses = self
            .failsafe
            .summary(context)
            .into_iter()
            .map(|row| (row.input_lost_s, Event::Failsafe(row.into())));
        let holds = self.latency.hold_spans();
        let first = holds.partition_point(|(_, to)| to < since);
        let holds = holds.range(first, usize::MAX).map(|(_, (from, to))| {
            (context.since_start_s(from), Event::Hold { duration_s: (to - from).secs() })
        });
        losses.chain(holds).map(|(at_s, event)| EventSummary { at_s, link: link(), event }).collect()
    }
}
