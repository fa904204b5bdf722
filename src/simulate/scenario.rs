//! A scenario as it stands in its TOML file.
//!
//! A key that is not known is an error that names the key and the line. Times are
//! seconds from the session's start, levels dBm, delays milliseconds.

mod bounds;
mod control_settings;
mod happening;
mod life_settings;
mod radio_settings;
mod vehicle_settings;
mod video_settings;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde::Deserialize;

pub(crate) use control_settings::{Channel, Control, Delay, Moves, Servo, StickMessage};
pub(crate) use happening::{Cause, Failsafe, Mark, MarkWord, Outputs, Silence, Who};
pub(crate) use life_settings::{
    FarEnd, GoesOn, HandsetFix, HandsetWay, Numbering, Recorder, Source, Spells, is_on, last_off, starts,
};
pub(crate) use radio_settings::{Carries, Loss, Radio, Telemetry};
pub(crate) use vehicle_settings::{
    Battery, Carrier, Inertial, Other, Place, Tone, Vehicle, VibrationPhase, Way,
};
pub(crate) use video_settings::Video;

/// A scenario that could not be used.
#[derive(Debug, thiserror::Error)]
pub enum ScenarioError {
    /// The file could not be read.
    #[error("cannot read scenario '{path}': {error}")]
    Read {
        /// Which.
        path: PathBuf,
        /// Why; said in the message, and so no cause of its own.
        error: std::io::Error,
    },
    /// Not TOML, or a key or value that is not known.
    #[error("scenario '{path}': {error}")]
    Syntax {
        /// Which.
        path: PathBuf,
        /// Names key and line; said in the message, and so no cause of its own.
        error: Box<toml::de::Error>,
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
    /// Way of the handset.
    #[serde(default)]
    pub handset_way: HandsetWay,
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
    /// An inertial sensor.
    pub inertial: Option<Inertial>,
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
    /// The recorder.
    #[serde(default)]
    pub recorder: Recorder,
}

impl Scenario {
    /// Reads a scenario.
    pub fn load(path: &Path) -> Result<Self, ScenarioError> {
        let text = std::fs::read_to_string(path)
            .map_err(|error| ScenarioError::Read { path: path.to_owned(), error })?;
        Self::parse(&text, path)
    }

    /// Reads a scenario from TOML text; an error names where it came from.
    pub fn parse(text: &str, origin: &Path) -> Result<Self, ScenarioError> {
        let syntax = |error| ScenarioError::Syntax { path: origin.to_owned(), error: Box::new(error) };
        let scenario: Self = toml::from_str(text).map_err(syntax)?;
        if let Some(what) = bounds::beyond(&toml::from_str(text).map_err(syntax)?) {
            return Err(ScenarioError::Senseless(what));
        }
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
                .chain(
                    control
                        .channel
                        .iter()
                        .flat_map(|channel| [Some(channel.number), channel.stick])
                        .flatten(),
                )
                .any(|s| !(1..=8).contains(&s))
            {
                return senseless("control: sticks are numbered from 1 to 8");
            }
            if control.moves.iter().any(|moves| moves.sticks.is_empty() || moves.to_s <= moves.from_s) {
                return senseless("control.moves needs sticks, and to_s after from_s");
            }
            if control.rate_hz <= 0.0 || control.servo.len() > 16 {
                return senseless("control: rate_hz must be positive, and 16 servos are the most");
            }
            if control.servo.iter().any(|servo| servo.stops_us[0] > servo.stops_us[1]) {
                return senseless("control.servo.stops_us is upside down: give the lower end first");
            }
        }
        if self.radio.iter().any(|radio| radio.report_hz <= 0.0) {
            return senseless("radio: report_hz must be positive");
        }
        let mut tones = self.inertial.iter().flat_map(|inertial| &inertial.tone);
        if tones.any(|tone| !(1..=3).contains(&tone.axis)) {
            return senseless("inertial.tone: axis is 1, 2 or 3");
        }
        let lists = [&self.vehicle.on_s, &self.vehicle.armed_s];
        let lists = lists.into_iter().chain(self.video.iter().map(|video| &video.on_s));
        let mut lists = lists.chain(self.control.iter().map(|control| &control.on_s));
        let wrong = lists.any(|list| list.iter().flatten().any(|spell| spell[1] <= spell[0]));
        drop(lists);
        if wrong {
            return senseless("on_s and armed_s hold spells [from, to], to after from");
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

    /// Whether the handset is dead: it sends nothing.
    pub(crate) fn handset_dead(&self, at_s: f64) -> bool {
        self.failsafe.iter().any(|drill| drill.cause == Cause::Handset && drill.lasts(at_s))
            || self.control.as_ref().is_some_and(|control| !is_on(&control.on_s, at_s))
    }

    /// Whether sticks cannot reach the vehicle, whatever the level.
    pub(crate) fn control_dead(&self, at_s: f64) -> bool {
        self.handset_dead(at_s) || self.failsafe.iter().any(|drill| drill.lasts(at_s))
    }

    /// When the camera has power: of its own, else the vehicle's.
    pub(crate) fn camera_power(&self) -> &Spells {
        match &self.video {
            Some(video) if video.on_s.is_some() => &video.on_s,
            _ => &self.vehicle.on_s,
        }
    }

    /// Whether a source is unplugged.
    pub(crate) fn unplugged(&self, source: Source, at_s: f64) -> bool {
        let mut all = self.recorder.unplugged.iter();
        all.any(|spell| spell.source == source && (spell.from_s..spell.to_s).contains(&at_s))
    }

    /// Whether the vehicle is armed.
    pub(crate) fn armed(&self, at_s: f64) -> bool {
        match &self.vehicle.armed_s {
            None => at_s >= self.vehicle.armed_from_s,
            spells => is_on(spells, at_s),
        }
    }

    /// Whether it says when something is on: then its truth tells the phases.
    pub(crate) fn has_life(&self) -> bool {
        let spells = [&self.vehicle.on_s, &self.vehicle.armed_s, self.camera_power()];
        spells.iter().any(|spells| spells.is_some()) || !self.handset_way.waypoints.is_empty()
    }
}
