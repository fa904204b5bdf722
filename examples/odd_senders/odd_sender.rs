//! Senders that nobody designed, with what was truly lost of each.
//!
//! A sender has a heartbeat and a few streams of other messages, and does up to three odd things: it sends in bursts,
//! pauses, changes its rates, restarts (with or without a boot clock), is forwarded in part, or shares its id with a
//! second sender that numbers for itself. Half of them lose nothing; the others lose frames in bursts and in outages.
//! Truth: per numbering, the numbers between its first and its last received one that did not arrive. What a forwarder
//! leaves out is missing too: its numbers were used.

use std::collections::BTreeMap;

use fadewatch::measure::context::{Context, Sender};
use fadewatch::measure::loss::LossMeter;
use fadewatch::record::{Direction, InterfaceId};
use fadewatch::summary::Stream;
use fadewatch::units::Nanos;
use fadewatch::wire::framer::{Frame, FrameHeader, Standing};
use fadewatch::wire::message::MavlinkMessage;
use fadewatch::wire::telemetry::BootStamp;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};

/// An odd thing that a sender does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Odd {
    Bursts,
    Pauses,
    Rates,
    Restarts,
    InPart,
    TwoNumberings,
}

const ODD: [Odd; 6] = [Odd::Bursts, Odd::Pauses, Odd::Rates, Odd::Restarts, Odd::InPart, Odd::TwoNumberings];
const HEARTBEAT: u32 = 0;
const BURST: u32 = 22;
const MOST_LATE: usize = 100;
const STREAMS: [u32; 5] = [30, 33, 24, 74, 147];

/// A frame that was sent.
#[derive(Clone, Copy, Debug)]
struct Sent {
    at: f64,
    /// Of which numbering, a new one after each restart.
    numbering: u32,
    number: u64,
    message: u32,
    boot: Option<BootStamp>,
}

/// What a seed gives.
#[derive(Clone, Debug)]
pub(crate) struct OddSender {
    pub(crate) odd: Vec<Odd>,
    pub(crate) has_clock: bool,
    pub(crate) lost: u64,
    arrivals: Vec<(f64, Sent)>,
}

/// When nothing is sent, and what becomes of the sender then.
#[derive(Clone, Copy, Debug)]
struct Stop {
    from: f64,
    to: f64,
    restarts: bool,
    heartbeat_goes_on: bool,
}

impl OddSender {
    pub(crate) fn draw(seed: u64) -> Self {
        let random = &mut ChaCha8Rng::seed_from_u64(seed);
        let mut odd: Vec<Odd> =
            (0..random.random_range(1..=3)).map(|_| ODD[random.random_range(0..6)]).collect();
        odd.sort_unstable();
        odd.dedup();
        let has_clock = random.random::<f64>() < 0.5;
        let end = random.random_range(60.0..240.0);
        let mut sent = numbering(random, &odd, has_clock, (0.0, end), 0);
        if odd.contains(&Odd::TwoNumberings) {
            let from = random.random_range(0.0..0.5) * end;
            let other: Vec<Odd> = odd.iter().copied().filter(|odd| *odd == Odd::Pauses).collect();
            sent.extend(numbering(random, &other, false, (from, end), 1000));
        }
        let in_part = odd.contains(&Odd::InPart);
        let forwarded: Vec<u32> = STREAMS.into_iter().filter(|_| random.random::<f64>() < 0.4).collect();
        let (share, length) = if random.random::<bool>() {
            (0.0, 1.0)
        } else {
            (0.3 * random.random::<f64>().powi(2), random.random_range(1.0..20.0))
        };
        let outages: Vec<(f64, f64)> = (0..if share > 0.0 { random.random_range(0..3) } else { 0 })
            .map(|_| (random.random::<f64>() * end, random.random_range(1.0..20.0)))
            .collect();
        let late = if random.random::<f64>() < 0.3 { 0.01 } else { 0.0 };
        sent.sort_by(|a, b| a.at.total_cmp(&b.at));
        let (mut bad, mut arrivals) = (false, Vec::new());
        for (place, each) in sent.iter().enumerate() {
            let enter = share / length / (1.0 - share);
            bad ^= random.random::<f64>() < if bad { 1.0 / length } else { enter };
            let is_out = outages.iter().any(|&(from, lasts)| (from..from + lasts).contains(&each.at));
            let is_left_out = in_part && each.message != HEARTBEAT && !forwarded.contains(&each.message);
            if !(share > 0.0 && (bad || is_out) || is_left_out) {
                // Late by fewer numbers than tell it from one that is ahead.
                let room = sent.get(place + MOST_LATE).map_or(0.0, |later| later.at - each.at);
                let delay = if random.random::<f64>() < late { 0.3 * random.random::<f64>() } else { 0.0 };
                arrivals.push((each.at + delay.min(room), *each));
            }
        }
        arrivals.sort_by(|a, b| a.0.total_cmp(&b.0));
        let lost = missing(&arrivals);
        Self { odd, has_clock, lost, arrivals }
    }

    /// How its frames are counted, all of one sender on one interface.
    pub(crate) fn row(&self) -> Option<Stream> {
        let sender =
            Sender { interface: InterfaceId(0), direction: Direction::Inbound, system: 1, component: 1 };
        let (mut meter, mut context) = (LossMeter::default(), Context::default());
        for (content, (at, sent)) in self.arrivals.iter().enumerate() {
            let at = Nanos::from_secs_f64(*at);
            meter.begin(*context.start.get_or_insert(at));
            context.now = context.now.max(at);
            // No two frames are alike.
            let bytes = (content as u64).to_le_bytes();
            let header = FrameHeader {
                version: 2,
                sequence: sent.number as u8,
                system: sender.system,
                component: sender.component,
                message: sent.message,
                signed: false,
                known: true,
                standing: Standing::Accepted,
            };
            let fingerprint = Frame { header, payload: &bytes, bytes: &bytes }.fingerprint();
            meter.observe(
                at,
                sender,
                None,
                &MavlinkMessage { header, fingerprint, boot: sent.boot, telemetry: None },
            );
        }
        meter.summary(&context).into_iter().next()
    }

    /// The frames as text, for a look at one seed.
    pub(crate) fn listing(&self) -> impl Iterator<Item = String> {
        self.arrivals.iter().map(|(at, sent)| {
            format!(
                "{at:9.3} {:4} {:6} {:3} {:3}",
                sent.numbering,
                sent.number,
                sent.number % 256,
                sent.message
            )
        })
    }
}

/// All that one counter numbers between two times.
fn numbering(
    random: &mut ChaCha8Rng,
    odd: &[Odd],
    has_clock: bool,
    (from, end): (f64, f64),
    first: u32,
) -> Vec<Sent> {
    let stops = stops(random, odd, (from, end));
    let mut due: Vec<(f64, u32)> = Vec::new();
    let changed = if odd.contains(&Odd::Rates) { random.random_range(from..end) } else { end };
    let limit = if odd.contains(&Odd::InPart) { 4 } else { 1 };
    let heartbeat =
        stops.iter().filter(|stop| stop.heartbeat_goes_on && !stop.restarts).copied().collect::<Vec<_>>();
    stream(random, (from, end), 1.0, HEARTBEAT, &mut due);
    for message in STREAMS.into_iter().take(random.random_range(0..=STREAMS.len())) {
        let rates = [2.0, 4.0, 5.0, 10.0, 20.0, 50.0];
        let rate = rates[random.random_range(0..rates.len())] / f64::from(limit);
        stream(random, (from, changed), rate, message, &mut due);
        let factor = [0.0, 0.1, 0.2, 0.5, 2.0, 5.0][random.random_range(0..6)];
        if changed < end && factor * rate > 0.0 {
            stream(random, (changed, end), (factor * rate).min(50.0), message, &mut due);
        }
    }
    if odd.contains(&Odd::Bursts) && !odd.contains(&Odd::InPart) {
        for _ in 0..random.random_range(1..4) {
            let (begin, rate) = (random.random_range(from..end), random.random_range(100.0..1000.0));
            let count = random.random_range(50..3000);
            due.extend((0..count).map(|index| (begin + f64::from(index) / rate, BURST)));
        }
    }
    // A loop that sends what is due, or frames as they fall due.
    let tick = [0.0, 0.0025, 0.02, 0.1][random.random_range(0..4)];
    let wander = if random.random::<bool>() { 0.01 * random.random::<f64>() } else { 0.0 };
    for (at, _) in &mut due {
        *at += wander * 20.0 * (*at / 20.0).sin();
        if tick > 0.0 {
            *at = (*at / tick).ceil() * tick;
        }
    }
    due.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (mut numbering, mut number, mut booted, mut last) =
        (first, random.random_range(0..256), from - 30.0, from);
    let mut sent = Vec::new();
    for (at, message) in due {
        let is_kept =
            |stop: &Stop| message == HEARTBEAT && heartbeat.iter().any(|kept| kept.from == stop.from);
        if at >= end || stops.iter().any(|stop| (stop.from..stop.to).contains(&at) && !is_kept(stop)) {
            continue;
        }
        if let Some(stop) = stops.iter().find(|stop| stop.restarts && stop.to <= at && stop.to > last) {
            (numbering, number, booted) = (numbering + 1, 0, stop.from.max(stop.to - 2.0));
        }
        let stamp = BootStamp::Millis(((at - booted) * 1e3) as u32);
        let boot = (has_clock && [30, 33].contains(&message)).then_some(stamp);
        // Frames of one tick leave one behind the other.
        let at = at.max(last + 0.0002) + 0.0003 * random.random::<f64>();
        last = at;
        sent.push(Sent { at, numbering, number, message, boot });
        number += 1;
    }
    sent
}

/// Frames of a message at a rate, some senders unsteady.
fn stream(
    random: &mut ChaCha8Rng,
    (from, to): (f64, f64),
    rate: f64,
    message: u32,
    due: &mut Vec<(f64, u32)>,
) {
    let jitter = 0.1 * random.random::<f64>() / rate;
    let mut at = from + random.random::<f64>() / rate;
    while at < to {
        due.push((at + jitter * random.random::<f64>(), message));
        at += 1.0 / rate;
    }
}

fn stops(random: &mut ChaCha8Rng, odd: &[Odd], (from, end): (f64, f64)) -> Vec<Stop> {
    // A sender that runs for less than this begins to run again with a clock that has not fallen.
    const APART: f64 = 5.0;
    let mut stops: Vec<Stop> = Vec::new();
    let mut draw = |restarts: bool, least: f64, most: f64, random: &mut ChaCha8Rng| {
        for _ in 0..random.random_range(1..4) {
            let begin: f64 = random.random_range(from..end);
            let lasts = least * (most / least).powf(random.random::<f64>());
            let heartbeat_goes_on = random.random::<bool>();
            let is_apart = |other: &Stop| begin > other.to + APART || begin + lasts + APART < other.from;
            if stops.iter().all(is_apart) {
                stops.push(Stop { from: begin, to: begin + lasts, restarts, heartbeat_goes_on });
            }
        }
    };
    if odd.contains(&Odd::Pauses) {
        draw(false, 0.5, 60.0, random);
    }
    if odd.contains(&Odd::Restarts) {
        draw(true, 0.3, 60.0, random);
    }
    stops
}

/// Numbers between the first and the last of each numbering that did not arrive.
fn missing(arrivals: &[(f64, Sent)]) -> u64 {
    let mut numberings: BTreeMap<u32, (u64, u64, u64)> = BTreeMap::new();
    for (_, sent) in arrivals {
        let (least, most, count) = numberings.entry(sent.numbering).or_insert((u64::MAX, 0, 0));
        (*least, *most, *count) = (sent.number.min(*least), sent.number.max(*most), *count + 1);
    }
    numberings.values().map(|&(least, most, count)| most + 1 - least - count).sum()
}

/// How often the figures were right.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Score {
    pub(crate) senders: u64,
    /// Loss was told, and its interval holds the truth.
    pub(crate) told: u64,
    pub(crate) held: u64,
    /// The interval is wider than a point; than its figure.
    pub(crate) wide: u64,
    pub(crate) very_wide: u64,
    /// Nothing was lost, and whether some loss was told.
    pub(crate) lossless: u64,
    pub(crate) invented: u64,
    /// One numbering, of which no loss was told.
    pub(crate) single: u64,
    pub(crate) single_untold: u64,
}

/// What was wrong of one sender, if anything.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Wrong {
    Outside,
    Invented,
    Untold,
}

impl Score {
    pub(crate) fn add(&mut self, sender: &OddSender, row: &Stream) -> Option<Wrong> {
        let is_told = row.lost.is_some();
        let holds = row.lost_ci95.is_some_and(|[low, high]| (low..=high).contains(&sender.lost));
        let is_surely_lost = row.lost > Some(0) || row.lost_ci95.is_some_and(|[low, _]| low > 0);
        let is_invented = is_told && sender.lost == 0 && is_surely_lost;
        let is_single = !sender.odd.contains(&Odd::TwoNumberings);
        self.senders += 1;
        self.told += u64::from(is_told);
        self.held += u64::from(is_told && holds);
        let width = row.lost_ci95.map_or(0, |[low, high]| high - low);
        self.wide += u64::from(width > 0);
        self.very_wide += u64::from(width > row.lost.unwrap_or(0));
        self.lossless += u64::from(sender.lost == 0);
        self.invented += u64::from(is_invented);
        self.single += u64::from(is_single);
        self.single_untold += u64::from(is_single && !is_told);
        if is_invented {
            Some(Wrong::Invented)
        } else if is_told && !holds {
            Some(Wrong::Outside)
        } else {
            (is_single && !is_told).then_some(Wrong::Untold)
        }
    }
}
