//! Telemetry on its way to this computer: lost, doubled, overtaken, gathered, and counted.

use std::collections::BTreeMap;

use super::mavlink::Message;
use super::motion::{Bursts, Levels};
use super::rng::Dice;
use super::scenario::{Carries, Loss, Scenario, Source, Who, starts};

/// What a frame says, for the truth of what arrived.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Fact {
    Distance(f64),
    Radio { radio: usize, rssi: u8, remote: u8 },
    Vibration { levels: [f32; 3], clipping: [u32; 3] },
    Battery { used_mah: i32, voltage_mv: u32 },
    Private,
    Nothing,
}

/// A frame as it leaves its sender.
pub(crate) struct Departure {
    pub(crate) at_s: f64,
    pub(crate) system: u8,
    pub(crate) component: u8,
    /// False for a radio at the ground, whose reports come by cable.
    pub(crate) over_air: bool,
    /// A loss of its own, for another vehicle.
    pub(crate) loss: Option<Loss>,
    /// As a MAVLink 1 frame.
    pub(crate) version_1: bool,
    pub(crate) message: Message,
    pub(crate) fact: Fact,
}

/// A frame as it arrives.
pub(crate) struct Arrival {
    pub(crate) at_s: f64,
    pub(crate) bytes: Vec<u8>,
    sender: (u8, u8),
    epoch: usize,
    number: u64,
    copy: bool,
    fact: Fact,
}

/// What is true of one sender's frames.
#[derive(Clone, Debug, Default)]
pub(crate) struct Counted {
    pub(crate) sent: u64,
    pub(crate) received: u64,
    pub(crate) lost: u64,
    /// Missing among the numbers, but only because the source here was unplugged.
    pub(crate) unseen: u64,
    pub(crate) duplicates: u64,
    pub(crate) out_of_order: u64,
    pub(crate) restarts: u64,
    pub(crate) periods: u64,
    pub(crate) longest_period: u64,
    /// Between two frames.
    pub(crate) longest_gap_s: f64,
    pub(crate) longest_silence_s: f64,
    pub(crate) silent_at_end_s: f64,
    pub(crate) over_air: bool,
}

/// All that arrived on the vehicle interface.
pub(crate) struct Delivered {
    pub(crate) arrivals: Vec<Arrival>,
    pub(crate) senders: BTreeMap<(u8, u8), Counted>,
    /// Facts of the distinct frames that arrived, in order.
    pub(crate) facts: Vec<(f64, Fact)>,
    pub(crate) private_frames: u64,
}

/// Sends all frames off and sees what arrives.
pub(crate) fn deliver(scenario: &Scenario, mut departures: Vec<Departure>, levels: &Levels<'_>) -> Delivered {
    departures.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let mut way = Way {
        scenario,
        levels,
        bursts: BTreeMap::new(),
        dice: Dice::new(scenario.seed, "telemetry way"),
        newest_s: BTreeMap::new(),
    };
    let mut numbers: BTreeMap<(u8, u8), (usize, u64)> = BTreeMap::new();
    let mut sent: BTreeMap<(u8, u8), (u64, bool)> = BTreeMap::new();
    let mut unseen: Vec<Unseen> = Vec::new();
    let mut arrivals = Vec::new();
    for departure in departures {
        let sender = (departure.system, departure.component);
        // Another vehicle has a loss of its own.
        let epoch = if departure.over_air && departure.loss.is_none() {
            let restarts = scenario.vehicle.restarts_s.iter().filter(|&&at_s| at_s <= departure.at_s);
            restarts.count() + starts(&scenario.vehicle.on_s, departure.at_s).0
        } else {
            0
        };
        let count = numbers.entry(sender).or_insert((epoch, 0));
        if count.0 != epoch {
            *count = (epoch, 0);
        }
        let number = count.1;
        count.1 += 1;
        let total = sent.entry(sender).or_insert((0, departure.over_air));
        total.0 += 1;
        let write = if departure.version_1 { Message::frame_v1 } else { Message::frame };
        let bytes = write(&departure.message, departure.system, departure.component, number as u8);
        for (index, at_s) in way.arrivals(&departure).into_iter().flatten().enumerate() {
            let unplugged = scenario.unplugged(Source::Vehicle, at_s);
            if unplugged && index == 0 {
                unseen.push(Unseen { sender, epoch, number });
            }
            if at_s < scenario.duration_s && !unplugged {
                let copy = index > 0;
                arrivals.push(Arrival {
                    at_s,
                    bytes: bytes.clone(),
                    sender,
                    epoch,
                    number,
                    copy,
                    fact: departure.fact,
                });
            }
        }
    }
    gather(scenario, &mut arrivals);
    count(scenario, arrivals, &sent, &unseen)
}

/// A frame that came over the link while its source here was unplugged: no loss of the link.
struct Unseen {
    sender: (u8, u8),
    epoch: usize,
    number: u64,
}

struct Way<'a> {
    scenario: &'a Scenario,
    levels: &'a Levels<'a>,
    bursts: BTreeMap<u8, Bursts>,
    dice: Dice,
    newest_s: BTreeMap<bool, f64>,
}

impl Way<'_> {
    /// When a frame arrives, and when its copy does.
    fn arrivals(&mut self, departure: &Departure) -> [Option<f64>; 2] {
        let telemetry = &self.scenario.telemetry;
        if !departure.over_air {
            return [Some(self.in_order(false, departure.at_s + 0.001)), None];
        }
        let loss = departure.loss.as_ref().unwrap_or(&telemetry.loss);
        let level = self.levels.received(Carries::Telemetry, departure.at_s);
        let bursts = self
            .bursts
            .entry(departure.system)
            .or_insert_with(|| Bursts::new(self.scenario.seed, &format!("telemetry {}", departure.system)));
        let autopilot = departure.component == 1 && departure.system == self.scenario.vehicle.system;
        let lost = bursts.lost(loss, level)
            || self.scenario.silent(Who::Vehicle, departure.at_s)
            || autopilot && self.scenario.silent(Who::Autopilot, departure.at_s);
        let extra_ms = self.dice.exponential(telemetry.extra_ms.max(1e-6));
        let (overtaken, doubled) = (self.dice.unit(), self.dice.unit());
        let (by_s, copy_s) = (self.dice.between(0.03, 0.12), self.dice.between(0.01, 0.15));
        if lost {
            return [None, None];
        }
        let direct_s = departure.at_s + (telemetry.down_ms + extra_ms) / 1e3;
        let at_s =
            if overtaken < telemetry.reordered { direct_s + by_s } else { self.in_order(true, direct_s) };
        [Some(at_s), (doubled < telemetry.duplicates).then_some(at_s + copy_s)]
    }

    /// A queue lets nothing pass.
    fn in_order(&mut self, over_air: bool, at_s: f64) -> f64 {
        let newest = self.newest_s.entry(over_air).or_insert(0.0);
        *newest = at_s.max(*newest + 1e-5);
        *newest
    }
}

/// Puts arrivals in order; with bursts, all of one burst arrive together.
fn gather(scenario: &Scenario, arrivals: &mut Vec<Arrival>) {
    arrivals.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let burst_s = scenario.telemetry.burst_ms / 1e3;
    if burst_s > 0.0 {
        for arrival in arrivals.iter_mut() {
            arrival.at_s = (arrival.at_s / burst_s).ceil() * burst_s;
        }
        arrivals.retain(|arrival| arrival.at_s < scenario.duration_s);
    }
}

fn count(
    scenario: &Scenario,
    arrivals: Vec<Arrival>,
    sent: &BTreeMap<(u8, u8), (u64, bool)>,
    unseen: &[Unseen],
) -> Delivered {
    let mut senders: BTreeMap<(u8, u8), Counted> = BTreeMap::new();
    let mut received: BTreeMap<((u8, u8), usize), Vec<u64>> = BTreeMap::new();
    let mut newest: BTreeMap<(u8, u8), f64> = BTreeMap::new();
    let (mut facts, mut private_frames) = (Vec::new(), 0);
    for arrival in &arrivals {
        private_frames += u64::from(matches!(arrival.fact, Fact::Private));
        let counted = senders.entry(arrival.sender).or_default();
        if arrival.copy {
            counted.duplicates += 1;
            continue;
        }
        let before = newest.insert(arrival.sender, arrival.at_s);
        counted.longest_gap_s = counted.longest_gap_s.max(before.map_or(0.0, |b| arrival.at_s - b));
        counted.received += 1;
        let numbers = received.entry((arrival.sender, arrival.epoch)).or_default();
        counted.out_of_order += u64::from(numbers.iter().rev().take(64).any(|&n| n > arrival.number));
        numbers.push(arrival.number);
        facts.push((arrival.at_s, arrival.fact));
    }
    for ((sender, epoch), mut numbers) in received {
        numbers.sort_unstable();
        // Two senders of a scenario may have one id, and then one number.
        numbers.dedup();
        let counted = senders.entry(sender).or_default();
        counted.restarts += u64::from(epoch > 0);
        let own = unseen.iter().filter(|frame| frame.sender == sender && frame.epoch == epoch);
        let inside =
            own.filter(|frame| numbers.first() < Some(&frame.number) && Some(&frame.number) < numbers.last());
        let unseen = inside.count() as u64;
        counted.unseen += unseen;
        for pair in numbers.windows(2) {
            let hole = pair[1] - pair[0] - 1;
            counted.lost += hole;
            counted.periods += u64::from(hole > 0);
            counted.longest_period = counted.longest_period.max(hole);
        }
        counted.lost -= unseen;
    }
    for (sender, counted) in &mut senders {
        (counted.sent, counted.over_air) = sent[sender];
        counted.silent_at_end_s = scenario.duration_s - newest[sender];
        // A silence that goes on at the end counts among the silences.
        counted.longest_silence_s = counted.longest_gap_s.max(counted.silent_at_end_s);
    }
    Delivered { arrivals, senders, facts, private_frames }
}
