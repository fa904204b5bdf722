//! Why a figure is missing, or does not count: one sentence each, with what to do where something can be done.

use std::fmt;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::snapshot::{Lane, LatencyLimit, LimitBasis, Missing, Suspicion};
use crate::summary::{PhaseReason, Reason, Uncompared};

use super::limit;

impl fmt::Display for Reason {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(match self {
            Self::OfEarlierVersion => "as an earlier version of this program said: read the recording again",
            Self::OwnTransmission => "sent from this computer",
            Self::UnnamedGround => "a ground-station-type sender that the profile does not name",
            Self::SharedCounter { system, other } => {
                return write!(
                    out,
                    "shares one sequence counter with component {system}/{other}: its gaps are not loss"
                );
            }
            Self::SeveralCounters => {
                "several senders number their frames under this one id: numbers cannot be followed, give each an id"
            }
            Self::SameId => {
                "another sender with the same id was first: nothing of this one counts, give each an id of its own"
            }
            Self::NumberedApart => {
                "the links carry no frames with the same number and bytes: they are numbered apart"
            }
            Self::SwitchedOff => "the vehicle was switched off on the ground",
            Self::SenderPaused => "the sender sent nothing",
            Self::SenderRestarted => "the sender began anew",
            Self::ComputerStalled => "this computer stood still",
            Self::Batches => "the packets were delivered in batches",
            Self::HostDrops => "this computer lost data",
            Self::VehicleRestarted => "the vehicle restarted",
            Self::OpenOnGround => "it began on the ground and never ended",
            Self::OpenUnheard => "it never ended, and the vehicle was heard in trips for less than 10 s after it began",
            Self::Open => "it was not over at the last record",
            Self::Drill => "a drill",
            Self::HandsetStopped => "the handset's own stream stopped first",
            Self::InputNotBack => "it did not end, and the vehicle is heard for less than 10 s after it",
            Self::Sectors(why) => {
                let advice = "fly or turn so that each side faces the handset at several distances, more than once";
                return write!(out, "{}: {advice}", uncompared(*why));
            }
            Self::Layers(why) => {
                let advice = "fly the same distances at other heights, more than once";
                return write!(out, "{}: {advice}", uncompared(*why));
            }
            Self::NoPosition => "no distance: the vehicle sends no position, or has no fix yet",
            Self::NoHandset => "no distance: mark 'the handset is here', or give [handset] lat and lon in the profile",
            Self::RefreshUnseen => {
                "damage by earlier loss cannot be told: for long no key frame and no recovery point came, so the picture \
                 is refreshed in a way that is not seen"
            }
            Self::NoVibration => "the vehicle sends no VIBRATION: ask it for message 241 at 1 Hz or more",
            Self::InertialSlow => {
                "inertial messages come less than 50 times a second: ask for message 27 or 105 at 100 Hz or more"
            }
            Self::InertialUneven => "the stamps of the inertial messages are unevenly spaced",
            Self::InertialGaps => {
                "never 1.2 s of inertial messages without a gap, four times within 15 s: record nearer to the vehicle"
            }
            Self::InertialUnstamped => "the inertial messages have no time: let the vehicle stamp them",
            Self::NoSticks => {
                "no stick messages heard: connect the handset with --handset, or pass its bytes with --forward"
            }
            Self::NoInput => "no RC input messages: ask the vehicle for RC_CHANNELS with --request-rates (transmits)",
            Self::NoServo => {
                "no servo messages: ask the vehicle for SERVO_OUTPUT_RAW with --request-rates (transmits)"
            }
            Self::SticksTogether => "two sticks moved together",
            Self::MixedOutputs => {
                "each output follows several sticks, and not in straight lines"
            }
            Self::Contradicted => {
                "withdrawn, its movements contradict each other or a second method"
            }
            Self::FewMoves => "too few moves",
            Self::NothingFollows => {
                "nothing follows the sticks yet"
            }
            Self::NoBound => {
                "its two ends are on two clocks that nothing ties together: record live with --timesync (transmits)"
            }
            Self::OtherBattery => "minutes left not measured: [battery] in the profile is the vehicle's battery 0 alone",
            Self::NoCapacity => "minutes left not measured: give capacity_mah under [battery] in the profile",
            Self::NoCharge => "minutes left not measured: the battery reports neither used charge nor a percentage",
            Self::BatterySilent => "minutes left not measured: the battery is silent",
            Self::LoadTooShort => "minutes left: not yet, they need 3 min under load",
            Self::LoadUneven => "minutes left: not yet, the load varies too much",
            Self::NoSensitivity => "no ranges and margins: give sensitivity_dbm, as the receiver's maker states it",
            Self::NoHeights => "no two rays: give ground_height_m and vehicle_height_m",
            Self::NoReducedPower => {
                "no range check: give the link's reduced_power_db, if its power can be turned down"
            }
        })
    }
}

const fn uncompared(why: Uncompared) -> &'static str {
    match why {
        Uncompared::NoLevel => "no level",
        Uncompared::OneDistance => "the distance never changed within one of them",
        Uncompared::OneClass => "only one has data enough",
    }
}

impl Serialize for Reason {
    fn serialize<S: Serializer>(&self, out: S) -> Result<S::Ok, S::Error> {
        out.collect_str(self)
    }
}

/// Those of senders: a text report shows no others.
impl<'de> Deserialize<'de> for Reason {
    fn deserialize<D: Deserializer<'de>>(input: D) -> Result<Self, D::Error> {
        let text = String::deserialize(input)?;
        let other = text.split([' ', '/', ':']).filter_map(|word| word.parse().ok()).collect::<Vec<u8>>();
        let shared = |system, other| Self::SharedCounter { system, other };
        let shared = if let [system, other] = other[..] { Some(shared(system, other)) } else { None };
        let plain = [Self::OwnTransmission, Self::UnnamedGround, Self::SeveralCounters, Self::SameId];
        let known = plain.into_iter().chain(shared);
        Ok(known.into_iter().find(|reason| reason.to_string() == text).unwrap_or(Self::OfEarlierVersion))
    }
}

impl fmt::Display for PhaseReason {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::NotHeard => out.write_str("no autopilot heard yet"),
            Self::Beside { horizontal_m } => {
                write!(out, "stands disarmed, {horizontal_m:.0} m from the handset")
            }
            Self::Strong => out.write_str("stands disarmed, and the level is near its strongest"),
            Self::Disarmed => out.write_str("disarmed, and neither a position nor a level says where it is"),
            Self::Bench => out.write_str("armed, within 10 m of where it armed"),
            Self::Landed { horizontal_m } => {
                write!(out, "landed and disarmed, {horizontal_m:.0} m from the handset")
            }
            Self::LevelDown => out.write_str("stands disarmed, and the level is far below its strongest"),
            Self::CarriedAway => out.write_str("stands disarmed, and the handset moves away"),
            Self::Away => out.write_str("armed and away from where it armed"),
            Self::Armed => out.write_str("armed, and nothing shows that it stands where it armed"),
            Self::Elsewhere => out.write_str("not armed, and not standing beside the handset"),
            Self::Unsaid => out.write_str("no word on whether it is armed"),
            Self::Turned { distance_m } => write!(out, "turned, {distance_m:.0} m away"),
            Self::SwitchedOff { .. } => out.write_str("on the ground, and all of the vehicle silent for 5 s"),
        }
    }
}

impl Serialize for PhaseReason {
    fn serialize<S: Serializer>(&self, out: S) -> Result<S::Ok, S::Error> {
        out.collect_str(self)
    }
}

/// What a lane lacks; `None`: nothing.
#[must_use]
pub fn lane_lacks(lane: &Lane) -> Option<String> {
    let what = match lane.missing? {
        Missing::Radio | Missing::Report => "level",
        Missing::Limit => limit::name_of(lane.role),
    };
    Some(format!("no {what}: {}", lane_advice(Some(lane))))
}

/// The same without what it is; of a lane that is not known: about its limit.
#[must_use]
pub fn lane_advice(lane: Option<&Lane>) -> &'static str {
    match lane.and_then(|lane| lane.missing) {
        Some(Missing::Radio) => "name its radio in the profile",
        Some(Missing::Report) => "its radio has not reported yet",
        Some(Missing::Limit) => NO_LIMIT,
        None => "add earlier sessions",
    }
}

/// What to do about a limit that is not known.
pub(super) const NO_LIMIT: &str = "add earlier sessions to the history";

impl fmt::Display for LatencyLimit {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoClock => {
                out.write_str("no clock of this computer in this file: times come from the vehicle alone")
            }
            Self::OneWayClock => out
                .write_str("clock: only an upper bound without TIMESYNC; start with --timesync (transmits)"),
            Self::RoundTrip { clock_ms } => {
                write!(out, "clock: up to {clock_ms:.1} ms either way, half the quickest round trip")
            }
            Self::InStep { unlocated_ms } => write!(
                out,
                "telemetry schedule: in step with the sticks, {unlocated_ms:.0} ms cannot be placed; ask for another \
                 rate with --request-rates (transmits)"
            ),
            Self::Schedule { unlocated_ms } => write!(
                out,
                "telemetry schedule: its samples leave {unlocated_ms:.0} ms that cannot be placed; ask for another \
                 rate with --request-rates (transmits)"
            ),
            Self::SecondMethod { lag_ms } => {
                write!(out, "a second method disagrees: {lag_ms:.0} ms")
            }
            Self::FewMoves { needed } => write!(out, "too few movements: {needed} more for the median"),
            Self::Rate => out.write_str(
                "telemetry rate: ask for faster messages with --request-rates (transmits), or move more",
            ),
            Self::Moves { events, width_ms } => {
                write!(out, "number of movements: {events} give {width_ms:.1} ms either way")
            }
        }
    }
}

/// What was seen around a bad picture: what it comes to, `cause_words` says.
#[must_use]
pub fn suspicion(found: Suspicion, basis: Option<LimitBasis>) -> String {
    let text = match (found.radio, found.airframe) {
        (Some(true), Some(true)) => "the margin was low and the vibration high",
        (Some(true), Some(false)) => "the margin was low, the vibration usual",
        (Some(false), Some(true)) => "the vibration was high, the margin over its limit",
        (Some(false), Some(false)) => "the margin was over its limit, the vibration usual",
        (Some(true), None) => "the margin was low; vibration not measured here",
        (Some(false), None) => "the margin was over its limit; vibration not measured here",
        (None, Some(true)) => "the vibration was high; margin not known here",
        (None, Some(false)) => "the vibration was usual; margin not known here",
        (None, None) => "neither margin nor vibration is known here",
    };
    match basis {
        None | Some(LimitBasis::Profile) => text.to_owned(),
        Some(LimitBasis::Earlier(1)) => format!("{text} (high: above 90 % of one earlier session)"),
        Some(LimitBasis::Earlier(sessions)) => {
            format!("{text} (high: above 90 % of {sessions} earlier sessions)")
        }
        Some(LimitBasis::Session) => format!("{text} (high: above 90 % of this session)"),
    }
}
