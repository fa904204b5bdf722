//! Level and loss by the direction of the handset and by height, beside the map.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::summary::{Aspect, RangeSummary, Reason};
use crate::tui::widget::panel::{panel, split_rows};
use crate::tui::widget::pen::Pen;
use crate::units::LevelUnit;
use crate::wording::quantity;
use crate::wording::quantity::NOT_MEASURED;

use super::Scene;

const NO_HEADING: &str = "no heading is known, or nothing lies 10 m away yet";
const NO_HEIGHT: &str = "no position, or nothing lies 10 m away yet";
const CAUTION: &str = "Distance is taken out; a wall or a tree to one side looks the same.";

/// Draws directions above, heights below.
pub(super) fn render(scene: &Scene<'_>, summary: Option<&RangeSummary>, area: Rect, buffer: &mut Buffer) {
    let heading = summary.and_then(|summary| summary.heading.as_ref());
    let height = summary.and_then(|summary| summary.height.as_ref());
    let unit = summary.and_then(|summary| summary.unit).unwrap_or(LevelUnit::Raw);
    let sectors: Vec<(String, Aspect)> = heading
        .map(|heading| {
            heading.sectors.iter().map(|sector| (direction(sector.from_deg), sector.aspect)).collect()
        })
        .unwrap_or_default();
    let layers: Vec<(String, Aspect)> = height
        .map(|height| {
            let name = |from: f64, to: f64| format!("{from:.0} to {to:.0} m");
            height.layers.iter().map(|layer| (name(layer.from_m, layer.to_m), layer.aspect)).collect()
        })
        .unwrap_or_default();
    let below = (layers.len().max(1) as u16 + 4).min(area.height / 2);
    let (top, bottom) = split_rows(area, area.height - below);
    let missing = |found: Option<Option<Reason>>, none: &str| match found {
        Some(missing) => missing.map(|why| why.to_string()),
        None => Some(none.to_owned()),
    };
    let why = missing(heading.map(|heading| heading.missing), NO_HEADING);
    table(scene, "from the nose", &sectors, why.as_deref(), unit, top, buffer);
    let why = missing(height.map(|height| height.missing), NO_HEIGHT);
    table(scene, "above the handset", &layers, why.as_deref(), unit, bottom, buffer);
}

/// The middle of a sector, with a word where it has one.
fn direction(from_deg: f64) -> String {
    let middle = (from_deg + 15.0).rem_euclid(360.0).round();
    let word = match middle as u16 {
        0 => " ahead",
        90 => " right",
        180 => " behind",
        270 => " left",
        _ => "",
    };
    format!("{middle:.0}°{word}")
}

fn table(
    scene: &Scene<'_>,
    title: &str,
    rows: &[(String, Aspect)],
    missing: Option<&str>,
    unit: LevelUnit,
    area: Rect,
    buffer: &mut Buffer,
) {
    let theme = scene.theme;
    let inner = panel(title, &format!("{} over the others", unit.difference_label()), theme, area, buffer);
    let mut pen = Pen::new(buffer, inner);
    let ends = [23, 30, 38];
    let watched = rows.iter().any(|(_, aspect)| aspect.frozen_s.is_some());
    let lossy = if watched { "frozen" } else { "lost" };
    for (end, head) in ends.into_iter().zip(["level", lossy, "data"]) {
        pen.right(end, 0, head, theme.dim);
    }
    let mut row = 1;
    for (name, aspect) in rows {
        if row + 1 > pen.height() {
            break;
        }
        line(scene, name, aspect, ends, row, &mut pen);
        row += 1;
    }
    let nulls: Vec<&str> =
        rows.iter().filter(|(_, aspect)| aspect.null).map(|(name, _)| name.as_str()).collect();
    if let Some(missing) = missing {
        pen.paragraph(0, row, &format!("{NOT_MEASURED}: {missing}"), theme.dim);
    } else if nulls.is_empty() {
        pen.paragraph(0, row, &format!("No null shown. {CAUTION}"), theme.dim);
    } else {
        let row = pen.paragraph(0, row, &format!("Null at {}.", nulls.join(", ")), theme.strong);
        pen.paragraph(0, row, CAUTION, theme.dim);
    }
}

fn line(scene: &Scene<'_>, name: &str, aspect: &Aspect, ends: [u16; 3], row: u16, pen: &mut Pen<'_>) {
    let theme = scene.theme;
    let style = if aspect.null { theme.strong } else { theme.base };
    pen.cut(0, row, name, 13, theme.base);
    match (aspect.level_against_others, aspect.level_against_others_ci95) {
        (Some(level), Some([low, high])) => {
            pen.right(ends[0], row, &format!("{level:+.1} ±{:.1}", (high - low) / 2.0), style);
        }
        (Some(level), None) => {
            pen.right(ends[0], row, &format!("{level:+.1}"), style);
        }
        _ => {
            pen.right(ends[0], row, "-", theme.dim);
        }
    }
    let lossy = match (aspect.frozen_s, aspect.loss_ratio) {
        (Some(frozen_s), _) => format!("{frozen_s} s"),
        (None, Some(ratio)) => quantity::percent(ratio),
        (None, None) => "-".to_owned(),
    };
    pen.right(ends[1], row, &lossy, theme.base);
    pen.right(ends[2], row, &quantity::seconds(aspect.seconds as f64), theme.base);
    if aspect.null {
        pen.text(ends[2] + 1, row, "▲ null", style);
    }
}
