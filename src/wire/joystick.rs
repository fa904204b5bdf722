//! A joystick's events as a stream of stick positions.
//!
//! Definition: a position holds from the report that brings it (its SYN_REPORT) until the next;
//! unit: thousandths of half an axis, -1000 to 1000, as in MANUAL_CONTROL; time: arrival of the
//! chunk with the report. Source: the kernel's linux/input.h and Documentation/input/event-codes.rst.
//! A device at rest sends nothing, so its position is given every 20 ms or more (one and a half
//! of its usual steps, so that a moving stick is given at its own reports) while it is there; the
//! last one before a report is given at the time of the report less the usual step, so that a ramp
//! begins where it began; at most one new position in 4 ms is given. After SYN_DROPPED all is left out
//! up to the next report, and nothing is known until the device was asked again; when the device
//! goes away, positions end. A gap: no position is made up for more than 2 s before it ends.
//! Duplicates and late arrivals do not occur on a device.

use crate::record::joystick_layout::{ABSOLUTE, JoystickAxis, JoystickLayout};
use crate::units::Nanos;

const SYNCHRONISATION: u16 = 0;
const REPORT: u16 = 0;
const DROPPED: u16 = 3;

/// A position at rest is given this often at most.
const HELD: Nanos = Nanos::from_millis(20);
/// New positions come no closer than this.
const LEAST: Nanos = Nanos::from_millis(4);
/// Reports farther apart than this do not tell the device's step.
const SLOWEST_STEP: Nanos = Nanos::from_millis(40);
/// The step while it is not known.
const USUAL_STEP: Nanos = Nanos::from_millis(20);
/// A hole without any record that is longer is no rest.
const HOLE: Nanos = Nanos::from_secs(10);
const AFTER_HOLE: Nanos = Nanos::from_secs(2);
const LONGEST_EVENT: usize = 24;

/// Stick positions; `None`: no such axis.
pub(crate) type Axes = [Option<i16>; 18];

/// One joystick device.
#[derive(Clone, Debug, Default)]
pub(crate) struct Joystick {
    layout: Option<JoystickLayout>,
    /// As the events of the report at hand change it.
    next: Axes,
    /// As of the last report.
    now: Option<Axes>,
    dropped: bool,
    partial: Vec<u8>,
    /// When a position was given last.
    given: Option<Nanos>,
    /// When a new one was.
    moved: Option<Nanos>,
    unsaid: bool,
    reported: Option<Nanos>,
    step: Option<Nanos>,
}

impl Joystick {
    /// The device says what it is and where its axes stand.
    pub(crate) fn describe(
        &mut self,
        at: Nanos,
        layout: &JoystickLayout,
        give: &mut dyn FnMut(Nanos, &Axes),
    ) {
        self.next = Axes::default();
        for (slot, axis) in self.next.iter_mut().zip(&layout.axes) {
            *slot = scaled(axis.value, axis.minimum, axis.maximum);
        }
        self.partial.clear();
        self.dropped = false;
        self.layout = Some(layout.clone());
        self.commit(at, give);
    }

    /// Whether it is known to be the same device, wherever its axes stand.
    pub(crate) fn is_like(&self, layout: &JoystickLayout) -> bool {
        let range = |axis: &JoystickAxis| (axis.code, axis.minimum, axis.maximum);
        self.layout.as_ref().is_some_and(|known| {
            known.name == layout.name && known.axes.iter().map(range).eq(layout.axes.iter().map(range))
        })
    }

    /// The device is gone.
    pub(crate) fn lose(&mut self) {
        self.now = None;
        self.unsaid = false;
        self.reported = None;
    }

    /// Takes events in any portions.
    pub(crate) fn push(&mut self, at: Nanos, mut bytes: &[u8], give: &mut dyn FnMut(Nanos, &Axes)) {
        let Some(size) = self.layout.as_ref().map(|layout| usize::from(layout.event_bytes)) else { return };
        if !self.partial.is_empty() {
            let missing = size.saturating_sub(self.partial.len()).min(bytes.len());
            self.partial.extend_from_slice(&bytes[..missing]);
            bytes = &bytes[missing..];
            if self.partial.len() < size {
                return;
            }
            let mut whole = [0; LONGEST_EVENT];
            whole[..size].copy_from_slice(&self.partial);
            self.partial.clear();
            self.event(at, &whole[..size], give);
        }
        let mut events = bytes.chunks_exact(size);
        for event in &mut events {
            self.event(at, event, give);
        }
        self.partial.extend_from_slice(events.remainder());
    }

    fn event(&mut self, at: Nanos, event: &[u8], give: &mut dyn FnMut(Nanos, &Axes)) {
        let Some(layout) = &self.layout else { return };
        let Some((kind, code, value)) = layout.event(event) else { return };
        match (kind, code) {
            (SYNCHRONISATION, DROPPED) => {
                self.dropped = true;
                self.lose();
            }
            (SYNCHRONISATION, REPORT) if self.dropped => self.dropped = false,
            (SYNCHRONISATION, REPORT) => self.report(at, give),
            (ABSOLUTE, code) if !self.dropped => {
                let place = layout.axes.iter().position(|axis| axis.code == code);
                if let Some((place, slot)) = place.and_then(|place| Some((place, self.next.get_mut(place)?)))
                {
                    let axis = layout.axes[place];
                    *slot = scaled(value, axis.minimum, axis.maximum);
                }
            }
            _ => {}
        }
    }

    fn report(&mut self, at: Nanos, give: &mut dyn FnMut(Nanos, &Axes)) {
        let Some(held) = self.now else { return };
        if let Some(step) = self.reported.replace(at).map(|last| at - last)
            && step > Nanos::ZERO
            && step <= SLOWEST_STEP
        {
            let usual = self.step.unwrap_or(step);
            self.step = Some(Nanos(usual.0 + (step - usual).0 / 8));
        }
        if held == self.next {
            return;
        }
        // What was held until now, as late as it was surely so.
        let before = at - self.usual_step();
        if self.given.is_none_or(|given| before - given >= LEAST) {
            self.give(before, give);
        }
        self.commit(at, give);
    }

    fn commit(&mut self, at: Nanos, give: &mut dyn FnMut(Nanos, &Axes)) {
        self.now = Some(self.next);
        if self.moved.is_none_or(|moved| at - moved >= LEAST) {
            self.moved = Some(at);
            self.give(at, give);
        } else {
            self.unsaid = true;
        }
    }

    fn give(&mut self, at: Nanos, give: &mut dyn FnMut(Nanos, &Axes)) {
        if let Some(axes) = &self.now {
            give(at, axes);
            self.given = Some(at);
            self.unsaid = false;
        }
    }

    fn usual_step(&self) -> Nanos {
        self.step.unwrap_or(USUAL_STEP).max(LEAST)
    }

    /// When the next position is due without a report.
    fn due(&self) -> Option<Nanos> {
        let held = Nanos(self.usual_step().0 * 3 / 2).max(HELD);
        if self.unsaid { self.moved.map(|moved| moved + LEAST) } else { self.given.map(|given| given + held) }
    }

    /// Time has passed, without a report: what holds is given at its times.
    pub(crate) fn advance(&mut self, to: Nanos, give: &mut dyn FnMut(Nanos, &Axes)) {
        if self.now.is_none() {
            return;
        }
        if self.unsaid {
            // Before the hole is looked at: it moves what was given last.
            let Some(due) = self.due().filter(|due| *due <= to) else { return };
            self.moved = Some(due);
            self.give(due, give);
        }
        if self.given.is_some_and(|given| to - given > HOLE) {
            self.given = Some(to - AFTER_HOLE);
        }
        // At the last stamp that can be held nothing is due any more.
        while let Some(due) =
            self.due().filter(|due| *due <= to && self.given.is_none_or(|given| *due > given))
        {
            self.give(due, give);
        }
    }
}

/// A value on an axis, -1000 to 1000; `None` where the axis has no range.
fn scaled(value: i32, minimum: i32, maximum: i32) -> Option<i16> {
    let (low, high) = (f64::from(minimum), f64::from(maximum));
    if high <= low {
        return None;
    }
    let share = (f64::from(value) - low) / (high - low);
    Some((share.clamp(0.0, 1.0) * 2000.0 - 1000.0).round() as i16)
}

#[cfg(test)]
mod tests {
    use crate::wire::joystick::*;

    /// linux/input.h: struct timeval (two longs), __u16 type, __u16 code, __s32 value.
    fn event(wide: bool, big_endian: bool, kind: u16, code: u16, value: i32) -> Vec<u8> {
        let mut bytes = vec![0xAB; if wide { 16 } else { 8 }];
        if big_endian {
            bytes.extend(kind.to_be_bytes());
            bytes.extend(code.to_be_bytes());
            bytes.extend(value.to_be_bytes());
        } else {
            bytes.extend(kind.to_le_bytes());
            bytes.extend(code.to_le_bytes());
            bytes.extend(value.to_le_bytes());
        }
        bytes
    }

    fn layout(event_bytes: u8, big_endian: bool) -> JoystickLayout {
        let axis = |code, value| JoystickAxis { code, minimum: 0, maximum: 1024, value };
        let axes = vec![axis(0, 512), axis(2, 0)];
        JoystickLayout { event_bytes, big_endian, axes, name: String::new() }
    }

    fn ms(millis: i64) -> Nanos {
        Nanos::from_millis(millis)
    }

    #[test]
    fn both_layouts_and_byte_orders_split_anywhere_give_the_same() {
        for (size, big_endian) in [(16, false), (24, false), (16, true), (24, true)] {
            let one = |kind, code, value| event(size == 24, big_endian, kind, code, value);
            // A key (type 1), an axis that is no stick, then two axes in one report.
            let bytes =
                [one(1, 0x120, 1), one(3, 0x10, -1), one(3, 0, 1024), one(3, 2, 512), one(0, 0, 0)].concat();
            for cut in 0..=bytes.len() {
                let mut joystick = Joystick::default();
                let mut given = Vec::new();
                let mut give = |at: Nanos, axes: &Axes| given.push((at, axes[0], axes[1], axes[2]));
                joystick.describe(ms(0), &layout(size, big_endian), &mut give);
                joystick.push(ms(10), &bytes[..cut], &mut give);
                joystick.push(ms(10), &bytes[cut..], &mut give);
                let last = given.last().copied();
                assert_eq!(given[0], (ms(0), Some(0), Some(-1000), None));
                assert_eq!(last, Some((ms(10), Some(1000), Some(0), None)), "{size} {big_endian} {cut}");
            }
        }
    }

    #[test]
    fn a_stick_at_rest_goes_on_being_where_it_is_until_the_device_goes() {
        let mut joystick = Joystick::default();
        let mut times = Vec::new();
        let mut give = |at: Nanos, _: &Axes| times.push(at.millis());
        joystick.advance(ms(500), &mut give);
        joystick.describe(ms(1000), &layout(24, false), &mut give);
        joystick.advance(ms(1070), &mut give);
        joystick.lose();
        joystick.advance(ms(2000), &mut give);
        assert_eq!(times, [1000.0, 1030.0, 1060.0]);
    }

    #[test]
    fn a_ramp_begins_one_step_before_its_first_report() {
        let mut joystick = Joystick::default();
        let mut given = Vec::new();
        let mut give = |at: Nanos, axes: &Axes| given.push((at.millis(), axes[0].unwrap()));
        joystick.describe(ms(0), &layout(24, false), &mut give);
        for (at, value) in [(110, 516), (118, 520), (126, 524), (500, 528)] {
            joystick.advance(ms(at), &mut give);
            let bytes = [event(true, false, 3, 0, value), event(true, false, 0, 0, 0)].concat();
            joystick.push(ms(at), &bytes, &mut give);
        }
        // The device's step, 8 ms by then, tells how long the last rest surely lasted.
        let tail = &given[given.len() - 2..];
        assert_eq!(tail, [(492.0, 23), (500.0, 31)]);
    }

    #[test]
    fn reports_of_a_fast_device_are_thinned_and_its_last_position_comes() {
        let mut joystick = Joystick::default();
        let mut given = Vec::new();
        let mut give = |at: Nanos, axes: &Axes| given.push((at, axes[0]));
        joystick.describe(ms(0), &layout(16, false), &mut give);
        for at in 100..200 {
            let bytes =
                [event(false, false, 3, 0, 512 + (at as i32 - 99)), event(false, false, 0, 0, 0)].concat();
            joystick.advance(ms(at), &mut give);
            joystick.push(ms(at), &bytes, &mut give);
        }
        joystick.advance(ms(205), &mut give);
        let moves = given.windows(2).filter(|pair| pair[1].1 != pair[0].1);
        let times: Vec<Nanos> = moves.map(|pair| pair[1].0).collect();
        assert!(times.windows(2).all(|pair| pair[1] - pair[0] >= LEAST), "{given:?}");
        assert_eq!(given.last().unwrap().1, scaled(612, 0, 1024));
    }

    /// Two reports within 4 ms, the second of which waits to be given, and then years without a record: found by
    /// fuzzing, when each 20 ms of them was given.
    #[test]
    fn a_hole_costs_no_more_than_its_last_two_seconds() {
        let year = Nanos::from_secs(365 * 24 * 3600);
        for (at, to) in [(ms(0), year), (ms(0), Nanos::MAX), (Nanos(i64::MIN), Nanos::MAX)] {
            let mut joystick = Joystick::default();
            let mut given = 0;
            let mut give = |_: Nanos, _: &Axes| {
                given += 1;
                assert!(given < 200, "{at:?} {to:?}");
            };
            joystick.describe(at, &layout(16, false), &mut give);
            for (after, value) in [(1, 600), (2, 700)] {
                let bytes = [event(false, false, 3, 0, value), event(false, false, 0, 0, 0)].concat();
                joystick.push(at + ms(after), &bytes, &mut give);
            }
            joystick.advance(to, &mut give);
            joystick.advance(to, &mut give);
        }
    }

    #[test]
    fn what_the_kernel_dropped_is_left_out_until_the_device_was_asked_again() {
        // event-codes.rst: ignore all events up to and including the next SYN_REPORT, then ask.
        let mut joystick = Joystick::default();
        let mut given = Vec::new();
        let mut give = |at: Nanos, axes: &Axes| given.push((at.millis(), axes[0].unwrap()));
        joystick.describe(ms(0), &layout(24, false), &mut give);
        let bytes = [
            event(true, false, 0, 3, 0),
            event(true, false, 3, 0, 1024),
            event(true, false, 0, 0, 0),
            event(true, false, 3, 0, 1024),
            event(true, false, 0, 0, 0),
        ]
        .concat();
        joystick.push(ms(100), &bytes, &mut give);
        joystick.advance(ms(300), &mut give);
        let mut asked = layout(24, false);
        asked.axes[0].value = 768;
        joystick.describe(ms(301), &asked, &mut give);
        assert_eq!(given, [(0.0, 0), (301.0, 500)]);
    }

    #[test]
    fn a_long_hole_is_not_filled() {
        let mut joystick = Joystick::default();
        let mut count = 0;
        let mut give = |_: Nanos, _: &Axes| count += 1;
        joystick.describe(ms(0), &layout(24, false), &mut give);
        joystick.advance(Nanos::from_secs(1_000_000), &mut give);
        assert_eq!(count, 1 + 2000 / 30);
    }

    #[test]
    fn axes_without_a_range_and_values_beyond_it() {
        assert_eq!(scaled(5, 3, 3), None);
        assert_eq!(scaled(i32::MAX, i32::MIN, i32::MAX), Some(1000));
        assert_eq!(scaled(300, -255, 255), Some(1000));
        assert_eq!(scaled(0, -32_768, 32_767), Some(0));
    }
}
