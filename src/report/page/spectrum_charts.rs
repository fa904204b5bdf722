//! How the airframe shakes: the density of the worst axis over frequency with its peaks, and all axes over time.

use plotters::prelude::RGBColor;

use super::svg_chart::{
    Chart, DIM, FROZEN, Frame, GRID, LEVEL, LOSS, Picture, Side, around, draw, round_up, time_step,
};
use crate::measure::vibration::SpectrumDensity;
use crate::snapshot::{Snapshot, SpectrumView};
use crate::stats::time_series::welch::seen_at;
use crate::summary::{FollowedPeak, VibrationSpectrum};
use crate::wording::{quantity, spectrum_words};

const WIDTH: u32 = 720;
const ACROSS: [i32; 2] = [56, 712];
/// Height of the name of a peak, in the larger letters of a narrow page too.
const NAME: i32 = 26;
/// Width of two of its letters.
const LETTERS: i32 = 25;
/// Columns of the waterfall: more would make the page heavy and show no more.
const COLUMNS: usize = 128;
/// What stands less over the quietest is noise.
const LEAST_SPAN_DB: i16 = 15;
/// From the first that is drawn to the strongest.
const SHADES: [f64; 4] = [0.22, 0.45, 0.7, 1.0];

/// The mean density of the worst axis; `None` without one.
pub(crate) fn spectrum(
    density: &SpectrumDensity,
    found: &VibrationSpectrum,
    name: String,
) -> Option<Picture> {
    let worst = found.axes.first()?;
    let (lowest_hz, highest_hz) = found.lowest_hz.zip(found.highest_hz)?;
    let bins = density.axes[worst.axis as usize].iter().enumerate();
    let points = bins.map(|(bin, density_of)| (bin as f64 * density.step_hz, 10.0 * density_of.log10()));
    let points: Vec<(f64, f64)> = points.filter(|(_, level)| level.is_finite()).collect();
    // What the vehicle's own motion does to the lowest frequencies would press all else flat.
    let y = around(points.iter().filter(|(hz, _)| *hz >= lowest_hz).map(|(_, level)| *level), 10.0)?;
    let top = 10 + NAME * worst.peaks.len() as i32;
    let down = [top.max(24), top.max(24) + 190];
    let frame = Frame { size: (WIDTH, (down[1] + 32) as u32), across: ACROSS, down, x: [0.0, highest_hz], y };
    Some(draw(name, spectrum_words::density_title(found, worst), frame, &mut |chart| {
        chart.stretch([0.0, lowest_hz], GRID, 0.6);
        for peak in worst.peaks.iter().filter(|peak| spectrum_words::moved(peak)) {
            chart.stretch(peak.between_hz, colour(peak), 0.2);
        }
        chart.x_axis(round_up(highest_hz / 6.0), 18, &|hz| format!("{hz:.0} Hz"));
        chart.y_axis(5.0, &|level| format!("{level:.0}"));
        chart.unit("dB");
        chart.line(&points, LEVEL, 2);
        // From the left: so that no line runs through a name under which it begins.
        let mut peaks: Vec<&FollowedPeak> = worst.peaks.iter().collect();
        peaks.sort_by(|one, other| one.mean_hz.total_cmp(&other.mean_hz));
        for (row, peak) in (0..).zip(peaks) {
            named(chart, peak, 12 + NAME * row);
        }
    }))
}

const fn colour(peak: &FollowedPeak) -> RGBColor {
    if peak.motor.is_some() { LOSS } else { FROZEN }
}

/// A peak's name at a height above the frame, and under it a line down to where it lies.
fn named(chart: &Chart<'_>, peak: &FollowedPeak, height: i32) {
    let x = chart.pixel((peak.mean_hz, 0.0)).0;
    chart.path(vec![(x, height + 10), (x, chart.frame.down[1])], colour(peak), 1);
    let name = spectrum_words::peak_name(peak);
    let fits = x + 4 + LETTERS * name.chars().count() as i32 / 2 <= ACROSS[1];
    let (x, side) = if fits { (x - 4, Side::Left) } else { (ACROSS[1], Side::Right) };
    chart.text((x, height), &name, colour(peak), side);
}

/// What is quiet and what is loud: the lowest quarter of the session's bands, and the highest that is drawn.
fn ends(spectrum: &SpectrumView) -> Option<[i16; 2]> {
    let mut bands: Vec<i16> = spectrum.session.iter().flatten().copied().collect();
    bands.sort_unstable();
    let quiet = *bands.get(bands.len() / 4)?;
    let loud = spectrum.columns.iter().flatten().flatten().flatten().copied().max()?;
    Some([quiet, loud.max(quiet + LEAST_SPAN_DB)])
}

/// All axes over the session; `None` without a spectrum.
pub(crate) fn waterfall(picture: &Snapshot, name: String) -> Option<Picture> {
    let spectrum = picture.vibration.spectrum.as_ref()?;
    let [quiet, loud] = ends(spectrum)?;
    let view = picture.view;
    let (x, y) = ([view.from_s, view.to_s], [0.0, spectrum.highest_hz]);
    let frame = Frame { size: (WIDTH, 312), across: ACROSS, down: [24, 280], x, y };
    Some(draw(name, spectrum_words::waterfall_title(spectrum, [quiet, loud]), frame, &mut |chart| {
        chart.x_axis(time_step(view.to_s - view.from_s), 18, &quantity::clock);
        chart.y_axis(6.0, &|hz| format!("{hz:.0}"));
        chart.unit("Hz");
        // Five steps from quiet to loud, of which the lowest is not drawn.
        let shade = |level: i16| usize::try_from((level - quiet) * 5 / (loud - quiet)).unwrap_or(0).min(4);
        let together = spectrum.columns.chunks(spectrum.columns.len().div_ceil(COLUMNS));
        let columns: Vec<[usize; 64]> = together
            .map(|part| {
                let strongest = |band: usize| part.iter().flatten().filter_map(|bands| bands[band]).max();
                std::array::from_fn(|band| strongest(band).map_or(0, shade))
            })
            .collect();
        let width_s = (view.to_s - view.from_s) / spectrum.columns.len() as f64
            * spectrum.columns.len().div_ceil(COLUMNS) as f64;
        for band in 0..64 {
            let mut from = 0;
            for run in columns.chunk_by(|one, other| one[band] == other[band]) {
                let corner = |column: usize, band: usize| {
                    let at_s = view.from_s + width_s * column as f64;
                    chart.pixel((at_s, spectrum.highest_hz * band as f64 / 64.0))
                };
                let corners = [corner(from, band + 1), corner(from + run.len(), band)];
                if let Some(place) = run[0][band].checked_sub(1) {
                    chart.block(corners, LEVEL, SHADES[place]);
                }
                from += run.len();
            }
        }
        turns(chart, spectrum, view.column_s(), view.from_s);
        chart.path(vec![(ACROSS[0], 24), (ACROSS[0], 280)], DIM, 1);
    }))
}

/// The motors' turns, where they are seen at this rate.
fn turns(chart: &Chart<'_>, spectrum: &SpectrumView, column_s: f64, from_s: f64) {
    let seen = |hz: f64| seen_at(hz, 2.0 * spectrum.highest_hz);
    let mut from = 0;
    for part in spectrum.motor_hz.chunk_by(|one, other| one.is_some() == other.is_some()) {
        let at = |place: usize| from_s + column_s * ((from + place) as f64 + 0.5);
        let points = part.iter().enumerate().filter_map(|(place, hz)| Some((at(place), seen((*hz)?))));
        chart.line(&points.collect::<Vec<_>>(), LOSS, 2);
        from += part.len();
    }
}
