//! The vehicle of a scenario: where it is, how it moves, what it sends, what it draws.

use serde::Deserialize;

use super::{Loss, Spells};

/// Where it takes place: the handset stands here.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Place {
    /// Degrees.
    pub lat: f64,
    /// Degrees.
    pub lon: f64,
    /// Metres above mean sea level.
    pub alt: f64,
}

impl Default for Place {
    fn default() -> Self {
        Self { lat: 54.0, lon: 8.0, alt: 12.0 }
    }
}

/// What carries the vehicle's telemetry to this computer.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Carrier {
    /// A byte stream, as from a serial port.
    #[default]
    Stream,
    /// UDP datagrams.
    Datagram,
}

/// The vehicle.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Vehicle {
    /// System id.
    pub system: u8,
    /// MAV_TYPE.
    pub kind: u8,
    /// Its mode in normal use.
    pub mode: u32,
    /// Armed from here on, unless `armed_s` says more.
    pub armed_from_s: f64,
    /// Armed in these spells.
    pub armed_s: Spells,
    /// It has power; each start within the session is a new boot.
    pub on_s: Spells,
    /// It stamps its messages with its boot clock; false: with 0.
    pub boot_clock: bool,
    /// GLOBAL_POSITION_INT tells an altitude that is off by this much.
    pub fused_alt_off_m: f64,
    /// RC_CHANNELS always says that it has no channels.
    pub rc_count_zero: bool,
    /// What RC messages give as rssi, whatever the level.
    pub rc_rssi: Option<u8>,
    /// Boot clock at the session's start.
    pub boot_s: f64,
    /// Its clock gains this much.
    pub skew_ppm: f64,
    /// TIMESYNC runs this far ahead of the boot clock.
    pub timesync_epoch_s: f64,
    /// TIMESYNC requests from this computer; 0: none.
    pub timesync_hz: f64,
    /// Its telemetry's carrier.
    pub carrier: Carrier,
    /// Messages a second.
    pub rates: Rates,
    /// Reboots at these instants.
    pub restarts_s: Vec<f64>,
    /// Silent for this long while it reboots.
    pub restart_takes_s: f64,
    /// Share of frames whose message id nobody knows.
    pub unknown_share: f64,
}

impl Default for Vehicle {
    fn default() -> Self {
        Self {
            system: 1,
            kind: 10,
            mode: 101,
            armed_from_s: 5.0,
            armed_s: None,
            on_s: None,
            boot_clock: true,
            fused_alt_off_m: 0.0,
            rc_count_zero: false,
            rc_rssi: None,
            boot_s: 75.25,
            skew_ppm: 0.0,
            timesync_epoch_s: 0.0,
            timesync_hz: 0.0,
            carrier: Carrier::Stream,
            rates: Rates::default(),
            restarts_s: Vec::new(),
            restart_takes_s: 4.0,
            unknown_share: 0.0,
        }
    }
}

/// Messages a second; 0: not sent.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Rates {
    /// HEARTBEAT.
    pub heartbeat: f64,
    /// SYS_STATUS.
    pub sys_status: f64,
    /// SYSTEM_TIME.
    pub system_time: f64,
    /// GLOBAL_POSITION_INT.
    pub position: f64,
    /// GPS_RAW_INT.
    pub gps: f64,
    /// HOME_POSITION.
    pub home: f64,
    /// ATTITUDE.
    pub attitude: f64,
    /// RC_CHANNELS.
    pub rc_channels: f64,
    /// RC_CHANNELS_RAW.
    pub rc_channels_raw: f64,
    /// SERVO_OUTPUT_RAW.
    pub servo: f64,
    /// BATTERY_STATUS.
    pub battery: f64,
    /// VIBRATION.
    pub vibration: f64,
    /// VIDEO_STREAM_STATUS.
    pub video_status: f64,
}

impl Default for Rates {
    fn default() -> Self {
        Self {
            heartbeat: 1.0,
            sys_status: 1.0,
            system_time: 0.5,
            position: 5.0,
            gps: 1.0,
            home: 0.1,
            attitude: 4.0,
            rc_channels: 10.0,
            rc_channels_raw: 0.0,
            servo: 10.0,
            battery: 1.0,
            vibration: 2.0,
            video_status: 1.0,
        }
    }
}

/// Way of the vehicle: one of both, else it stands 2 m beside the handset.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Way {
    /// Second, metres north, east and up of the handset; straight between them.
    pub waypoints: Vec<[f64; 4]>,
    /// Out and back along a straight line.
    pub out_and_back: Option<OutAndBack>,
}

/// Out and back, again and again.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OutAndBack {
    /// Nearest.
    pub from_m: f64,
    /// Farthest.
    pub to_m: f64,
    /// Speed over ground.
    pub speed_m_s: f64,
    /// Height over the handset.
    pub height_m: f64,
    /// Direction, degrees from north.
    pub bearing_deg: f64,
    /// Stands at the start this long.
    #[serde(default)]
    pub wait_s: f64,
}

/// The vehicle's battery.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Battery {
    /// Cells in series.
    pub cells: usize,
    /// Capacity.
    pub capacity_mah: f64,
    /// Used before the session.
    #[serde(default)]
    pub used_mah: f64,
    /// Current at rest.
    pub idle_a: f64,
    /// More for each metre a second.
    pub per_m_s_a: f64,
    /// Resistance of all cells.
    pub resistance_ohm: f64,
}

/// Vibration in one span.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct VibrationPhase {
    /// From here on, until the next phase.
    pub from_s: f64,
    /// Middle levels along x, y, z, in the unit that the vehicle sends.
    pub levels: [f64; 3],
    /// Relative spread.
    pub spread: f64,
    /// Clipping counts a second on the third sensor.
    #[serde(default)]
    pub clipping_hz: f64,
    /// A servo output that drives it, from 1.
    pub follows: Option<u8>,
    /// Level more for each microsecond of that output beyond 1,000.
    #[serde(default)]
    pub gain: f64,
}

/// An inertial sensor, which sends HIGHRES_IMU, and motors that shake it.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Inertial {
    /// Samples a second.
    pub rate_hz: f64,
    /// Root mean square of the noise along each axis.
    pub noise: f64,
    /// Second, turns a second of all motors; straight between them.
    #[serde(default)]
    pub motor: Vec<[f64; 2]>,
    /// RAW_RPM a second; 0: none.
    #[serde(default)]
    pub motor_rate_hz: f64,
    /// What shakes it.
    #[serde(default)]
    pub tone: Vec<Tone>,
}

/// A tone of an inertial sensor.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tone {
    /// Along this axis: 1, 2 or 3.
    pub axis: u8,
    /// Root mean square.
    pub level: f64,
    /// Its frequency; not given: it follows the motors.
    pub steady_hz: Option<f64>,
    /// Times the turns of the motors.
    #[serde(default = "once")]
    pub times: f64,
}

const fn once() -> f64 {
    1.0
}

/// Another vehicle on the same interface.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Other {
    /// System id.
    pub system: u8,
    /// Boot clock at the session's start.
    pub boot_s: f64,
    /// ATTITUDE a second.
    pub rate_hz: f64,
    /// Its frames' loss.
    #[serde(default)]
    pub loss: Loss,
    /// It speaks MAVLink 1.
    #[serde(default)]
    pub version_1: bool,
    /// MAV_TYPE; 6 is a ground station.
    #[serde(default = "rover")]
    pub kind: u8,
    /// It is heard in this span (from, to).
    #[serde(default = "always")]
    pub span_s: [f64; 2],
}

const fn rover() -> u8 {
    10
}

const fn always() -> [f64; 2] {
    [0.0, f64::INFINITY]
}
