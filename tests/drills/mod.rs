//! Invented drills, losses and live sessions at message level, with their true instants.
//!
//! It shares no code with the meters: a handset, a radio and a vehicle by their own clockwork, which says when input was
//! lost, noticed and made safe. All times in ms from the first record. Seeded.

#![allow(dead_code, clippy::unwrap_used, clippy::struct_excessive_bools)]

use std::sync::Arc;

use fadewatch::clocks::Clocks;
use fadewatch::measure::context::{Context, Sender, Stall};
use fadewatch::measure::failsafe::FailsafeMeter;
use fadewatch::measure::latency::LatencyMeter;
use fadewatch::profile::Profile;
use fadewatch::record::{Direction, InterfaceId, InterfaceInfo, InterfaceKind};
use fadewatch::stats::heard_table::Rank;
use fadewatch::summary::FailsafeSummary;
use fadewatch::units::Nanos;
use fadewatch::wire::telemetry::Telemetry;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

/// How input is lost.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Lost {
    /// Never.
    Never,
    /// The handset is switched off: its stick messages stop.
    Handset,
    /// The radio is: sticks go on, the receiver gives no channels, and rssi 0.
    Radio,
    /// The receiver holds its channels and level; only the health bit tells.
    Silently,
}

/// What the outputs do in failsafe.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Outputs {
    Settle,
    Hold,
    Move,
}

/// A vehicle that restarts: from when on it is silent, and when it boots.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Reboot {
    pub(crate) from: f64,
    pub(crate) to: f64,
}

/// Which RC messages the vehicle sends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum RcMessages {
    Newer,
    Older,
    /// RC_CHANNELS without channels beside RC_CHANNELS_RAW.
    EmptyBesideOlder,
    Both,
}

#[derive(Clone, Debug)]
pub(crate) struct Plan {
    pub(crate) seed: u64,
    pub(crate) lost: Lost,
    pub(crate) outputs: Outputs,
    pub(crate) lost_at: f64,
    pub(crate) back_at: f64,
    pub(crate) noticed_after: f64,
    pub(crate) safe_after: f64,
    pub(crate) health: bool,
    pub(crate) mode: bool,
    pub(crate) state: bool,
    pub(crate) rc: RcMessages,
    /// Hz.
    pub(crate) servo_hz: f64,
    pub(crate) input_hz: f64,
    pub(crate) status_hz: f64,
    pub(crate) loss: f64,
    /// Telemetry is lost in bursts of so many, in the mean.
    pub(crate) burst: f64,
    pub(crate) silences: Vec<(f64, f64)>,
    pub(crate) reboots: Vec<Reboot>,
    /// A second ground station sends still stick messages in these spans.
    pub(crate) still_station: Vec<(f64, f64)>,
    /// Stick messages that are not heard here.
    pub(crate) stick_loss: f64,
    /// Nobody touches the sticks.
    pub(crate) at_rest: bool,
    /// Single samples with rssi 0 and none.
    pub(crate) flickers: bool,
    pub(crate) marks: Vec<f64>,
    pub(crate) stalls: Vec<(f64, f64)>,
    pub(crate) end: f64,
}

/// The failsafe values of outputs 1 and 2.
pub(crate) const FAILSAFE_US: [u16; 2] = [1000, 1320];
pub(crate) const PROFILE: &str = "[vehicle.failsafe_servo_us]\n1 = 1008\n2 = 1312\n";

impl Plan {
    /// A drill with the times of its seed.
    pub(crate) fn drill(seed: u64, lost: Lost) -> Self {
        let mut random = Random(ChaCha8Rng::seed_from_u64(seed ^ 0x5eed));
        let lost_at = random.between(35_000.0, 50_000.0);
        let noticed_after = random.between(300.0, 1500.0);
        let tells = (random.0.random::<f64>() * 3.0) as u8;
        let silently = lost == Lost::Silently;
        Self {
            seed,
            lost,
            outputs: Outputs::Settle,
            lost_at,
            back_at: lost_at + random.between(5000.0, 12_000.0),
            noticed_after,
            safe_after: noticed_after + random.between(0.0, 800.0),
            health: tells != 1 || silently,
            mode: tells != 0,
            state: tells == 2,
            rc: RcMessages::Newer,
            servo_hz: random.between(8.0, 50.0),
            input_hz: random.between(4.0, 20.0),
            status_hz: random.between(1.0, 4.0),
            loss: 0.03,
            burst: 1.5,
            silences: Vec::new(),
            reboots: Vec::new(),
            still_station: Vec::new(),
            stick_loss: 0.0,
            at_rest: false,
            flickers: false,
            marks: Vec::new(),
            stalls: Vec::new(),
            end: lost_at + 20_000.0,
        }
    }

    /// A session in which input is never lost, but nothing else is spared.
    pub(crate) fn live(seed: u64) -> Self {
        let mut random = Random(ChaCha8Rng::seed_from_u64(seed ^ 0x11fe));
        let rc = [RcMessages::Newer, RcMessages::Older, RcMessages::EmptyBesideOlder, RcMessages::Both];
        let reboots = (0..seed % 3).map(|number| {
            let from = 30_000.0 + 40_000.0 * number as f64 + random.between(0.0, 15_000.0);
            Reboot { from, to: from + random.between(200.0, 6000.0) }
        });
        let reboots: Vec<Reboot> = reboots.collect();
        let silence = random.between(20_000.0, 100_000.0);
        let station = random.between(5000.0, 60_000.0);
        Self {
            lost: Lost::Never,
            rc: rc[(seed / 3 % 4) as usize],
            loss: random.between(0.0, 0.3),
            burst: random.between(1.0, 20.0),
            silences: vec![(silence, silence + random.between(500.0, 15_000.0))],
            still_station: vec![(station, station + 20_000.0), (station + 25_000.0, station + 50_000.0)],
            reboots,
            stick_loss: 0.1,
            at_rest: seed.is_multiple_of(5),
            flickers: true,
            end: 130_000.0,
            ..Self::drill(seed, Lost::Never)
        }
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

/// Stick moves: (start, length, from, to).
fn moves(plan: &Plan, random: &mut Random) -> Vec<(f64, f64, f64, f64)> {
    let (mut moves, mut time, mut level) = (Vec::new(), 2000.0, 1500.0);
    while time < plan.end && !plan.at_rest {
        let mut to = random.between(1130.0, 1870.0);
        while f64::abs(to - level) < 150.0 {
            to = random.between(1130.0, 1870.0);
        }
        let length = random.between(80.0, 250.0);
        moves.push((time, length, level, to));
        level = to;
        time += length + random.between(500.0, 1300.0);
    }
    moves
}

fn position(moves: &[(f64, f64, f64, f64)], time: f64) -> f64 {
    let index = moves.partition_point(|step| step.0 <= time);
    index.checked_sub(1).map_or(1500.0, |index| {
        let (start, length, from, to) = moves[index];
        from + (to - from) * ((time - start) / length).clamp(0.0, 1.0)
    })
}

struct World<'a> {
    plan: &'a Plan,
    sticks: [Vec<(f64, f64, f64, f64)>; 2],
    delay: f64,
}

impl World<'_> {
    fn out(&self, time: f64) -> bool {
        self.plan.lost != Lost::Never && (self.plan.lost_at..self.plan.back_at).contains(&time)
    }

    fn noticed(&self, time: f64) -> bool {
        self.out(time) && time >= self.plan.lost_at + self.plan.noticed_after
    }

    /// The sticks that the vehicle last had.
    fn received(&self, time: f64) -> [f64; 2] {
        let sent = time - self.delay;
        let sent = if self.plan.lost != Lost::Never && sent >= self.plan.lost_at && sent < self.plan.back_at {
            self.plan.lost_at
        } else {
            sent
        };
        [0, 1].map(|stick| position(&self.sticks[stick], (sent / 20.0).floor() * 20.0).round())
    }

    fn booted(&self, time: f64) -> f64 {
        let last = self.plan.reboots.iter().map(|reboot| reboot.to).filter(|to| *to <= time);
        last.fold(-700_000.0, f64::max)
    }

    /// Down or just up: the receiver is not bound, nothing is healthy.
    fn just_up(&self, time: f64) -> bool {
        self.plan.reboots.iter().any(|reboot| (reboot.to..reboot.to + 4000.0).contains(&time))
    }

    fn outputs(&self, time: f64) -> [u16; 16] {
        let plan = self.plan;
        let [a, b] = self.received(time - 4.0);
        let mut outputs = [0; 16];
        outputs[0] = (1500.0 - 0.8 * (a - 1500.0)).round() as u16;
        outputs[1] = (1510.0 + 0.7 * (b - 1500.0)).round() as u16;
        let safe = self.out(time) && time >= plan.lost_at + plan.safe_after;
        match plan.outputs {
            Outputs::Settle if safe => outputs[..2].copy_from_slice(&FAILSAFE_US),
            Outputs::Move if safe => {
                outputs[0] = (1500.0 + 200.0 * (time / 700.0).sin()) as u16;
            }
            _ => {}
        }
        if self.just_up(time) {
            outputs[..2].fill(1500);
        }
        // A camera that sweeps by itself, and an output that never moves.
        outputs[5] = (1500.0 + 300.0 * (time / 900.0).sin()) as u16;
        outputs[6] = 1500;
        outputs
    }
}

const AUTOPILOT: Sender =
    Sender { interface: InterfaceId(0), direction: Direction::Inbound, system: 1, component: 1 };
const HANDSET: Sender =
    Sender { interface: InterfaceId(1), direction: Direction::Inbound, system: 255, component: 190 };
const STATION: Sender =
    Sender { interface: InterfaceId(0), direction: Direction::Inbound, system: 254, component: 190 };

/// What a sender of a kind says at an instant.
type Message = fn(&World<'_>, &mut Random, f64) -> Vec<Telemetry>;

/// What arrives, in order.
pub(crate) fn messages(plan: &Plan) -> Vec<(f64, Sender, Telemetry)> {
    let mut random = Random(ChaCha8Rng::seed_from_u64(plan.seed));
    let sticks = [moves(plan, &mut random), moves(plan, &mut random)];
    let world = World { plan, sticks, delay: random.between(20.0, 120.0) };
    let mut all = Vec::new();
    from_ground(&world, &mut random, &mut all);
    let down = random.between(4.0, 12.0);
    let kinds: [(f64, Message); 4] = [
        (plan.servo_hz, |world, _, time| {
            let time_us = ((time - world.booted(time)) * 1e3) as u64 as u32;
            vec![Telemetry::ServoOutput { time_us, port: 0, outputs: world.outputs(time) }]
        }),
        (plan.input_hz, inputs),
        (plan.status_hz, |world, _, time| vec![status(world, time)]),
        (1.0, |world, _, time| vec![heartbeat(world, time)]),
    ];
    for (hz, message) in kinds {
        let mut time = random.between(0.0, 1000.0 / hz);
        let mut bad = false;
        while time < plan.end {
            bad = if bad { !random.chance(1.0 / plan.burst) } else { random.chance(plan.loss / plan.burst) };
            let down_now = plan.reboots.iter().any(|reboot| (reboot.from..reboot.to).contains(&time));
            let silent = plan.silences.iter().any(|(from, to)| (*from..*to).contains(&time));
            for telemetry in message(&world, &mut random, time) {
                let arrived = time + down + random.exponential(3.0);
                if !(bad || down_now || silent) {
                    all.push((arrived, AUTOPILOT, telemetry));
                }
            }
            time += 1000.0 / hz * random.between(0.95, 1.05);
        }
    }
    // What waits while this computer stands still is stamped once it goes on.
    for (time, ..) in &mut all {
        if let Some((_, to)) = plan.stalls.iter().find(|(from, to)| (*from..*to).contains(time)) {
            *time = *to;
        }
    }
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    all
}

fn from_ground(world: &World<'_>, random: &mut Random, all: &mut Vec<(f64, Sender, Telemetry)>) {
    let plan = world.plan;
    let mut time = 7.0;
    while time < plan.end {
        let off = plan.lost == Lost::Handset && world.out(time);
        if !off && !random.chance(plan.stick_loss) {
            let mut channels = [None; 18];
            for (channel, moves) in channels.iter_mut().zip(&world.sticks) {
                *channel = Some(position(moves, time).round() as u16);
            }
            all.push((time, HANDSET, Telemetry::RcOverride { target: 1, channels, handed_back: 0 }));
        }
        if plan.still_station.iter().any(|(from, to)| (*from..*to).contains(&time)) {
            let mut channels = [None; 18];
            channels[..4].fill(Some(1500));
            all.push((time + 3.0, STATION, Telemetry::RcOverride { target: 1, channels, handed_back: 0 }));
        }
        time += 20.0;
    }
}

fn inputs(world: &World<'_>, random: &mut Random, time: f64) -> Vec<Telemetry> {
    let plan = world.plan;
    let mut channels = [None; 18];
    channels[..8].fill(Some(1500));
    for (channel, value) in channels.iter_mut().zip(world.received(time)) {
        *channel = Some(value as u16);
    }
    let boot_ms = (time - world.booted(time)) as u32;
    let gone = world.just_up(time) || (plan.lost == Lost::Radio && world.noticed(time));
    let mut count = Some(if gone { 0 } else { 8 });
    let mut rssi = Some(if gone { 0 } else { 180 });
    // One by itself: two on end are a loss by definition, also where the good ones between them went missing.
    let is_due = ((time * plan.input_hz / 1000.0) as u64).is_multiple_of(16);
    if plan.flickers && is_due && random.chance(0.3) {
        rssi = Some(0);
    }
    if plan.flickers && is_due && random.chance(0.15) {
        count = Some(0);
    }
    let newer = Telemetry::RcInput { boot_ms, channels, count, rssi, older: false };
    let older = Telemetry::RcInput { boot_ms, channels, count: None, rssi, older: true };
    let empty =
        Telemetry::RcInput { boot_ms, channels: [None; 18], count: Some(0), rssi: Some(0), older: false };
    match plan.rc {
        RcMessages::Newer => vec![newer],
        RcMessages::Older => vec![older],
        RcMessages::EmptyBesideOlder => vec![empty, older],
        RcMessages::Both => vec![newer, older],
    }
}

fn status(world: &World<'_>, time: f64) -> Telemetry {
    let bad = world.just_up(time) || (world.plan.health && world.noticed(time));
    Telemetry::SystemStatus {
        present: 65_536,
        enabled: 65_536,
        healthy: if bad { 0 } else { 65_536 },
        voltage_v: None,
        current_a: None,
        remaining_percent: None,
        drop_ratio: Some(0.0),
        errors: 0,
    }
}

fn heartbeat(world: &World<'_>, time: f64) -> Telemetry {
    let noticed = world.noticed(time);
    Telemetry::Heartbeat {
        kind: 10,
        autopilot: 0,
        base_mode: 128,
        custom_mode: if noticed && world.plan.mode { 102 } else { 101 },
        system_status: if noticed && world.plan.state { 5 } else { 4 },
    }
}

/// The meter at work, as the core's face drives it.
pub(crate) struct Rig {
    pub(crate) context: Context,
    clocks: Clocks,
    latency: LatencyMeter,
    pub(crate) meter: FailsafeMeter,
    seconds: i64,
}

impl Rig {
    pub(crate) fn new(profile: &str) -> Self {
        let mut context = Context {
            profile: Arc::new(Profile::parse(profile).unwrap()),
            start: Some(Nanos::ZERO),
            ..Context::default()
        };
        for name in ["vehicle", "handset"] {
            let (name, kind) = (name.to_owned(), InterfaceKind::Stream);
            context.interfaces.push(InterfaceInfo { name, kind, description: None });
        }
        Self {
            context,
            clocks: Clocks::default(),
            latency: LatencyMeter::default(),
            meter: FailsafeMeter::default(),
            seconds: 0,
        }
    }

    pub(crate) fn advance(&mut self, to: Nanos) {
        while Nanos::from_secs(self.seconds + 1) <= to {
            self.seconds += 1;
            self.context.now = Nanos::from_secs(self.seconds);
            self.meter.follow(self.latency.followed());
            self.meter.advance(self.context.now, &self.context);
        }
        self.context.now = to;
    }

    pub(crate) fn hear(&mut self, at: Nanos, sender: Sender, telemetry: &Telemetry) {
        self.advance(at);
        let Self { context, clocks, latency, meter, .. } = self;
        context.roles.observe(sender.system, sender.component, telemetry);
        clocks.observe(at, sender, None, telemetry, |_| Rank::Stranger);
        if telemetry.boot_stamp().is_some() {
            meter.observe_clock(at, sender, clocks, context);
        }
        latency.observe(at, sender, telemetry, clocks, context);
        meter.observe(at, sender, telemetry, context);
    }

    pub(crate) fn summary(&self) -> Vec<FailsafeSummary> {
        self.meter.summary(&self.context)
    }
}

fn stamp(ms: f64) -> Nanos {
    Nanos::from_secs_f64(ms / 1e3)
}

/// Plays a session up to its end.
pub(crate) fn play(plan: &Plan, profile: &str) -> Rig {
    let mut rig = Rig::new(profile);
    let mut marks = plan.marks.iter().copied().peekable();
    let mut stalls = plan.stalls.iter().copied().peekable();
    for (time, sender, telemetry) in messages(plan) {
        while let Some(mark) = marks.next_if(|mark| *mark <= time) {
            rig.advance(stamp(mark));
            rig.meter.mark_drill(stamp(mark));
        }
        while let Some((from, to)) = stalls.next_if(|(_, to)| *to <= time) {
            rig.context.stalls.push(Stall { from: stamp(from), to: stamp(to) });
        }
        rig.hear(stamp(time), sender, &telemetry);
    }
    rig.advance(stamp(plan.end));
    rig
}

/// One drill against its truth: of detection and of safe outputs, whether it is given, and within its interval.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Verdict {
    /// Exactly one loss is told, at the right time.
    pub(crate) told: bool,
    pub(crate) detected: (bool, bool),
    pub(crate) safe: (bool, bool),
}

pub(crate) fn judge(plan: &Plan, rows: &[FailsafeSummary]) -> Verdict {
    let [row] = rows else { return Verdict::default() };
    let within = |interval: Option<[f64; 2]>, value: Option<f64>, truth_ms: f64| {
        let mut truth = truth_ms / 1e3 - row.input_lost_s;
        // An input may die as it is noticed, and its last live sample takes up to some 25 ms to this computer.
        if plan.lost != Lost::Handset && truth > -0.025 {
            truth = truth.max(0.0);
        }
        let holds = interval.is_some_and(|[low, high]| {
            value.is_some_and(|value| (value - f64::midpoint(low, high)).abs() < 1e-9)
                && low <= truth
                && truth <= high
        });
        (interval.is_some(), holds)
    };
    // The last stick, or the last of the vehicle's samples before it noticed.
    let (from, to) = match plan.lost {
        Lost::Handset => (plan.lost_at - 21.0, plan.lost_at + 1.0),
        _ => (plan.lost_at - 1500.0, plan.lost_at + plan.noticed_after + 60.0),
    };
    Verdict {
        told: (from..=to).contains(&(row.input_lost_s * 1e3)),
        detected: within(
            row.detected_after_interval_s,
            row.detected_after_s,
            plan.lost_at + plan.noticed_after,
        ),
        safe: within(row.servo_safe_after_interval_s, row.servo_safe_after_s, plan.lost_at + plan.safe_after),
    }
}
