//! The spectrum of an inertial sensor, in words.

use crate::snapshot::SpectrumView;
use crate::summary::{AccelerationUnit, FollowedPeak, SpectrumAxis, VibrationSpectrum};

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
        lines.extend(spectrum.axes.iter().map(|one| format!("  {}", axis(one, spectrum.unit))));
        lines.extend(reach(spectrum));
        return lines;
    };
    vec![format!("{sensor}: not measured: {why_not}")]
}

/// Three digits, as small as it may be.
fn level(rms: f64) -> String {
    if rms >= 10.0 { format!("{rms:.0}") } else { format!("{rms:.2}") }
}

/// An axis with its peaks.
fn axis(axis: &SpectrumAxis, unit: AccelerationUnit) -> String {
    let unit = if unit == AccelerationUnit::Metric { " m/s²" } else { " as sent" };
    let peaks: Vec<String> = axis.peaks.iter().map(|each| peak(each, unit)).collect();
    let peaks = if peaks.is_empty() { "no peak".to_owned() } else { peaks.join("; ") };
    format!("axis {}, {}{unit}: {peaks}", axis.axis.word(), level(axis.rms))
}

/// Whether a peak went so far that one frequency does not name it.
#[must_use]
pub fn moved(peak: &FollowedPeak) -> bool {
    peak.between_hz[1] - peak.between_hz[0] > 0.1 * peak.mean_hz
}

/// Its frequency, or where it went.
fn place(peak: &FollowedPeak) -> String {
    let [low, high] = peak.between_hz;
    if moved(peak) { format!("{low:.0} to {high:.0} Hz") } else { format!("{:.1} Hz", peak.mean_hz) }
}

/// One peak, with its multiple of the motor speed.
#[must_use]
pub fn peak(peak: &FollowedPeak, unit: &str) -> String {
    let motor = peak.motor.map_or_else(String::new, |motor| {
        let folded = if motor.folded { ", folded down from above half the rate" } else { "" };
        match motor.times {
            1 => format!(" (the motors' turns{folded})"),
            times => format!(" ({times} times the motors' turns{folded})"),
        }
    });
    format!("{}, {}{unit}{motor}", place(peak), level(peak.rms))
}

/// Its name in a picture.
#[must_use]
pub fn peak_name(peak: &FollowedPeak) -> String {
    let motor = peak.motor.map_or_else(String::new, |motor| {
        let folded = if motor.folded { ", folded" } else { "" };
        format!(": motors x {}{folded}", motor.times)
    });
    format!("{}{motor}", place(peak))
}

/// Under the picture of the spectrum.
pub const DENSITY: &str = "Line: mean density of the worst axis, in dB of 1 squared unit a hertz. Orange: the motors' turns or \
    a multiple of them; violet: other peaks; shaded where a peak moved. Grey: too low to be told from the vehicle's own \
    motion. What is faster than the right edge is folded down into the picture.";
/// Under the waterfall.
pub const WATERFALL: &str = "Upward: frequency; the fuller the colour, the stronger, all axes together. Orange line: the \
    motors' turns, folded down where they are faster than the upper edge. Blank: quiet, or no spectrum.";

/// What the picture of the spectrum shows.
#[must_use]
pub fn density_title(spectrum: &VibrationSpectrum, worst: &SpectrumAxis) -> String {
    let reach = spectrum.lowest_hz.zip(spectrum.highest_hz);
    let reach = reach.map_or_else(String::new, |(low, high)| format!(" from {low:.0} to {high:.0} Hz"));
    format!("spectrum{reach}, worst {}", axis(worst, spectrum.unit))
}

/// What the waterfall shows, with its quietest and its loudest.
#[must_use]
pub fn waterfall_title(spectrum: &SpectrumView, [quiet, loud]: [i16; 2]) -> String {
    let turns = || spectrum.motor_hz.iter().flatten().copied();
    let motors = turns().reduce(f64::min).zip(turns().reduce(f64::max)).map_or_else(
        || format!("motor speed {}", quantity::NOT_MEASURED),
        |(low, high)| format!("the motors turn {low:.0} to {high:.0} times a second"),
    );
    format!(
        "frequencies up to {:.0} Hz over the session, {quiet} to {loud} dB; {motors}",
        spectrum.highest_hz
    )
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
