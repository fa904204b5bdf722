//! `export` through the real binary, read back by others: the crate `csv`, serde_json by the rules of RFC 7946, SQLite in a
//! plain connection, pcap-parser; the figures against the truth of a bundled flight.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]

mod binary;
mod frames;

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::Command;

use binary::fadewatch;
use fadewatch::capture::PcapngWriter;
use fadewatch::record::{
    Body, Direction, Entry, InterfaceId, InterfaceInfo, InterfaceKind, Record, SessionInfo,
};
use fadewatch::units::Nanos;
use fadewatch::wording::explain;
use pcap_parser::traits::PcapReaderIterator as _;
use pcap_parser::{Block, PcapBlockOwned, PcapError, PcapNGReader};
use serde_json::Value;

fn root(path: &str) -> String {
    format!("{}/{path}", env!("CARGO_MANIFEST_DIR"))
}

/// Its errors, and how it ended.
fn run(folder: &Path, arguments: &[&str]) -> (Option<i32>, String) {
    let output = fadewatch(folder, arguments).stderr(std::process::Stdio::piped()).output().unwrap();
    (output.status.code(), String::from_utf8(output.stderr).unwrap())
}

fn flight(number: usize) -> String {
    root(&format!("recordings/orchard-{number}.pcapng"))
}

fn truth(number: usize) -> Value {
    let text = fs::read_to_string(root(&format!("recordings/orchard-{number}.truth.json"))).unwrap();
    serde_json::from_str(&text).unwrap()
}

/// The fourth bundled flight, exported.
fn exported(more: &[&str]) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let profile = root("recordings/orchard-profile.toml");
    let file = flight(4);
    let (code, said) =
        run(folder.path(), &[&["export", &file, "--out", "tables", "--profile", &profile], more].concat());
    assert_eq!(code, Some(0), "{said}");
    let path = folder.path().join("tables/orchard-4");
    (folder, path)
}

/// Each row by its columns; the reader refuses rows of another width.
fn csv(path: &Path) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::ReaderBuilder::new().flexible(false).from_path(path).unwrap();
    let names = reader.headers().unwrap().clone();
    let row = |record: csv::StringRecord| {
        names.iter().map(str::to_owned).zip(record.iter().map(str::to_owned)).collect()
    };
    reader.records().map(|record| row(record.unwrap())).collect()
}

fn number(row: &BTreeMap<String, String>, column: &str) -> f64 {
    row[column].parse().unwrap_or_else(|_| panic!("{column}: {row:?}"))
}

const TABLES: [&str; 12] = [
    "seconds",
    "positions",
    "frames",
    "moves",
    "freezes",
    "gaps",
    "events",
    "bad_pictures",
    "causes",
    "peaks",
    "spectrum",
    "waterfall",
];

#[test]
fn tables_say_what_truly_happened() {
    let (_folder, tables) = exported(&[]);
    let truth = truth(4);
    let [seconds, positions, frames, moves, freezes, gaps, events, pictures, causes, peaks, ..] =
        TABLES.map(|name| csv(&tables.join(format!("{name}.csv"))));

    let video = &truth["video"];
    assert_eq!(frames.len() as u64, video["frames_delivered"].as_u64().unwrap());
    let longest = frames[1..].iter().map(|row| number(row, "interval_ms")).fold(0.0, f64::max);
    let true_longest = video["freeze_list"].as_array().unwrap().iter().filter(|freeze| freeze["off"] != true);
    let true_longest = true_longest.filter_map(|freeze| freeze["duration_s"].as_f64()).fold(0.0, f64::max);
    assert!((longest / 1e3 - true_longest).abs() < 2e-3, "{longest} ms");

    for (row, freeze) in freezes.iter().zip(video["freeze_list"].as_array().unwrap()) {
        assert!((number(row, "start_s") - freeze["start_s"].as_f64().unwrap()).abs() < 1e-3, "{row:?}");
    }
    assert!(freezes.len() > 10);

    // The simulator freezes this picture by the level of its link alone. Each level is the lowest of the seconds from 2 s before
    // a freeze to 1 s after, and the lower it is the higher it ranks.
    assert!(peaks.is_empty(), "no inertial message was sent");
    let radio = causes.iter().find(|row| row["cause"] == "radio" && row["seen_by"] == "ranks").unwrap();
    let airframe = causes.iter().find(|row| row["cause"] == "airframe").unwrap();
    assert!(radio["told"] == "true" && airframe["told"] != "true" && radio["what"] == "froze", "{causes:?}");
    let bad: Vec<_> = pictures.iter().filter(|row| row["what"] == "froze").collect();
    assert_eq!(number(radio, "pictures") as usize, bad.len());
    let by_the_radio = bad.iter().filter(|row| row["causes"] == "radio").count();
    assert!(2 * by_the_radio > bad.len(), "{bad:?}");
    let starts: BTreeSet<&String> = freezes.iter().map(|row| &row["start_s"]).collect();
    assert!(bad.len() > 10 && bad.iter().all(|row| starts.contains(&row["at_s"])), "{bad:?}");
    let mut ranked: Vec<&BTreeMap<String, String>> =
        bad.iter().copied().filter(|row| !row["level_rank"].is_empty()).collect();
    ranked.sort_by(|one, other| number(one, "level").total_cmp(&number(other, "level")));
    let falls =
        |pair: &[&BTreeMap<String, String>]| number(pair[0], "level_rank") >= number(pair[1], "level_rank");
    assert!(ranked.len() > 10 && ranked.windows(2).all(falls), "{ranked:?}");

    // Every number that a sender truly lost stands in one gap.
    for stream in truth["streams"].as_array().unwrap() {
        let of = |key: &str| stream[key].to_string();
        let own =
            gaps.iter().filter(|row| row["system"] == of("system") && row["component"] == of("component"));
        let lost: f64 = own.map(|row| number(row, "lost")).sum();
        assert_eq!(lost as u64, stream["lost"].as_u64().unwrap(), "{stream}");
    }

    // A second a row for each link, none twice; the picture's packets are all there but those of the last part of a second.
    let end_s = truth["recording"]["duration_s"].as_f64().unwrap().floor();
    let links: BTreeSet<&String> = seconds.iter().map(|row| &row["link"]).collect();
    let of_video: Vec<_> = seconds.iter().filter(|row| row["link"] == "video").collect();
    assert_eq!(of_video.len() as f64, end_s);
    assert_eq!(seconds.len(), of_video.len() * links.len());
    let sum = |column: &str| -> u64 {
        of_video.iter().filter(|row| !row[column].is_empty()).map(|row| number(row, column) as u64).sum()
    };
    assert_eq!(sum("received"), video["packets"].as_u64().unwrap());
    assert_eq!(sum("lost"), video["packets_lost"].as_u64().unwrap());
    for freeze in video["freeze_list"].as_array().unwrap().iter().filter(|freeze| freeze["off"] != true) {
        let second = freeze["start_s"].as_f64().unwrap().floor() as usize;
        assert_eq!(of_video[second]["frozen"], "true", "{freeze}");
    }

    // Where the simulator had the vehicle, its motion within a second aside (2.5 m/s).
    for row in freezes.iter().filter(|row| !row["distance_m"].is_empty()) {
        let at = number(row, "start_s").ceil() as usize;
        let place = positions.iter().find(|place| number(place, "at_s") as usize == at);
        let Some(place) = place.filter(|place| !place["distance_m"].is_empty()) else { continue };
        assert!((number(place, "distance_m") - number(row, "distance_m")).abs() < 5.0, "{row:?} {place:?}");
    }
    assert!(positions.len() > 100);

    assert!(!moves.is_empty());
    for row in moves.iter().filter(|row| !row["age_high_ms"].is_empty()) {
        assert!(number(row, "age_low_ms") <= number(row, "age_high_ms"), "{row:?}");
    }
    assert!(
        events.iter().any(|row| row["kind"] == "freeze") && events.iter().any(|row| row["kind"] == "phase")
    );
}

/// Noise of 0.3 along each axis, a tone of 0.5 along z at 30 Hz, and motors that turn 37 to 43 times a second and shake x: by Parseval's theorem the densities sum up to the mean squares, and what is loudest over time lies at the tone.
#[test]
fn the_spectrum_is_a_table_of_what_shook() {
    let folder = tempfile::tempdir().unwrap();
    let scenario = "text = \"invented\"\nseed = 10003\nstart = \"2031-05-04T09:12:33Z\"\nduration_s = 60.0\n\
        [inertial]\nrate_hz = 100.0\nnoise = 0.3\nmotor = [[0.0, 37.0], [60.0, 43.0]]\nmotor_rate_hz = 4.0\n\
        tone = [{ axis = 3, level = 0.5, steady_hz = 30.0 }, { axis = 1, level = 0.2 }]\n";
    fs::write(folder.path().join("s.toml"), scenario).unwrap();
    assert_eq!(run(folder.path(), &["simulate", "s.toml", "--out", "s.pcapng"]).0, Some(0));
    let (code, said) = run(folder.path(), &["export", "s.pcapng", "--out", "t", "--sqlite", "all.db"]);
    assert_eq!(code, Some(0), "{said}");
    let [peaks, spectrum, waterfall] =
        ["peaks", "spectrum", "waterfall"].map(|name| csv(&folder.path().join(format!("t/s/{name}.csv"))));
    for (axis, tone) in [("x", 0.2_f64), ("y", 0.0), ("z", 0.5)] {
        let own: Vec<_> = spectrum.iter().filter(|row| row["axis"] == axis).collect();
        let step_hz = number(own[1], "frequency_hz") - number(own[0], "frequency_hz");
        assert!((number(own[own.len() - 1], "frequency_hz") - 50.0).abs() < 0.3);
        let square: f64 = own.iter().map(|row| number(row, "density") * step_hz).sum();
        assert!((square.sqrt() - 0.3_f64.hypot(tone)).abs() < 0.02, "{axis}: {square}");
    }
    let peak = |axis: &str| peaks.iter().find(|row| row["axis"] == axis);
    let (x, z) = (peak("x").unwrap(), peak("z").unwrap());
    assert!((number(z, "mean_hz") - 30.0).abs() < 0.4 && z["motor_times"].is_empty(), "{z:?}");
    assert!(x["motor_times"] == "1" && x["folded"] == "false", "{x:?}");
    assert!(number(x, "low_hz") < 38.5 && number(x, "high_hz") > 41.5, "{x:?}");
    assert!(peak("y").is_none() && z["unit"] == "m/s2");
    let starts: BTreeSet<&String> = waterfall.iter().map(|row| &row["from_s"]).collect();
    assert!((10..=12).contains(&starts.len()) && waterfall.len() == 64 * starts.len());
    for start in starts {
        let own = waterfall.iter().filter(|row| row["from_s"] == **start && !row["density_db"].is_empty());
        let loudest =
            own.max_by(|one, other| number(one, "density_db").total_cmp(&number(other, "density_db")));
        let (low, high) = loudest.map(|row| (number(row, "low_hz"), number(row, "high_hz"))).unwrap();
        assert!(low - 0.8 < 30.0 && 30.0 < high + 0.8, "{low} to {high} Hz");
    }
    // The same by SQL.
    let database = rusqlite::Connection::open(folder.path().join("all.db")).unwrap();
    let question = "SELECT frequency_hz FROM spectrum WHERE axis = 'z' ORDER BY density DESC LIMIT 1";
    let loudest: f64 = database.query_row(question, [], |row| row.get(0)).unwrap();
    assert!((loudest - 30.0).abs() < 0.8, "{loudest}");
}

#[test]
fn every_column_is_explained_and_json_says_the_same_as_csv() {
    let text = explain::find("export")[0].lines(true).collect::<Vec<_>>().join("\n");
    let (_folder, tables) = exported(&[]);
    let (_other, objects) = exported(&["--ndjson"]);
    for name in TABLES {
        let rows = csv(&tables.join(format!("{name}.csv")));
        let own = text.lines().find(|line| line.starts_with(&format!("- {name}:"))).unwrap();
        let lines = fs::read_to_string(objects.join(format!("{name}.ndjson"))).unwrap();
        assert_eq!(lines.lines().count(), rows.len(), "{name}");
        for (row, line) in rows.iter().zip(lines.lines()) {
            let object: Value = serde_json::from_str(line).unwrap();
            assert_eq!((&object["schema"], object.as_object().unwrap().len()), (&1.into(), row.len() + 2));
            for (column, cell) in row {
                assert!(own.contains(column.as_str()), "{name}: {column}");
                let same = match &object[column] {
                    Value::Null => cell.is_empty(),
                    // serde_json reads a number to within its last digit.
                    Value::Number(number) => {
                        let (one, other) = (number.as_f64().unwrap(), cell.parse::<f64>().unwrap());
                        (one - other).abs() <= 1e-12 * other.abs()
                    }
                    Value::Bool(flag) => *cell == flag.to_string(),
                    other => other.as_str() == Some(cell),
                };
                assert!(same, "{name}: {column}: {cell} {line}");
            }
        }
    }
}

/// RFC 7946: types, members, and positions of longitude, then latitude.
#[test]
fn the_way_is_geojson_and_gpx() {
    let (_folder, tables) = exported(&[]);
    let way: Value = serde_json::from_slice(&fs::read(tables.join("way.geojson")).unwrap()).unwrap();
    assert_eq!(way["type"], "FeatureCollection");
    let is_position = |position: &Value| {
        let place: Vec<f64> = position.as_array().unwrap().iter().filter_map(Value::as_f64).collect();
        place.len() == 2 && (-180.0..=180.0).contains(&place[0]) && (-90.0..=90.0).contains(&place[1])
    };
    let (mut points, mut lines) = (0, 0);
    for feature in way["features"].as_array().unwrap() {
        assert_eq!(feature["type"], "Feature");
        assert!(feature["properties"].is_object());
        let (kind, positions) = (&feature["geometry"]["type"], &feature["geometry"]["coordinates"]);
        if kind == "Point" {
            points += 1;
            assert!(is_position(positions));
        } else {
            lines += 1;
            assert_eq!(kind, "LineString");
            let positions = positions.as_array().unwrap();
            assert!(positions.len() > 1 && positions.iter().all(is_position));
        }
    }
    let places = csv(&tables.join("positions.csv"));
    assert_eq!(points, places.len());
    assert!(lines > 0);
    let first =
        way["features"].as_array().unwrap().iter().find(|one| one["geometry"]["type"] == "Point").unwrap();
    assert_eq!(first["geometry"]["coordinates"][0].as_f64(), places[0]["lon_deg"].parse().ok());
    assert!(first["properties"]["links"]["video"]["state"].is_string(), "{first}");

    // An XML parser that is not ours, where there is one.
    let read = "import sys, xml.etree.ElementTree as tree\n\
                n = '{http://www.topografix.com/GPX/1/1}'\n\
                gpx = tree.parse(sys.argv[1]).getroot()\n\
                assert gpx.tag == n + 'gpx' and gpx.get('version') == '1.1'\n\
                order = [n + tag for tag in ('ele', 'time', 'cmt')]\n\
                points = list(gpx.iter(n + 'trkpt'))\n\
                for point in points:\n\
                \x20   assert -90 <= float(point.get('lat')) <= 90 and -180 <= float(point.get('lon')) <= 180\n\
                \x20   places = [order.index(child.tag) for child in point]\n\
                \x20   assert places == sorted(places)\n\
                print(len(points))\n";
    let Ok(output) = Command::new("python3").args(["-c", read]).arg(tables.join("way.gpx")).output() else {
        return;
    };
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(String::from_utf8(output.stdout).unwrap().trim(), places.len().to_string());
}

#[test]
fn many_sessions_in_one_database_each_once() {
    let folder = tempfile::tempdir().unwrap();
    let profile = root("recordings/orchard-profile.toml");
    let [first, second] = [1, 2].map(flight);
    let add = ["export", &first, &second, "missing.pcapng", "--sqlite", "all.db", "--profile", &profile];
    let (code, said) = run(folder.path(), &add);
    assert_eq!(code, Some(2), "{said}");
    assert!(said.contains("missing.pcapng") && said.matches("added ").count() == 2, "{said}");
    let path = folder.path().join("all.db");
    assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
    let counts = || -> Vec<i64> {
        let database = rusqlite::Connection::open(&path).unwrap();
        let whole: String = database.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
        assert_eq!(whole, "ok");
        let count = |name: &&str| {
            database.query_row(&format!("SELECT count(*) FROM {name}"), [], |row| row.get(0)).unwrap()
        };
        ["session", "tag"].iter().chain(&TABLES).map(count).collect()
    };
    let before = counts();
    assert_eq!(before[0], 2);
    let (code, said) = run(folder.path(), &[&add[..2], &add[4..]].concat());
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("is in the database already"));
    assert_eq!(counts(), before);
    // A question over both, against their truths.
    let database = rusqlite::Connection::open(&path).unwrap();
    let question = "SELECT file, count(*), sum(freezes.duration_s) FROM freezes JOIN session ON session = id
                    GROUP BY id ORDER BY file";
    let mut statement = database.prepare(question).unwrap();
    let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?))).unwrap();
    let rows: Vec<(String, i64, f64)> = rows.map(Result::unwrap).collect();
    for (index, (file, freezes, seconds)) in rows.iter().enumerate() {
        let truth = truth(index + 1);
        assert_eq!(file, &format!("orchard-{}.pcapng", index + 1));
        assert_eq!(Some(*freezes), truth["video"]["freezes"].as_i64());
        assert!((seconds - truth["video"]["freeze_s"].as_f64().unwrap()).abs() < 1e-3);
    }
    // No database of something else is touched.
    drop(statement);
    let other = folder.path().join("other.db");
    rusqlite::Connection::open(&other).unwrap().execute_batch("CREATE TABLE a (b)").unwrap();
    let bytes = fs::read(&other).unwrap();
    let (code, said) = run(folder.path(), &["export", &first, "--sqlite", "other.db"]);
    assert!(code == Some(2) && said.contains("something else"), "{said}");
    assert_eq!(fs::read(&other).unwrap(), bytes);
}

/// Stamp in ns, and bytes, of each packet, as an independent reader has them; comments are left out.
fn packets(path: &Path) -> Vec<(u64, Vec<u8>)> {
    let file = fs::File::open(path).unwrap();
    let mut reader = PcapNGReader::new(1 << 20, file).unwrap();
    let mut packets = Vec::new();
    loop {
        match reader.next() {
            Ok((offset, block)) => {
                if let PcapBlockOwned::NG(Block::EnhancedPacket(packet)) = &block {
                    let at = u64::from(packet.ts_high) << 32 | u64::from(packet.ts_low);
                    packets.push((at, packet.data[..packet.caplen as usize].to_vec()));
                }
                reader.consume(offset);
            }
            Err(PcapError::Eof) => return packets,
            Err(PcapError::Incomplete(_)) => reader.refill().unwrap(),
            Err(error) => panic!("{error:?}"),
        }
    }
}

#[test]
fn a_cut_holds_the_records_of_its_span_as_they_came() {
    let folder = tempfile::tempdir().unwrap();
    let file = flight(4);
    let cut = ["export", &file, "--cut", "60..90.5", "--out", "."];
    let (code, said) = run(folder.path(), &cut);
    assert_eq!(code, Some(0), "{said}");
    let path = folder.path().join("orchard-4/cut.pcapng");
    let whole = packets(Path::new(&file));
    let start = whole[0].0;
    let within = |at: u64| (60_000_000_000..=90_500_000_000).contains(&(at - start));
    let expected: Vec<_> = whole.into_iter().filter(|(at, _)| within(*at)).collect();
    assert!(expected.len() > 1000);
    assert_eq!(packets(&path), expected);
    // Cut again, it opens as it did.
    let (code, said) = run(folder.path(), &["summary", path.to_str().unwrap()]);
    assert_eq!(code, Some(0), "{said}");
    for wrong in ["90..60", "60", "a..b"] {
        let cut = ["export", &file, "--cut", wrong, "--out", "."];
        assert_eq!(run(folder.path(), &cut).0, Some(2), "{wrong}");
    }
    let (code, said) = run(folder.path(), &["export", &file, "--cut", "9000..9001", "--out", "late"]);
    assert!(code == Some(2) && said.contains("no record"), "{said}");
    assert!(!folder.path().join("late/orchard-4/cut.pcapng").exists());
    // A cut that was good is not replaced by one that holds nothing.
    let (code, said) = run(folder.path(), &["export", &file, "--cut", "9000..9001", "--out", ".", "--yes"]);
    assert!(code == Some(2) && said.contains("no record"), "{said}");
    assert_eq!(packets(&path), expected);
    assert!(fs::read_dir(path.parent().unwrap()).unwrap().all(|file| {
        let name = file.unwrap().file_name().into_string().unwrap();
        name.starts_with("cut") && name.ends_with(".pcapng")
    }));
}

/// STATUSTEXT (id 253) with this text, behind a heartbeat.
fn recording(text: &str) -> Vec<u8> {
    let mut payload = vec![4];
    payload.extend(text.bytes());
    payload.resize(51, 0);
    let frames = [
        frames::frame(0, (1, 1), 0, 50, &[0, 0, 0, 0, 2, 3, 1, 4, 3]),
        frames::frame(1, (1, 1), 253, 83, &payload),
    ];
    let info = InterfaceInfo { name: "=1+1".to_owned(), kind: InterfaceKind::Stream, description: None };
    let mut writer = PcapngWriter::new(Vec::new());
    writer.write(&Entry::Session(SessionInfo { has_wall_clock: true, ..SessionInfo::default() })).unwrap();
    writer.write(&Entry::Interface(InterfaceId(0), info)).unwrap();
    for (second, bytes) in frames.iter().enumerate() {
        let (interface, direction) = (InterfaceId(0), Direction::Inbound);
        let at = Nanos::from_secs(1_900_000_000 + second as i64);
        let record = Record { at, interface, direction, body: Body::Stream(bytes) };
        writer.write(&Entry::Record(record)).unwrap();
    }
    writer.into_inner()
}

#[test]
fn texts_stay_text_and_nothing_is_overwritten_unasked() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    for (index, hostile) in
        ["=cmd|' /C calc'!A0", "@SUM(1,2)", "+1, \"quoted\"", "-2+3", "\t=1"].iter().enumerate()
    {
        let name = format!("h{index}.pcapng");
        fs::write(folder.join(&name), recording(hostile)).unwrap();
        let (code, said) = run(folder, &["export", &name, "--out", "out", "--sqlite", "all.db"]);
        assert_eq!(code, Some(0), "{said}");
        let rows = csv(&folder.join(format!("out/h{index}/events.csv")));
        let text = &rows.iter().find(|row| row["kind"] == "vehicle").unwrap()["text"];
        assert!(!text.starts_with(['=', '+', '-', '@', '\t', '\r']), "{text:?}");
        let letters = |text: &str| text.chars().filter(char::is_ascii_alphanumeric).collect::<String>();
        assert!(letters(text).ends_with(&letters(hostile)), "{text:?}");
    }
    let file = folder.join("out/h0/events.csv");
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!((mode(&file), mode(&folder.join("out/h0"))), (0o600, 0o700));
    fs::write(&file, "mine").unwrap();
    let (code, said) = run(folder, &["export", "h0.pcapng", "--out", "out"]);
    assert!(code == Some(2) && said.contains("is there already"), "{said}");
    assert_eq!(fs::read_to_string(&file).unwrap(), "mine");
    assert_eq!(run(folder, &["export", "h0.pcapng", "--out", "out", "--yes"]).0, Some(0));
    assert!(fs::read_to_string(&file).unwrap().starts_with("at_s,kind,link,text\r\n"));
    // Two of one name, and nowhere to write to.
    fs::create_dir(folder.join("b")).unwrap();
    fs::copy(folder.join("h0.pcapng"), folder.join("b/h0.pcapng")).unwrap();
    let (code, said) = run(folder, &["export", "h0.pcapng", "b/h0.pcapng", "--out", "new"]);
    assert!(code == Some(2) && said.contains("have one name"), "{said}");
    assert_eq!(run(folder, &["export", "h0.pcapng"]).0, Some(2));
}
