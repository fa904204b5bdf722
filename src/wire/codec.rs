//! The only file that names the crate `mavlink`: checksum extras, lengths and payloads.
//!
//! The crate's common message set gives the CRC extra byte and the version 1 length of each message id; for the ids of
//! the other public dialects they stand in `message_ids.txt`, since to compile them all takes a gigabyte
//! (`tests/message_ids.rs` writes that file, and compares all with the crate's widest set). Payloads of the messages that a figure
//! needs are read field by field at their wire offsets instead of by the crate's
//! parser: an enum value that the dialect lacks must not lose a message, and nothing
//! is allocated. Tests hold them against the reference frames. Absent bytes
//! (cut zeros of version 2) read as zero. Offsets: the public message set's wire order.

use std::sync::OnceLock;

use mavlink::dialects::common::{COMMAND_LONG_DATA, MavCmd, MavMessage, TIMESYNC_DATA};
use mavlink::{MavlinkVersion, Message as _};

use super::framer::Frame;
use super::telemetry::{BootStamp, InertialSensor, Telemetry};

/// What the dialect says of a message id.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Definition {
    /// CRC extra byte.
    pub crc_extra: u8,
    /// Payload length in version 1, which is fixed.
    pub v1_length: u8,
}

/// No public message has this id or a higher one.
const TABLE_IDS: u32 = 65_536;
/// Id, CRC extra byte and version 1 length of each message that the common set lacks, a line each.
const OTHER_IDS: &str = include_str!("message_ids.txt");

fn others() -> impl Iterator<Item = (usize, Definition)> {
    OTHER_IDS.lines().filter_map(|line| {
        let mut words = line.split(' ');
        let id = words.next()?.parse().ok()?;
        let mut byte = || words.next()?.parse().ok();
        Some((id, Definition { crc_extra: byte()?, v1_length: byte()? }))
    })
}

fn common(id: u32) -> Option<Definition> {
    let message = MavMessage::default_message_from_id(id)?;
    let mut payload = [0; 280];
    let v1_length = message.ser(MavlinkVersion::V1, &mut payload).min(255) as u8;
    Some(Definition { crc_extra: MavMessage::extra_crc(id), v1_length })
}

/// What the dialect says of a message id; `None` where it lacks it.
#[must_use]
#[inline]
pub fn definition(message: u32) -> Option<Definition> {
    static TABLE: OnceLock<Box<[Option<Definition>]>> = OnceLock::new();
    let table = TABLE.get_or_init(|| {
        let mut table: Box<[_]> = (0..TABLE_IDS).map(common).collect();
        for (id, definition) in others() {
            table[id] = Some(definition);
        }
        table
    });
    table.get(message as usize).copied().flatten()
}

/// Bytes of a payload that are looked at: no field that is read lies behind them.
const READ: usize = 64;

/// The first bytes of a payload, the absent ones zero: at fixed offsets nothing is left to check.
#[derive(Clone, Copy)]
struct Fields<'a>(&'a [u8; READ]);

impl Fields<'_> {
    #[inline]
    fn array<const N: usize>(self, at: usize) -> [u8; N] {
        self.0[at..].first_chunk().copied().unwrap_or([0; N])
    }
    fn u8(self, at: usize) -> u8 {
        self.0[at]
    }
    fn i8(self, at: usize) -> i8 {
        self.u8(at) as i8
    }
    fn u16(self, at: usize) -> u16 {
        u16::from_le_bytes(self.array(at))
    }
    fn i16(self, at: usize) -> i16 {
        i16::from_le_bytes(self.array(at))
    }
    fn u32(self, at: usize) -> u32 {
        u32::from_le_bytes(self.array(at))
    }
    fn i32(self, at: usize) -> i32 {
        i32::from_le_bytes(self.array(at))
    }
    fn u64(self, at: usize) -> u64 {
        u64::from_le_bytes(self.array(at))
    }
    fn i64(self, at: usize) -> i64 {
        i64::from_le_bytes(self.array(at))
    }
    fn f32(self, at: usize) -> f64 {
        f64::from(f32::from_le_bytes(self.array(at)))
    }
    /// A value unless it is the sentinel.
    fn u8_unless(self, at: usize, unknown: u8) -> Option<u8> {
        Some(self.u8(at)).filter(|&value| value != unknown)
    }
    fn u16_unless(self, at: usize, unknown: u16) -> Option<u16> {
        Some(self.u16(at)).filter(|&value| value != unknown)
    }
    /// Millivolts; 0 and 65,535: unknown.
    fn millivolts(self, at: usize) -> Option<u32> {
        self.u16_unless(at, u16::MAX).filter(|&millivolts| millivolts != 0).map(u32::from)
    }
    /// Latitude and longitude in 1e-7 degrees; `None` where they are no place on Earth.
    fn place(self, lat: usize, lon: usize) -> Option<(f64, f64)> {
        let (lat, lon) = (f64::from(self.i32(lat)) / 1e7, f64::from(self.i32(lon)) / 1e7);
        (lat.abs() <= 90.0 && lon.abs() <= 180.0).then_some((lat, lon))
    }
    /// Three floats; `None` where one is not finite.
    fn vector(self, at: usize) -> Option<[f64; 3]> {
        let vector = [self.f32(at), self.f32(at + 4), self.f32(at + 8)];
        vector.iter().all(|value| value.is_finite()).then_some(vector)
    }
    /// Charge in percent; `None` for -1 and nonsense.
    fn percent(self, at: usize) -> Option<u8> {
        u8::try_from(self.i8(at)).ok().filter(|&percent| percent <= 100)
    }
    /// Current in 10 mA; -1: unknown.
    fn current_a(self, at: usize) -> Option<f64> {
        Some(self.i16(at)).filter(|&current| current != -1).map(|current| f64::from(current) / 100.0)
    }
}

/// What a frame says, if a figure needs it; `None` for every other message and
/// for payloads that do not decode (the frame was still received).
#[must_use]
pub fn decode(frame: &Frame<'_>) -> Option<Telemetry> {
    if !frame.header.known {
        return None;
    }
    let mut first = [0; READ];
    let present = frame.payload.len().min(READ);
    first[..present].copy_from_slice(&frame.payload[..present]);
    let fields = Fields(&first);
    match frame.header.message {
        0 => Some(heartbeat(fields)),
        1 => Some(system_status(fields)),
        2 => Some(Telemetry::Clock(BootStamp::Millis(fields.u32(8)))),
        24 => gps_fix(fields),
        message @ (26 | 116 | 129) => Some(scaled_inertial(fields, message)),
        27 => Some(raw_inertial(fields)),
        105 => Some(fine_inertial(fields)),
        30 => attitude(fields),
        33 => position(fields),
        35 => rc_channels_raw(fields),
        36 => Some(servo_output(fields)),
        65 => Some(rc_channels(fields)),
        69 => Some(manual_control(fields)),
        70 => Some(rc_override(fields)),
        74 => Some(Telemetry::Throttle { percent: u8::try_from(fields.u16(18)).ok().filter(|&p| p <= 100) }),
        109 => Some(radio(fields, false)),
        166 => Some(radio(fields, true)),
        111 => Some(time_sync(fields)),
        147 => Some(battery(fields)),
        241 => vibration(fields),
        242 => home(fields),
        253 => Some(status_text(frame.payload)),
        270 => video_stream_status(fields),
        291 => Some(motor_speed(fields.u8(56), [8, 12, 16, 20].map(|at| Some(fields.i32(at) as f32)))),
        339 => Some(motor_speed(fields.u8(4), [Some(fields.f32(0) as f32), None, None, None])),
        _ => None,
    }
}

/// Milli-g of SCALED_IMU in m/s²: standard gravity, ISO 80000-3.
const MILLI_G: f32 = 9.806_65e-3;

/// Temperatures (0: not provided), rates and fields are not read.
fn scaled_inertial(fields: Fields<'_>, message: u32) -> Telemetry {
    let boot_ms = fields.u32(0);
    Telemetry::Inertial {
        boot: Some(BootStamp::Millis(boot_ms)),
        time_us: u64::from(boot_ms) * 1000,
        sensor: InertialSensor { message, instance: 0 },
        acceleration: Some([4, 6, 8].map(|at| f32::from(fields.i16(at)) * MILLI_G)),
    }
}

fn raw_inertial(fields: Fields<'_>) -> Telemetry {
    let time_us = fields.u64(0);
    Telemetry::Inertial {
        boot: boot_micros(time_us),
        time_us,
        sensor: InertialSensor { message: 27, instance: fields.u8(26) },
        acceleration: Some([8, 10, 12].map(|at| f32::from(fields.i16(at)))),
    }
}

/// Bits 0 to 2 of `fields_updated` say that x, y and z are fresh.
fn fine_inertial(fields: Fields<'_>) -> Telemetry {
    let time_us = fields.u64(0);
    let fresh = fields.u16(60) & 7 == 7;
    Telemetry::Inertial {
        boot: boot_micros(time_us),
        time_us,
        sensor: InertialSensor { message: 105, instance: fields.u8(62) },
        acceleration: fields.vector(8).filter(|_| fresh).map(|vector| vector.map(|value| value as f32)),
    }
}

/// The sign says which way a motor turns.
fn motor_speed(first: u8, rpm: [Option<f32>; 4]) -> Telemetry {
    Telemetry::MotorSpeed { first, rpm: rpm.map(|rpm| rpm.filter(|rpm| rpm.is_finite()).map(f32::abs)) }
}

fn attitude(fields: Fields<'_>) -> Option<Telemetry> {
    let roll_pitch_yaw = fields.vector(4)?;
    Some(Telemetry::Attitude { boot_ms: fields.u32(0), roll_pitch_yaw })
}

fn time_sync(fields: Fields<'_>) -> Telemetry {
    Telemetry::TimeSync {
        tc1: fields.i64(0),
        ts1: fields.i64(8),
        target: Some((fields.u8(16), fields.u8(17))).filter(|&target| target != (0, 0)),
    }
}

fn vibration(fields: Fields<'_>) -> Option<Telemetry> {
    let levels = fields.vector(8)?;
    Some(Telemetry::Vibration { levels, clipping: [fields.u32(20), fields.u32(24), fields.u32(28)] })
}

fn home(fields: Fields<'_>) -> Option<Telemetry> {
    let (lat_deg, lon_deg) = fields.place(0, 4)?;
    Some(Telemetry::Home { lat_deg, lon_deg, alt_m: f64::from(fields.i32(8)) / 1e3 })
}

fn video_stream_status(fields: Fields<'_>) -> Option<Telemetry> {
    let frame_rate_hz = Some(fields.f32(0)).filter(|rate| rate.is_finite())?;
    Some(Telemetry::VideoStreamStatus { stream: fields.u8(18), frame_rate_hz, bit_rate: fields.u32(4) })
}

fn heartbeat(fields: Fields<'_>) -> Telemetry {
    Telemetry::Heartbeat {
        kind: fields.u8(4),
        autopilot: fields.u8(5),
        base_mode: fields.u8(6),
        custom_mode: fields.u32(0),
        system_status: fields.u8(7),
    }
}

fn system_status(fields: Fields<'_>) -> Telemetry {
    Telemetry::SystemStatus {
        present: fields.u32(0),
        enabled: fields.u32(4),
        healthy: fields.u32(8),
        voltage_v: fields.millivolts(14).map(|millivolts| f64::from(millivolts) / 1e3),
        current_a: fields.current_a(16),
        remaining_percent: fields.percent(30),
        // More than all of them is no share.
        drop_ratio: Some(fields.u16(18)).filter(|&share| share <= 10_000).map(|share| f64::from(share) / 1e4),
        errors: fields.u16(20),
    }
}

fn gps_fix(fields: Fields<'_>) -> Option<Telemetry> {
    let (lat_deg, lon_deg) = fields.place(8, 12)?;
    // The accuracy is an extension: an absent one reads as 0.
    let accuracy_mm = Some(fields.u32(34)).filter(|&mm| mm != 0 && mm != u32::MAX);
    Some(Telemetry::GpsFix {
        fix_type: fields.u8(28),
        lat_deg,
        lon_deg,
        alt_m: f64::from(fields.i32(16)) / 1e3,
        // No receiver has a dilution of 0.
        eph: fields.u16_unless(20, u16::MAX).filter(|&eph| eph != 0).map(|eph| f64::from(eph) / 100.0),
        accuracy_m: accuracy_mm.map(|mm| f64::from(mm) / 1e3),
        satellites: fields.u8_unless(29, u8::MAX),
    })
}

fn position(fields: Fields<'_>) -> Option<Telemetry> {
    let (lat_deg, lon_deg) = fields.place(4, 8)?;
    let speed = |at| f64::from(fields.i16(at)) / 100.0;
    Some(Telemetry::Position {
        boot_ms: fields.u32(0),
        lat_deg,
        lon_deg,
        alt_m: f64::from(fields.i32(12)) / 1e3,
        relative_alt_m: f64::from(fields.i32(16)) / 1e3,
        velocity: [speed(20), speed(22), speed(24)],
        heading_deg: fields.u16_unless(26, u16::MAX).map(|heading| f64::from(heading) / 100.0),
    })
}

/// A 64 bit microsecond stamp that may be Unix time instead: those are later than September 2001.
fn boot_micros(us: u64) -> Option<BootStamp> {
    (us < 1_000_000_000_000_000).then_some(BootStamp::Micros(us))
}

fn rc_channels(fields: Fields<'_>) -> Telemetry {
    let count = fields.u8(40);
    let mut channels = [None; 18];
    for (index, channel) in channels.iter_mut().enumerate() {
        // With a count, channels behind it are not available whatever they hold.
        if count == 0 || index < usize::from(count) {
            *channel = fields.u16_unless(4 + 2 * index, u16::MAX);
        }
    }
    let rssi = fields.u8_unless(41, u8::MAX);
    Telemetry::RcInput { boot_ms: fields.u32(0), channels, count: Some(count), rssi, older: false }
}

fn rc_channels_raw(fields: Fields<'_>) -> Option<Telemetry> {
    let first = 8 * usize::from(fields.u8(20));
    if first >= 18 {
        return None;
    }
    let mut channels = [None; 18];
    for (index, channel) in channels.iter_mut().skip(first).take(8).enumerate() {
        *channel = fields.u16_unless(4 + 2 * index, u16::MAX);
    }
    let rssi = fields.u8_unless(21, u8::MAX);
    Some(Telemetry::RcInput { boot_ms: fields.u32(0), channels, count: None, rssi, older: true })
}

fn servo_output(fields: Fields<'_>) -> Telemetry {
    let mut outputs = [0; 16];
    for (index, output) in outputs.iter_mut().enumerate() {
        // The port byte lies between the first eight and the extension.
        *output = fields.u16(if index < 8 { 4 + 2 * index } else { 5 + 2 * index });
    }
    Telemetry::ServoOutput { time_us: fields.u32(0), port: fields.u8(20), outputs }
}

fn manual_control(fields: Fields<'_>) -> Telemetry {
    let axis = |at| Some(fields.i16(at)).filter(|&value| value != i16::MAX);
    // Extension axes count only where their bit says so: bit 0 for s, bit 1 for t.
    let enabled = fields.u8(13);
    let extension = |bit: u8, at| if enabled >> bit & 1 == 1 { axis(at) } else { None };
    Telemetry::ManualControl {
        target: fields.u8(10),
        axes: [axis(0), axis(2), axis(4), axis(6), extension(0, 14), extension(1, 16)],
    }
}

/// 65535 is "not this channel", behind the eighth 0 too: those fields may be absent.
fn rc_override(fields: Fields<'_>) -> Telemetry {
    let (mut channels, mut handed_back) = ([None; 18], 0);
    for (index, channel) in channels.iter_mut().enumerate() {
        let (at, back, other) =
            if index < 8 { (2 * index, 0, u16::MAX) } else { (2 + 2 * index, u16::MAX - 1, 0) };
        let value = fields.u16(at);
        if value == back {
            handed_back |= 1 << index;
        } else if value != other && value != u16::MAX {
            *channel = Some(value);
        }
    }
    Telemetry::RcOverride { target: fields.u8(16), channels, handed_back }
}

/// RADIO_STATUS, and the older report of the same layout. 255 is unknown; a remote
/// level and a remote noise of 0 together say that the peer is not heard.
fn radio(fields: Fields<'_>, older: bool) -> Telemetry {
    let peer_unheard = fields.u8(5) == 0 && fields.u8(8) == 0;
    let remote = |at| fields.u8_unless(at, u8::MAX).filter(|_| !peer_unheard);
    Telemetry::Radio {
        rssi: fields.u8_unless(4, u8::MAX),
        remote_rssi: remote(5),
        noise: fields.u8_unless(7, u8::MAX),
        remote_noise: remote(8),
        tx_buffer_percent: Some(fields.u8(6)).filter(|&percent| percent <= 100),
        rx_errors: fields.u16(0),
        fixed: fields.u16(2),
        older,
    }
}

fn battery(fields: Fields<'_>) -> Telemetry {
    // Ten cells, and four of the extension.
    let cells = (0..10).map(|cell| 10 + 2 * cell).chain((0..4).map(|cell| 41 + 2 * cell));
    let sum_mv = cells.filter_map(|at| fields.millivolts(at)).reduce(|sum, cell| sum + cell);
    Telemetry::Battery {
        id: fields.u8(32),
        voltage_v: sum_mv.map(|millivolts| f64::from(millivolts) / 1e3),
        current_a: fields.current_a(30),
        consumed_mah: Some(fields.i32(0)).filter(|&mah| mah != -1).map(f64::from),
        remaining_percent: fields.percent(35),
    }
}

fn status_text(payload: &[u8]) -> Telemetry {
    let text = payload.get(1..).unwrap_or_default();
    let text = &text[..text.len().min(50)];
    let end = text.iter().position(|&byte| byte == 0).unwrap_or(text.len());
    Telemetry::StatusText {
        severity: payload.first().copied().unwrap_or(0),
        text: String::from_utf8_lossy(&text[..end]).into_owned(),
    }
}

/// System id, component id and sequence number of a frame to send.
pub type SendHeader = (u8, u8, u8);

/// A TIMESYNC request (MAVLink 2) that was sent at `host_ns`: `tc1` 0, `ts1` the sender's own clock.
#[must_use]
pub fn encode_timesync_request(header: SendHeader, host_ns: i64) -> Vec<u8> {
    #[allow(clippy::needless_update, reason = "with the crate's message extensions there are more fields")]
    let data = TIMESYNC_DATA { tc1: 0, ts1: host_ns, ..Default::default() };
    encoded(header, &MavMessage::TIMESYNC(data))
}

/// A COMMAND_LONG (MAVLink 2) with MAV_CMD_SET_MESSAGE_INTERVAL to the autopilot component of a system.
#[must_use]
pub fn encode_set_message_interval(
    header: SendHeader,
    system: u8,
    message: u32,
    interval_us: f64,
) -> Vec<u8> {
    let data = COMMAND_LONG_DATA {
        param1: message as f32,
        param2: interval_us as f32,
        command: MavCmd::MAV_CMD_SET_MESSAGE_INTERVAL,
        target_system: system,
        target_component: 1,
        ..Default::default()
    };
    encoded(header, &MavMessage::COMMAND_LONG(data))
}

fn encoded((system_id, component_id, sequence): SendHeader, message: &MavMessage) -> Vec<u8> {
    let mut bytes = Vec::new();
    // Writing to memory does not fail.
    let _ = mavlink::write_v2_msg(
        &mut bytes,
        mavlink::MavHeader { system_id: system_id.into(), component_id, sequence },
        message,
    );
    bytes
}
