//! What each RC channel shows, as the vehicle reports it: travel, centre, jitter, whose stick it follows.
//!
//! Definition: `travel` lists lowest, highest, ends and least step; `rest_levels` centre and jitter at rest; `answers`
//! holds the channels against the handset's sticks: dead, stuck, crossed, reversed. Which outputs follow comes from the
//! latency's mapping. Unit: us. Window: the session. Source: none, common practice. A channel that never moved is not
//! dead: that needs a stick that moved. What comes while input is lost is left out, so that failsafe values are no travel:
//! at once with no channels or level 0 after a level, since a sample left out costs nothing where a loss that is told costs
//! much; else once a stick stream stopped by the failsafe's own rule (`failsafe/sticks`), so that of sticks that are sent
//! only as they move rest is seen too. Values outside 500 to 2,500 us are no pulses.
//! Gap: ends a still second. Wrap: none. Duplicate: never reaches this file. Late: passed over. Restart: changes nothing.
//! Bounded: 18 channels, 16 levels each, 4 stick sources.

mod answers;
mod rest_levels;
mod travel;

use super::context::{Context, Sender};
use super::failsafe::sticks::Sticks;
use super::latency;
use super::latency::Followed;
use crate::snapshot::Echo;
use crate::summary::{LatencyChannel, LatencySummary, StickDirection, StickOutput, StickSummary};
use crate::units::Nanos;
use crate::wire::telemetry::Telemetry;

use answers::Answers;
use rest_levels::RestLevels;
use travel::Travel;

pub(crate) const CHANNELS: usize = 18;
/// Shorter or longer is no pulse.
const PULSES_US: std::ops::RangeInclusive<u16> = 500..=2500;

/// One channel as the vehicle reports it.
#[derive(Clone, Debug, Default)]
struct Channel {
    travel: Travel,
    rest: RestLevels,
}

/// All channels of the vehicle, and the handset's sticks.
#[derive(Clone, Debug, Default)]
pub struct ChannelMeter {
    channels: [Channel; CHANNELS],
    answers: Answers,
    newer: bool,
    had_level: bool,
    last: Option<Nanos>,
    sticks: Sticks,
    echo: Echo,
}

impl ChannelMeter {
    /// Takes what is known to follow the sticks by now.
    pub fn follow(&mut self, followed: Followed) {
        self.sticks.follow(followed);
    }

    /// Takes a stick message or a report of the vehicle's channels.
    pub fn observe(&mut self, at: Nanos, sender: Sender, telemetry: &Telemetry, context: &Context) {
        if context.is_late(at, sender.interface) {
            return;
        }
        if let Some(key) = latency::stick_source(sender, telemetry, context) {
            let after_loss = self.sticks.stopped(at).is_some();
            self.sticks.observe(at, key, after_loss, context);
            if let Some(positions) = positions(telemetry).filter(|_| key.numbers_channels()) {
                let followed = self.sticks.followed();
                self.answers.observe_sticks(at, key, positions, |key| followed.rank(key, context));
            }
            return;
        }
        if let Telemetry::ServoOutput { outputs, port: 0, .. } = telemetry
            && context.is_autopilot(sender)
        {
            self.echo.outputs =
                outputs.map(|output| Some(output).filter(|output| PULSES_US.contains(output)));
        }
        if let Telemetry::RcInput { channels, count, rssi, older, .. } = telemetry
            && context.is_autopilot(sender)
        {
            self.newer |= !older;
            let had_level = self.had_level;
            self.had_level |= rssi.is_some_and(|rssi| rssi > 0);
            let is_lost =
                *count == Some(0) || (*rssi == Some(0) && had_level) || self.sticks.stopped(at).is_some();
            if (*older && self.newer) || self.last.is_some_and(|last| at <= last) {
                return;
            }
            self.last = Some(at);
            self.echo.inputs = channels.map(|pulse| pulse.filter(|pulse| PULSES_US.contains(pulse)));
            if is_lost {
                self.answers.cut();
                return;
            }
            let pulses = self.echo.inputs;
            self.answers.observe_channels(at, &pulses);
            for (channel, pulse) in self.channels.iter_mut().zip(pulses) {
                if let Some(pulse) = pulse {
                    channel.travel.observe(pulse);
                    channel.rest.observe(at, pulse);
                }
            }
        }
    }

    /// The newest positions, for drawing.
    #[must_use]
    pub const fn echo(&self) -> Echo {
        self.echo
    }

    /// One row a channel that was reported; `latency` knows which outputs follow.
    #[must_use]
    pub fn summary(&self, latency: &LatencySummary) -> Vec<StickSummary> {
        let rows = self.channels.iter().enumerate().filter(|(_, channel)| channel.travel.samples > 0);
        rows.map(|(index, channel)| self.row(index, channel, latency)).collect()
    }

    fn row(&self, index: usize, channel: &Channel, latency: &LatencySummary) -> StickSummary {
        let (travel, number) = (&channel.travel, index as u8 + 1);
        let jitter_us = channel.rest.jitter_us();
        let centre = channel.rest.centre(travel.low, travel.high);
        let answer = self.answers.of(index, travel.moved(jitter_us));
        // A handset that numbers its sticks otherwise: what follows what is the latency's to say.
        let by_latency = || {
            let stage = latency.stick_to_input.as_ref()?;
            stage.channels.iter().find(|row| row.input == Some(number))
        };
        let (stick, direction) = match answer.stick {
            Some((stick, direction)) => (Some(stick as u8 + 1), direction),
            None if answer.compared.is_none() => {
                by_latency().map_or((None, None), |row| (row.stick, direction_of(row)))
            }
            None => (None, None),
        };
        StickSummary {
            channel: number,
            samples: travel.samples,
            moved: travel.moved(jitter_us),
            low_us: travel.low,
            high_us: travel.high,
            last_us: travel.last,
            travel_us: travel.high - travel.low,
            ends_seen: travel.ends_seen(),
            centre_us: centre.map(|(centre, _)| centre),
            centre_ci95_us: centre.map(|(_, interval)| interval),
            jitter_us,
            still_s: channel.rest.still_spans(),
            step_us: travel.step,
            compared: answer.compared,
            stick,
            direction,
            outputs: outputs(number, (stick, direction), latency),
            findings: answer.findings,
        }
    }
}

/// Positions by channel, of a message that numbers them so.
const fn positions(telemetry: &Telemetry) -> Option<&[Option<u16>; CHANNELS]> {
    match telemetry {
        Telemetry::RcInput { channels, .. } | Telemetry::RcOverride { channels, .. } => Some(channels),
        _ => None,
    }
}

fn direction_of(row: &LatencyChannel) -> Option<StickDirection> {
    row.reversed.map(|reversed| if reversed { StickDirection::Reversed } else { StickDirection::Same })
}

/// By the stage on board. Else by the stick that the channel follows: then the output's direction against the channel is
/// known only with the channel's own against that stick, and no dead band is, since the stage has that of both together.
fn outputs(
    channel: u8,
    (stick, direction): (Option<u8>, Option<StickDirection>),
    latency: &LatencySummary,
) -> Vec<StickOutput> {
    let onboard = latency.input_to_servo.iter().flat_map(|stage| &stage.channels);
    let onboard = onboard.filter(|row| row.input == Some(channel)).filter_map(|row| {
        let (output_direction, dead_band_us) = (direction_of(row), row.dead_band_us);
        Some(StickOutput { servo: row.servo?, output_direction, dead_band_us })
    });
    let onboard: Vec<StickOutput> = onboard.collect();
    if !onboard.is_empty() {
        return onboard;
    }
    let whole = latency.stick_to_servo.iter().flat_map(|stage| &stage.channels);
    let of_stick = whole.filter(|row| row.stick.is_some() && row.stick == stick).filter_map(|row| {
        let output_direction = direction_of(row)
            .zip(direction)
            .map(|(whole, own)| if whole == own { StickDirection::Same } else { StickDirection::Reversed });
        Some(StickOutput { servo: row.servo?, output_direction, dead_band_us: None })
    });
    of_stick.collect()
}

#[cfg(test)]
mod tests {
    use crate::measure::stick_channels::*;
    use crate::record::{Direction, InterfaceId, InterfaceInfo, InterfaceKind};
    use crate::summary::{Bound, LatencyStage, LeftOut, MovesNeeded, StageMethod};

    /// The stage from stick to servo alone: what the output does against the stick, the channel's own direction out of it.
    #[test]
    fn an_output_is_told_against_its_channel_also_where_only_its_stick_is_seen() {
        let row = LatencyChannel {
            stick: Some(2),
            input: None,
            servo: Some(3),
            events: 40,
            p50_ms: None,
            reversed: Some(true),
            dead_band_us: Some(12.0),
        };
        let stage = LatencyStage {
            method: StageMethod::IntervalCensored,
            events: 40,
            left_out: LeftOut::default(),
            p50_ms: None,
            p50_ci95_ms: None,
            p90_ms: None,
            p90_ci95_ms: None,
            p99_ms: None,
            p99_ci95_ms: None,
            moves_needed: MovesNeeded { p50: 0, p90: 0, p99: 0 },
            max_ms: None,
            clock_uncertainty_ms: None,
            bound: Bound::None,
            cross_correlation_ms: None,
            channels: vec![row.clone()],
            change: None,
            distribution: Vec::new(),
        };
        let latency = LatencySummary { stick_to_servo: Some(stage.clone()), ..LatencySummary::default() };
        let (same, reversed) = (Some(StickDirection::Same), Some(StickDirection::Reversed));
        for (own, expected) in [(same, reversed), (reversed, same), (None, None)] {
            let told = StickOutput { servo: 3, output_direction: expected, dead_band_us: None };
            assert_eq!(outputs(2, (Some(2), own), &latency), [told]);
        }
        assert_eq!(outputs(2, (None, None), &latency), []);
        // On board it is against the channel already.
        let on_board = LatencyChannel { stick: None, input: Some(2), ..row };
        let stage = LatencyStage { channels: vec![on_board], ..stage };
        let latency = LatencySummary { input_to_servo: Some(stage), ..latency };
        let told = StickOutput { servo: 3, output_direction: reversed, dead_band_us: Some(12.0) };
        assert_eq!(outputs(2, (Some(2), reversed), &latency), [told]);
    }

    const AUTOPILOT: Sender =
        Sender { interface: InterfaceId(0), direction: Direction::Inbound, system: 1, component: 1 };
    const HANDSET: Sender = Sender { interface: InterfaceId(1), system: 255, ..AUTOPILOT };

    /// Channel 1, as the vehicle reports it 10 times a second for 60 s, of sticks that are sent so often for so long.
    fn reported(sticks_ms: u64, sticks_end_ms: u64, position: fn(u64) -> u16) -> StickSummary {
        let interface = |name: &str| InterfaceInfo {
            name: name.to_owned(),
            kind: InterfaceKind::Stream,
            description: None,
        };
        let mut context =
            Context { interfaces: vec![interface("vehicle"), interface("handset")], ..Context::default() };
        let heartbeat =
            Telemetry::Heartbeat { kind: 2, autopilot: 3, base_mode: 0, custom_mode: 0, system_status: 3 };
        context.roles.observe(1, 1, &heartbeat);
        let mut meter = ChannelMeter::default();
        let channels = |pulse| {
            let mut channels = [None; CHANNELS];
            channels[0] = Some(pulse);
            channels
        };
        let sticks = |pulse| Telemetry::RcOverride { target: 1, channels: channels(pulse), handed_back: 0 };
        let key = latency::stick_source(HANDSET, &sticks(1500), &context).unwrap();
        meter.follow(Followed { sources: vec![key], ..Followed::default() });
        for ms in (0..60_000_u64).step_by(10) {
            let at = Nanos::from_millis(ms as i64);
            if ms < sticks_end_ms && ms % sticks_ms == 0 {
                meter.observe(at, HANDSET, &sticks(1500), &context);
            }
            if ms % 100 == 50 {
                let input = Telemetry::RcInput {
                    boot_ms: ms as u32,
                    channels: channels(position(ms)),
                    count: Some(8),
                    rssi: None,
                    older: false,
                };
                meter.observe(at, AUTOPILOT, &input, &context);
            }
        }
        meter.summary(&LatencySummary::default()).swap_remove(0)
    }

    #[test]
    fn rest_is_seen_of_sticks_that_are_sent_only_as_they_move_and_failsafe_values_are_no_travel() {
        let at_rest = reported(3_000, 60_000, |_| 1500);
        assert!(at_rest.still_s > 50 && at_rest.jitter_us == Some(0.0), "{at_rest:?}");
        // A regular stream that ends at 30 s, and the vehicle's failsafe a second later.
        let lost = reported(40, 30_000, |ms| if ms < 31_000 { 1500 } else { 1000 });
        assert_eq!((lost.low_us, lost.high_us), (1500, 1500), "{lost:?}");
    }
}
