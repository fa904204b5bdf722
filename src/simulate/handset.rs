//! Sticks, the control link and the servo outputs, with the age of what they show.
//!
//! A radio frame carries the sticks as they stand when it is sent, or as the handset's
//! last message had them. Until the next frame arrives the input holds; the age of the
//! shown position is then the time since that instant. The truth of the latency stages is that age on a grid of 1 ms over
//! all quick movements, less the time that the stick's own message takes to this computer.

use super::motion::{Bursts, Levels};
use super::rng::Dice;
use super::scenario::{Carries, Channel, Control, Delay, Moves, Outputs, Scenario, Servo};

/// Sticks of a handset.
pub(crate) const STICKS: usize = 8;

/// One quick movement.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Movement {
    pub(crate) from_s: f64,
    pub(crate) to_s: f64,
    stick: usize,
    from_us: f64,
    to_us: f64,
}

/// Everything of the control path, over time.
pub(crate) struct ControlPath<'a> {
    scenario: &'a Scenario,
    control: &'a Control,
    pub(crate) movements: Vec<Movement>,
    by_stick: [Vec<Movement>; STICKS],
    /// (arrival at the vehicle, instant of the sticks that are carried), both rising.
    frames: Vec<(f64, f64)>,
}

impl<'a> ControlPath<'a> {
    pub(crate) fn new(scenario: &'a Scenario, control: &'a Control, levels: &Levels<'_>) -> Self {
        let movements = movements(scenario.seed, control);
        let by_stick = std::array::from_fn(|stick| {
            movements.iter().copied().filter(|movement| movement.stick == stick).collect()
        });
        let frames = frames(scenario, control, levels);
        Self { scenario, control, movements, by_stick, frames }
    }

    /// A stick's position, microseconds.
    pub(crate) fn stick(&self, stick: usize, at_s: f64) -> f64 {
        for moves in &self.control.moves {
            if let Some(period) = moves.wave_s
                && (moves.from_s..moves.to_s).contains(&at_s)
                && moves.sticks.iter().any(|&number| usize::from(number) == stick + 1)
            {
                return 1500.0 + 320.0 * (std::f64::consts::TAU * (at_s - moves.from_s) / period).sin();
            }
        }
        let own = &self.by_stick[stick];
        let next = own.partition_point(|movement| movement.from_s <= at_s);
        next.checked_sub(1).map_or(1500.0, |index| {
            let movement = own[index];
            let share = ((at_s - movement.from_s) / (movement.to_s - movement.from_s)).min(1.0);
            movement.from_us + share * (movement.to_us - movement.from_us)
        })
    }

    /// All sticks, in whole microseconds.
    pub(crate) fn sticks(&self, at_s: f64) -> [u16; STICKS] {
        std::array::from_fn(|stick| self.stick(stick, at_s).round() as u16)
    }

    /// When the position was sent that the vehicle's input shows; `None` before the first frame.
    fn shown(&self, at_s: f64) -> Option<f64> {
        let next = self.frames.partition_point(|frame| frame.0 <= at_s);
        next.checked_sub(1).map(|index| self.frames[index].1)
    }

    /// The vehicle's RC input.
    pub(crate) fn input(&self, at_s: f64) -> Option<[u16; STICKS]> {
        let sent = self.shown(at_s)?;
        Some(std::array::from_fn(|channel| self.channel(channel, sent, at_s).round() as u16))
    }

    /// A channel of the vehicle's input at an instant, of sticks that were sent at another.
    fn channel(&self, channel: usize, sent: f64, at_s: f64) -> f64 {
        let is_own = |own: &&Channel| usize::from(own.number) == channel + 1;
        let Some(own) = self.control.channel.iter().find(is_own) else { return self.stick(channel, sent) };
        let stick = own.stick.map_or(channel, |stick| usize::from(stick) - 1);
        let noise = if own.jitter_us > 0.0 {
            let instant = format!("channel {channel} {at_s}");
            Dice::new(self.scenario.seed, &instant).between(-own.jitter_us, own.jitter_us)
        } else {
            0.0
        };
        let centred = own.scale * (self.stick(stick, sent).round() - 1500.0);
        own.still_us.unwrap_or(1500.0 + centred + own.offset_us + noise)
    }

    /// The drill in which the vehicle stands, having noticed it.
    pub(crate) fn noticed(&self, at_s: f64) -> Option<&super::scenario::Failsafe> {
        self.scenario
            .failsafe
            .iter()
            .find(|drill| at_s >= drill.at_s + drill.detected_after_s && at_s < self.recovered_s(drill))
    }

    /// When live input is back at the vehicle.
    pub(crate) fn recovered_s(&self, drill: &super::scenario::Failsafe) -> f64 {
        let next = self.frames.partition_point(|frame| frame.1 < drill.back_s);
        self.frames.get(next).map_or(f64::INFINITY, |frame| frame.0)
    }

    /// The vehicle's outputs.
    pub(crate) fn outputs(&self, at_s: f64) -> Vec<u16> {
        let drill = self.scenario.failsafe.iter().find(|drill| {
            at_s >= drill.at_s + drill.safe_after_s
                && at_s < self.recovered_s(drill) + self.control.onboard_ms / 1e3
        });
        let failsafe = drill.map(|drill| drill.outputs);
        let sent = self.shown(at_s - self.control.onboard_ms / 1e3);
        let output = |servo: &Servo| {
            if failsafe == Some(Outputs::Safe) {
                return servo.failsafe_us.round() as u16;
            }
            let value = if failsafe == Some(Outputs::Move) {
                servo.trim_us + 120.0 * (std::f64::consts::TAU * at_s / 1.7).sin()
            } else if let Some(period) = servo.wave_s {
                servo.trim_us + 180.0 * (std::f64::consts::TAU * at_s / period).sin()
            } else {
                let stick = servo.stick.zip(sent).map_or(1500.0, |(number, sent)| {
                    self.channel(usize::from(number) - 1, sent, at_s).round()
                });
                servo.trim_us + servo.scale * (stick - 1500.0)
            };
            value.clamp(servo.stops_us[0], servo.stops_us[1]).round() as u16
        };
        self.control.servo.iter().map(output).collect()
    }

    /// Ages in milliseconds, sorted: (stick to input, stick to servo).
    pub(crate) fn ages_ms(&self) -> (Vec<f64>, Vec<f64>) {
        let (cable_s, onboard_s) = (self.control.cable_ms / 1e3, self.control.onboard_ms / 1e3);
        let (mut input, mut servo) = (Vec::new(), Vec::new());
        for movement in &self.movements {
            let steps = ((movement.to_s - movement.from_s) * 1e3) as usize;
            for at_s in (0..steps).map(|step| movement.from_s + step as f64 / 1e3) {
                if let Some(sent) = self.shown(at_s) {
                    input.push((at_s - sent - cable_s) * 1e3);
                }
                if let Some(sent) = self.shown(at_s - onboard_s) {
                    servo.push((at_s - sent - cable_s) * 1e3);
                }
            }
        }
        input.sort_by(f64::total_cmp);
        servo.sort_by(f64::total_cmp);
        (input, servo)
    }
}

fn movements(seed: u64, control: &Control) -> Vec<Movement> {
    let mut dice = Dice::new(seed, "movements");
    let mut standing = [1500.0_f64; STICKS];
    let mut all = Vec::new();
    let moving = |moves: &&Moves| moves.count > 0 || moves.ends > 0;
    let mut spans: Vec<&Moves> = control.moves.iter().filter(moving).collect();
    spans.sort_by(|a, b| a.from_s.total_cmp(&b.from_s));
    for moves in spans {
        if moves.ends > 0 {
            to_ends(moves, &mut standing, &mut all);
            continue;
        }
        let slot = (moves.to_s - moves.from_s) / moves.count as f64;
        for index in 0..moves.count {
            let length = dice.between(0.06, 0.2).min(slot * 0.6);
            let from_s = moves.from_s + slot * index as f64 + dice.between(0.0, (slot - length) * 0.7);
            let pick = (dice.unit() * moves.sticks.len() as f64) as usize;
            let stick = usize::from(moves.sticks[pick]) - 1;
            let from_us = standing[stick];
            let away = if (from_us - 1500.0).abs() < 1.0 {
                if dice.chance(0.5) { 1.0 } else { -1.0 }
            } else {
                -(from_us - 1500.0).signum()
            };
            let to_us = (1500.0 + away * dice.between(150.0, 420.0)).round();
            standing[stick] = to_us;
            all.push(Movement { from_s, to_s: from_s + length, stick, from_us, to_us });
        }
    }
    all
}

/// Each stick in turn to both ends and back, held between.
fn to_ends(moves: &Moves, standing: &mut [f64; STICKS], all: &mut Vec<Movement>) {
    const PLACES: [f64; 4] = [1900.0, 1500.0, 1100.0, 1500.0];
    let places = PLACES.iter().cycle().take(PLACES.len() * moves.ends);
    let slot = (moves.to_s - moves.from_s) / (moves.sticks.len() * PLACES.len() * moves.ends) as f64;
    let mut from_s = moves.from_s;
    for number in &moves.sticks {
        let stick = usize::from(*number) - 1;
        for to_us in places.clone() {
            let from_us = std::mem::replace(&mut standing[stick], *to_us);
            all.push(Movement { from_s, to_s: from_s + slot.min(0.4) / 2.0, stick, from_us, to_us: *to_us });
            from_s += slot;
        }
    }
}

fn frames(scenario: &Scenario, control: &Control, levels: &Levels<'_>) -> Vec<(f64, f64)> {
    let mut bursts = Bursts::new(scenario.seed, "control loss");
    let mut dice = Dice::new(scenario.seed, "control delay");
    let mut frames: Vec<(f64, f64)> = Vec::new();
    let (mut high, mut spell_ends_s) = (false, 0.0);
    let count = (scenario.duration_s * 1e3 / control.frame_ms) as usize;
    let phase_s = dice.unit() * control.frame_ms / 1e3;
    for sent_s in (0..count).map(|index| phase_s + index as f64 * control.frame_ms / 1e3) {
        let delay_ms = match control.delay {
            Delay::Constant(delay_ms) => delay_ms,
            Delay::Drifting { from_ms, to_ms } => from_ms + (to_ms - from_ms) * sent_s / scenario.duration_s,
            Delay::Bimodal { low_ms, high_ms, high_share, dwell_s } => {
                while sent_s >= spell_ends_s {
                    high = !high && high_share > 0.0;
                    let mean =
                        if high { dwell_s * high_share / (1.0 - high_share).max(0.01) } else { dwell_s };
                    spell_ends_s += dice.exponential(mean).max(0.05);
                }
                if high { high_ms } else { low_ms }
            }
        };
        let dead = scenario.control_dead(sent_s)
            || control.outages.iter().any(|span| (span[0]..span[1]).contains(&sent_s));
        let lost = bursts.lost(&control.loss, levels.received(Carries::Control, sent_s));
        let arrives_s = sent_s + delay_ms / 1e3;
        if !dead && !lost && frames.last().is_none_or(|last| last.0 < arrives_s) {
            frames.push((arrives_s, if control.held { control.last_message_s(sent_s) } else { sent_s }));
        }
    }
    frames
}
