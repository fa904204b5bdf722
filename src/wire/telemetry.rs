//! Decoded samples: what a frame says, with absent values absent.
//!
//! Sentinels ("unused", "unknown") of the public message set become `None` here,
//! once; nothing behind this file knows them. Units are in the names.

/// A sender's boot clock as one message stamps it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BootStamp {
    /// `time_boot_ms`, 32 bit milliseconds.
    Millis(u32),
    /// 64 bit microseconds since boot. Stamps that are Unix time (2001 and later) are not boot stamps.
    Micros(u64),
    /// The 32 bit microseconds of SERVO_OUTPUT_RAW, which wrap after 71.6 min.
    Micros32(u32),
}

impl BootStamp {
    /// After so many of its units a 32 bit stamp wraps.
    pub const WRAP: i64 = 1 << 32;

    /// The kinds in order: which is best to tell time by.
    #[must_use]
    #[inline]
    pub const fn kind(self) -> usize {
        match self {
            Self::Millis(_) => 0,
            Self::Micros(_) => 1,
            Self::Micros32(_) => 2,
        }
    }

    /// As it was sent, in microseconds.
    #[must_use]
    #[inline]
    pub const fn micros(self) -> i64 {
        match self {
            Self::Millis(millis) => millis as i64 * 1000,
            Self::Micros(micros) => micros as i64,
            Self::Micros32(micros) => micros as i64,
        }
    }
}

/// An inertial sensor, as its messages name it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct InertialSensor {
    /// The message that brings it.
    pub message: u32,
    /// Its id in the message.
    pub instance: u8,
}

impl InertialSensor {
    /// Whether accelerations are in m/s²; RAW_IMU has no unit.
    #[must_use]
    pub const fn has_unit(self) -> bool {
        self.message != 27
    }
}

/// One decoded message, of those that a figure needs.
#[derive(Clone, Debug, PartialEq)]
pub enum Telemetry {
    /// HEARTBEAT (0).
    Heartbeat {
        /// MAV_TYPE.
        kind: u8,
        /// MAV_AUTOPILOT.
        autopilot: u8,
        /// MAV_MODE_FLAG bits; 128 is "armed".
        base_mode: u8,
        /// Vehicle-specific mode number.
        custom_mode: u32,
        /// MAV_STATE.
        system_status: u8,
    },
    /// SYS_STATUS (1).
    SystemStatus {
        /// Sensors present, enabled, healthy: MAV_SYS_STATUS_SENSOR bits (RC receiver: 65536).
        present: u32,
        /// Enabled.
        enabled: u32,
        /// Healthy.
        healthy: u32,
        /// Battery voltage.
        voltage_v: Option<f64>,
        /// Battery current.
        current_a: Option<f64>,
        /// Remaining charge, 0 to 100.
        remaining_percent: Option<u8>,
        /// Dropped packets as the vehicle counts them, 0 to 1.
        drop_ratio: Option<f64>,
        /// Communication errors as the vehicle counts them (uint16, wraps).
        errors: u16,
    },
    /// SYSTEM_TIME (2): its boot clock alone is of use.
    Clock(BootStamp),
    /// SCALED_IMU (26), RAW_IMU (27), HIGHRES_IMU (105), SCALED_IMU2 (116) or SCALED_IMU3 (129).
    Inertial {
        /// The boot clock; `None`: the stamp is Unix time.
        boot: Option<BootStamp>,
        /// The stamp as it was sent, whatever its epoch, microseconds; 0: none.
        time_us: u64,
        /// Which message, which sensor in it, and its unit.
        sensor: InertialSensor,
        /// Along x, y, z; `None`: not fresh, or no number.
        acceleration: Option<[f32; 3]>,
    },
    /// VFR_HUD (74).
    Throttle {
        /// Percent; `None`: beyond 100.
        percent: Option<u8>,
    },
    /// RAW_RPM (339), or ESC_STATUS (291).
    MotorSpeed {
        /// The first motor of `rpm`.
        first: u8,
        /// Turns a minute, whichever way; `None`: no number, or not in this message.
        rpm: [Option<f32>; 4],
    },
    /// GPS_RAW_INT (24).
    GpsFix {
        /// GPS_FIX_TYPE; 3 and more is a 3D fix.
        fix_type: u8,
        /// Degrees, WGS84.
        lat_deg: f64,
        /// Degrees, WGS84.
        lon_deg: f64,
        /// Above mean sea level.
        alt_m: f64,
        /// Horizontal dilution of precision.
        eph: Option<f64>,
        /// Horizontal accuracy.
        accuracy_m: Option<f64>,
        /// Satellites.
        satellites: Option<u8>,
    },
    /// GLOBAL_POSITION_INT (33).
    Position {
        /// Boot clock.
        boot_ms: u32,
        /// Degrees, WGS84.
        lat_deg: f64,
        /// Degrees, WGS84.
        lon_deg: f64,
        /// Above mean sea level.
        alt_m: f64,
        /// Above home.
        relative_alt_m: f64,
        /// North, east, down, m/s.
        velocity: [f64; 3],
        /// Degrees.
        heading_deg: Option<f64>,
    },
    /// ATTITUDE (30).
    Attitude {
        /// Boot clock.
        boot_ms: u32,
        /// Roll, pitch, yaw in radians.
        roll_pitch_yaw: [f64; 3],
    },
    /// RC_CHANNELS (65), or RC_CHANNELS_RAW (35).
    RcInput {
        /// Boot clock.
        boot_ms: u32,
        /// Channels 1 to 18, microseconds; `None`: unused.
        channels: [Option<u16>; 18],
        /// Channels that the receiver gives; `None` in the older message.
        count: Option<u8>,
        /// Level, 0 to 254.
        rssi: Option<u8>,
        /// From the older message (35), which has 8 channels a port.
        older: bool,
    },
    /// SERVO_OUTPUT_RAW (36).
    ServoOutput {
        /// Boot clock, wraps.
        time_us: u32,
        /// Output group.
        port: u8,
        /// Outputs 1 to 16, microseconds; 0: absent.
        outputs: [u16; 16],
    },
    /// MANUAL_CONTROL (69).
    ManualControl {
        /// The system that it steers.
        target: u8,
        /// x, y, z, r, s, t: -1000 to 1000.
        axes: [Option<i16>; 6],
    },
    /// A joystick device's position; no MAVLink message.
    Joystick {
        /// Axes in the order of their codes, -1000 to 1000.
        axes: [Option<i16>; 18],
    },
    /// RC_CHANNELS_OVERRIDE (70).
    RcOverride {
        /// The system that it steers.
        target: u8,
        /// Channels 1 to 18, microseconds; `None`: this message says nothing of it, or hands it back.
        channels: [Option<u16>; 18],
        /// Channels that are handed back to the radio, a bit each.
        handed_back: u32,
    },
    /// RADIO_STATUS (109), or the older radio report (166).
    Radio {
        /// What the reporting radio receives, device units.
        rssi: Option<u8>,
        /// What its peer receives.
        remote_rssi: Option<u8>,
        /// Noise at the reporting radio.
        noise: Option<u8>,
        /// Noise at its peer.
        remote_noise: Option<u8>,
        /// Free transmit buffer, percent.
        tx_buffer_percent: Option<u8>,
        /// Receive errors (uint16, wraps).
        rx_errors: u16,
        /// Corrected packets (uint16, wraps).
        fixed: u16,
        /// From the older message (166).
        older: bool,
    },
    /// TIMESYNC (111).
    TimeSync {
        /// Responder's clock, ns; 0 in a request.
        tc1: i64,
        /// Requester's clock, ns.
        ts1: i64,
        /// To whom, where the sender says it.
        target: Option<(u8, u8)>,
    },
    /// BATTERY_STATUS (147).
    Battery {
        /// Battery id.
        id: u8,
        /// Sum of the known cells.
        voltage_v: Option<f64>,
        /// Current.
        current_a: Option<f64>,
        /// Charge used since boot.
        consumed_mah: Option<f64>,
        /// Remaining charge, 0 to 100.
        remaining_percent: Option<u8>,
    },
    /// VIBRATION (241).
    Vibration {
        /// Levels as sent; the standard gives no unit.
        levels: [f64; 3],
        /// Clipping counters since boot.
        clipping: [u32; 3],
    },
    /// HOME_POSITION (242).
    Home {
        /// Degrees, WGS84.
        lat_deg: f64,
        /// Degrees, WGS84.
        lon_deg: f64,
        /// Above mean sea level.
        alt_m: f64,
    },
    /// STATUSTEXT (253). The text still holds what the sender sent: clean it before showing.
    StatusText {
        /// MAV_SEVERITY.
        severity: u8,
        /// As sent, up to the first NUL.
        text: String,
    },
    /// VIDEO_STREAM_STATUS (270).
    VideoStreamStatus {
        /// Stream id.
        stream: u8,
        /// Frames a second.
        frame_rate_hz: f64,
        /// Bits a second.
        bit_rate: u32,
    },
}

impl Telemetry {
    /// The boot clock that this message carries; 0 is what a sender without a clock writes.
    #[must_use]
    pub fn boot_stamp(&self) -> Option<BootStamp> {
        let stamp = match self {
            Self::Position { boot_ms, .. }
            | Self::Attitude { boot_ms, .. }
            | Self::RcInput { boot_ms, .. } => Some(BootStamp::Millis(*boot_ms)),
            Self::ServoOutput { time_us, .. } => Some(BootStamp::Micros32(*time_us)),
            Self::Clock(boot) => Some(*boot),
            Self::Inertial { boot, .. } => *boot,
            _ => None,
        };
        let is_zero = |stamp: &BootStamp| {
            matches!(stamp, BootStamp::Millis(0) | BootStamp::Micros(0) | BootStamp::Micros32(0))
        };
        stamp.filter(|stamp| !is_zero(stamp))
    }
}
