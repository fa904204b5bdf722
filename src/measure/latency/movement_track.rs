//! Cuts movements out of a stream of stick positions and outputs, each with the samples around it.
//!
//! A stick moves from the last sample at rest until it has stood still for 100 ms; a wiggle without rest is cut
//! into pieces of 1 s. A movement is kept with what the sticks showed before and during it and what the outputs
//! showed until 0.8 s after it. Which samples belong to it depends on their times alone, never on what they show.
//! Gap: a movement with one is left out and counted. Bounded: [`MOST_PENDING`] movements wait for their last outputs;
//! of the samples stays what these and the next ones need, at most [`RING`].

mod columns;

use std::collections::VecDeque;

use crate::clocks::BootTime;
use crate::summary::LeftOut;
use crate::units::Nanos;

pub(super) use columns::Columns;

/// Values in half microseconds, the step of MANUAL_CONTROL's -1000 to 1000.
pub(super) type Values = [i16; 18];
/// A bit for each of them.
const ALL_STICKS: u32 = (1 << 18) - 1;
/// A channel that is not there.
pub(super) const ABSENT: i16 = i16::MIN;
/// A stick that is there and was not sampled; see `kept_sticks`. In what is kept it is absent from that sample.
pub(super) const UNSAID: i16 = i16::MIN + 1;

/// Ages are looked for this far back.
pub(super) const LOOK_BACK: Nanos = Nanos::from_millis(1200);
/// Sticks are kept from this long before a movement on.
const BEFORE: Nanos = Nanos::from_millis(1500);
/// Outputs belong to a movement until this long after its end.
pub(super) const AFTER: Nanos = Nanos::from_millis(800);
/// Outputs may arrive this late.
const LATENESS: Nanos = Nanos::from_millis(1500);
const RING: usize = 2048;
const MOST_PENDING: usize = 64;
/// Longest piece of a wiggle.
const LONGEST: Nanos = Nanos::from_secs(1);
const QUIET: Nanos = Nanos::from_millis(100);
/// 12 us off its rest, a stick moves; within 6 us, it stands still; within 2 us it is where it was.
const LEAVES: i32 = 24;
const STANDS: i32 = 12;
const SAME: i32 = 4;
/// Movements under 30 us are too small.
const SMALL: i32 = 60;
/// Slower than 0.4 us a ms they are too slow (half us per ms).
const SLOW: f64 = 0.8;

/// The sticks at an instant of their own clock.
#[derive(Clone, Copy, Debug)]
struct StickSample {
    at: Nanos,
    values: Values,
}

/// The outputs at an instant of the vehicle's clock.
#[derive(Clone, Copy, Debug)]
pub(super) struct Output {
    /// Arrival, or boot time where sticks are on the boot clock as well.
    pub(super) order: Nanos,
    /// Middle of what the stamp's resolution allows.
    pub(super) boot: BootTime,
    pub(super) values: Values,
}

/// One movement of one stick.
#[derive(Clone, Debug)]
pub(super) struct Movement {
    /// Channel, from 0.
    pub(super) stick: u8,
    pub(super) start: Nanos,
    pub(super) end: Nanos,
    /// When the sticks were sampled, and what they showed.
    pub(super) stick_times: Box<[Nanos]>,
    pub(super) sticks: Columns,
    /// The same of the outputs.
    pub(super) output_times: Box<[BootTime]>,
    pub(super) outputs: Columns,
}

impl Movement {
    /// Bytes held, all in all.
    pub(super) fn bytes(&self) -> usize {
        let times = size_of_val(&*self.stick_times) + size_of_val(&*self.output_times);
        size_of::<Self>() + times + self.sticks.bytes() + self.outputs.bytes()
    }
}

#[derive(Clone, Copy, Debug)]
struct MovementSoFar {
    start: Nanos,
    anchor: (Nanos, i32),
    low: i32,
    high: i32,
    peak_rate: f64,
}

#[derive(Clone, Copy, Debug, Default)]
struct Channel {
    /// Rest value, and the last sample at it; of a stick at rest its time stands still (see [`MovementTrack::at_rest`]).
    rest: Option<(i32, Nanos)>,
    /// The last sample, likewise.
    last: Option<(Nanos, i32)>,
    moving: Option<MovementSoFar>,
}

#[derive(Clone, Copy, Debug)]
struct PendingMovement {
    stick: u8,
    start: Nanos,
    end: Nanos,
}

/// Finds movements.
#[derive(Clone, Debug, Default)]
pub(super) struct MovementTrack {
    stick_samples: VecDeque<StickSample>,
    outputs: VecDeque<Output>,
    channels: [Channel; 18],
    /// Sticks that were at rest or absent at the newest sample, a bit each. As long as their values stay the
    /// same only their times go on: those are set once the value changes.
    at_rest: u32,
    open: VecDeque<PendingMovement>,
    usual: Option<f64>,
    pub(super) left_out: LeftOut,
    /// Samples of sticks and of outputs, all in all.
    pub(super) seen: (u64, u64),
}

impl MovementTrack {
    /// Bytes held beside the structure itself.
    pub(super) fn own_bytes(&self) -> usize {
        let open = self.open.len() * size_of::<PendingMovement>();
        open + self.stick_samples.len() * size_of::<StickSample>() + self.outputs.len() * size_of::<Output>()
    }

    /// Forgets what waits, after a restart of the clock.
    pub(super) fn cut(&mut self) {
        self.left_out.gap += self.open.len() as u64;
        self.open.clear();
        self.stick_samples.clear();
        self.outputs.clear();
        self.channels = [Channel::default(); 18];
        self.at_rest = 0;
    }

    /// Usual time between stick samples in ms.
    pub(super) const fn usual_ms(&self) -> Option<f64> {
        self.usual
    }

    /// Takes stick positions; gives each movement of them that ended, as it is known without outputs.
    pub(super) fn push_sticks(&mut self, at: Nanos, values: Values) {
        let sampled = sampled(&values);
        let mut to_step = sampled;
        if let Some(last) = self.stick_samples.back() {
            let step = (at - last.at).millis();
            if step <= 0.0 {
                return;
            }
            let capped = self.usual.map_or(step, |usual| step.min(3.0 * usual));
            self.usual = Some(self.usual.map_or(step, |usual| usual + 0.05 * (capped - usual)));
            let changed = changed(&last.values, &values) & sampled;
            self.wake(changed, last.at);
            to_step = changed | sampled & !self.at_rest;
        }
        self.seen.0 += 1;
        for stick in sticks_of(to_step) {
            self.step(stick as u8, at, values[stick]);
        }
        let values = values.map(|value| if value == UNSAID { ABSENT } else { value });
        keep(&mut self.stick_samples, StickSample { at, values });
        self.forget(at);
    }

    /// Lets go of samples before any movement that waits, goes on or could still begin.
    fn forget(&mut self, now: Nanos) {
        let mut first = self.open.iter().map(|open| open.start).fold(now, Nanos::min);
        // One at rest stands there until now.
        let others = sticks_of(ALL_STICKS & !self.at_rest);
        first = others.filter_map(|stick| self.channels[stick].begins()).fold(first, Nanos::min);
        drop_before(&mut self.stick_samples, |sample| sample.at, first - BEFORE);
        drop_before(&mut self.outputs, |output| output.order, first);
    }

    /// Sticks at rest whose values changed: they stood until the sample before.
    fn wake(&mut self, changed: u32, stood_until: Nanos) {
        for stick in sticks_of(changed & self.at_rest) {
            let channel = &mut self.channels[stick];
            if let (Some(last), Some(rest)) = (&mut channel.last, &mut channel.rest) {
                (last.0, rest.1) = (stood_until, stood_until);
            }
        }
    }

    fn step(&mut self, stick: u8, at: Nanos, value: i16) {
        let channel = &mut self.channels[usize::from(stick)];
        let mut ended = None;
        if value == ABSENT {
            self.left_out.gap += u64::from(channel.moving.is_some());
            *channel = Channel::default();
        } else {
            ended = channel.step(at, i32::from(value));
        }
        let rests = channel.moving.is_none() && channel.rest.is_none_or(|rest| rest.1 == at);
        self.at_rest = self.at_rest & !(1 << stick) | u32::from(rests) << stick;
        if let Some(ended) = ended {
            self.ended(stick, ended);
        }
    }

    fn ended(&mut self, stick: u8, (moving, end): (MovementSoFar, Nanos)) {
        if moving.high - moving.low < SMALL {
            self.left_out.small += 1;
        } else if moving.peak_rate < SLOW {
            self.left_out.slow += 1;
        } else if self.open.len() >= MOST_PENDING {
            self.left_out.gap += 1;
        } else {
            self.open.push_back(PendingMovement { stick, start: moving.start, end });
        }
    }

    /// Takes the outputs.
    pub(super) fn push_output(&mut self, output: Output) {
        if self.outputs.back().is_some_and(|last| output.boot <= last.boot) {
            return;
        }
        self.seen.1 += 1;
        keep(&mut self.outputs, output);
    }

    /// The next movement whose outputs must all have come.
    pub(super) fn poll(&mut self, now: Nanos) -> Option<Movement> {
        while let Some(&open) = self.open.front() {
            if now < open.end + AFTER + LATENESS {
                return None;
            }
            self.open.pop_front();
            if let Some(movement) = self.gather(open) {
                return Some(movement);
            }
            self.left_out.gap += 1;
        }
        None
    }

    /// Movements that ended, as if nothing more came.
    pub(super) fn pending(&self) -> (Vec<Movement>, u64) {
        let movements: Vec<Movement> = self.open.iter().filter_map(|&open| self.gather(open)).collect();
        let lost = (self.open.len() - movements.len()) as u64;
        (movements, lost)
    }

    /// `None` where a gap cuts it.
    fn gather(&self, open: PendingMovement) -> Option<Movement> {
        let from = open.start - BEFORE;
        let to = open.end + AFTER;
        let stick_samples = between(&self.stick_samples, |sample| sample.at, (from, to));
        let longest = Nanos::from_secs_f64(3.0 * self.usual?.max(50.0) / 1e3);
        let there = |sample: &&StickSample| sample.values[usize::from(open.stick)] != ABSENT;
        let times: Vec<Nanos> = stick_samples.iter().filter(there).map(|sample| sample.at).collect();
        let is_cut = |pair: &[Nanos]| {
            pair[1] - pair[0] > longest && pair[1] >= open.start - longest && pair[0] <= open.end + longest
        };
        // Once it is handed back, outputs follow another stick.
        let left = *times.last()? + longest < stick_samples.last()?.at;
        let cut = left || times.windows(2).any(is_cut);
        let outputs = between(&self.outputs, |output| output.order, (open.start, to + LATENESS));
        if cut || stick_samples.len() < 3 || outputs.is_empty() {
            return None;
        }
        Some(Movement {
            stick: open.stick,
            start: open.start,
            end: open.end,
            stick_times: stick_samples.iter().map(|sample| sample.at).collect(),
            sticks: Columns::new(&stick_samples, |sample| &sample.values),
            output_times: outputs.iter().map(|output| output.boot).collect(),
            outputs: Columns::new(&outputs, |output| &output.values),
        })
    }
}

/// The sticks of a set that has a bit for each.
fn sticks_of(mut set: u32) -> impl Iterator<Item = usize> {
    std::iter::from_fn(move || {
        let stick = set.trailing_zeros() as usize;
        (set != 0).then(|| {
            set &= set - 1;
            stick
        })
    })
}

/// The sticks that were sampled, a bit each.
fn sampled(values: &Values) -> u32 {
    if !values.contains(&UNSAID) {
        return ALL_STICKS;
    }
    values.iter().rev().fold(0, |sampled, value| sampled << 1 | u32::from(*value != UNSAID))
}

/// The sticks whose values differ, a bit each.
fn changed(before: &Values, values: &Values) -> u32 {
    if before == values {
        return 0;
    }
    let pairs = before.iter().zip(values).enumerate();
    pairs.fold(0, |changed, (stick, (before, value))| changed | u32::from(before != value) << stick)
}

/// Those of a span, both ends with it; samples come in order of time.
fn between<T: Copy>(ring: &VecDeque<T>, time: impl Fn(&T) -> Nanos, span: (Nanos, Nanos)) -> Vec<T> {
    let first = ring.partition_point(|sample| time(sample) < span.0);
    let past = ring.partition_point(|sample| time(sample) <= span.1);
    ring.range(first..past.max(first)).copied().collect()
}

/// The newest stays: later ones are held against it.
fn drop_before<T>(ring: &mut VecDeque<T>, time: impl Fn(&T) -> Nanos, from: Nanos) {
    while ring.len() > 1 && ring.front().is_some_and(|oldest| time(oldest) < from) {
        ring.pop_front();
    }
}

fn keep<T>(ring: &mut VecDeque<T>, sample: T) {
    if ring.len() >= RING {
        ring.pop_front();
    }
    ring.push_back(sample);
}

impl Channel {
    /// The earliest start of the movement that goes on, or else of the next one.
    fn begins(&self) -> Option<Nanos> {
        self.moving.map(|moving| moving.start).or(self.rest.map(|(_, at)| at))
    }

    fn step(&mut self, at: Nanos, value: i32) -> Option<(MovementSoFar, Nanos)> {
        let before = self.last.replace((at, value));
        let Some((last_at, last)) = before else {
            self.rest = Some((value, at));
            return None;
        };
        let rate = f64::from((value - last).abs()) / (at - last_at).millis().max(1.0);
        let Some(moving) = &mut self.moving else {
            let (rest, rest_at) = self.rest.unwrap_or((value, at));
            if (value - rest).abs() >= LEAVES {
                self.moving = Some(MovementSoFar {
                    start: rest_at.min(last_at),
                    anchor: (at, value),
                    low: rest.min(value),
                    high: rest.max(value),
                    peak_rate: rate,
                });
            } else if (value - rest).abs() <= SAME {
                self.rest = Some((rest, at));
            } else if at - rest_at > QUIET + QUIET {
                self.rest = Some((value, at));
            }
            return None;
        };
        moving.low = moving.low.min(value);
        moving.high = moving.high.max(value);
        moving.peak_rate = moving.peak_rate.max(rate);
        let (anchor_at, anchor) = moving.anchor;
        if (value - anchor).abs() > STANDS {
            moving.anchor = (at, value);
        } else if at - anchor_at >= QUIET {
            let ended = (*moving, anchor_at);
            self.moving = None;
            self.rest = Some((value, at));
            return Some(ended);
        }
        if at - moving.start >= LONGEST {
            let ended = (*moving, at);
            self.moving = Some(MovementSoFar {
                start: at,
                anchor: (at, value),
                low: value,
                high: value,
                peak_rate: 0.0,
            });
            return Some(ended);
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use crate::measure::latency::movement_track::*;

    fn found(track: &MovementTrack) -> (Vec<(u8, Nanos, Nanos)>, LeftOut) {
        let open = track.open.iter().map(|open| (open.stick, open.start, open.end)).collect();
        (open, track.left_out)
    }

    proptest! {
        /// Stepping every stick at every sample is the oracle, whatever moves, rests, creeps, goes and comes.
        #[test]
        fn sticks_at_rest_need_no_steps(
            changes in prop::collection::vec((0_usize..4, -45_i16..=45, 1_u8..12), 1..120),
        ) {
            let (mut track, mut stepped) = (MovementTrack::default(), MovementTrack::default());
            let (mut values, mut at) = ([ABSENT; 18], Nanos::ZERO);
            for (stick, change, samples) in changes {
                values[stick] = match change {
                    45 => ABSENT,
                    _ if values[stick] == ABSENT => 3000,
                    -44..-40 => values[stick] - change,
                    _ => values[stick].saturating_add(change / 10 * change.abs() / 2).clamp(2000, 4000),
                };
                for _ in 0..samples {
                    at += Nanos::from_millis(20);
                    track.push_sticks(at, values);
                    stepped.push_sticks(at, values);
                    stepped.at_rest = 0;
                }
                prop_assert_eq!(found(&track), found(&stepped));
            }
        }
    }

    /// Flicks every 2 s for 100 s: what is kept is what a movement needs, and every movement has all of it.
    #[test]
    fn samples_are_let_go_once_no_movement_needs_them() {
        let mut track = MovementTrack::default();
        let mut movements = 0;
        for tick in 0..5000_i64 {
            let at = Nanos::from_millis(20 * tick);
            let mut values = [0; 18];
            values[3] = if tick / 100 % 2 == 0 { 0 } else { 800 };
            if tick % 5 == 0 {
                let boot = BootTime { epoch: 0, since_boot: at };
                track.push_output(Output { order: at, boot, values });
            }
            track.push_sticks(at, values);
            assert!(track.stick_samples.len() <= 50 * 7 && track.outputs.len() <= 10 * 6, "at {tick}");
            while let Some(movement) = track.poll(at) {
                movements += 1;
                assert_eq!(movement.stick_times.first(), Some(&(movement.start - BEFORE)));
                assert_eq!(movement.stick_times.last(), Some(&(movement.end + AFTER)));
                let outputs: Vec<Nanos> = movement.output_times.iter().map(|boot| boot.since_boot).collect();
                assert!(outputs[0] - movement.start < Nanos::from_millis(100), "{outputs:?}");
                assert!(outputs.windows(2).all(|pair| pair[1] - pair[0] == Nanos::from_millis(100)));
                assert!(movement.end + AFTER - outputs[outputs.len() - 1] <= Nanos::ZERO);
            }
        }
        assert_eq!(movements, 48);
    }
    /// A stick that moves from 3 to 3.4 s, sampled every 20 ms but for a gap: it cuts the movement where it is longer than
    /// 150 ms and lies within as much of it.
    #[test]
    fn a_gap_cuts_the_movement_that_it_touches() {
        let found = |gap_ms: i64, lasts_ms: i64| {
            let (mut track, mut whole) = (MovementTrack::default(), 0);
            for tick in 0..500_i64 {
                let (ms, at) = (20 * tick, Nanos::from_millis(20 * tick));
                let mut values = [0; 18];
                values[3] = (2 * (ms - 3000)).clamp(0, 800) as i16;
                if tick % 5 == 0 {
                    let boot = BootTime { epoch: 0, since_boot: at };
                    track.push_output(Output { order: at, boot, values });
                }
                if !(gap_ms + 1..gap_ms + lasts_ms).contains(&ms) {
                    track.push_sticks(at, values);
                }
                while let Some(movement) = track.poll(at) {
                    whole += 1;
                    let known = *movement.stick_times.last().unwrap() - movement.end;
                    assert!((known - Nanos::from_millis(800)).0.abs() <= 20_000_000, "{known:?}");
                }
            }
            (whole, track.left_out.gap)
        };
        assert_eq!([found(3100, 200), found(3300, 160)], [(0, 1); 2]);
        assert_eq!([found(3100, 140), found(2400, 300), found(3700, 300)], [(1, 0); 3]);
    }
}
