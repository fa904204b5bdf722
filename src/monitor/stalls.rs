//! Stalls: spans in which this computer itself stood still, and what waited says nothing of a link.
//!
//! Source: notes of a live session, which come before what waited meanwhile. Recordings from before such notes
//! have ticks alone: where regular ticks stop for over 2.5 s, and nothing else comes either, the program was
//! stopped from the newest record to the next. A note or a hole of the recording explains missing ticks; without
//! ticks nothing is concluded. Unit: stamps. Stalls that touch are one. At most [`MOST`], later ones are dropped.
//! What a stall touches is kept out of loss (byte streams: the kernel's buffers are small, and no stamp tells
//! when bytes came), of ages and of control holds.

use crate::record::{Body, InterfaceKind, Note};
use crate::summary::{Event, EventSummary};
use crate::units::Nanos;

use super::LinkMonitor;
use crate::measure::context::Stall;

const MOST: usize = 65_536;
/// Ticks further apart than this are missing; they come a second apart.
const MISSING: Nanos = Nanos::from_millis(2500);
/// Usual spacings of ticks.
const REGULAR: std::ops::RangeInclusive<Nanos> = Nanos::from_millis(500)..=Nanos::from_millis(1500);
/// So many of them before a missing tick says something.
const FEWEST: u32 = 2;
/// What waited is read within this after a stall that only ticks tell of.
const READ_WITHIN: Nanos = Nanos::from_millis(100);
/// A stall of this length is an event; shorter ones are one event a minute.
const LONG: Nanos = Nanos::from_secs(1);
const MINUTE: Nanos = Nanos::from_secs(60);

/// The ticks of a live session.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Ticks {
    last: Option<Nanos>,
    regular: u32,
    are_known: bool,
    /// Begin of the newest stall that was told.
    told: Option<Nanos>,
}

impl Ticks {
    pub(super) fn tick(&mut self, at: Nanos) {
        self.are_known = true;
        let before = self.last.replace(at);
        let is_regular = before.is_some_and(|before| REGULAR.contains(&(at - before)));
        self.regular = self.regular.saturating_add(u32::from(is_regular));
    }

    /// Whether the session has ticks.
    pub(super) const fn are_known(&self) -> bool {
        self.are_known
    }

    /// No more ticks are to come of this session.
    pub(super) const fn end(&mut self) {
        self.last = None;
        self.regular = 0;
    }
}

impl LinkMonitor {
    /// Learns of a stall before the time that it took passes: what only time can bring has to know of it.
    pub(super) fn notice_stall(&mut self, at: Nanos, body: &Body<'_>) {
        match body {
            Body::Note(Note::Stalled { reach }) => {
                let other = at - *reach;
                self.stood_still(at.min(other), at.max(other));
            }
            Body::Note(Note::BytesLost { reach: Some(_), .. }) => {}
            _ => self.infer_stall(at),
        }
    }

    fn infer_stall(&mut self, at: Nanos) {
        let Some(tick) = self.ticks.last.filter(|_| self.ticks.regular >= FEWEST) else { return };
        let worked = self.context.stalls.last().map_or(tick, |stall| tick.max(stall.to));
        let newest = self.context.now;
        // The next tick was due a second later: whatever came after that was taken by a program at work.
        if at - worked > MISSING && newest - worked <= *REGULAR.end() {
            self.stood_still(newest.max(worked), at);
            self.context.late_until = Some(at + READ_WITHIN);
        }
    }

    fn stood_still(&mut self, from: Nanos, to: Nanos) {
        let from = from.max(self.context.start.unwrap_or(to));
        let stalls = &mut self.context.stalls;
        if to <= from || stalls.len() >= MOST {
            return;
        }
        let mut stall = Stall { from, to };
        let mut is_new = true;
        while let Some(last) = stalls.pop_if(|last| last.to >= stall.from) {
            stall = Stall { from: stall.from.min(last.from), to: stall.to.max(last.to) };
            is_new = false;
        }
        stalls.push(stall);
        self.leave_out(from, to, |_, info| info.kind == InterfaceKind::Stream);
        if is_new {
            self.tell_stall(stall);
        }
    }

    fn tell_stall(&mut self, Stall { from, to }: Stall) {
        if to - from < LONG && self.ticks.told.is_some_and(|told| from - told < MINUTE) {
            return;
        }
        self.ticks.told = Some(from);
        let at_s = self.context.since_start_s(from.max(self.context.now));
        let event = Event::Stall { duration_s: (to - from).secs() };
        self.keep(EventSummary { at_s, link: None, event });
    }

    /// How long this computer stood still; `None` where no ticks say whether it was at work.
    pub(super) fn stalled_s(&self) -> Option<f64> {
        let context = &self.context;
        let length = |stall: &Stall| (stall.to.min(context.now) - stall.from).max(Nanos::ZERO);
        let all = context.stalls.iter().fold(Nanos::ZERO, |all, stall| all + length(stall));
        self.ticks.are_known.then(|| all.secs())
    }
}

#[cfg(test)]
mod tests {
    use crate::monitor::stalls::*;
    use crate::record::{Direction, Entry, InterfaceId, InterfaceInfo, OwnedBody, OwnedRecord};

    const MARKS: InterfaceId = InterfaceId(1);

    /// A session of a byte stream and a marks interface.
    struct Session(LinkMonitor);

    impl Session {
        fn new() -> Self {
            let mut monitor = LinkMonitor::default();
            for (number, name, kind) in
                [(0, "vehicle", InterfaceKind::Stream), (1, "marks", InterfaceKind::Marks)]
            {
                let info = InterfaceInfo { name: name.to_owned(), kind, description: None };
                monitor.handle(&Entry::Interface(InterfaceId(number), info));
            }
            Self(monitor)
        }

        fn put(&mut self, at: Nanos, interface: InterfaceId, body: OwnedBody) -> &mut Self {
            let record = OwnedRecord { at, interface, direction: Direction::Inbound, body };
            self.0.handle(&Entry::Record(record.as_record()));
            self
        }

        fn note(&mut self, ms: i64, note: Note) -> &mut Self {
            self.put(Nanos::from_millis(ms), MARKS, OwnedBody::Note(note))
        }

        fn ticks(&mut self, seconds: impl Iterator<Item = i64>) -> &mut Self {
            for second in seconds {
                self.note(1000 * second, Note::Tick);
            }
            self
        }

        fn bytes(&mut self, ms: i64) -> &mut Self {
            self.put(Nanos::from_millis(ms), InterfaceId(0), OwnedBody::Stream(vec![0; 9].into()))
        }

        fn stalls(&self) -> Vec<(i64, i64)> {
            let ms = |at: Nanos| at.0 / 1_000_000;
            self.0.context.stalls.iter().map(|stall| (ms(stall.from), ms(stall.to))).collect()
        }

        fn told(&self) -> usize {
            self.0.events.iter().filter(|event| matches!(event, Event::Stall { .. })).count()
        }
    }

    fn stalled(ms: i64) -> Note {
        Note::Stalled { reach: Nanos::from_millis(ms) }
    }

    #[test]
    fn a_note_is_known_before_its_time_passes_and_told_once() {
        let mut session = Session::new();
        session.ticks(0..5).note(4100, stalled(-3000));
        assert!(session.0.context.stalled(Nanos::from_secs(5), Nanos::from_secs(6)));
        session.bytes(7100).ticks(8..12);
        assert_eq!((session.stalls(), session.told()), (vec![(4100, 7100)], 1));
        assert_eq!(session.0.stalled_s(), Some(3.0));
        // Said at the end, and again as it went on.
        session.note(11_900, stalled(1600)).note(12_000, stalled(1700));
        assert_eq!((session.stalls(), session.told()), (vec![(4100, 7100), (10_300, 12_000)], 2));
    }

    #[test]
    fn many_short_stalls_are_one_event_a_minute() {
        let mut session = Session::new();
        for second in 0..120 {
            session.note(1000 * second, Note::Tick).note(1000 * second + 500, stalled(-200));
        }
        session.ticks(120..121);
        assert_eq!((session.stalls().len(), session.told()), (120, 2));
        assert!((session.0.stalled_s().unwrap() - 24.0).abs() < 1e-9);
    }

    #[test]
    fn ticks_that_are_missing_with_all_else_are_a_stall() {
        let mut session = Session::new();
        session.ticks(0..5).bytes(4400).bytes(14_300);
        assert_eq!(session.stalls(), [(4400, 14_300)]);
        session.bytes(14_310).ticks(15..30);
        assert_eq!((session.stalls(), session.told()), (vec![(4400, 14_300)], 1));
        assert_eq!(session.0.stalled_s(), Some(9.9));
    }

    #[test]
    fn what_is_no_stall() {
        // Bytes that came while ticks are missing were taken by a program at work.
        let mut session = Session::new();
        session.ticks(0..5);
        for tenth in 45..140 {
            session.bytes(100 * tenth);
        }
        session.ticks(14..20);
        assert_eq!((session.stalls(), session.0.stalled_s()), (vec![], Some(0.0)));
        // Everything is silent, and the ticks go on.
        let mut session = Session::new();
        session.bytes(10).ticks(1..60);
        assert_eq!(session.stalls(), []);
        // The session ended; the next one in this file begins later.
        let mut session = Session::new();
        session.ticks(0..5).note(4500, Note::End).bytes(60_000);
        assert_eq!(session.stalls(), []);
        // The recorder made a hole.
        let mut session = Session::new();
        let reach = Some(Nanos::from_secs(9));
        session.ticks(0..5).note(14_000, Note::BytesLost { bytes: 9, reach }).bytes(14_001).ticks(15..18);
        assert_eq!(session.stalls(), []);
        // A source took long to open, before the first seconds passed.
        let mut session = Session::new();
        session.ticks(0..1).ticks(8..20);
        assert_eq!(session.stalls(), []);
        // A capture of another tool has no ticks.
        let mut session = Session::new();
        session.bytes(0).bytes(10_000).bytes(20_000);
        assert_eq!((session.stalls(), session.0.stalled_s()), (vec![], None));
    }

    #[test]
    fn a_note_explains_the_ticks_that_are_missing() {
        let mut session = Session::new();
        session.ticks(0..5).note(4100, stalled(-8000)).bytes(12_101).ticks(13..20);
        assert_eq!((session.stalls(), session.told()), (vec![(4100, 12_100)], 1));
        assert_eq!(session.0.context.late_until, None);
    }

    #[test]
    fn notes_of_nonsense_do_no_harm() {
        for reach in [i64::MIN, i64::MAX, 0, -1] {
            let mut session = Session::new();
            session.ticks(0..5).note(4100, Note::Stalled { reach: Nanos(reach) }).bytes(4200).ticks(5..9);
            assert!(session.0.stalled_s().unwrap() <= 8.0);
        }
    }
}
