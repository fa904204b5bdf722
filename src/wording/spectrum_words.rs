//! The spectrum of an inertial sensor, in words.

use crate::summary::{AccelerationUnit, FollowedPeak, VibrationSpectrum};

use super::quantity;

/// What it shows, a line each: the sensor, the axes with their peaks, what the rate cannot show.
#[must_use]
pub fn lines(spectrum: &VibrationSpectrum) -> Vec<String> {
    let VibrationSpectrum { system, component, message, .. } = spectrum;
    let rate = spectrum.rate_hz.map_or_else(String::new, |rate| format!(" at {rate:.0} Hz"));
    let sensor = format!("spectrum of message {message} of {system}/{component}{rate}");
    let Some(why_not) = spectrum.why_not else {
        let mut lines = vec![format!(
            "{sensor}: {}, {:.2} Hz apart",
            quantity::counted(spectrum.spectra, "spectrum", "spectra"),
            spectrum.resolution_hz.unwrap_or_default()
        )];
        let unit = if spectrum.unit == AccelerationUnit::Metric { " m/s²" } else { " as sent" };
        for axis in &spectrum.axes {
            let peaks: Vec<String> = axis.peaks.iter().map(|each| peak(each, unit)).collect();
            let peaks = if peaks.is_empty() { "no peak".to_owned() } else { peaks.join("; ") };
            lines.push(format!("  axis {}, {}{unit}: {peaks}", axis.axis.word(), level(axis.rms)));
        }
        lines.extend(reach(spectrum));
        return lines;
    };
    vec![format!("{sensor}: not measured: {why_not}")]
}

/// Three digits, as small as it may be.
fn level(rms: f64) -> String {
    if rms >= 10.0 { format!("{rms:.0}") } else { format!("{rms:.2}") }
}

/// One peak, with its multiple of the motor speed.
#[must_use]
pub fn peak(peak: &FollowedPeak, unit: &str) -> String {
    let [low, high] = peak.between_hz;
    let place = if high - low > 0.1 * peak.mean_hz {
        format!("{low:.0} to {high:.0} Hz")
    } else {
        format!("{:.1} Hz", peak.mean_hz)
    };
    let motor = peak.motor.map_or_else(String::new, |motor| {
        let folded = if motor.folded { ", folded down from above half the rate" } else { "" };
        match motor.times {
            1 => format!(" (the motors' turns{folded})"),
            times => format!(" ({times} times the motors' turns{folded})"),
        }
    });
    format!("{place}, {}{unit}{motor}", level(peak.rms))
}

/// What the rate cannot show.
#[must_use]
pub fn reach(spectrum: &VibrationSpectrum) -> Option<String> {
    let (lowest, highest) = (spectrum.lowest_hz?, spectrum.highest_hz?);
    let motor = spectrum
        .motor_hz
        .filter(|[_, fastest]| *fastest > highest)
        .map_or("", |_| ": the motors turn faster, so ask for more messages a second");
    Some(format!("shows {lowest:.0} to {highest:.0} Hz; what is faster is folded down into it{motor}"))
}
