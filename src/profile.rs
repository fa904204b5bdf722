//! The profile: what the builder says of vehicle, handset and links.
//!
//! TOML; a key that it does not know is an error that names the key and the line.

mod bench_limits;
mod checked;
mod named_sources;
mod places;
mod radio_budget;

use std::collections::BTreeMap;

pub use bench_limits::{BenchLimit, BenchLimits};
pub use named_sources::SourcesProfile;
pub use radio_budget::BudgetProfile;
use serde::{Deserialize, Serialize};

use crate::units::LevelUnit;
use crate::units::hardware_address::{Address, parse_address};

/// The whole profile.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Profile {
    /// Where `live` hears them.
    pub sources: SourcesProfile,
    /// The vehicle.
    pub vehicle: VehicleProfile,
    /// The handset, where it stands.
    pub handset: HandsetProfile,
    /// The links, in the order in which screens show them.
    pub link: Vec<LinkProfile>,
    /// The battery of the vehicle.
    pub battery: BatteryProfile,
    /// Limits for vibration.
    pub vibration: VibrationProfile,
    /// What a bench test must show.
    pub limits: BenchLimits,
    /// Tags of every session made with this profile.
    #[serde(deserialize_with = "checked::tags")]
    pub tags: BTreeMap<String, String>,
    /// Delay from lens to screen, measured with a camera and entered by hand.
    #[serde(deserialize_with = "checked::delay_ms")]
    pub glass_to_glass_ms: Option<f64>,
    /// Its 95 % interval.
    #[serde(deserialize_with = "checked::interval_ms")]
    pub glass_to_glass_ci95_ms: Option<[f64; 2]>,
}

/// The vehicle.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct VehicleProfile {
    /// Its system id; without it, the first sender whose heartbeat is no ground station's.
    pub system: Option<u8>,
    /// Servo outputs in failsafe, microseconds, by servo number from 1.
    pub failsafe_servo_us: BTreeMap<String, u16>,
}

/// The handset.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct HandsetProfile {
    /// Its system id, where it sends.
    pub system: Option<u8>,
    /// Latitude in degrees, WGS84.
    #[serde(deserialize_with = "checked::latitude")]
    pub lat: Option<f64>,
    /// Longitude in degrees, WGS84.
    #[serde(deserialize_with = "checked::longitude")]
    pub lon: Option<f64>,
    /// Height in metres above mean sea level.
    #[serde(deserialize_with = "checked::altitude_m")]
    pub alt: Option<f64>,
    /// The joystick's button that acknowledges alarms, numbered from 1.
    #[serde(deserialize_with = "checked::button")]
    pub acknowledge_button: Option<u8>,
}

/// What a link is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum LinkRole {
    /// Sticks to vehicle.
    Control,
    /// Picture to handset.
    Video,
    /// Telemetry to handset.
    Telemetry,
}

impl LinkRole {
    /// The word used in profile, JSON and screens.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Control => "control",
            Self::Video => "video",
            Self::Telemetry => "telemetry",
        }
    }

    /// What begins at the link's limit.
    #[must_use]
    pub const fn limit_event(self) -> LimitEvent {
        match self {
            Self::Control => LimitEvent::Hold,
            Self::Video => LimitEvent::Freeze,
            Self::Telemetry => LimitEvent::Loss,
        }
    }
}

/// What begins at a link's limit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum LimitEvent {
    /// Of the picture.
    #[default]
    Freeze,
    /// Over 5 % of a second's frames, two at least.
    Loss,
    /// Of the input, while sticks moved.
    Hold,
}

/// Where a radio sits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Mounted {
    /// At the handset.
    Ground,
    /// In the vehicle.
    Vehicle,
}

/// The radio whose report gives a link's level.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RadioProfile {
    /// System id of the reports.
    pub system: u8,
    /// Component id of the reports.
    pub component: u8,
    /// Default: ground, unless its system is the vehicle's.
    pub mounted: Option<Mounted>,
}

/// Scale from device units: dBm = slope x raw + offset.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LevelScale {
    /// Decibels per device unit.
    #[serde(deserialize_with = "checked::slope_db")]
    pub slope_db: f64,
    /// Level at device unit 0.
    #[serde(deserialize_with = "checked::offset_dbm")]
    pub offset_dbm: f64,
}

/// Levels in dBm are kept as bytes: dBm + 128.
pub const DBM_BYTES: LevelScale = LevelScale { slope_db: 1.0, offset_dbm: -128.0 };
/// Links of a profile at most: each costs work every second.
const MOST_LINKS: usize = 64;

/// The address of an 802.11 transmitter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub struct TransmitterAddress(pub Address);

impl TryFrom<String> for TransmitterAddress {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        parse_address(&text)
            .map(Self)
            .ok_or_else(|| format!("'{text}' is no address of a transmitter, use e.g. \"02:00:00:00:00:01\""))
    }
}

/// The transmitter whose frames, heard in monitor mode, give a link's level.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RadiotapProfile {
    /// Who transmits.
    pub transmitter: TransmitterAddress,
    /// One antenna of the receiver; without it, what the receiver says of the whole frame.
    pub antenna: Option<u8>,
}

/// When a link warns and alarms; defaults are the design's.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Limits {
    /// Warn under this margin.
    pub warning_margin: f64,
    /// Look at the trend only under this margin.
    pub forecast_margin: f64,
    /// Warn when the threshold is reached within this time.
    pub warning_s: f64,
    /// Alarm under this margin.
    pub alarm_margin: f64,
    /// Alarm when the threshold is reached within this time.
    pub alarm_s: f64,
    /// Clears this far above the limit.
    pub clear_margin: f64,
    /// Clears when the threshold is farther away than this.
    pub clear_s: f64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            warning_margin: 6.0,
            forecast_margin: 15.0,
            warning_s: 20.0,
            alarm_margin: 3.0,
            alarm_s: 8.0,
            clear_margin: 2.0,
            clear_s: 30.0,
        }
    }
}

/// One link.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LinkProfile {
    /// Its name on screens and in the history.
    #[serde(deserialize_with = "checked::name")]
    pub name: String,
    /// What it is for.
    pub role: LinkRole,
    /// The radio that reports its level.
    pub radio: Option<RadioProfile>,
    /// Take the level from RC_CHANNELS.rssi of the vehicle.
    #[serde(default)]
    pub rc_rssi: bool,
    /// Take the level from the frames of a transmitter, heard in monitor mode.
    pub radiotap: Option<RadiotapProfile>,
    /// Take the level from the kernel's figure of this wireless card.
    pub wifi: Option<String>,
    /// Scale to dBm; of `radiotap` and `wifi`, which are in dBm, it is known.
    pub level: Option<LevelScale>,
    /// UDP port of its RTP stream.
    pub port: Option<u16>,
    /// SSRC of its RTP stream.
    pub ssrc: Option<u32>,
    /// Interface whose senders come over it.
    pub interface: Option<String>,
    /// Senders (system, component) that come over it.
    pub senders: Option<Vec<[u8; 2]>>,
    /// What its maker claims.
    #[serde(default, deserialize_with = "checked::range_m")]
    pub claimed_range_m: Option<f64>,
    /// Power reduction of a range check.
    #[serde(default, deserialize_with = "checked::reduction_db")]
    pub reduced_power_db: Option<f64>,
    /// Warning limits; in device units there are none by default.
    #[serde(default, deserialize_with = "checked::limits")]
    pub limits: Option<Limits>,
    /// What it should do on paper.
    pub budget: Option<BudgetProfile>,
}

impl LinkProfile {
    /// One source of levels at most; its scale where that is known.
    fn settle(&mut self) -> Result<(), ProfileError> {
        let here = self.radiotap.is_some() || self.wifi.is_some();
        let sources = [self.radio.is_some(), self.rc_rssi, self.radiotap.is_some(), self.wifi.is_some()];
        let name = || self.name.clone();
        if here && sources.iter().filter(|given| **given).count() > 1 {
            return Err(ProfileError::TwoLevels(name()));
        }
        if here && self.level.is_some() {
            return Err(ProfileError::Scaled(name()));
        }
        if here && self.role == LinkRole::Control {
            return Err(ProfileError::HeardHere(name()));
        }
        if here {
            self.level = Some(DBM_BYTES);
        }
        Ok(())
    }

    /// The unit of its levels.
    #[must_use]
    pub const fn unit(&self) -> LevelUnit {
        if self.level.is_some() { LevelUnit::Dbm } else { LevelUnit::Raw }
    }

    /// Whether it is said where its level comes from.
    #[must_use]
    pub const fn has_level(&self) -> bool {
        self.radio.is_some() || self.rc_rssi || self.radiotap.is_some() || self.wifi.is_some()
    }

    /// A device value on the link's scale.
    #[must_use]
    pub fn scaled(&self, raw: f64) -> f64 {
        self.level.map_or(raw, |scale| scale.slope_db * raw + scale.offset_dbm)
    }

    /// Its warning limits: the profile's, else the defaults where levels are in dBm.
    #[must_use]
    pub fn effective_limits(&self) -> Option<Limits> {
        self.limits.or_else(|| self.level.map(|_| Limits::default()))
    }
}

/// The vehicle's battery.
#[derive(Clone, Copy, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct BatteryProfile {
    /// Usable charge.
    #[serde(deserialize_with = "checked::charge_mah")]
    pub capacity_mah: Option<f64>,
    /// Land at this voltage.
    #[serde(deserialize_with = "checked::voltage_v")]
    pub cutoff_v: Option<f64>,
}

/// Limits for vibration, in the unit that the vehicle sends.
#[derive(Clone, Copy, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct VibrationProfile {
    /// A level above it is suspect.
    #[serde(deserialize_with = "checked::positive")]
    pub limit: Option<f64>,
}

/// A profile that could not be used.
#[derive(Debug, thiserror::Error)]
pub enum ProfileError {
    /// Not TOML, or a key or value that is not known; the message names key and line.
    #[error(transparent)]
    Syntax(#[from] toml::de::Error),
    /// Two links of one name; the line of the second.
    #[error("line {1}: two links are named '{0}': give each its own name")]
    TwoLinks(String, usize),
    /// More links than anybody has; the line of the first too many.
    #[error("line {1}: {0} links: a profile has 64 at most")]
    ManyLinks(usize, usize),
    /// A servo number that is none; its line.
    #[error("line {1}: vehicle.failsafe_servo_us: '{0}' is no servo number, use 1 to 16")]
    Servo(String, usize),
    /// Two pictures from one place; the line of the second.
    #[error(
        "line {2}: links '{0}' and '{1}' take their picture from one port: give each its own port or ssrc"
    )]
    OnePort(String, String, usize),
    /// A level that comes from more than one place.
    #[error("link '{0}': radio, rc_rssi, radiotap and wifi exclude each other, give one of them")]
    TwoLevels(String),
    /// A scale for what is in dBm.
    #[error("link '{0}': levels of radiotap and wifi are in dBm already, leave 'level' out")]
    Scaled(String),
    /// A level that is received at the other end.
    #[error(
        "link '{0}': radiotap and wifi hear at the handset, a control link's level is the vehicle's; name its radio"
    )]
    HeardHere(String),
    /// A latitude without a longitude, or the other way round; its line.
    #[error("line {0}: handset: lat and lon go together, give both or neither")]
    HalfPosition(usize),
}

impl Profile {
    /// Reads a profile from TOML text and checks that it makes sense.
    pub fn parse(text: &str) -> Result<Self, ProfileError> {
        let mut profile: Self = toml::from_str(text)?;
        if profile.link.len() > MOST_LINKS {
            return Err(ProfileError::ManyLinks(profile.link.len(), places::link_name(text, MOST_LINKS)));
        }
        for (index, link) in profile.link.iter().enumerate() {
            if profile.link[..index].iter().any(|other| other.name == link.name) {
                return Err(ProfileError::TwoLinks(link.name.clone(), places::link_name(text, index)));
            }
            let same = |other: &&LinkProfile| {
                link.port.is_some() && (other.port, other.ssrc) == (link.port, link.ssrc)
            };
            if let Some(other) = profile.link[..index].iter().find(same) {
                let names = (other.name.clone(), link.name.clone());
                return Err(ProfileError::OnePort(names.0, names.1, places::link_name(text, index)));
            }
        }
        for link in &mut profile.link {
            link.settle()?;
        }
        for key in profile.vehicle.failsafe_servo_us.keys() {
            if !key.parse::<u8>().is_ok_and(|number| (1..=16).contains(&number)) {
                return Err(ProfileError::Servo(key.clone(), places::servo(text, key)));
            }
        }
        if profile.handset.lat.is_some() != profile.handset.lon.is_some() {
            return Err(ProfileError::HalfPosition(places::half_position(text)));
        }
        Ok(profile)
    }

    /// The link of this name.
    #[must_use]
    pub fn link_named(&self, name: &str) -> Option<&LinkProfile> {
        self.link.iter().find(|link| link.name == name)
    }

    /// The first video link.
    #[must_use]
    pub fn video_link(&self) -> Option<&LinkProfile> {
        self.link.iter().find(|link| link.role == LinkRole::Video)
    }

    /// Whether a link of this profile is that one.
    #[must_use]
    pub fn is_video_link(&self, link: &LinkProfile) -> bool {
        self.video_link().is_some_and(|video| video.name == link.name)
    }

    /// The first control link.
    #[must_use]
    pub fn control_link(&self) -> Option<&LinkProfile> {
        self.link.iter().find(|link| link.role == LinkRole::Control)
    }
}
