//! A scenario as it stands in its TOML file.
//!
//! A key that is not known is an error that names the key and the line. Times are
//! seconds from the session's start, levels dBm, delays milliseconds.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde::Deserialize;

/// A scenario that could not be used.
#[derive(Debug, thiserror::Error)]
pub enum ScenarioError {
    /// The file could not be read.
    #[error("cannot read scenario '{path}': {source}")]
    Read {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// Not TOML, or a key or value that is not known.
    #[error("scenario '{path}': {source}")]
    Syntax {
        /// Which.
        path: PathBuf,
        /// Names key and line.
        source: Box<toml::de::Error>,
    },
    /// Readable, but it makes no sense.
    #[error("scenario: {0}")]
    Senseless(String),
}

/// A whole scenario.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// What it is, in words; says that it is invented.
    pub text: String,
    /// Seed of all chance in it.
    pub seed: u64,
    /// Wall time of its first record, RFC 3339.
    pub start: String,
    /// Length.
    pub duration_s: f64,
    /// Tags of the session.
    #[serde(default)]
    pub tags: BTreeMap<String, String>,
    /// Where it takes place.
    #[serde(default)]
    pub place: Place,
    /// The vehicle.
    #[serde(default)]
    pub vehicle: Vehicle,
    /// Way of the vehicle.
    #[serde(default)]
    pub path: Way,
    /// The radios.
    #[serde(default)]
    pub radio: Vec<Radio>,
    /// What happens to telemetry on its way.
    #[serde(default)]
    pub telemetry: Telemetry,
    /// The handset's stick messages and the control link; absent: no handset is listened to.
    pub control: Option<Control>,
    /// The video stream.
    pub video: Option<Video>,
    /// The vehicle's battery.
    pub battery: Option<Battery>,
    /// Vibration, by phases.
    #[serde(default)]
    pub vibration: Vec<VibrationPhase>,
    /// The handset dies and comes back.
    #[serde(default)]
    pub failsafe: Vec<Failsafe>,
    /// Marks set by hand.
    #[serde(default)]
    pub mark: Vec<Mark>,
    /// Sources that fall silent.
    #[serde(default)]
    pub silence: Vec<Silence>,
    /// Other vehicles heard on the same interface.
    #[serde(default)]
    pub other: Vec<Other>,
}

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
    /// Armed from here on.
    pub armed_from_s: f64,
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

/// What a radio carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Carries {
    /// Sticks to the vehicle.
    Control,
    /// The picture.
    Video,
    /// Telemetry.
    Telemetry,
}

/// A radio pair.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Radio {
    /// What it carries; the first of a kind counts.
    pub carries: Carries,
    /// System id of its reports.
    pub system: u8,
    /// Component id of its reports.
    pub component: u8,
    /// The reporting end is in the vehicle: its reports come by telemetry.
    #[serde(default)]
    pub on_vehicle: bool,
    /// Reports a second.
    pub report_hz: f64,
    /// Path-loss exponent.
    pub exponent: f64,
    /// Median level received at the ground, at 1 m.
    pub level_at_1m: f64,
    /// Standard deviation of the shadowing.
    pub sigma_db: f64,
    /// Its correlation time; 0: time brings no change.
    #[serde(default)]
    pub correlation_s: f64,
    /// Its correlation length along the way; 0: way brings no change.
    #[serde(default)]
    pub correlation_m: f64,
    /// Fast fading: standard deviation of each report beside its neighbours.
    #[serde(default)]
    pub fading_db: f64,
    /// The uplink is this much stronger than the downlink.
    #[serde(default)]
    pub uplink_db: f64,
    /// Noise floor.
    pub noise_dbm: f64,
    /// dBm a device unit.
    pub slope_db: f64,
    /// Level at device unit 0.
    pub offset_dbm: f64,
}

/// What happens to telemetry on its way.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Telemetry {
    /// Least one-way delay to the ground.
    pub down_ms: f64,
    /// Least one-way delay to the vehicle.
    pub up_ms: f64,
    /// Mean of the exponential part on top, both ways.
    pub extra_ms: f64,
    /// Loss.
    pub loss: Loss,
    /// Share of frames that arrive twice.
    pub duplicates: f64,
    /// Share of frames that are overtaken.
    pub reordered: f64,
    /// Frames are handed on together, this often; 0: each by itself.
    pub burst_ms: f64,
}

impl Default for Telemetry {
    fn default() -> Self {
        Self {
            down_ms: 8.0,
            up_ms: 8.0,
            extra_ms: 2.0,
            loss: Loss::default(),
            duplicates: 0.0,
            reordered: 0.0,
            burst_ms: 0.0,
        }
    }
}

/// Loss in bursts (Gilbert 1960), its ratio following the level.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Loss {
    /// Ratio at any level.
    pub fixed: f64,
    /// Level at which half is lost; none: the level has no say.
    pub p50_dbm: Option<f64>,
    /// Width of the logistic.
    pub scale_db: f64,
    /// Mean length of a burst, frames.
    pub burst: f64,
}

impl Default for Loss {
    fn default() -> Self {
        Self { fixed: 0.0, p50_dbm: None, scale_db: 1.5, burst: 1.0 }
    }
}

/// How the delay of the control link behaves.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "lowercase")]
pub enum Delay {
    /// Always the same, milliseconds.
    Constant(f64),
    /// Either of two, in spells.
    Bimodal {
        /// The lower.
        low_ms: f64,
        /// The higher.
        high_ms: f64,
        /// Share of time at the higher.
        high_share: f64,
        /// Mean length of a spell at the lower.
        dwell_s: f64,
    },
    /// Evenly from one to the other over the session.
    Drifting {
        /// At the start.
        from_ms: f64,
        /// At the end.
        to_ms: f64,
    },
}

/// Which message the handset sends.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum StickMessage {
    /// RC_CHANNELS_OVERRIDE.
    #[default]
    Override,
    /// MANUAL_CONTROL.
    Manual,
}

/// Handset and control link.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Control {
    /// System id of the handset.
    pub system: u8,
    /// Component id of the handset.
    pub component: u8,
    /// Listened to on the handset interface.
    pub heard: bool,
    /// What it sends.
    pub message: StickMessage,
    /// Stick messages a second.
    pub rate_hz: f64,
    /// From the stick to its message's arrival at this computer.
    pub cable_ms: f64,
    /// Radio frame period.
    pub frame_ms: f64,
    /// Loss of radio frames.
    pub loss: Loss,
    /// From the stick at the frame's sending to the vehicle's input.
    pub delay: Delay,
    /// From the vehicle's input to its outputs.
    pub onboard_ms: f64,
    /// The link is dead in these spans (from, to).
    pub outages: Vec<[f64; 2]>,
    /// Movements of sticks.
    pub moves: Vec<Moves>,
    /// Servo outputs.
    pub servo: Vec<Servo>,
}

impl Default for Control {
    fn default() -> Self {
        Self {
            system: 255,
            component: 190,
            heard: true,
            message: StickMessage::Override,
            rate_hz: 50.0,
            cable_ms: 0.5,
            frame_ms: 14.0,
            loss: Loss::default(),
            delay: Delay::Constant(40.0),
            onboard_ms: 8.0,
            outages: Vec::new(),
            moves: Vec::new(),
            servo: Vec::new(),
        }
    }
}

/// Quick movements, or one slow wave.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Moves {
    /// From here.
    pub from_s: f64,
    /// To here.
    pub to_s: f64,
    /// Sticks that move, from 1.
    pub sticks: Vec<u8>,
    /// Quick movements in the span.
    #[serde(default)]
    pub count: usize,
    /// A steady wave of this period instead.
    pub wave_s: Option<f64>,
}

/// A servo output.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Servo {
    /// Stick that it follows; absent: none.
    pub stick: Option<u8>,
    /// Period of an own movement instead (a distractor).
    pub wave_s: Option<f64>,
    /// Output for a centred stick.
    #[serde(default = "centre")]
    pub trim_us: f64,
    /// Output a stick microsecond; negative: reversed.
    #[serde(default = "one")]
    pub scale: f64,
    /// End stops.
    #[serde(default = "stops")]
    pub stops_us: [f64; 2],
    /// In failsafe.
    #[serde(default = "centre")]
    pub failsafe_us: f64,
}

const fn centre() -> f64 {
    1500.0
}

const fn one() -> f64 {
    1.0
}

const fn stops() -> [f64; 2] {
    [900.0, 2100.0]
}

/// The video stream.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Video {
    /// UDP port.
    pub port: u16,
    /// Its source identifier.
    pub ssrc: u32,
    /// Frames a second.
    pub fps: f64,
    /// Frames from key frame to key frame.
    pub gop: usize,
    /// Packets of a key frame.
    pub key_packets: usize,
    /// Packets of another frame.
    pub packets: usize,
    /// Bytes of video in a packet; small, so that recordings stay small.
    pub payload_bytes: usize,
    /// One-way delay.
    pub delay_ms: f64,
    /// Delay varies by this much.
    pub jitter_ms: f64,
    /// Loss of single packets.
    pub loss: Loss,
    /// Level at which a freeze begins within a second with an even chance.
    pub freeze_p50_dbm: Option<f64>,
    /// Width of that logistic.
    pub freeze_scale_db: f64,
    /// Chance a second of a freeze that has nothing to do with the level.
    pub freeze_base: f64,
    /// Shortest freeze.
    pub freeze_least_s: f64,
    /// Mean of the exponential part on top.
    pub freeze_mean_s: f64,
    /// No freeze by chance before this instant.
    pub freezes_from_s: f64,
    /// Freezes at fixed instants (from, to).
    pub freezes: Vec<[f64; 2]>,
    /// Stopped at the sender in these spans (from, to).
    pub stops: Vec<[f64; 2]>,
}

impl Default for Video {
    fn default() -> Self {
        Self {
            port: 5004,
            ssrc: 0x1f2e_3d4c,
            fps: 30.0,
            gop: 30,
            key_packets: 4,
            packets: 1,
            payload_bytes: 10,
            delay_ms: 35.0,
            jitter_ms: 3.0,
            loss: Loss::default(),
            freeze_p50_dbm: None,
            freeze_scale_db: 1.5,
            freeze_base: 0.0,
            freeze_least_s: 0.35,
            freeze_mean_s: 0.6,
            freezes_from_s: 3.0,
            freezes: Vec::new(),
            stops: Vec::new(),
        }
    }
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
}

/// The handset dies and comes back.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Failsafe {
    /// The handset dies.
    pub at_s: f64,
    /// It is back.
    pub back_s: f64,
    /// The vehicle notices after this time.
    pub detected_after_s: f64,
    /// Its outputs stand at their failsafe values after this time.
    pub safe_after_s: f64,
    /// Mode from then on, until input is back.
    pub mode: u32,
}

/// What a mark says.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum MarkWord {
    /// The picture froze.
    Froze,
    /// The picture shook.
    Shook,
    /// The handset is here.
    Here,
    /// Anything else.
    Remark,
}

/// A mark set by hand.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mark {
    /// When.
    pub at_s: f64,
    /// Which.
    pub kind: MarkWord,
    /// Words.
    #[serde(default)]
    pub text: String,
}

/// Who falls silent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Who {
    /// Vehicle telemetry.
    Vehicle,
    /// Handset messages.
    Handset,
    /// Video packets.
    Video,
}

/// A source falls silent.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Silence {
    /// Who.
    pub who: Who,
    /// From here.
    pub from_s: f64,
    /// To here.
    pub to_s: f64,
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
}

impl Scenario {
    /// Reads a scenario.
    pub fn load(path: &Path) -> Result<Self, ScenarioError> {
        let text = std::fs::read_to_string(path)
            .map_err(|source| ScenarioError::Read { path: path.to_owned(), source })?;
        let scenario: Self = toml::from_str(&text)
            .map_err(|source| ScenarioError::Syntax { path: path.to_owned(), source: Box::new(source) })?;
        scenario.checked()
    }

    /// Reads a scenario from TOML text.
    pub fn parse(text: &str) -> Result<Self, ScenarioError> {
        let scenario: Self = toml::from_str(text).map_err(|source| ScenarioError::Syntax {
            path: PathBuf::from("text"),
            source: Box::new(source),
        })?;
        scenario.checked()
    }

    fn checked(self) -> Result<Self, ScenarioError> {
        let senseless = |why: &str| Err(ScenarioError::Senseless(why.to_owned()));
        if !(self.duration_s > 0.0 && self.duration_s <= 86_400.0) {
            return senseless("duration_s must lie between 0 and 86400");
        }
        if self.start_ns().is_none() {
            return senseless("start must be an instant such as 2031-05-04T09:12:33Z");
        }
        if let Some(control) = &self.control {
            let sticks = control.moves.iter().flat_map(|moves| moves.sticks.iter().copied());
            if sticks
                .chain(control.servo.iter().filter_map(|servo| servo.stick))
                .any(|s| !(1..=8).contains(&s))
            {
                return senseless("control: sticks are numbered from 1 to 8");
            }
            if control.moves.iter().any(|moves| moves.sticks.is_empty() || moves.to_s <= moves.from_s) {
                return senseless("control.moves needs sticks, and to_s after from_s");
            }
            if control.frame_ms <= 0.0 || control.rate_hz <= 0.0 || control.servo.len() > 16 {
                return senseless(
                    "control: frame_ms and rate_hz must be positive, and 16 servos are the most",
                );
            }
        }
        if let Some(video) = &self.video
            && (video.fps <= 0.0 || video.gop == 0 || video.packets == 0 || video.key_packets == 0)
        {
            return senseless("video: fps, gop, packets and key_packets must be positive");
        }
        if self.radio.iter().any(|radio| radio.slope_db <= 0.0 || radio.report_hz <= 0.0) {
            return senseless("radio: slope_db and report_hz must be positive");
        }
        Ok(self)
    }

    /// Wall time of the first record, nanoseconds since the Unix epoch.
    pub(crate) fn start_ns(&self) -> Option<i64> {
        let stamp: jiff::Timestamp = self.start.parse().ok()?;
        i64::try_from(stamp.as_nanosecond()).ok()
    }

    /// The radio that carries something.
    pub(crate) fn radio_for(&self, carries: Carries) -> Option<usize> {
        self.radio.iter().position(|radio| radio.carries == carries)
    }

    /// Whether a source is silent.
    pub(crate) fn silent(&self, who: Who, at_s: f64) -> bool {
        self.silence.iter().any(|s| s.who == who && (s.from_s..s.to_s).contains(&at_s))
    }

    /// Whether the handset is dead.
    pub(crate) fn handset_dead(&self, at_s: f64) -> bool {
        self.failsafe.iter().any(|drill| (drill.at_s..drill.back_s).contains(&at_s))
    }
}
