//! What each RC channel shows, as the vehicle reports it: travel, centre, jitter, whose stick it follows.
//!
//! Definition: `travel` lists lowest, highest, ends and least step; `rest_levels` centre and jitter at rest; `answers`
//! holds the channels against the handset's sticks: dead, stuck, crossed, reversed. Which outputs follow comes from the
//! latency's mapping. Unit: us. Window: the session. Source: none, common practice. A channel that never moved is not
//! dead: that needs a stick that moved. What comes while input is lost (no channels, level 0 after a level, a stick
//! stream that the vehicle follows silent for 0.5 s) is left out, so that failsafe values are no travel. Values outside
//! 500 to 2,500 us are no pulses.
//! Gap: ends a still second. Wrap: none. Duplicate: never reaches this file. Late: passed over. Restart: changes nothing.
//! Bounded: 18 channels, 16 levels each, 4 stick sources.

mod answers;
mod rest_levels;
mod travel;

use super::context::{Context, Sender};
use super::latency;
use super::latency::{Followed, SourceKey};
use crate::snapshot::Echo;
use crate::stats::heard_table::Rank;
use crate::summary::{LatencyChannel, LatencySummary, StickDirection, StickOutput, StickSummary};
use crate::units::Nanos;
use crate::wire::telemetry::Telemetry;

use answers::Answers;
use rest_levels::RestLevels;
use travel::Travel;

pub(crate) const CHANNELS: usize = 18;
/// Shorter or longer is no pulse.
const PULSES_US: std::ops::RangeInclusive<u16> = 500..=2500;
/// The handset's stream is over where it is silent for so long.
const STICKS_OVER: Nanos = Nanos::from_millis(500);

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
    /// The last stick message of a source that the vehicle follows.
    sticks_at: Option<Nanos>,
    followed: Vec<SourceKey>,
    echo: Echo,
}

impl ChannelMeter {
    /// Takes what is known to follow the sticks by now.
    pub fn follow(&mut self, followed: &Followed) {
        self.followed.clone_from(&followed.sources);
    }

    /// Takes a stick message or a report of the vehicle's channels.
    pub fn observe(&mut self, at: Nanos, sender: Sender, telemetry: &Telemetry, context: &Context) {
        if context.is_late(at, sender.interface) {
            return;
        }
        if let Some(key) = latency::stick_source(sender, telemetry, context) {
            if self.followed.contains(&key) {
                self.sticks_at = Some(at);
            }
            if let Some(positions) = positions(telemetry).filter(|_| key.numbers_channels()) {
                let is_followed = |key: SourceKey| self.followed.contains(&key);
                let rank = |key: SourceKey| if is_followed(key) { Rank::Own } else { key.rank(context) };
                self.answers.observe_sticks(at, key, positions, rank);
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
            let over = self.sticks_at.is_some_and(|last| at - last > STICKS_OVER);
            let is_lost = *count == Some(0) || (*rssi == Some(0) && had_level) || over;
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
            outputs: outputs(number, stick, latency),
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

/// By the stage on board, else by the stick that the channel follows.
fn outputs(channel: u8, stick: Option<u8>, latency: &LatencySummary) -> Vec<StickOutput> {
    let output = |row: &LatencyChannel| {
        let (output_direction, dead_band_us) = (direction_of(row), row.dead_band_us);
        Some(StickOutput { servo: row.servo?, output_direction, dead_band_us })
    };
    let onboard = latency.input_to_servo.iter().flat_map(|stage| &stage.channels);
    let onboard: Vec<StickOutput> =
        onboard.filter(|row| row.input == Some(channel)).filter_map(output).collect();
    if !onboard.is_empty() {
        return onboard;
    }
    let servo = latency.stick_to_servo.iter().flat_map(|stage| &stage.channels);
    servo.filter(|row| row.stick.is_some() && row.stick == stick).filter_map(output).collect()
}
