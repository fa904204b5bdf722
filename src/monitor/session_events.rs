//! Notes in a recording: marks, sources that went and came, what this computer lost.

use crate::record::{BATCHES_TEXT, HEAPS_TEXT, InterfaceId, InterfaceInfo, InterfaceKind, MarkKind, Note};
use crate::units::Nanos;

use super::LinkMonitor;
use crate::measure::context::HostDrop;
use crate::record::text::clean;
use crate::summary::{Event, EventSummary, GuideNote};

const MOST_HOST_DROPS: usize = 65_536;
/// A source that is back brings its first bytes within this.
const BACK: Nanos = Nanos::from_secs(1);
/// The counters of lost data are read this often, or a little later.
const COUNTED_WITHIN: Nanos = Nanos::from_secs(2);

impl LinkMonitor {
    pub(super) fn handle_note(&mut self, at: Nanos, note: &Note) {
        match note {
            Note::Tick => self.ticks.tick(at),
            Note::End => self.ticks.end(),
            Note::Mark { kind, text } => {
                match kind {
                    MarkKind::PictureFroze => self.video.mark_froze(at),
                    MarkKind::PictureShook => self.vibration.mark_shook(at),
                    MarkKind::HandsetHere => self.range.mark_handset_here(at),
                    MarkKind::Drill => self.failsafe.mark_drill(at),
                    MarkKind::Remark => {
                        if let Some(note) = GuideNote::parse(text) {
                            self.guide.observe(self.context.since_start_s(at), note);
                            self.context.life.note_bench();
                        }
                    }
                }
                self.log(Event::Mark { kind: *kind, text: clean(text) });
            }
            Note::SourceDown { interface, reason } => {
                let source = self.context.interface_name(*interface).to_owned();
                let reason = clean(reason);
                if let Some(source) = self.sources.get_mut(usize::from(interface.0)) {
                    source.down = Some((at, reason.clone()));
                }
                self.lose_device(*interface);
                self.log(Event::SourceDown { source, reason });
            }
            Note::SourceUp { interface } => {
                let source = self.sources.get_mut(usize::from(interface.0));
                let gone = source.and_then(|source| Some((source.down.take()?.0, source.last)));
                if let Some((down, last)) = gone {
                    // What the far side sent meanwhile was not lost on the way.
                    let from = last.map_or(down, |last| last.min(down));
                    self.leave_out(from, at + BACK, |each, _| each == *interface);
                }
                self.presence.note_source_up(at, *interface);
                let source = self.context.interface_name(*interface).to_owned();
                self.log(Event::SourceUp { source });
            }
            Note::Health { rows } => {
                for event in self.health.observe(at, rows) {
                    self.log(event);
                }
            }
            Note::Joystick { interface, layout } => self.describe_joystick(at, *interface, layout),
            Note::HostDrops { interface, total } => self.host_dropped(at, *interface, *total),
            Note::BytesLost { bytes, reach } => {
                self.bytes_lost = self.bytes_lost.saturating_add(*bytes);
                if let Some(reach) = reach {
                    self.leave_out(at - *reach, at, |_, info| info.kind != InterfaceKind::Marks);
                }
                self.log(Event::BytesLost { bytes: *bytes });
            }
            // A stall was noticed before its time passed. The core is made with the limits: whoever opens a recording reads
            // them first, since another history may be asked.
            Note::Stalled { .. } | Note::Limits { .. } => {}
            Note::WallClockStep { by } => self.log(Event::ClockStep { by_s: by.secs() }),
            Note::Transmits { what } => {
                let what = clean(what);
                if !self.transmits.contains(&what) && self.transmits.len() < 8 {
                    self.log(Event::Transmits { what: what.clone() });
                    self.transmits.push(what);
                }
            }
            Note::Acknowledged { link } => {
                self.acknowledge(link);
                let at_s = self.context.since_start_s(at);
                self.keep(EventSummary { at_s, link: Some(clean(link)), event: Event::Acknowledged });
            }
            Note::Foreign { text } => {
                if text == HEAPS_TEXT {
                    self.video.note_heaps();
                }
                let text = if text == HEAPS_TEXT { BATCHES_TEXT } else { text };
                self.log(Event::Comment { text: clean(text) });
            }
        }
    }

    /// What this computer lost itself between two stamps, of some of its interfaces, counts in no loss. So do holes
    /// of the recording: a live session saw what a replay cannot see, and none of it counts in either.
    pub(super) fn leave_out(
        &mut self,
        from: Nanos,
        to: Nanos,
        is_touched: impl Fn(InterfaceId, &InterfaceInfo) -> bool,
    ) {
        // A note may claim any time: what lies before the session is no second of it.
        let from = from.max(self.context.start.unwrap_or(from));
        let drops = &mut self.context.host_drops;
        // What lies before it stays where it is: notes come in order.
        let (first, before) = (drops.partition_point(|drop| drop.at <= from), drops.len());
        for (number, info) in self.context.interfaces.iter().enumerate() {
            let interface = InterfaceId(number as u16);
            if !is_touched(interface, info) {
                continue;
            }
            let room = MOST_HOST_DROPS.saturating_sub(drops.len());
            // The seconds that drops stand for touch each other.
            let each = (0..).map(|second| from + Nanos::from_secs(second)).take_while(|at| *at < to);
            let each = each.chain([to]).take(room);
            drops.extend(each.map(|at| HostDrop { at, interface, count: 0 }));
            self.loss.own_loss(from, to, interface);
        }
        if drops.len() > before {
            drops[first..].sort_by_key(|drop| drop.at);
        }
    }

    fn host_dropped(&mut self, at: Nanos, interface: InterfaceId, total: u64) {
        let Some(source) = self.sources.get_mut(usize::from(interface.0)) else { return };
        let count = total.saturating_sub(source.host_drops.unwrap_or(0));
        source.host_drops = Some(total);
        if count == 0 {
            return;
        }
        let drops = &mut self.context.host_drops;
        if drops.len() < MOST_HOST_DROPS {
            // A stall that was told beforehand may reach beyond now.
            drops.insert(drops.partition_point(|drop| drop.at <= at), HostDrop { at, interface, count });
        }
        self.loss.host_dropped(at, interface);
        // Buffers overflow while nobody reads them, and the counter is read after that.
        if let Some(stall) =
            self.context.stalls.last().copied().filter(|stall| at - stall.to < COUNTED_WITHIN)
        {
            self.leave_out(stall.from, at, |each, _| each == interface);
        }
        let source = self.context.interface_name(interface).to_owned();
        self.log(Event::HostDrop { source, count, strain: Vec::new() });
    }
}
