//! The parts of a simulated session that its truth is made of.

use super::camera::VideoStream;
use super::delivery::Delivered;
use super::handset::ControlPath;
use super::motion::{Levels, Motion};
use super::scenario::Scenario;

/// What the parts of a session are, for its truth.
pub(crate) struct Parts<'a> {
    pub(crate) scenario: &'a Scenario,
    pub(crate) delivered: &'a Delivered,
    pub(crate) control: Option<&'a ControlPath<'a>>,
    pub(crate) stick_stamps_s: &'a [f64],
    /// Frames of the handset beside its stick messages.
    pub(crate) handset_others: usize,
    pub(crate) video: Option<&'a VideoStream>,
    pub(crate) motion: &'a Motion<'a>,
    pub(crate) levels: &'a Levels<'a>,
}
