//! The vehicle's way with the links' levels, for maps: GeoJSON (RFC 7946) and GPX 1.1.
//!
//! A place a second; a new line behind a gap of over a second, and at the antimeridian (RFC 7946, 3.1.9). Heights are above
//! mean sea level, which a position of RFC 7946 (3.1.1: above the ellipsoid) cannot hold: there they are a property.

use std::io;
use std::io::Write;

use jiff::{SignedDuration, Timestamp};
use serde_json::{Map, Value, json};

use crate::monitor::PlaceRow;
use crate::summary::{LinkSecond, SecondSummary, Summary};

use super::page::markup::escaped;

/// A place with what the links did there.
struct Point<'a> {
    place: &'a PlaceRow,
    links: &'a [LinkSecond],
}

/// Both are in order of time, and whole seconds.
fn points<'a>(places: &'a [PlaceRow], seconds: &'a [SecondSummary]) -> Vec<Point<'a>> {
    let links = |place: &PlaceRow| {
        let found = seconds.binary_search_by(|second| second.at_s.total_cmp(&place.at_s));
        found.map_or(&[][..], |index| &*seconds[index].links)
    };
    places.iter().map(|place| Point { place, links: links(place) }).collect()
}

/// The lines that it falls into.
fn lines<'a, 'b>(points: &'b [Point<'a>]) -> impl Iterator<Item = &'b [Point<'a>]> {
    points.chunk_by(|one, other| {
        let (one, other) = (one.place, other.place);
        other.at_s - one.at_s <= 1.0 && (other.lon_deg - one.lon_deg).abs() <= 180.0
    })
}

fn position(place: &PlaceRow) -> Value {
    json!([place.lon_deg, place.lat_deg])
}

/// Writes a FeatureCollection: the lines, then a point a second with its figures.
pub fn write_geojson_to(
    out: &mut dyn Write,
    summary: &Summary,
    places: &[PlaceRow],
    seconds: &[SecondSummary],
) -> io::Result<()> {
    let points = points(places, seconds);
    let mut features = Vec::new();
    for line in lines(&points).filter(|line| line.len() > 1) {
        let positions: Vec<Value> = line.iter().map(|point| position(point.place)).collect();
        let (from_s, to_s) = (line[0].place.at_s, line[line.len() - 1].place.at_s);
        features.push(json!({
            "type": "Feature",
            "geometry": {"type": "LineString", "coordinates": positions},
            "properties": {"from_s": from_s, "to_s": to_s},
        }));
    }
    for Point { place, links } in &points {
        let links: Map<String, Value> = links
            .iter()
            .map(|link| {
                let LinkSecond { state, level, unit, margin, .. } = link;
                let figures = json!({"state": state, "level": level, "unit": unit, "margin": margin});
                (link.link.clone(), figures)
            })
            .collect();
        features.push(json!({
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": position(place)},
            "properties": {
                "at_s": place.at_s, "alt_m": place.alt_m, "heading_deg": place.heading_deg,
                "distance_m": place.distance_m, "links": links,
            },
        }));
    }
    let recording = json!({"file": summary.recording.file, "start_utc": summary.recording.start_utc});
    let collection = json!({"type": "FeatureCollection", "recording": recording, "features": features});
    super::write_json_to(out, &collection)
}

/// Writes a track with a segment a line; times where the recording has a wall clock, levels as comments.
pub fn write_gpx_to(
    out: &mut dyn Write,
    summary: &Summary,
    places: &[PlaceRow],
    seconds: &[SecondSummary],
) -> io::Result<()> {
    let start: Option<Timestamp> =
        summary.recording.start_utc.as_deref().and_then(|start| start.parse().ok());
    let creator = concat!("fadewatch ", env!("CARGO_PKG_VERSION"));
    writeln!(out, r#"<?xml version="1.0" encoding="UTF-8"?>"#)?;
    writeln!(out, r#"<gpx version="1.1" creator="{creator}" xmlns="http://www.topografix.com/GPX/1/1">"#)?;
    writeln!(out, "<trk><name>{}</name>", escaped(&summary.recording.file))?;
    let points = points(places, seconds);
    for line in lines(&points) {
        writeln!(out, "<trkseg>")?;
        for Point { place, links } in line {
            let PlaceRow { lat_deg, lon_deg, alt_m, at_s, .. } = place;
            write!(out, r#"<trkpt lat="{lat_deg:.7}" lon="{lon_deg:.7}"><ele>{alt_m:.1}</ele>"#)?;
            let at = start
                .and_then(|start| start.checked_add(SignedDuration::from_millis((at_s * 1e3) as i64)).ok());
            if let Some(at) = at {
                write!(out, "<time>{at:.3}</time>")?;
            }
            let levels: Vec<String> = links
                .iter()
                .filter_map(|link| {
                    let (level, unit) = (link.level?, link.unit?);
                    Some(format!("{} {level:.1} {}, {}", link.link, unit.label(), link.state))
                })
                .collect();
            if !levels.is_empty() {
                write!(out, "<cmt>{}</cmt>", escaped(&levels.join("; ")))?;
            }
            writeln!(out, "</trkpt>")?;
        }
        writeln!(out, "</trkseg>")?;
    }
    writeln!(out, "</trk>\n</gpx>")
}

#[cfg(test)]
mod tests {
    use crate::report::way::*;

    fn place(at_s: f64, lon_deg: f64) -> PlaceRow {
        PlaceRow { at_s, lat_deg: 1.0, lon_deg, alt_m: 5.0, heading_deg: None, distance_m: None }
    }

    /// RFC 7946, 3.1.9: no line crosses the antimeridian. None bridges what was not seen.
    #[test]
    fn lines_end_at_gaps_and_at_the_antimeridian() {
        let way = [
            place(1.0, 179.9998),
            place(2.0, 179.9999),
            place(3.0, -179.9999),
            place(4.0, -179.9998),
            place(9.0, -179.9),
            place(10.0, -179.8),
        ];
        let mut out = Vec::new();
        write_geojson_to(&mut out, &Summary::default(), &way, &[]).unwrap();
        let json: Value = serde_json::from_slice(&out).unwrap();
        let features = json["features"].as_array().unwrap();
        let lines = features.iter().filter(|feature| feature["geometry"]["type"] == "LineString");
        let lines: Vec<Value> = lines.map(|line| line["geometry"]["coordinates"].clone()).collect();
        let expected = [
            json!([[179.9998, 1.0], [179.9999, 1.0]]),
            json!([[-179.9999, 1.0], [-179.9998, 1.0]]),
            json!([[-179.9, 1.0], [-179.8, 1.0]]),
        ];
        assert_eq!(lines, expected);
        let summary = Summary {
            recording: crate::summary::RecordingSummary {
                file: "<a> & \"b\"".to_owned(),
                start_utc: Some("2031-03-02T17:20:00.500Z".to_owned()),
                ..Default::default()
            },
            ..Summary::default()
        };
        let mut out = Vec::new();
        write_gpx_to(&mut out, &summary, &way, &[]).unwrap();
        let text = String::from_utf8(out).unwrap();
        assert!(text.contains("<name>&lt;a&gt; &amp; &quot;b&quot;</name>"), "{text}");
        assert!(text.contains("<ele>5.0</ele><time>2031-03-02T17:20:01.500Z</time></trkpt>"), "{text}");
        assert_eq!(text.matches("<trkseg>").count(), 3);
    }
}
