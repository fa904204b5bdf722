//! The spectrum of an inertial sensor: over time as a waterfall, the lowest frequency at the bottom, with the session's mean
//! beside it, and the strongest peaks of the worst axis.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::snapshot::{Snapshot, SpectrumView};
use crate::summary::{AccelerationUnit, VibrationSpectrum};
use crate::tui::widget::panel::{panel, split_columns};
use crate::tui::widget::pen::Pen;
use crate::tui::widget::scale::columns;
use crate::wording::spectrum_words;

use super::{GUTTER, Scene};

type Bands = [Option<i16>; 64];

/// From quiet to loud.
const SHADES: [char; 5] = [' ', '░', '▒', '▓', '█'];
/// Columns of the mean beside the waterfall.
const MEAN: u16 = 4;

/// Draws it.
pub(super) fn render(
    scene: &Scene<'_>,
    snapshot: &Snapshot,
    view: &SpectrumView,
    area: Rect,
    buffer: &mut Buffer,
) {
    let theme = scene.theme;
    let Some(spectrum) = &snapshot.summary.vibration_spectrum else { return };
    let note = spectrum_words::reach(spectrum).unwrap_or_default();
    let inner = panel("spectrum", &note, theme, area, buffer);
    let rows = inner.height.max(1);
    let Some((quiet, loud)) = ends(view) else { return };
    let shade = |level: Option<i16>| {
        let level = level?;
        let place = f64::from(level - quiet) / f64::from((loud - quiet).max(1)) * SHADES.len() as f64;
        Some(SHADES[(place.max(0.0) as usize).min(SHADES.len() - 1)])
    };
    let (gutter, plot) = split_columns(inner, GUTTER, 0);
    let mut pen = Pen::new(buffer, gutter);
    for row in 0..rows {
        let top_hz = view.highest_hz * f64::from(rows - row) / f64::from(rows);
        pen.right(GUTTER - MEAN - 2, row, &format!("{top_hz:.0} Hz"), theme.dim);
        let level = of_row(&view.session, row, rows).map_or(0.0, |level| f64::from(level - quiet));
        let filled = (level / f64::from((loud - quiet).max(1)) * f64::from(MEAN)).clamp(0.0, f64::from(MEAN));
        for x in 0..filled as u16 {
            pen.glyph(GUTTER - MEAN - 1 + x, row, '█', theme.series[2]);
        }
        pen.glyph(GUTTER - 1, row, '│', theme.rule);
    }
    for (row, line) in (0..rows).zip(peak_lines(spectrum)) {
        pen.cut(0, row, &line, GUTTER - MEAN - 9, theme.base);
    }
    let mut pen = Pen::new(buffer, plot);
    let width = pen.width();
    for (x, part) in columns(&view.columns, width).enumerate() {
        for row in 0..rows {
            let strongest = part.iter().flatten().filter_map(|bands| of_row(bands, row, rows)).max();
            if let Some(letter) = shade(strongest) {
                pen.glyph(x as u16, row, letter, theme.series[2]);
            }
        }
    }
}

/// The strongest band of a row; the top row has the highest frequencies.
fn of_row(bands: &Bands, row: u16, rows: u16) -> Option<i16> {
    let place = |edge: u16| usize::from(edge) * bands.len() / usize::from(rows);
    let (first, end) = (place(rows - row - 1), place(rows - row));
    bands[first..end.max(first + 1).min(bands.len())].iter().flatten().copied().max()
}

/// What is quiet and what is loud: the lowest quarter of the session's bands, and the highest of the window.
fn ends(view: &SpectrumView) -> Option<(i16, i16)> {
    let mut bands: Vec<i16> = view.session.iter().flatten().copied().collect();
    bands.sort_unstable();
    let quiet = *bands.get(bands.len() / 4)?;
    let shown = view.columns.iter().flatten().flatten().flatten().copied().max();
    Some((quiet, shown.unwrap_or(i16::MIN).max(*bands.last()?)))
}

/// The peaks of the worst axis, short.
fn peak_lines(spectrum: &VibrationSpectrum) -> Vec<String> {
    let Some(worst) = spectrum.axes.first() else { return Vec::new() };
    let unit = if spectrum.unit == AccelerationUnit::Metric { ", m/s²" } else { "" };
    let head = format!("axis {}{unit}", worst.axis.word());
    let peaks = worst.peaks.iter().map(|peak| {
        let motor = peak.motor.map_or_else(String::new, |motor| format!(" {}x", motor.times));
        format!("{:.0} Hz{motor} {:.1}", peak.mean_hz, peak.rms)
    });
    std::iter::once(head).chain(peaks).collect()
}
