//! Invented handsets, links and vehicles at message level, with faults of channels that are known: the truth of the
//! test of sticks.
//!
//! It shares no code with the meter. A handset of 14 channels: sticks on 1, 2, 4, 13 and 14 that come back to the
//! centre, a throttle on 3, switches on 5 to 8, knobs on 9 and 10, buttons on 11 and 12. Times in ms. Seeded.

#![allow(dead_code, reason = "each test binary uses its own part")]

use fadewatch::measure::context::{Context, Sender};
use fadewatch::measure::stick_channels::ChannelMeter;
use fadewatch::record::{Direction, InterfaceId, InterfaceInfo, InterfaceKind};
use fadewatch::summary::{LatencySummary, StickSummary};
use fadewatch::units::Nanos;
use fadewatch::wire::telemetry::Telemetry;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

pub(crate) const CHANNELS: usize = 14;
/// Sticks that come back to the centre, from 0.
pub(crate) const CENTRED: [usize; 5] = [0, 1, 3, 12, 13];

/// What is wrong with a channel of the vehicle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Fault {
    Reversed,
    /// It shows another's stick, and that one its.
    SwappedWith(usize),
    /// This share of the travel.
    Short(f64),
    /// So many us off.
    OffCentre(f64),
    /// Standard deviation, us.
    Jitter(f64),
    /// Stands there from the beginning.
    Dead(f64),
    /// Stands still from then on.
    StuckFrom(f64),
}

#[derive(Clone, Debug)]
pub(crate) struct Plan {
    pub(crate) seed: u64,
    /// Channel from 0, and its fault.
    pub(crate) faults: Vec<(usize, Fault)>,
    pub(crate) input_hz: f64,
    /// Telemetry that is lost, in bursts.
    pub(crate) loss: f64,
    pub(crate) delay_ms: f64,
    /// The vehicle's input stands still in these spans, without a word: the radio fails.
    pub(crate) outages: Vec<(f64, f64)>,
    /// Nothing of the vehicle is heard.
    pub(crate) silences: Vec<(f64, f64)>,
    /// The least step of the vehicle's reports.
    pub(crate) step_us: f64,
    /// Nobody touches these.
    pub(crate) untouched: Vec<usize>,
    /// The handset is heard.
    pub(crate) heard: bool,
    /// Both gimbals are also moved at once, as in flight.
    pub(crate) flies: bool,
    pub(crate) end: f64,
}

struct Random(ChaCha8Rng);

impl Random {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.random::<f64>()
    }

    fn below(&mut self, count: usize) -> usize {
        (self.0.random::<f64>() * count as f64) as usize
    }

    fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.0.random::<f64>()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.0.random::<f64>()).cos()
    }
}

impl Plan {
    /// A bench test without a fault, and with everything else that a link does.
    pub(crate) fn clean(seed: u64) -> Self {
        let mut random = Random(ChaCha8Rng::seed_from_u64(seed ^ 0x571c));
        let spans = |random: &mut Random, longest: f64, count: usize| -> Vec<(f64, f64)> {
            let from: Vec<f64> = (0..count).map(|_| random.between(5000.0, 220_000.0)).collect();
            from.into_iter().map(|from| (from, from + random.between(300.0, longest))).collect()
        };
        let untouched = (4..CHANNELS).filter(|_| random.below(4) == 0).collect();
        Self {
            seed,
            faults: Vec::new(),
            input_hz: random.between(4.0, 50.0),
            loss: random.between(0.0, 0.2),
            delay_ms: random.between(15.0, 250.0),
            outages: spans(&mut random, 4000.0, 3),
            silences: spans(&mut random, 6000.0, 2),
            step_us: [1.0, 2.0, 4.0][random.below(3)],
            untouched,
            heard: true,
            flies: seed.is_multiple_of(2),
            end: 0.0,
        }
    }

    /// The same with one or two faults of the seed, on sticks that are moved.
    pub(crate) fn faulty(seed: u64) -> Self {
        let mut random = Random(ChaCha8Rng::seed_from_u64(seed ^ 0xfa17));
        let mut plan = Self::clean(seed);
        let channel = [0, 1, 3][random.below(3)];
        plan.faults = match seed % 7 {
            0 => vec![(channel, Fault::Reversed)],
            1 => {
                let other = [1, 3, 0][[0, 1, 3].iter().position(|own| *own == channel).unwrap_or(0)];
                vec![(channel, Fault::SwappedWith(other)), (other, Fault::SwappedWith(channel))]
            }
            2 => vec![(channel, Fault::Short(random.between(0.5, 0.75)))],
            3 => {
                let off = random.between(40.0, 120.0);
                vec![(channel, Fault::OffCentre(if random.below(2) == 0 { off } else { -off }))]
            }
            4 => vec![(channel, Fault::Jitter(random.between(9.0, 20.0)))],
            5 => vec![(channel, Fault::Dead([1500.0, 1000.0, 988.0][random.below(3)]))],
            // After the first round of this stick, before its second.
            _ => vec![(channel, Fault::StuckFrom(random.between(75_000.0, 80_000.0)))],
        };
        plan
    }
}

/// Where a stick goes: (start, length, from, to).
type Course = Vec<(f64, f64, f64, f64)>;

/// Each in turn, twice through: four times to both ends and back, held over a second each time.
fn courses(plan: &mut Plan, random: &mut Random) -> Vec<Course> {
    let mut courses = vec![Course::new(); CHANNELS];
    let mut at = [1500.0; CHANNELS];
    at[2] = 1000.0;
    for (channel, place) in at.iter_mut().enumerate().skip(4).take(8) {
        *place = if channel < 8 { 1000.0 } else { 1320.0 };
    }
    let rest = at;
    let mut time = 2000.0;
    let mut go = |channel: usize, to: f64, time: &mut f64, random: &mut Random, hold: (f64, f64)| {
        let length = random.between(80.0, 500.0);
        courses[channel].push((*time, length, at[channel], to));
        at[channel] = to;
        *time += length + random.between(hold.0, hold.1);
    };
    for round in 0..2 {
        for channel in 0..CHANNELS {
            if plan.untouched.contains(&channel) {
                continue;
            }
            let stops: &[f64] = match channel {
                2 => &[1900.0, 1500.0, 1900.0, 1000.0, 1900.0, 1000.0],
                4..=7 => &[2000.0, 1500.0, 2000.0, 1000.0],
                8 | 9 => &[1900.0, 1250.0, 1700.0, 1320.0],
                10 | 11 => &[2000.0, 1000.0, 2000.0, 1000.0],
                _ => &[1900.0, 1500.0, 1100.0, 1500.0, 1900.0, 1500.0, 1100.0, 1500.0],
            };
            let hold = if channel < 4 { (1400.0, 1900.0) } else { (1300.0, 1500.0) };
            for stop in stops {
                go(channel, *stop, &mut time, random, hold);
            }
            if round == 1 && channel == 3 && plan.flies {
                // Both hands, and no stick alone.
                for _ in 0..20 {
                    let both = time;
                    for stick in [0, 1, 3] {
                        let mut own = both + random.between(0.0, 150.0);
                        let to = random.between(1150.0, 1850.0);
                        go(stick, to, &mut own, random, (0.0, 1.0));
                        time = time.max(own);
                    }
                    time += random.between(100.0, 1500.0);
                }
                for stick in [0, 1, 3] {
                    go(stick, rest[stick], &mut time, random, (1400.0, 1500.0));
                }
            }
        }
    }
    plan.end = time + 6000.0;
    courses
}

fn position(course: &Course, rest: f64, time: f64) -> f64 {
    let index = course.partition_point(|step| step.0 <= time);
    index.checked_sub(1).map_or(rest, |index| {
        let (start, length, from, to) = course[index];
        from + (to - from) * ((time - start) / length).clamp(0.0, 1.0)
    })
}

const AUTOPILOT: Sender =
    Sender { interface: InterfaceId(0), direction: Direction::Inbound, system: 1, component: 1 };
const HANDSET: Sender =
    Sender { interface: InterfaceId(1), direction: Direction::Inbound, system: 255, component: 190 };

fn rest(channel: usize) -> f64 {
    match channel {
        2 | 4..=7 => 1000.0,
        8..=11 => 1320.0,
        _ => 1500.0,
    }
}

/// What the vehicle reports of a channel whose stick is at `sticks[channel]`.
fn reported(plan: &Plan, channel: usize, sticks: &dyn Fn(usize, f64) -> f64, time: f64, noise: f64) -> f64 {
    let mut own = sticks(channel, time);
    for (_, fault) in plan.faults.iter().filter(|(faulty, _)| *faulty == channel) {
        own = match *fault {
            Fault::Reversed => 3000.0 - own,
            Fault::SwappedWith(other) => sticks(other, time),
            Fault::Short(share) => 1500.0 + share * (own - 1500.0),
            Fault::OffCentre(by) => own + by,
            Fault::Jitter(sd) => own + sd * noise,
            Fault::Dead(at) => at,
            Fault::StuckFrom(from) => sticks(channel, time.min(from)),
        };
    }
    (own / plan.step_us).round() * plan.step_us
}

/// Plays a session; the rows at its end.
pub(crate) fn play(plan: &mut Plan) -> Vec<StickSummary> {
    let mut random = Random(ChaCha8Rng::seed_from_u64(plan.seed));
    let courses = courses(plan, &mut random);
    let plan = &*plan;
    let mut messages: Vec<(f64, Sender, Telemetry)> = Vec::new();
    let mut time = 3.0;
    while plan.heard && time < plan.end {
        let mut channels = [None; 18];
        for (channel, slot) in channels.iter_mut().enumerate().take(CHANNELS) {
            // The last digit of a stick's own converter.
            let own = position(&courses[channel], rest(channel), time) + random.between(-1.0, 1.0);
            *slot = Some(own.round() as u16);
        }
        messages.push((time, HANDSET, Telemetry::RcOverride { target: 1, channels, handed_back: 0 }));
        time += 20.0;
    }
    let (mut time, mut bad) = (1.0, false);
    while time < plan.end {
        bad = if bad { random.below(2) == 0 } else { random.between(0.0, 1.0) < plan.loss / 2.0 };
        let sent = time - plan.delay_ms;
        let outage = plan.outages.iter().find(|(from, to)| (*from..*to).contains(&sent));
        let shown = outage.map_or(sent, |(from, _)| *from);
        let sticks = |stick: usize, at: f64| position(&courses[stick], rest(stick), at);
        let mut channels = [None; 18];
        for (channel, slot) in channels.iter_mut().enumerate().take(CHANNELS) {
            let noise = random.normal();
            *slot = Some(reported(plan, channel, &sticks, shown, noise) as u16);
        }
        let silent = plan.silences.iter().any(|(from, to)| (*from..*to).contains(&time));
        if !(bad || silent) {
            let (boot_ms, count, rssi) = (time as u32 + 9000, Some(CHANNELS as u8), Some(180));
            let input = Telemetry::RcInput { boot_ms, channels, count, rssi, older: false };
            messages.push((time + random.between(5.0, 20.0), AUTOPILOT, input));
        }
        time += 1000.0 / plan.input_hz;
    }
    messages.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut context = Context { start: Some(Nanos::ZERO), ..Context::default() };
    for name in ["vehicle", "handset"] {
        let (name, kind) = (name.to_owned(), InterfaceKind::Stream);
        context.interfaces.push(InterfaceInfo { name, kind, description: None });
    }
    let heartbeat =
        Telemetry::Heartbeat { kind: 2, autopilot: 3, base_mode: 0, custom_mode: 0, system_status: 3 };
    context.roles.observe(1, 1, &heartbeat);
    let mut meter = ChannelMeter::default();
    for (time, sender, telemetry) in &messages {
        meter.observe(Nanos::from_secs_f64(time / 1e3), *sender, telemetry, &context);
    }
    meter.summary(&LatencySummary::default())
}

/// What the defaults of the profile ask for: common practice, no source.
const TRAVEL_US: u16 = 700;
const CENTRE_US: f64 = 25.0;
const JITTER_US: f64 = 6.0;

fn off_centre(row: &StickSummary) -> bool {
    row.centre_us.is_some_and(|centre| (centre - 1500.0).abs() > CENTRE_US)
}

fn jitters(row: &StickSummary) -> bool {
    row.jitter_us.is_some_and(|jitter| jitter > JITTER_US)
}

fn short(row: &StickSummary) -> bool {
    row.ends_seen && row.travel_us < TRAVEL_US
}

/// What was told of a channel, in words.
fn told(row: &StickSummary) -> Vec<&'static str> {
    let mut told: Vec<&'static str> = row.findings.iter().map(|finding| finding.word()).collect();
    let by_limit = [(off_centre(row), "off centre"), (jitters(row), "jitters"), (short(row), "short")];
    told.extend(by_limit.into_iter().filter(|(is_so, _)| *is_so).map(|(_, word)| word));
    told
}

fn truth(fault: Fault) -> &'static str {
    match fault {
        Fault::Reversed => "reversed",
        Fault::SwappedWith(_) => "crossed",
        Fault::Short(_) => "short",
        Fault::OffCentre(_) => "off centre",
        Fault::Jitter(_) => "jitters",
        Fault::Dead(_) => "dead",
        Fault::StuckFrom(_) => "stuck",
    }
}

/// Of every channel exactly its faults.
pub(crate) fn wrong(mut plan: Plan) -> Vec<String> {
    let rows = play(&mut plan);
    assert_eq!(rows.len(), CHANNELS);
    let mut wrong = Vec::new();
    for (channel, row) in rows.iter().enumerate() {
        let faults = plan.faults.iter().filter(|(faulty, _)| *faulty == channel);
        let wanted: Vec<&str> = faults.map(|(_, fault)| truth(*fault)).collect();
        if told(row) != wanted {
            wrong.push(format!("seed {} {wanted:?}: {row:?}", plan.seed));
        }
    }
    wrong
}
