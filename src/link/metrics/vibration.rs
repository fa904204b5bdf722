//! VIBRATION levels as sent, clipping, and whether a bad picture was the airframe.

use crate::link::context::{Context, Sender};
use crate::link::telemetry::Telemetry;
use crate::snapshot::{VibrationView, View};
use crate::summary::VibrationSummary;
use crate::units::Nanos;

use super::margin::MarginMeter;
use super::video::VideoMeter;

/// The vehicle's vibration.
#[derive(Clone, Debug, Default)]
pub struct VibrationMeter {}

impl VibrationMeter {
    /// Takes VIBRATION and inertial samples.
    pub fn observe(&mut self, at: Nanos, sender: Sender, telemetry: &Telemetry, context: &Context) {
        let _ = (at, sender, telemetry, context);
    }

    /// A person marked that the picture shook.
    pub fn mark_shook(&mut self, at: Nanos) {
        let _ = at;
    }

    /// `None` where no VIBRATION came.
    #[must_use]
    pub fn summary(&self) -> Option<VibrationSummary> {
        None
    }

    /// For drawing.
    #[must_use]
    pub fn view(
        &self,
        context: &Context,
        video: &VideoMeter,
        margin: &MarginMeter,
        view: View,
    ) -> VibrationView {
        let _ = (context, video, margin, view);
        VibrationView::default()
    }
}
