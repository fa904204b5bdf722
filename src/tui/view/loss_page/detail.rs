//! Under the senders: how long losses last, what happened together, what the other end says.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::snapshot::{SenderLane, WindowLoss};
use crate::summary::{
    BadSpell, BurstModel, LossDistances, LossPeriods, OwnReport, SignalDirection, SignalSummary, Summary,
};
use crate::tui::view::Scene;
use crate::tui::widget::panel::panel;
use crate::tui::widget::pen::Pen;
use crate::wording::quantity;
use crate::wording::quantity::NOT_MEASURED;

/// Rows that the burst panel needs: a heading, nine lengths, the model and the distances.
pub(super) const ROWS: u16 = 13;

/// Burst lengths of one sender, the first one where none is given, as bars, and the two-state model.
pub(super) fn bursts(
    scene: &Scene<'_>,
    summary: &Summary,
    sender: Option<&SenderLane>,
    area: Rect,
    buffer: &mut Buffer,
) {
    let theme = scene.theme;
    let stream = sender.and_then(|sender| sender.stream).and_then(|index| summary.streams.get(index));
    let Some(stream) = stream.or_else(|| summary.streams.first()) else {
        let inner = panel("bursts", "", theme, area, buffer);
        Pen::new(buffer, inner).text(0, 0, "not measured: no sender is heard yet", theme.dim);
        return;
    };
    let name = format!("{} {}/{}, whole session", stream.interface, stream.system, stream.component);
    let inner = panel("bursts", &name, theme, area, buffer);
    let mut pen = Pen::new(buffer, inner);
    let rows = lengths(&stream.burst_lengths);
    let most = rows.iter().map(|row| row.1).max().unwrap_or(0);
    let room = pen.width().saturating_sub(20).min(40);
    for (y, (name, count)) in (0..).zip(&rows) {
        pen.right(9, y, name, theme.dim);
        let bar = if *count == 0 { 0 } else { (u64::from(room) * count / most.max(1)).max(1) as u16 };
        for x in 0..bar {
            pen.glyph(10 + x, y, '█', theme.series[0]);
        }
        if *count > 0 {
            pen.text(11 + bar, y, &quantity::count(*count), theme.base);
        }
    }
    let y = rows.len() as u16;
    let width = pen.width();
    pen.cut(0, y, &model_text(stream.burst_model.as_ref()), width, theme.base);
    pen.cut(0, y + 1, &distances_text(stream.loss_distances.as_ref()), width, theme.base);
    if let Some(window) = sender.and_then(|sender| sender.window.as_ref()) {
        pen.whole(0, y + 2, &window_parts(window), width, theme.base);
    }
}

/// Counts by length: 1, 2, 3, then doubling.
fn lengths(bursts: &[(u32, u64)]) -> Vec<(String, u64)> {
    const EDGES: [u32; 9] = [1, 2, 3, 4, 8, 16, 32, 64, 128];
    let name = |index: usize| match EDGES.get(index + 1) {
        Some(next) if next - 1 == EDGES[index] => EDGES[index].to_string(),
        Some(next) => format!("{} to {}", EDGES[index], next - 1),
        None => format!("{} up", EDGES[index]),
    };
    let mut rows: Vec<(String, u64)> = (0..EDGES.len()).map(|index| (name(index), 0)).collect();
    for &(length, count) in bursts {
        let row = EDGES.partition_point(|&edge| edge <= length).saturating_sub(1);
        rows[row].1 += count;
    }
    rows
}

fn model_text(model: Option<&BurstModel>) -> String {
    let Some(model) = model else { return "mean run: none lost so far".to_owned() };
    let in_time =
        |seconds: Option<f64>| seconds.map_or(String::new(), |s| format!(" ({})", quantity::short_span(s)));
    format!(
        "mean run: {:.1} with loss{}, {:.0} without{}",
        model.bad_mean_packets,
        in_time(model.bad_mean_s),
        model.good_mean_packets,
        in_time(model.good_mean_s)
    )
}

fn distances_text(distances: Option<&LossDistances>) -> String {
    let Some(distances) = distances else {
        return "next loss: fewer than two losses".to_owned();
    };
    format!(
        "next loss: half within {}, {} back to back",
        quantity::counted(distances.median, "frame", "frames"),
        quantity::percent(distances.adjacent_ratio)
    )
}

/// How many bursts, how long on average and at most; `None` without any.
pub(super) fn periods_text(periods: LossPeriods) -> Option<String> {
    let mean = periods.mean_length?;
    let bursts = quantity::counted(periods.count, "burst", "bursts");
    Some(format!("{bursts} of {mean:.1}, longest {}", quantity::count(periods.max_length)))
}

/// One sender or link within the window.
pub(super) fn window_parts(window: &WindowLoss) -> Vec<String> {
    let mut parts = Vec::new();
    parts.push(match (window.loss, window.lost) {
        (Some(loss), _) => {
            format!("window {} ({})", quantity::percent(loss.ratio), quantity::percent_interval(loss.ci95))
        }
        (None, Some(lost)) if window.received + lost > 0 => {
            format!("window lost {lost} of {}", window.received + lost)
        }
        (None, Some(_)) => format!("window {NOT_MEASURED}: nothing came"),
        (None, None) => format!("window {NOT_MEASURED}: its numbers cannot be followed"),
    });
    parts.extend(window.loss_periods.and_then(periods_text));
    if let Some(model) = &window.burst_model
        && let (Some(bad), Some(good)) = (model.bad_mean_s, model.good_mean_s)
    {
        parts.push(format!(
            "runs: {} with loss, {} without",
            quantity::short_span(bad),
            quantity::short_span(good)
        ));
    }
    if let Some(silence) = window.longest_silence_s {
        parts.push(format!("silence {}", quantity::seconds(silence)));
    }
    if let Some(share) = window.availability_ratio {
        parts.push(format!("with data {}", quantity::percent(share)));
    }
    parts
}

/// What happened together at each bad spell, the worst first where not all fit.
pub(super) fn spells(scene: &Scene<'_>, summary: &Summary, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let inner = panel("bad spells", "what happened together", theme, area, buffer);
    let mut pen = Pen::new(buffer, inner);
    if summary.bad_spells.is_empty() {
        pen.paragraph(0, 0, "none: no second lost 3 frames and over 5 % of a link", theme.dim);
        return;
    }
    let rows = usize::from(pen.height().saturating_sub(1));
    let mut worst: Vec<&BadSpell> = summary.bad_spells.iter().collect();
    worst.sort_by(|a, b| b.lost.cmp(&a.lost).then(a.start_s.total_cmp(&b.start_s)));
    worst.truncate(rows);
    worst.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    let columns: [(u16, &str); 7] =
        [(0, "at"), (8, "for"), (15, "lost"), (25, "level"), (36, "away"), (44, "height"), (51, "handset")];
    for (x, head) in columns {
        pen.text(x, 0, head, theme.dim);
    }
    for (y, spell) in (1..).zip(worst) {
        let unit = summary.range.iter().find(|row| row.link == spell.link).and_then(|row| row.unit);
        let level =
            spell.level.map(|level| unit.map_or(format!("{level:.0}"), |unit| quantity::level(level, unit)));
        let share = spell.lost as f64 / (spell.lost + spell.received).max(1) as f64;
        let or_dash = |text: Option<String>| text.unwrap_or_else(|| "-".to_owned());
        pen.text(0, y, &quantity::clock(spell.start_s), theme.base);
        pen.text(8, y, &quantity::seconds(spell.duration_s), theme.base);
        pen.text(15, y, &format!("{} {}", spell.lost, quantity::percent(share)), theme.strong);
        pen.text(25, y, &or_dash(level), theme.base);
        pen.text(36, y, &or_dash(spell.distance_m.map(quantity::metres)), theme.base);
        pen.text(44, y, &or_dash(spell.height_m.map(quantity::metres)), theme.base);
        let end = pen.text(51, y, &or_dash(spell.handset_off_nose_deg.map(off_nose)), theme.base);
        let width = pen.width();
        pen.cut(end.max(63) + 1, y, &spell.link, width.saturating_sub(end.max(63) + 1), theme.dim);
    }
}

/// Where the handset lay as seen from the vehicle, in words and degrees.
fn off_nose(degrees: f64) -> String {
    const SIDES: [&str; 4] = ["ahead", "right", "behind", "left"];
    let side = SIDES[((degrees + 45.0).rem_euclid(360.0) / 90.0) as usize % 4];
    format!("{side} {degrees:.0}°")
}

/// Uplink and downlink side by side, by what radios and vehicle report of themselves.
pub(super) fn reports(scene: &Scene<'_>, summary: &Summary, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let inner = panel("both ends", "as radios and vehicle report it", theme, area, buffer);
    let mut pen = Pen::new(buffer, inner);
    if summary.own_reports.is_empty() && summary.signal.is_empty() {
        let text =
            "not measured: no RADIO_STATUS or SYS_STATUS so far; let the radio or the vehicle send them";
        pen.paragraph(0, 0, text, theme.dim);
        return;
    }
    pen.text(0, 0, "radio", theme.dim);
    pen.text(14, 0, "downlink", theme.dim);
    pen.text(44, 0, "uplink", theme.dim);
    let mut y = 1;
    for (system, component) in radios(&summary.signal) {
        pen.cut(0, y, &format!("{system}/{component}"), 13, theme.strong);
        for (x, direction) in [(14, SignalDirection::Down), (44, SignalDirection::Up)] {
            let found = summary.signal.iter().find(|row| {
                (row.system, row.component) == (Some(system), Some(component)) && row.direction == direction
            });
            pen.cut(x, y, &level_text(found), 29, theme.base);
        }
        y += 1;
    }
    let width = pen.width();
    for report in &summary.own_reports {
        pen.cut(0, y, &report_text(report), width, theme.base);
        y += 1;
    }
}

/// Those with a peer that they report on; a receiver's own levels stand on the signal page.
fn radios(signal: &[SignalSummary]) -> Vec<(u8, u8)> {
    let mut list: Vec<(u8, u8)> = signal.iter().filter_map(|row| row.system.zip(row.component)).collect();
    list.sort_unstable();
    list.dedup();
    list
}

fn level_text(row: Option<&SignalSummary>) -> String {
    let Some(row) = row else { return NOT_MEASURED.to_owned() };
    let Some(median) = row.median else { return NOT_MEASURED.to_owned() };
    let noise = row
        .noise_median
        .map_or(String::new(), |noise| format!(", noise {}", quantity::level(noise, row.unit)));
    format!("{}{noise}", quantity::level(median, row.unit))
}

fn report_text(report: &OwnReport) -> String {
    let who = format!("{}/{}", report.system, report.component);
    let mut parts = Vec::new();
    if let (Some(last), Some(most)) = (report.drop_ratio, report.drop_ratio_max) {
        let (last, most) = (quantity::percent(last), quantity::percent(most));
        parts.push(format!("vehicle {who} counts {last} dropped, {most} at most"));
    } else {
        parts.push(format!("radio {who}"));
    }
    parts.push(quantity::counted(report.errors, "error", "errors"));
    if let Some(corrected) = report.corrected {
        parts.push(format!("{} corrected", quantity::count(corrected)));
    }
    if let Some(least) = report.tx_buffer_min_percent {
        parts.push(format!("send buffer lowest {least} % free"));
    }
    parts.join(", ")
}

/// One line for a sender that is heard over several links.
pub(super) fn together_text(row: &crate::summary::Together) -> String {
    let names: Vec<&str> = row.each.iter().map(|heard| heard.interface.as_str()).collect();
    let names = names.join(" and ");
    let Some(loss) = row.loss else {
        let why = row.why_not.map_or_else(|| NOT_MEASURED.to_owned(), |why| why.to_string());
        return format!("{}/{} over {names}: {why}", row.system, row.component);
    };
    let each: Vec<String> = row.each.iter().filter_map(|heard| heard.ratio).map(quantity::percent).collect();
    let chance = row
        .independent_ratio
        .map_or(String::new(), |ratio| format!(", {} if independent", quantity::percent(ratio)));
    format!(
        "{}/{} over {names}: both lost {} ({}), each alone {}{chance}",
        row.system,
        row.component,
        quantity::percent(loss.ratio),
        quantity::percent_interval(loss.ci95),
        each.join(" and "),
    )
}
