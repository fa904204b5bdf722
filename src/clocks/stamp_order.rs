//! The session's time out of the stamps of its records, which may fall, leap or be damaged.
//!
//! Definition: the running maximum of the stamps, moved by a shift. Unit: ns. A stamp over 1 s before that time, or over
//! a day after it, is astray: its record takes the time of the one before. Where [`FOLLOWERS`] more go on from it the
//! clock was set: the shift takes the step out and time goes on from where it stood. So does a leap ahead, but where
//! ticks come: their clock is monotonic, and the leap is a hole. Stamps that fit the shift before a step back again were
//! set right. An interface that lags behind another is late, and no step: its own stamps do not fall. One that is
//! astray alone moves nothing. Source: none, a definition of this program.

use crate::record::InterfaceId;
use crate::units::Nanos;

/// Stamps may be so much before the newest.
const BACK: Nanos = Nanos::from_secs(1);
/// And so much after it.
const AHEAD: Nanos = Nanos::from_secs(86_400);
/// Records that go on from one that is astray before the clock is taken to have been set.
const FOLLOWERS: u32 = 3;
/// They follow each other within this.
const FOLLOWS: Nanos = Nanos::from_secs(20);
/// A clock that is set right again goes on within this, or a quarter of the step if that is less: a silence is one.
const SET_RIGHT: Nanos = Nanos::from_secs(5);
/// Stamps that are astray one by one are told once, until none was for so long.
const SPELL: Nanos = Nanos::from_secs(60);
/// A session begins a century before the last stamp that can be held, so that its time can go on.
const LATEST_START: Nanos = Nanos(i64::MAX - 100 * 365 * AHEAD.0);

/// What stamps did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Astray {
    /// Some stand so much before those before them.
    Late(Nanos),
    /// One stands so far off both its neighbours, below zero: before them.
    Alone(Nanos),
    /// They go on from so much later, below zero: earlier. Time goes on without that.
    Step(Nanos),
    /// So much time passed without a record.
    Hole(Nanos),
}

/// Records astray that go on from each other.
#[derive(Clone, Copy, Debug)]
struct Chain {
    first: Nanos,
    last: Nanos,
    /// The first one's distance from the session's time.
    by: Nanos,
    followers: u32,
}

impl Chain {
    fn alone(&self) -> Astray {
        if self.by.abs_diff(Nanos::ZERO) > AHEAD { Astray::Alone(self.by) } else { Astray::Late(-self.by) }
    }
}

/// Places records in the session's time.
#[derive(Clone, Debug, Default)]
pub(crate) struct StampOrder {
    /// The first stamp, once there is one.
    began: Option<Nanos>,
    /// Only the first record was in line so far.
    is_first: bool,
    /// The session's time less the stamps.
    shift: Nanos,
    /// What that was before the newest step back.
    before: Option<Nanos>,
    now: Nanos,
    chain: Option<Chain>,
    /// When a lone stamp astray was last seen: late ones, and ones far off.
    spells: [Option<Nanos>; 2],
    /// The newest record's stamp, and each interface's.
    newest: Nanos,
    of_interfaces: Vec<Option<Nanos>>,
}

impl StampOrder {
    /// The first stamp, by which the session is dated.
    pub(crate) const fn began(&self) -> Option<Nanos> {
        self.began
    }

    /// Whether a record has a time of its own: it is neither late nor astray.
    pub(crate) fn is_timely(&self, stamp: Nanos) -> bool {
        stamp + self.shift == self.now
    }

    /// When a record would come, without taking it.
    pub(crate) fn due(&self, interface: InterfaceId, stamp: Nanos, has_ticks: bool) -> Nanos {
        let due = stamp + self.shift;
        if self.chain.is_none() && (self.now..=self.now + BACK).contains(&due) {
            return due;
        }
        self.clone().take(interface, stamp, has_ticks).0
    }

    /// The session's time at the next record, and what its stamp showed of those before it: told at the time before.
    pub(crate) fn take(
        &mut self,
        interface: InterfaceId,
        stamp: Nanos,
        has_ticks: bool,
    ) -> (Nanos, Option<Astray>) {
        if self.began.is_none() {
            self.began = Some(stamp);
            self.is_first = true;
            self.now = stamp.min(LATEST_START);
            self.shift = self.now - stamp;
            self.newest = stamp;
        }
        let own = self.own_before(interface, stamp);
        let due = stamp + self.shift;
        let shown = if (self.now - BACK..=self.now + AHEAD).contains(&due) && !self.follows(stamp) {
            self.in_line(stamp)
        } else {
            self.astray(stamp, own, has_ticks)
        };
        self.newest = stamp;
        let shown = shown.filter(|shown| self.is_news(shown));
        (self.now, shown)
    }

    /// What stamps showed that nothing has come behind yet.
    pub(crate) fn pending(&self) -> Option<Astray> {
        self.chain.map(|chain| chain.alone()).filter(|shown| self.clone().is_news(shown))
    }

    /// The stamp of the interface's record before; of its first one, that of the newest record.
    fn own_before(&mut self, interface: InterfaceId, stamp: Nanos) -> Nanos {
        let index = usize::from(interface.0);
        if self.of_interfaces.len() <= index {
            self.of_interfaces.resize(index + 1, None);
        }
        self.of_interfaces[index].replace(stamp).unwrap_or(self.newest)
    }

    /// Whether a stamp goes on from those astray rather than from those before.
    fn follows(&self, stamp: Nanos) -> bool {
        let due = stamp + self.shift;
        self.chain.is_some_and(|chain| {
            let is_off = if chain.by < Nanos::ZERO { due < self.now } else { due > self.now + AHEAD };
            is_off && (chain.last - BACK..=chain.last + FOLLOWS).contains(&stamp)
        })
    }

    fn in_line(&mut self, stamp: Nanos) -> Option<Astray> {
        let due = stamp + self.shift;
        if due > self.now + BACK
            && let Some(before) = self.before
            && (stamp + before).abs_diff(self.now) <= SET_RIGHT.min(Nanos((self.shift - before).0 / 4))
        {
            self.shift = before;
            self.before = None;
        }
        if stamp != self.newest {
            self.is_first = false;
        }
        self.now = self.now.max(stamp + self.shift);
        self.chain.take().map(|chain| chain.alone())
    }

    fn astray(&mut self, stamp: Nanos, own: Nanos, has_ticks: bool) -> Option<Astray> {
        if self.follows(stamp)
            && let Some(chain) = &mut self.chain
        {
            chain.last = chain.last.max(stamp);
            chain.followers += 1;
            return if chain.followers >= FOLLOWERS { self.go_on(stamp, has_ticks) } else { None };
        }
        let by = stamp + self.shift - self.now;
        let earlier = self.chain.take().map(|chain| chain.alone());
        let chain = Chain { first: stamp, last: stamp, by, followers: 0 };
        if by > Nanos::ZERO || stamp < own - BACK {
            self.chain = Some(chain);
            return earlier;
        }
        earlier.or(Some(chain.alone()))
    }

    /// The stamps go on from those astray.
    fn go_on(&mut self, stamp: Nanos, has_ticks: bool) -> Option<Astray> {
        let Chain { first, by, .. } = self.chain.take()?;
        let is_hole = by > Nanos::ZERO && has_ticks;
        if !is_hole {
            self.before = (by < Nanos::ZERO).then_some(self.shift);
            self.shift = self.now - first;
        }
        if self.is_first {
            self.began = Some(first);
            self.is_first = false;
        }
        self.now = self.now.max(stamp + self.shift);
        Some(if is_hole { Astray::Hole(by) } else { Astray::Step(by) })
    }

    /// Stamps astray one by one are one event a spell.
    fn is_news(&mut self, shown: &Astray) -> bool {
        let kind = match shown {
            Astray::Late(_) => 0,
            Astray::Alone(_) => 1,
            Astray::Step(_) | Astray::Hole(_) => return true,
        };
        let before = self.spells[kind].replace(self.now);
        before.is_none_or(|before| self.now - before > SPELL)
    }
}

#[cfg(test)]
mod tests {
    use crate::clocks::stamp_order::*;

    /// Times and events of stamps on one interface, in seconds from the first.
    fn placed(has_ticks: bool, stamps: impl IntoIterator<Item = f64>) -> (Vec<f64>, Vec<Astray>) {
        on_interfaces(has_ticks, stamps.into_iter().map(|stamp| (0, stamp)))
    }

    fn on_interfaces(
        has_ticks: bool,
        stamps: impl IntoIterator<Item = (u16, f64)>,
    ) -> (Vec<f64>, Vec<Astray>) {
        let mut order = StampOrder::default();
        let (mut times, mut shown, mut start) = (Vec::new(), Vec::new(), None);
        for (interface, stamp) in stamps {
            let stamp = Nanos::from_secs_f64(1e9) + Nanos::from_secs_f64(stamp);
            let due = order.due(InterfaceId(interface), stamp, has_ticks);
            let (at, astray) = order.take(InterfaceId(interface), stamp, has_ticks);
            assert_eq!(due, at);
            times.push((at - *start.get_or_insert(at)).secs());
            shown.extend(astray);
        }
        shown.extend(order.pending());
        (times, shown)
    }

    const YEAR: f64 = 365.0 * 86_400.0;

    fn secs(secs: f64) -> Nanos {
        Nanos::from_secs_f64(secs)
    }

    #[test]
    fn a_clock_that_is_set_back_is_one_event_and_time_goes_on() {
        let stamps = (0..10).map(f64::from).chain((0..10).map(|n| f64::from(n) - 100.0));
        let (times, shown) = placed(false, stamps);
        assert_eq!(shown, [Astray::Step(secs(-109.0))]);
        let expected: Vec<f64> = (0..10).chain([9, 9, 9]).chain(12..19).map(f64::from).collect();
        assert_eq!(times, expected, "those that show it wait");
    }

    #[test]
    fn a_clock_that_is_set_back_for_a_while_is_one_event() {
        for by in [30.0, 5000.0, YEAR] {
            let stamps = (0..90).map(|n| f64::from(n) - if (30..60).contains(&n) { by } else { 0.0 });
            let (times, shown) = placed(false, stamps);
            assert_eq!(*times.last().unwrap(), if by == YEAR { 87.0 } else { 89.0 }, "{by}");
            assert_eq!(shown[0], Astray::Step(secs(1.0 - by)), "{by}");
            assert_eq!(shown.len(), if by == YEAR { 2 } else { 1 }, "{by}");
        }
    }

    #[test]
    fn a_silence_after_a_step_is_a_silence() {
        let stamps = (0..10).map(f64::from).chain([-3600.0, -3599.0, -3598.0, -3597.0, -3500.0]);
        let (times, shown) = placed(false, stamps);
        assert_eq!(times[9..], [9.0, 9.0, 9.0, 9.0, 12.0, 109.0]);
        assert_eq!(shown.len(), 1);
    }

    #[test]
    fn a_stamp_that_is_far_off_alone_moves_nothing() {
        for off in [2.0 * 86_400.0, 50.0 * YEAR, -2.0 * 86_400.0, -31.0 * YEAR, 1e11, -1e11] {
            for has_ticks in [false, true] {
                let stamps = (0..20).map(|n| if n == 7 { off } else { f64::from(n) });
                let (times, shown) = placed(has_ticks, stamps);
                assert_eq!(times[6..9], [6.0, 6.0, 8.0]);
                assert!(
                    matches!(shown[..], [Astray::Alone(by)] if (by < Nanos::ZERO) == (off < 0.0)),
                    "{shown:?}"
                );
            }
        }
    }

    #[test]
    fn one_at_an_end_moves_nothing() {
        let (times, shown) = placed(false, (0..20).map(|n| if n == 19 { YEAR } else { f64::from(n) }));
        assert_eq!((times[19], shown), (18.0, vec![Astray::Alone(secs(YEAR - 18.0))]));
        let (times, shown) = placed(false, (0..20).map(|n| if n == 0 { 1e11 } else { f64::from(n) }));
        assert_eq!(times[4..], (3..19).map(f64::from).collect::<Vec<f64>>());
        assert!(matches!(shown[..], [Astray::Step(_)]), "{shown:?}");
    }

    #[test]
    fn a_damaged_first_stamp_dates_nothing() {
        let mut order = StampOrder::default();
        for stamp in [i64::MAX, 5_000_000_000, 6_000_000_000, 7_000_000_000, 8_000_000_000] {
            order.take(InterfaceId(0), Nanos(stamp), false);
        }
        assert_eq!(order.began(), Some(Nanos::from_secs(5)));
    }

    #[test]
    fn a_leap_of_over_a_day_is_a_clock_that_was_set_and_with_ticks_a_hole() {
        let stamps = || (0..20).map(|n| f64::from(n) + if n < 10 { 0.0 } else { YEAR });
        let (times, shown) = placed(false, stamps());
        assert_eq!((times[19], shown), (18.0, vec![Astray::Step(secs(YEAR + 1.0))]));
        let (times, shown) = placed(true, stamps());
        assert_eq!(times[9..14], [9.0, 9.0, 9.0, 9.0, YEAR + 13.0]);
        assert_eq!(shown, [Astray::Hole(secs(YEAR + 1.0))]);
    }

    #[test]
    fn an_interface_that_lags_is_late_and_told_once() {
        let stamps = (0..1000).flat_map(|n| {
            let at = f64::from(n) / 10.0;
            [(0, at), (1, at - 3.0), (1, at - 2.95)]
        });
        let (times, shown) = on_interfaces(false, stamps);
        assert_eq!(*times.last().unwrap(), 99.9);
        assert!(times.is_sorted());
        assert_eq!(shown.len(), 1, "{shown:?}");
    }

    #[test]
    fn a_second_recording_behind_the_first_goes_on() {
        let stamps = (0..60).map(|n| (0, f64::from(n))).chain((0..60).map(|n| (1, f64::from(n) + 20.0)));
        let (times, shown) = on_interfaces(false, stamps);
        assert_eq!((*times.last().unwrap(), shown), (118.0, vec![Astray::Step(secs(-39.0))]));
    }

    #[test]
    fn stamps_of_chance_and_of_extremes_never_fall() {
        let mut x: u64 = 10_001;
        let mut chance = || {
            x = x.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            x >> 1
        };
        let mut order = StampOrder::default();
        let mut last = Nanos(i64::MIN);
        for index in 0..20_000 {
            let stamp = match index % 7 {
                0 => i64::MAX,
                1 => i64::MIN,
                _ => chance() as i64,
            };
            let at = order.take(InterfaceId((chance() % 3) as u16), Nanos(stamp), index > 10_000).0;
            assert!(at >= last || index == 0);
            last = at;
        }
    }
}
