//! A session as tables: what stands in each is told by `explain export`.

use crate::monitor::LinkMonitor;
use crate::summary::{SecondSummary, Summary};
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
