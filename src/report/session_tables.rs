//! A session as tables: what stands in each is told by `explain export`.

use crate::monitor::{BadPictureRow, LinkMonitor};
use crate::summary::{Axis, SecondSummary, Summary};
use crate::units::Nanos;
use crate::wording;

use super::table::{Cell, Table};

/// A word that is written as JSON is, in a cell.
fn word(value: &impl serde::Serialize) -> Cell {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(text)) => Cell::Text(text),
        _ => Cell::Absent,
    }
}

/// All tables, each with its columns also where it has no rows.
#[must_use]
pub fn of(
    monitor: &LinkMonitor,
    summary: &Summary,
    seconds: &[SecondSummary],
    frames: &[Nanos],
) -> Vec<Table> {
    vec![
        seconds_table(seconds),
        positions(monitor),
        frames_table(monitor, frames),
        moves(monitor),
        freezes(summary),
        gaps(monitor),
        events(summary),
        bad_pictures(monitor),
        causes(summary),
        peaks(summary),
        spectrum(monitor, summary),
        waterfall(monitor),
    ]
}

fn seconds_table(seconds: &[SecondSummary]) -> Table {
    let columns = &[
        "at_s",
        "link",
        "role",
        "state",
        "level",
        "unit",
        "margin",
        "seconds_left",
        "metres_left",
        "received",
        "lost",
        "frozen",
        "distance_m",
        "phase",
    ];
    let mut rows = Vec::new();
    for second in seconds {
        for link in &second.links {
            rows.push(vec![
                second.at_s.into(),
                link.link.as_str().into(),
                word(&link.role),
                link.state.into(),
                link.level.into(),
                word(&link.unit),
                link.margin.into(),
                link.seconds_left.into(),
                link.metres_left.into(),
                link.received.into(),
                link.lost.into(),
                link.frozen.into(),
                second.distance_m.into(),
                word(&second.phase),
            ]);
        }
    }
    Table { name: "seconds", columns, rows }
}

fn positions(monitor: &LinkMonitor) -> Table {
    let columns = &["at_s", "lat_deg", "lon_deg", "alt_m", "heading_deg", "distance_m"];
    let places = monitor.places();
    let row = |place: &crate::monitor::PlaceRow| {
        let [at, lat, lon, alt] = [place.at_s, place.lat_deg, place.lon_deg, place.alt_m].map(Cell::from);
        vec![at, lat, lon, alt, place.heading_deg.into(), place.distance_m.into()]
    };
    Table { name: "positions", columns, rows: places.iter().map(row).collect() }
}

fn frames_table(monitor: &LinkMonitor, frames: &[Nanos]) -> Table {
    let before = std::iter::once(None).chain(frames.iter().map(Some));
    let row = |(at, before): (&Nanos, Option<&Nanos>)| {
        vec![monitor.seconds_at(*at).into(), before.map(|before| (*at - *before).millis()).into()]
    };
    Table {
        name: "frames",
        columns: &["at_s", "interval_ms"],
        rows: frames.iter().zip(before).map(row).collect(),
    }
}

fn moves(monitor: &LinkMonitor) -> Table {
    let columns = &["at_s", "stage", "stick", "output", "age_low_ms", "age_high_ms"];
    let row = |row: &crate::measure::latency::MoveRow| {
        let stage = if row.is_input { "stick_to_input" } else { "stick_to_servo" };
        let (low, high) = (row.age_low_ms.into(), row.age_high_ms.into());
        vec![row.at_s.into(), stage.into(), row.stick.into(), row.output.into(), low, high]
    };
    Table { name: "moves", columns, rows: monitor.moves().iter().map(row).collect() }
}

fn freezes(summary: &Summary) -> Table {
    let columns = &["start_s", "duration_s", "ended", "signal", "distance_m", "evidence", "why_not"];
    let list = summary.video.iter().flat_map(|video| video.freeze_list.iter());
    let row = |freeze: &crate::summary::Freeze| {
        vec![
            freeze.start_s.into(),
            freeze.duration_s.into(),
            freeze.ended.into(),
            freeze.signal.into(),
            freeze.distance_m.into(),
            freeze.evidence.into(),
            word(&freeze.why_not),
        ]
    };
    Table { name: "freezes", columns, rows: list.map(row).collect() }
}

fn gaps(monitor: &LinkMonitor) -> Table {
    let row = |gap: &crate::monitor::GapRow| {
        let (system, component) = (gap.system.into(), gap.component.into());
        vec![gap.at_s.into(), gap.interface.as_str().into(), system, component, gap.lost.into()]
    };
    let columns = &["at_s", "interface", "system", "component", "lost"];
    Table { name: "gaps", columns, rows: monitor.gaps().iter().map(row).collect() }
}

fn events(summary: &Summary) -> Table {
    let row = |event: &crate::summary::EventSummary| {
        let text = wording::event::text(event);
        vec![event.at_s.into(), event.event.kind().into(), event.link.as_deref().into(), Cell::Text(text)]
    };
    let columns = &["at_s", "kind", "link", "text"];
    Table { name: "events", columns, rows: summary.events.iter().map(row).collect() }
}

fn bad_pictures(monitor: &LinkMonitor) -> Table {
    let columns =
        &["at_s", "what", "causes", "level", "level_rank", "vibration", "vibration_rank", "strained"];
    let row = |row: &BadPictureRow| {
        // None of what was looked at is a finding; an empty cell is none.
        let causes = row.causes.as_ref().map(|causes| match &causes[..] {
            [] => "none".to_owned(),
            named => named.iter().map(|cause| cause.word()).collect::<Vec<_>>().join(" "),
        });
        let [level, vibration] = [row.level, row.vibration].map(|found| {
            [found.map(|(value, _)| value).into(), found.map(|(_, rank)| rank).into()] as [Cell; 2]
        });
        let first = [row.at_s.into(), word(&row.what), causes.as_deref().into()];
        first.into_iter().chain(level).chain(vibration).chain([row.strained.into()]).collect()
    };
    Table { name: "bad_pictures", columns, rows: monitor.bad_pictures().iter().map(row).collect() }
}

fn causes(summary: &Summary) -> Table {
    let columns = &[
        "what",
        "pictures",
        "cause",
        "seen_by",
        "count",
        "told",
        "apart",
        "rank",
        "chance",
        "at_bad",
        "otherwise",
    ];
    let mut rows = Vec::new();
    for kind in &summary.picture_causes {
        let first = || [word(&kind.what), kind.count.into()];
        for row in &kind.certain {
            let own = [word(&row.cause), "packets".into(), row.count.into(), true.into()];
            let absent = std::iter::repeat_n(Cell::Absent, 5);
            rows.push(first().into_iter().chain(own).chain(absent).collect());
        }
        for row in &kind.weighed {
            let own = [word(&row.cause), "ranks".into(), Cell::Absent, row.told.into(), row.apart.into()];
            let figures = [row.rank, row.chance, row.at_bad, row.otherwise].map(Cell::from);
            rows.push(first().into_iter().chain(own).chain(figures).collect());
        }
    }
    Table { name: "causes", columns, rows }
}

fn peaks(summary: &Summary) -> Table {
    let columns = &[
        "axis",
        "unit",
        "mean_hz",
        "low_hz",
        "high_hz",
        "rms",
        "from_s",
        "to_s",
        "spectra",
        "motor_times",
        "folded",
    ];
    let mut rows = Vec::new();
    if let Some(found) = &summary.vibration_spectrum {
        for (axis, peak) in found.axes.iter().flat_map(|axis| axis.peaks.iter().map(move |peak| (axis, peak)))
        {
            let [low_hz, high_hz] = peak.between_hz;
            let figures = [peak.mean_hz, low_hz, high_hz, peak.rms, peak.from_s, peak.to_s];
            let motor = peak.motor;
            let times = motor.map(|motor| motor.times);
            let last = [peak.spectra.into(), times.into(), motor.map(|motor| motor.folded).into()];
            let first = [word(&axis.axis), word(&found.unit)];
            rows.push(first.into_iter().chain(figures.map(Cell::from)).chain(last).collect());
        }
    }
    Table { name: "peaks", columns, rows }
}

/// Without the mean itself, at 0 Hz.
fn spectrum(monitor: &LinkMonitor, summary: &Summary) -> Table {
    let mut rows = Vec::new();
    if let Some((density, found)) = monitor.spectrum_density().zip(summary.vibration_spectrum.as_ref()) {
        for (axis, densities) in Axis::ALL.iter().zip(&density.axes) {
            for (bin, value) in densities.iter().enumerate().skip(1) {
                let hz = bin as f64 * density.step_hz;
                rows.push(vec![word(axis), word(&found.unit), hz.into(), (*value).into()]);
            }
        }
    }
    Table { name: "spectrum", columns: &["axis", "unit", "frequency_hz", "density"], rows }
}

fn waterfall(monitor: &LinkMonitor) -> Table {
    let columns = &["from_s", "low_hz", "high_hz", "density_db"];
    let mut rows = Vec::new();
    for row in monitor.waterfall() {
        for (band, level) in row.bands.iter().enumerate() {
            let [low_hz, high_hz] = [band, band + 1].map(|edge| Cell::from(edge as f64 * row.band_hz));
            rows.push(vec![row.from_s.into(), low_hz, high_hz, level.map(f64::from).into()]);
        }
    }
    Table { name: "waterfall", columns, rows }
}
