//! An invented handset, radio and vehicle at message level, with their true delays.
//!
//! It shares no code with the estimators: it makes events from its own clockwork and
//! says what the age of the shown stick position was at every instant. Seeded.

#![allow(dead_code, clippy::struct_excessive_bools, clippy::unwrap_used)]

use fadewatch::clocks::Clocks;
use fadewatch::measure::context::{Context, Sender};
use fadewatch::measure::latency::LatencyMeter;
use fadewatch::record::{Direction, InterfaceId, InterfaceInfo, InterfaceKind, SessionInfo};
use fadewatch::stats::heard_table::Rank;
use fadewatch::summary::LatencySummary;
use fadewatch::units::Nanos;
use fadewatch::wire::telemetry::Telemetry;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

/// What the scenario is like; times in ms.
#[derive(Clone, Debug)]
pub(crate) struct Scenario {
    pub(crate) seed: u64,
    pub(crate) movements: usize,
    pub(crate) telemetry_hz: f64,
    /// Difference of the two directions' least delays, at most.
    pub(crate) asymmetry_ms: f64,
    pub(crate) timesync: bool,
    /// TIMESYNC clock less boot clock, ms.
    pub(crate) timesync_epoch_ms: f64,
    /// Boot clock at the start, ms.
    pub(crate) boot_start_ms: f64,
    /// The vehicle restarts at this time.
    pub(crate) restart_at_ms: Option<f64>,
    /// Outputs: stick 0's servo is output 0, at `scale`, `trim`, `stops`.
    pub(crate) scale: f64,
    pub(crate) trim: f64,
    pub(crate) stops: (f64, f64),
    pub(crate) dead_band: f64,
    /// Two sticks that do the same.
    pub(crate) together: bool,
    pub(crate) manual: bool,
    /// Sticks are flicked out and back at once, without rest at the far end.
    pub(crate) there_and_back: bool,
    pub(crate) control_loss: f64,
    /// Sticks go from end to end alone.
    pub(crate) extremes: bool,
    /// Telemetry comes in whole multiples of the handset's tick, never earlier or later.
    pub(crate) in_step: bool,
    /// A radio frame carries the stick as it stands then, not one of the samples that are seen here.
    pub(crate) continuous: bool,
    /// A second stick moves by itself, and servo 2 mixes both.
    pub(crate) mixed: bool,
    /// Both sticks move, and servos 1 and 2 mix both: half the sum, half the difference.
    pub(crate) elevons: bool,
    /// Servo 1 is stepped by buttons and follows no stick.
    pub(crate) buttons: bool,
    /// The radio's delay, in place of one by chance.
    pub(crate) delay_ms: Option<f64>,
    /// From this time on, delays are longer by so much.
    pub(crate) longer_from: Option<(f64, f64)>,
    /// Four sticks move in strict turns, and servos 1 to 4 follow them.
    pub(crate) in_turns: bool,
    /// No radio frame arrives in this span.
    pub(crate) control_outage: Option<(f64, f64)>,
    /// Radio frames keep no beat: each comes by chance, 7 to 22 ms after the one before.
    pub(crate) uneven_frames: bool,
}

impl Scenario {
    pub(crate) fn new(seed: u64, telemetry_hz: f64) -> Self {
        Self {
            seed,
            movements: 40,
            telemetry_hz,
            asymmetry_ms: 3.0,
            timesync: true,
            timesync_epoch_ms: 0.0,
            boot_start_ms: 700_000.0,
            restart_at_ms: None,
            scale: -0.8,
            trim: 15.0,
            stops: (900.0, 2100.0),
            dead_band: 0.0,
            together: false,
            manual: false,
            there_and_back: false,
            control_loss: 0.02,
            extremes: false,
            in_step: false,
            mixed: false,
            elevons: false,
            buttons: false,
            longer_from: None,
            delay_ms: None,
            in_turns: false,
            continuous: false,
            control_outage: None,
            uneven_frames: false,
        }
    }
}

/// True ages in ms, sorted, at instants spread over the time in which the stick moves.
#[derive(Clone, Debug, Default)]
pub(crate) struct Truth {
    pub(crate) stick_to_servo: Vec<f64>,
    pub(crate) stick_to_input: Vec<f64>,
    pub(crate) input_to_servo: Vec<f64>,
    /// Of the first, with when it was, in order of time.
    pub(crate) servo_at: Vec<(f64, f64)>,
    /// Between two frames of the control radio, ms.
    pub(crate) frame_ms: f64,
}

pub(crate) fn quantile(sorted: &[f64], share: f64) -> f64 {
    sorted[((sorted.len() - 1) as f64 * share).round() as usize]
}

/// Everything that one session leaves behind.
pub(crate) struct Session {
    pub(crate) clocks: Clocks,
    pub(crate) meter: LatencyMeter,
    pub(crate) context: Context,
    pub(crate) truth: Truth,
}

impl Session {
    pub(crate) fn summary(&self) -> LatencySummary {
        self.meter.summary(&self.clocks, &self.context)
    }
}

struct Random(ChaCha8Rng);

impl Random {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.random::<f64>()
    }
    fn exponential(&mut self, mean: f64) -> f64 {
        -mean * (1.0 - self.0.random::<f64>()).ln()
    }
    fn chance(&mut self, share: f64) -> bool {
        self.0.random::<f64>() < share
    }
}

/// One movement: from a level to a level.
#[derive(Clone, Copy)]
struct Ramp {
    start: f64,
    length: f64,
    from: f64,
    to: f64,
    smooth: bool,
}

impl Ramp {
    fn at(&self, time: f64) -> f64 {
        let share = ((time - self.start) / self.length).clamp(0.0, 1.0);
        let share = if self.smooth { 0.5 - 0.5 * (share * std::f64::consts::PI).cos() } else { share };
        self.from + (self.to - self.from) * share
    }
}

fn ramps(scenario: &Scenario, random: &mut Random) -> Vec<Ramp> {
    let mut ramps = Vec::new();
    let mut time = 2000.0;
    let mut levels = [1500.0; 4];
    for turn in 0..scenario.movements {
        let own = if scenario.in_turns { turn % 4 } else { 0 };
        let level: f64 = levels[own];
        let mut to = random.between(1080.0, 1920.0);
        while (to - level).abs() < 200.0 {
            to = random.between(1080.0, 1920.0);
        }
        if scenario.extremes {
            to = if level < 1500.0 { 1950.0 } else { 1050.0 };
        }
        let length = random.between(60.0, 200.0);
        let smooth = random.chance(0.5);
        ramps.push(Ramp { start: time, length, from: level, to, smooth });
        if scenario.there_and_back {
            ramps.push(Ramp { start: time + length, length, from: to, to: level, smooth });
            time += length;
        } else {
            levels[own] = to;
        }
        time += length + random.between(700.0, 1500.0);
    }
    ramps
}

/// A stick position that was read by the handset, and how it went on.
#[derive(Clone, Copy)]
struct Shown {
    from: f64,
    appeared: f64,
    value: f64,
    second: f64,
    /// All four, where they move in turns.
    turns: Option<[f64; 4]>,
}

fn latest(shown: &[Shown], time: f64) -> Option<&Shown> {
    shown[..shown.partition_point(|entry| entry.from <= time)].last()
}

struct Vehicle {
    frame_ms: f64,
    input: Vec<Shown>,
    loop_ms: f64,
    processing_ms: f64,
    phase: f64,
}

impl Vehicle {
    /// When the servo's present command was read from the input.
    fn read_at(&self, time: f64) -> f64 {
        let tick = ((time - self.processing_ms - self.phase) / self.loop_ms).floor();
        tick * self.loop_ms + self.phase
    }
}

pub(crate) fn vehicle_sender() -> Sender {
    Sender { interface: InterfaceId(0), direction: Direction::Inbound, system: 1, component: 1 }
}

pub(crate) fn stick_sender() -> Sender {
    Sender { interface: InterfaceId(1), direction: Direction::Inbound, system: 255, component: 190 }
}

/// Stamps start at this.
const ZERO: Nanos = Nanos::from_secs(1_750_000_000);

fn stamp(ms: f64) -> Nanos {
    ZERO + Nanos::from_secs_f64(ms / 1e3)
}

pub(crate) fn context() -> Context {
    let mut context = Context {
        session: SessionInfo { has_wall_clock: true, ..SessionInfo::default() },
        start: Some(ZERO),
        now: ZERO,
        ..Context::default()
    };
    for name in ["vehicle", "handset"] {
        let (name, kind) = (name.to_owned(), InterfaceKind::Stream);
        context.interfaces.push(InterfaceInfo { name, kind, description: None });
    }
    let heartbeat =
        Telemetry::Heartbeat { kind: 2, autopilot: 0, base_mode: 0, custom_mode: 0, system_status: 4 };
    context.roles.observe(1, 1, &heartbeat);
    context
}

/// All messages in order of arrival, and the truth.
pub(crate) fn messages(scenario: &Scenario) -> (Vec<(Nanos, Sender, Telemetry)>, Truth) {
    let mut random = Random(ChaCha8Rng::seed_from_u64(scenario.seed));
    let ramps = ramps(scenario, &mut random);
    let end = ramps.last().map_or(0.0, |ramp| ramp.start + ramp.length) + 2500.0;
    let stick = |time: f64| {
        let index = ramps.partition_point(|ramp| ramp.start <= time);
        index.checked_sub(1).map_or(ramps[0].from, |index| ramps[index].at(time))
    };
    let second = |time: f64| {
        if scenario.mixed || scenario.elevons { second_stick(&ramps, time).round() } else { 1500.0 }
    };
    let mut messages: Vec<(f64, Sender, Telemetry)> = Vec::new();

    // The handset reads its sticks at 50 Hz; a value appears here a moment later.
    let mut samples: Vec<Shown> = Vec::new();
    let mut tick = random.between(0.0, 20.0);
    while tick < end {
        let appeared = tick + 0.2 + random.exponential(0.1);
        let value = if scenario.manual { (stick(tick) * 2.0).round() / 2.0 } else { stick(tick).round() };
        let turns = scenario.in_turns.then(|| in_turns(&ramps, tick));
        let sample = Shown { from: appeared, appeared, value, second: second(tick), turns };
        samples.push(sample);
        messages.push((appeared, stick_sender(), stick_message(scenario, &sample)));
        tick += 20.0;
    }

    let vehicle = fly(scenario, &mut random, &samples, end, &stick);
    let skew = random.between(-60e-6, 60e-6);
    let boot = |time: f64| match scenario.restart_at_ms {
        Some(restart) if time >= restart => (time - restart) * (1.0 + skew),
        _ => scenario.boot_start_ms + time * (1.0 + skew),
    };
    let down = random.between(4.0, 12.0);
    let up = down + random.between(-scenario.asymmetry_ms, scenario.asymmetry_ms);
    let period = 1000.0 / scenario.telemetry_hz;
    for is_servo in [false, true] {
        let mut time = random.between(0.0, period) + 300.0;
        while time < end {
            let sampled = time;
            let arrived = sampled + down + random.exponential(3.0);
            if !random.chance(0.03)
                && let Some(message) = report(scenario, &vehicle, sampled, boot(sampled), is_servo)
            {
                messages.push((arrived, vehicle_sender(), message));
            }
            // A scheduler that arms itself anew after each message: no phase is kept.
            let share = random.between(0.9, 1.1);
            time += if scenario.in_step { period } else { period * share };
        }
    }
    if scenario.timesync {
        let mut time = 100.0;
        let ours = Sender { direction: Direction::Outbound, ..stick_sender() };
        let ours = Sender { interface: InterfaceId(0), ..ours };
        while time < end {
            let ts1 = stamp(time).0;
            messages.push((time, ours, Telemetry::TimeSync { tc1: 0, ts1, target: None }));
            let there = time + up + random.exponential(3.0);
            let tc1 = ((boot(there) + scenario.timesync_epoch_ms) * 1e6) as i64;
            let back = there + down + random.exponential(3.0);
            if !random.chance(0.03) {
                messages.push((back, vehicle_sender(), Telemetry::TimeSync { tc1, ts1, target: None }));
            }
            time += 500.0;
        }
    }
    messages.sort_by(|a, b| a.0.total_cmp(&b.0));
    let truth = truth(&ramps, &vehicle);
    (messages.into_iter().map(|(time, sender, message)| (stamp(time), sender, message)).collect(), truth)
}

/// Each stick shows the last of its own ramps.
fn in_turns(ramps: &[Ramp], time: f64) -> [f64; 4] {
    let begun = ramps.partition_point(|ramp| ramp.start <= time);
    [0, 1, 2, 3].map(|stick| {
        let last = (0..begun).rev().find(|index| index % 4 == stick);
        last.map_or(1500.0, |index| ramps[index].at(time).round())
    })
}

/// Flicks of its own, each half-way between two of the first stick's.
fn second_stick(ramps: &[Ramp], time: f64) -> f64 {
    let level = |index: usize| 1150.0 + ((index * 379) % 700) as f64;
    let index = ramps.partition_point(|ramp| ramp.start + ramp.length + 350.0 <= time);
    let Some(ramp) = index.checked_sub(1).map(|index| ramps[index]) else { return 1500.0 };
    let from = if index == 1 { 1500.0 } else { level(index - 2) };
    let start = ramp.start + ramp.length + 350.0;
    Ramp { start, length: 120.0, from, to: level(index - 1), smooth: false }.at(time)
}

fn stick_message(scenario: &Scenario, sample: &Shown) -> Telemetry {
    let value = sample.value;
    if scenario.manual {
        let mut axes = [Some(0); 6];
        axes[0] = Some(((value - 1500.0) * 2.0).round() as i16);
        return Telemetry::ManualControl { target: 1, axes };
    }
    let mut channels = [None; 18];
    channels[..4].fill(Some(1500));
    channels[0] = Some(value as u16);
    channels[1] = Some(if scenario.together { value as u16 } else { sample.second as u16 });
    if let Some(turns) = sample.turns {
        channels[..4].copy_from_slice(&turns.map(|value| Some(value as u16)));
    }
    Telemetry::RcOverride { target: 1, channels, handed_back: 0 }
}

fn fly(
    scenario: &Scenario,
    random: &mut Random,
    samples: &[Shown],
    end: f64,
    stick: &impl Fn(f64) -> f64,
) -> Vehicle {
    let period = random.between(7.0, 22.0);
    let delay = random.between(20.0, 170.0);
    let delay = scenario.delay_ms.unwrap_or(delay);
    let mut input: Vec<Shown> = Vec::new();
    let mut frame = random.between(0.0, period);
    let mut newest: f64 = 0.0;
    while frame < end {
        let out = scenario.control_outage.is_some_and(|(from, to)| frame >= from && frame < to);
        if !random.chance(scenario.control_loss)
            && !out
            && let Some(sample) = latest(samples, frame)
        {
            let longer = scenario.longer_from.filter(|(from, _)| frame >= *from).map_or(0.0, |(_, by)| by);
            newest = newest.max(frame + delay + longer + random.exponential(1.0));
            let own = Shown { appeared: frame, value: stick(frame).round(), ..*sample };
            input.push(Shown { from: newest, ..if scenario.continuous { own } else { *sample } });
        }
        frame += if scenario.uneven_frames { random.between(7.0, 22.0) } else { period };
    }
    let loop_ms = random.between(2.5, 10.0);
    Vehicle {
        frame_ms: period,
        input,
        loop_ms,
        processing_ms: random.between(1.0, 12.0),
        phase: random.between(0.0, loop_ms),
    }
}

fn report(
    scenario: &Scenario,
    vehicle: &Vehicle,
    sampled: f64,
    boot_ms: f64,
    is_servo: bool,
) -> Option<Telemetry> {
    if !is_servo {
        let shown = latest(&vehicle.input, sampled)?;
        let value = shown.value;
        let mut channels = [None; 18];
        channels[..4].fill(Some(1500));
        channels[0] = Some(value.round() as u16);
        channels[1] = if scenario.together { channels[0] } else { Some(shown.second as u16) };
        if let Some(turns) = shown.turns {
            channels[..4].copy_from_slice(&turns.map(|value| Some(value as u16)));
        }
        let boot_ms = boot_ms.floor() as u32;
        return Some(Telemetry::RcInput { boot_ms, channels, count: Some(8), rssi: None, older: false });
    }
    let shown = latest(&vehicle.input, vehicle.read_at(sampled))?;
    let value = shown.value - 1500.0;
    let mix = 0.5 * value + 0.5 * (shown.second - 1500.0);
    let value =
        if value.abs() < scenario.dead_band { 0.0 } else { value - scenario.dead_band * value.signum() };
    let output = (1500.0 + scenario.trim + scenario.scale * value).clamp(scenario.stops.0, scenario.stops.1);
    let mut outputs = [0; 16];
    outputs[0] = output.round() as u16;
    if scenario.mixed || scenario.elevons {
        outputs[1] = (1500.0 + mix).round() as u16;
    }
    if scenario.elevons {
        outputs[0] = (1500.0 + mix - (shown.second - 1500.0)).round() as u16;
    }
    if scenario.buttons {
        outputs[0] = pressed(scenario, &vehicle.input, sampled).round() as u16;
    }
    // An output that follows no stick.
    outputs[2] = (1500.0 + 300.0 * (sampled / 730.0).sin()).round() as u16;
    outputs[3] = 1500;
    if let Some(turns) = shown.turns {
        outputs[..4].copy_from_slice(&turns.map(|value| (3000.0 - value) as u16));
    }
    let time_us = ((boot_ms * 1000.0) as u64 & 0xffff_ffff) as u32;
    Some(Telemetry::ServoOutput { time_us, port: 0, outputs })
}

/// An output that buttons step: presses come some 4 s apart, by chance, and a step is 40 to 400 us up or down.
fn pressed(scenario: &Scenario, input: &[Shown], time: f64) -> f64 {
    let mut random = Random(ChaCha8Rng::seed_from_u64(scenario.seed ^ 0xb077));
    let (mut at, mut value) = (input[0].from, 1500.0);
    loop {
        at += random.exponential(4000.0);
        if at > time {
            return value;
        }
        let step = random.between(40.0, 400.0);
        let up = random.chance(0.5);
        value = f64::clamp(if up { value + step } else { value - step }, 1000.0, 2000.0);
    }
}

fn truth(ramps: &[Ramp], vehicle: &Vehicle) -> Truth {
    let mut truth = Truth { frame_ms: vehicle.frame_ms, ..Truth::default() };
    for ramp in ramps {
        let mut time = ramp.start;
        while time < ramp.start + ramp.length {
            let read = vehicle.read_at(time);
            if let (Some(input), Some(servo)) = (latest(&vehicle.input, time), latest(&vehicle.input, read)) {
                truth.stick_to_input.push(time - input.appeared);
                truth.stick_to_servo.push(time - servo.appeared);
                truth.servo_at.push((time, time - servo.appeared));
                truth.input_to_servo.push(time - read);
            }
            time += 0.37;
        }
    }
    for ages in [&mut truth.stick_to_servo, &mut truth.stick_to_input, &mut truth.input_to_servo] {
        ages.sort_by(f64::total_cmp);
    }
    truth
}

/// Plays a scenario into clocks and meter.
pub(crate) fn play(scenario: &Scenario) -> Session {
    let (messages, truth) = messages(scenario);
    play_messages(&messages, truth)
}

/// Plays messages in order of arrival.
pub(crate) fn play_messages(messages: &[(Nanos, Sender, Telemetry)], truth: Truth) -> Session {
    let mut session =
        Session { clocks: Clocks::default(), meter: LatencyMeter::default(), context: context(), truth };
    for (at, sender, message) in messages {
        session.context.now = *at;
        session.clocks.observe(*at, *sender, None, message, |_| Rank::Stranger);
        session.meter.observe(*at, *sender, message, &session.clocks, &session.context);
    }
    session
}
