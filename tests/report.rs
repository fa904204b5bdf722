//! `report` through the real binary. The page is read by an XML parser of others (quick-xml); its figures are held against
//! the JSON summary and the truth of a bundled flight.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]

mod binary;
mod hostile_session;

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::sync::LazyLock;

use binary::fadewatch;
use fadewatch::capture::{PcapngWriter, Recording};
use fadewatch::record::{
    Body, Direction, Entry, InterfaceId, InterfaceInfo, InterfaceKind, MarkKind, Note, Record,
};
use fadewatch::summary::{BenchStep, GuideNote, StepAnswer};
use fadewatch::units::Nanos;
use hostile_session::{heartbeat, opening, status_text};
use quick_xml::Reader;
use quick_xml::events::{BytesStart, Event};
use serde_json::Value;
use sha2::{Digest as _, Sha256};

/// An element with what it holds.
#[derive(Debug, Default)]
struct Node {
    name: String,
    attributes: BTreeMap<String, String>,
    /// Its own text and that of all within.
    text: String,
    children: Vec<Node>,
}

impl Node {
    fn of(start: &BytesStart<'_>) -> Self {
        let attributes = start.attributes().map(|attribute| {
            let attribute = attribute.unwrap();
            let key = String::from_utf8(attribute.key.as_ref().to_vec()).unwrap();
            let value = quick_xml::escape::unescape(std::str::from_utf8(&attribute.value).unwrap())
                .unwrap()
                .into_owned();
            (key, value)
        });
        let name = String::from_utf8(start.name().as_ref().to_vec()).unwrap();
        Self { name, attributes: attributes.collect(), ..Self::default() }
    }

    /// Strictly as XML: every tag closed, every entity known.
    fn parse(text: &str) -> Self {
        let mut reader = Reader::from_str(text);
        let mut open = vec![Self::default()];
        loop {
            let event =
                reader.read_event().unwrap_or_else(|error| panic!("{error} at {}", reader.error_position()));
            let top = open.last_mut().unwrap();
            match event {
                Event::Start(start) => open.push(Self::of(&start)),
                Event::Empty(start) => top.children.push(Self::of(&start)),
                Event::End(_) => {
                    let done = open.pop().unwrap();
                    let above = open.last_mut().unwrap();
                    above.text.push_str(&done.text);
                    above.children.push(done);
                }
                Event::Text(text) => top.text.push_str(std::str::from_utf8(&text).unwrap()),
                Event::GeneralRef(name) => {
                    let reference = format!("&{};", std::str::from_utf8(&name).unwrap());
                    top.text.push_str(&quick_xml::escape::unescape(&reference).unwrap());
                }
                Event::Eof => break,
                Event::DocType(_) => {}
                other => panic!("{other:?}"),
            }
        }
        assert_eq!(open.len(), 1, "every element is closed");
        open.pop().unwrap().children.pop().unwrap()
    }

    fn walk<'a>(&'a self, found: &mut Vec<&'a Node>) {
        found.push(self);
        self.children.iter().for_each(|child| child.walk(found));
    }

    fn all(&self) -> Vec<&Node> {
        let mut found = Vec::new();
        self.walk(&mut found);
        found
    }

    fn named(&self, name: &str) -> Vec<&Node> {
        self.all().into_iter().filter(|node| node.name == name).collect()
    }

    fn get(&self, key: &str) -> &str {
        self.attributes.get(key).map_or("", String::as_str)
    }

    /// The rows of the table with this caption, each by its heads.
    fn table(&self, caption: &str) -> Vec<BTreeMap<String, String>> {
        let tables = self.named("table");
        let is_it = |table: &&&Node| table.named("caption")[0].text == caption;
        let table = tables.iter().find(is_it).unwrap_or_else(|| panic!("no table: {caption}"));
        let rows = table.named("tr");
        let heads: Vec<&str> = rows[0].children.iter().map(|cell| cell.text.as_str()).collect();
        let row = |row: &&Node| {
            assert_eq!(row.children.len(), heads.len(), "{caption}");
            heads
                .iter()
                .map(|head| (*head).to_owned())
                .zip(row.children.iter().map(|cell| cell.text.clone()))
                .collect()
        };
        rows[1..].iter().map(row).collect()
    }
}

fn root(path: &str) -> String {
    format!("{}/{path}", env!("CARGO_MANIFEST_DIR"))
}

/// Its errors, and how it ended.
fn run(folder: &Path, arguments: &[&str]) -> (Option<i32>, String) {
    let output = fadewatch(folder, arguments).stderr(std::process::Stdio::piped()).output().unwrap();
    (output.status.code(), String::from_utf8(output.stderr).unwrap())
}

/// The page of some files.
fn page(folder: &Path, arguments: &[&str]) -> String {
    let (code, said) = run(folder, &[&["report", "--yes", "--out", "page.html"], arguments].concat());
    assert_eq!(code, Some(0), "{said}");
    fs::read_to_string(folder.join("page.html")).unwrap()
}

/// The fourth bundled flight after the three before it.
struct Flight {
    folder: tempfile::TempDir,
    /// Pictures are in `svg`.
    page: String,
    summary: Value,
}

static FLIGHT: LazyLock<Flight> = LazyLock::new(|| {
    let folder = tempfile::tempdir().unwrap();
    let (page, summary) = flight(folder.path());
    Flight { folder, page, summary }
});

fn flight(folder: &Path) -> (String, Value) {
    let profile = root("recordings/orchard-profile.toml");
    let files: Vec<String> =
        (1..=4).map(|number| root(&format!("recordings/orchard-{number}.pcapng"))).collect();
    let common = ["--history", "history.sqlite", "--profile", &profile];
    let add = [&["history", "add", &files[0], &files[1], &files[2]], &common[..]].concat();
    assert_eq!(run(folder, &add).0, Some(0));
    let text = page(folder, &[&[files[3].as_str(), "--svg", "svg"], &common[..]].concat());
    let output =
        fadewatch(folder, &[&["summary", "--json", &files[3]], &common[..]].concat()).output().unwrap();
    (text, serde_json::from_slice(&output.stdout).unwrap())
}

/// The numbers of a text in order, each with half a unit of the last digit shown.
fn numbers(text: &str) -> Vec<(f64, f64)> {
    let is_digit = |letter: char| letter.is_ascii_digit() || ".-".contains(letter);
    let words = text.split(|letter| !is_digit(letter)).map(|word| word.trim_end_matches('.'));
    let number = |word: &str| {
        let places = word.split_once('.').map_or(0, |(_, behind)| behind.len() as i32);
        Some((word.parse().ok()?, 0.500_001 * 10.0_f64.powi(-places)))
    };
    words.filter_map(number).collect()
}

/// The first numbers of a text are these, to the last digit shown.
fn assert_shows(text: &str, expected: &[f64]) {
    let shown = numbers(text);
    for (place, expected) in expected.iter().enumerate() {
        let (shown, half) = shown.get(place).unwrap_or_else(|| panic!("{text}: {expected}"));
        assert!((shown - expected).abs() <= *half, "{text}: {expected}");
    }
}

/// The text is a figure of the summary with its interval.
fn assert_is(text: &str, figure: &Value, ci95: &Value, scale: f64) {
    let expected = [figure, &ci95[0], &ci95[1]].map(|value| value.as_f64().unwrap() * scale);
    assert_shows(text, &expected);
}

/// What every page keeps to, whatever is on it.
fn assert_sound(text: &str) -> Node {
    let page = Node::parse(text);
    let all = page.all();
    let ids: Vec<&str> = all.iter().map(|node| node.get("id")).filter(|id| !id.is_empty()).collect();
    assert_eq!(ids.len(), ids.iter().collect::<BTreeSet<_>>().len(), "ids stand once");
    for node in &all {
        let known = [
            "html",
            "head",
            "meta",
            "title",
            "style",
            "body",
            "h1",
            "h2",
            "h3",
            "main",
            "nav",
            "ol",
            "ul",
            "li",
            "a",
            "span",
            "strong",
            "p",
            "article",
            "section",
            "figure",
            "figcaption",
            "div",
            "table",
            "caption",
            "thead",
            "tbody",
            "tr",
            "th",
            "td",
            "details",
            "summary",
            "pre",
            "footer",
            "svg",
            "rect",
            "line",
            "polyline",
            "polygon",
            "circle",
            "text",
        ];
        assert!(known.contains(&node.name.as_str()), "<{}>", node.name);
        for (key, value) in &node.attributes {
            assert!(
                !key.starts_with("on") && !["src", "style", "data", "action"].contains(&key.as_str()),
                "{key}"
            );
            assert!(key != "href" || value.strip_prefix('#').is_some_and(|id| ids.contains(&id)), "{value}");
        }
    }
    // What a page could ask for: a namespace or a comment would be the only other place.
    for outside in ["http:", "https:", "url(", "@import", "//", "<script", "<!--", "NaN", "inf "] {
        assert!(!text.contains(outside), "{outside}: {}", &text[text.find(outside).unwrap()..][..80]);
    }
    let policy = page.named("meta").iter().any(|meta| {
        meta.get("http-equiv") == "Content-Security-Policy"
            && meta.get("content") == "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
    });
    assert!(policy && page.get("lang") == "en");
    // WCAG 2.2, 1.1.1 and 1.3.1: pictures have a text, tables heads, headings no gaps.
    for svg in page.named("svg") {
        let title = &svg.children[0];
        assert!(title.name == "title" && title.text.len() > 20, "{title:?}");
        assert_eq!((svg.get("role"), svg.get("aria-label")), ("img", title.text.as_str()));
        assert!(svg.children.len() > 3, "a chart without anything in it: {}", title.text);
    }
    for table in page.named("table") {
        assert!(!table.named("caption")[0].text.is_empty());
        let heads = table.named("th");
        assert!(heads.iter().all(|head| ["col", "row"].contains(&head.get("scope"))));
    }
    let mut before = 0;
    for level in all.iter().filter_map(|node| node.name.strip_prefix('h')?.parse::<u8>().ok()) {
        assert!(level <= before + 1, "h{level} behind h{before}");
        before = level;
    }
    assert_eq!(page.named("h1").len(), 1);
    page
}

#[test]
fn the_page_says_what_the_summary_says() {
    let Flight { page, summary, .. } = &*FLIGHT;
    let page = assert_sound(page);

    // How it went is read first.
    let list = page.named("ul")[0];
    let words: Vec<&str> = list.named("strong").iter().map(|word| word.text.as_str()).collect();
    let verdicts = summary["session_verdicts"].as_array().unwrap();
    for (verdict, word) in verdicts.iter().zip(words) {
        assert_eq!(verdict["word"], word);
        assert!(list.text.contains(verdict["text"].as_str().unwrap()));
    }

    for (row, link) in page.table("links").iter().zip(summary["links"].as_array().unwrap()) {
        assert_eq!(link["link"], row["link"].as_str());
        assert_is(&row["lost"], &link["loss"]["ratio"], &link["loss"]["ci95"], 100.0);
        assert_eq!(
            [row["warnings"].clone(), row["alarms"].clone()],
            [&link["warnings"], &link["alarms"]].map(Value::to_string)
        );
        match link["margin_db"]["min"].as_f64() {
            Some(least) => assert_shows(&row["least margin"], &[least]),
            None => assert_eq!(row["least margin"], "not measured"),
        }
    }
    let stage = &page.table("from the stick value's arrival here to the commanded output")[0];
    let truth = &summary["latency"]["stick_to_servo"];
    assert_is(&stage["half within"], &truth["p50_ms"], &truth["p50_ci95_ms"], 1.0);
    assert_is(&stage["9 in 10 within"], &truth["p90_ms"], &truth["p90_ci95_ms"], 1.0);
    assert_eq!(stage["moves"], truth["events"].to_string());
    for (row, range) in
        page.table("slant distance from the handset").iter().zip(summary["range"].as_array().unwrap())
    {
        assert_shows(&row["worked to"], &[range["proven_m"].as_f64().unwrap()]);
        assert_eq!(row["samples"], range["samples"].to_string());
    }
    assert_eq!(page.table("losses of input").len(), summary["failsafe"].as_array().unwrap().len());
    assert_eq!(page.table("what happened").len(), summary["events"].as_array().unwrap().len());
    let bytes = fs::read(root("recordings/orchard-4.pcapng")).unwrap();
    let hash = Sha256::digest(&bytes).iter().map(|byte| format!("{byte:02x}")).collect::<Vec<_>>().concat();
    let recording = page.table("the recording");
    assert!(recording.iter().any(|row| row["value"] == hash), "{recording:?}");

    // The freezes of the simulator's own truth, to a tenth of a second.
    let truth: Value =
        serde_json::from_str(&fs::read_to_string(root("recordings/orchard-4.truth.json")).unwrap()).unwrap();
    let starts: Vec<String> = page.table("freezes").iter().map(|row| row["from"].clone()).collect();
    for freeze in truth["video"]["freeze_list"].as_array().unwrap() {
        let start = freeze["start_s"].as_f64().unwrap();
        let near = |shown: &String| {
            let (minutes, seconds) = shown.split_once(':').unwrap();
            (minutes.parse::<f64>().unwrap() * 60.0 + seconds.parse::<f64>().unwrap() - start).abs() <= 0.11
        };
        assert!(starts.iter().any(near), "{start}: {starts:?}");
    }
    assert_eq!(starts.len(), summary["video"]["freeze_list"].as_array().unwrap().len());
}

#[test]
fn every_picture_is_a_file_of_its_own_too() {
    let Flight { folder, page, .. } = &*FLIGHT;
    let shown = Node::parse(page).named("svg").len();
    let mut kinds = BTreeSet::new();
    for entry in fs::read_dir(folder.path().join("svg")).unwrap().flatten() {
        assert_eq!(entry.metadata().unwrap().permissions().mode() & 0o777, 0o600);
        let picture = Node::parse(&fs::read_to_string(entry.path()).unwrap());
        assert_eq!(picture.get("xmlns"), "http://www.w3.org/2000/svg");
        kinds.insert(entry.file_name().into_string().unwrap());
    }
    assert!(shown >= 14 && kinds.len() == shown, "{kinds:?}");
    for kind in ["link-video", "distance-video", "map-video", "latency-stick-to-servo", "vibration", "phases"]
    {
        assert!(kinds.contains(&format!("orchard-4-{kind}.svg")), "{kinds:?}");
    }
}

#[test]
fn the_same_recordings_give_the_same_bytes_and_stay_apart() {
    let folder = tempfile::tempdir().unwrap();
    let (one, two) = (root("recordings/orchard-1.pcapng"), root("recordings/orchard-2.pcapng"));
    let profile = root("recordings/orchard-profile.toml");
    let arguments = [one.as_str(), &two, "--profile", &profile];
    let text = page(folder.path(), &arguments);
    assert_eq!(page(folder.path(), &arguments), text);
    let both = assert_sound(&text);
    let articles = both.named("article");
    for (article, file) in articles.iter().zip(["orchard-1.pcapng", "orchard-2.pcapng"]) {
        assert_eq!(article.named("h2")[0].text, file);
        assert!(both.named("nav")[0].text.contains(file));
    }
    // Each explanation stands once, behind all sessions.
    assert_eq!(text.matches("id=\"how-latency\"").count(), 1);
}

#[test]
fn nothing_is_overwritten_unasked_and_a_bad_file_stops_no_other() {
    let folder = tempfile::tempdir().unwrap();
    let good = root("tests/data/rtp_h265.pcap");
    fs::write(folder.path().join("page.html"), "mine").unwrap();
    let (code, said) = run(folder.path(), &["report", &good, "--out", "page.html"]);
    assert!(code == Some(2) && said.contains("--yes"), "{said}");
    assert_eq!(fs::read_to_string(folder.path().join("page.html")).unwrap(), "mine");
    let (code, said) = run(folder.path(), &["report", "none.pcapng", &good, "--out", "other.html"]);
    assert!(code == Some(2) && said.contains("none.pcapng"), "{said}");
    let page = assert_sound(&fs::read_to_string(folder.path().join("other.html")).unwrap());
    assert_eq!(page.named("article").len(), 1);
    let (code, said) = run(folder.path(), &["report", "none.pcapng", "--out", "third.html"]);
    assert!(code == Some(2) && !folder.path().join("third.html").exists(), "{said}");
    assert_eq!(run(folder.path(), &["report", &good]).0, Some(2), "nowhere to write to");
    fs::copy(&good, folder.path().join("rtp_h265.pcap")).unwrap();
    let (code, said) = run(folder.path(), &["report", &good, "rtp_h265.pcap", "--svg", "svg"]);
    assert!(code == Some(2) && said.contains("two folders"), "{said}");
    assert_eq!(fs::read_dir(folder.path().join("svg")).unwrap().count(), 0);
}

/// The page of a comparison says what its JSON says, and keeps to what every page keeps to.
#[test]
fn a_comparison_is_a_page_too() {
    let folder = tempfile::tempdir().unwrap();
    let [before, after] = [1, 3].map(|number| root(&format!("recordings/orchard-{number}.pcapng")));
    let profile = root("recordings/orchard-profile.toml");
    let tagged = ["--tag", "hostile=</p><script>x('&')</script>"];
    let asked =
        [&["compare", "--json", "--out", "c.html", "--profile", &profile, &before, &after], &tagged[..]];
    let output = fadewatch(folder.path(), &asked.concat()).output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    let found: Value = serde_json::from_slice(&output.stdout).unwrap();
    let page = assert_sound(&fs::read_to_string(folder.path().join("c.html")).unwrap());
    assert!(page.text.contains(found["text"].as_str().unwrap()));
    assert!(page.text.contains("hostile=</p><script>x('&')</script>"));
    let rows = page.table("every figure of both sides");
    let figures = found["figures"].as_array().unwrap();
    assert_eq!(rows.len(), figures.len());
    let mut with_interval = 0;
    for (row, figure) in rows.iter().zip(figures) {
        let scale = if figure["unit"] == "ratio" { 100.0 } else { 1.0 };
        if !figure["difference_ci95"].is_null() {
            assert_is(&row["difference"], &figure["difference"], &figure["difference_ci95"], scale);
            with_interval += 1;
        }
        let word = figure["change"].as_str().map(|word| word.replace('_', " "));
        assert!(row["verdict"].starts_with(word.as_deref().unwrap_or("not compared")), "{row:?}");
    }
    // Each interval is a line in one of the pictures, beside the line of zero and those of the axis.
    let drawn: usize = page.named("svg").iter().map(|svg| svg.named("rect").len()).sum();
    assert!(with_interval > 5 && drawn >= with_interval, "{with_interval} {drawn}");
    let (code, said) = run(folder.path(), &["compare", &before, &after, "--out", "c.html"]);
    assert!(code == Some(2) && said.contains("--yes"), "{said}");
}

/// Motors of 60 to 84 turns a second shake z, a tone of 22 Hz shakes x, 100 samples a second: the turns are seen folded, at 40
/// down to 16 Hz. Where they lie in the pictures is worked out here from the scenario and the frames of the pictures.
#[test]
fn the_spectrum_is_drawn_where_the_simulator_shakes() {
    let folder = tempfile::tempdir().unwrap();
    let scenario = "text = \"invented\"\nseed = 10001\nstart = \"2031-05-04T09:12:33Z\"\nduration_s = 80.0\n\
        [inertial]\nrate_hz = 100.0\nnoise = 0.2\nmotor = [[0.0, 60.0], [80.0, 84.0]]\nmotor_rate_hz = 5.0\n\
        tone = [{ axis = 3, level = 0.8 }, { axis = 3, level = 0.5, steady_hz = 45.0 }, \
        { axis = 1, level = 0.6, steady_hz = 8.0 }]\n";
    fs::write(folder.path().join("s.toml"), scenario).unwrap();
    assert_eq!(run(folder.path(), &["simulate", "s.toml", "--out", "s.pcapng"]).0, Some(0));
    let page = assert_sound(&page(folder.path(), &["s.pcapng", "--svg", "svg"]));
    let picture = |name: &str| {
        let text = fs::read_to_string(folder.path().join(format!("svg/s-{name}.svg"))).unwrap();
        Node::parse(&text)
    };
    let section = page.named("section").into_iter().find(|one| one.children[0].text == "Vibration").unwrap();
    assert_eq!(section.named("svg").len(), 2, "levels were not sent, and a spectrum is not levels");
    assert!(section.text.contains("not measured: the vehicle sends no VIBRATION"), "{}", section.text);
    let place = |node: &Node, keys: [&str; 2]| keys.map(|key| node.get(key).parse::<f64>().unwrap());

    // The worst axis: its own tone has its name beside it, and the turns are named as folded.
    let spectrum = picture("spectrum");
    assert!(spectrum.get("aria-label").contains("worst axis z"), "{}", spectrum.get("aria-label"));
    let across = 56.0 + 656.0 * 45.0 / 50.0;
    let is_at = |point: &str| (point.split(',').next().unwrap().parse::<f64>().unwrap() - across).abs() < 9.0;
    let lines = spectrum.named("polyline");
    let violet = lines.iter().filter(|line| line.get("stroke") == "#8A3FB0");
    assert!(violet.clone().count() > 0);
    assert!(violet.clone().any(|line| line.get("points").split_whitespace().all(is_at)), "{lines:?}");
    let texts = spectrum.named("text");
    assert!(texts.iter().any(|text| text.text.trim().starts_with("45.")), "{}", spectrum.text);
    let motors = texts.iter().filter(|text| text.text.contains("motors x 1, folded")).count();
    assert!(motors == 1 && !spectrum.text.contains("8.0 Hz"), "the other axis: {}", spectrum.text);

    // Over time: what is strongest lies at a tone or at the folded turns, within 3 bands of 64 and the 10 s of a spectrum.
    let waterfall = picture("waterfall");
    assert!(waterfall.get("aria-label").contains("84 times a second"), "{}", waterfall.get("aria-label"));
    let strongest = waterfall.named("rect").into_iter();
    let strongest: Vec<&Node> =
        strongest.filter(|rect| rect.get("fill") == "#0B62C4" && rect.get("opacity") == "1").collect();
    let mut at_the_turns = 0;
    for rect in &strongest {
        let ([x, y], [width, height]) = (place(rect, ["x", "y"]), place(rect, ["width", "height"]));
        let (from_s, to_s) = ((x - 56.0) / 8.2, (x + width - 56.0) / 8.2);
        let hz = (280.0 - y - height / 2.0) / 256.0 * 50.0;
        let turns = |at_s: f64| 100.0 - (60.0 + 24.0 * at_s / 80.0);
        let (low, high) = (turns((to_s + 10.0).min(80.0)) - 2.4, turns((from_s - 10.0).max(0.0)) + 2.4);
        let near = |tone: f64| (hz - tone).abs() < 2.4;
        let is_turns = (low..high).contains(&hz);
        at_the_turns += usize::from(is_turns);
        assert!(is_turns || near(45.0) || near(8.0), "{hz} Hz from {from_s} to {to_s} s");
    }
    assert!(at_the_turns > 8 && strongest.len() < 200, "{at_the_turns} of {}", strongest.len());

    // A flight without inertial messages has no picture of a spectrum.
    assert!(!FLIGHT.folder.path().join("svg/orchard-4-spectrum.svg").exists());
}

/// A capture of pictures alone: no vehicle, no distance, no way; none of it is drawn, each says what to do.
#[test]
fn what_is_absent_says_so_and_is_no_empty_chart() {
    let folder = tempfile::tempdir().unwrap();
    let file = root("tests/data/rtp_h265.pcap");
    let page = assert_sound(&page(folder.path(), &[&file]));
    for section in [
        "What goes missing",
        "Latency",
        "Distance",
        "The way",
        "Sticks",
        "Vibration",
        "Power",
        "This computer",
    ] {
        let all = page.named("section");
        let own =
            all.iter().find(|node| node.children.first().is_some_and(|head| head.text == section)).unwrap();
        assert!(own.text.contains("not measured"), "{section}: {}", own.text);
        assert!(own.named("svg").is_empty(), "{section}");
    }
    let links = &page.named("section")[0];
    assert!(links.text.contains("profile new"), "{}", links.text);
    assert!(!page.text.contains("Bench sheet"));
}

/// Markup, quotes, and characters that turn or hide what stands beside them.
const HOSTILE: &str = "</td><script>x('&')</script>\"\u{202e}\u{7}";
const SHOWN: &str = "</td><script>x('&')</script>\"\u{fffd}\u{fffd}";

fn record(tenth: i64, interface: u16, body: Body<'_>) -> Entry<'_> {
    let at = Nanos(1_900_000_000_000_000_000 + tenth * 100_000_000);
    Entry::Record(Record { at, interface: InterfaceId(interface), direction: Direction::Inbound, body })
}

fn hostile_recording() -> Vec<u8> {
    let mut writer = PcapngWriter::new(Vec::new());
    for entry in opening(HOSTILE) {
        writer.write(&entry).unwrap();
    }
    for number in 0..200_u64 {
        let frame = if number % 10 == 5 { status_text(number, 2, HOSTILE) } else { heartbeat(number) };
        writer.write(&record(number as i64, 0, Body::Stream(&frame))).unwrap();
    }
    let mark = Note::Mark { kind: MarkKind::Remark, text: HOSTILE.to_owned() };
    writer.write(&record(200, 1, Body::Note(mark))).unwrap();
    writer.write(&record(201, 1, Body::Note(Note::Transmits { what: HOSTILE.to_owned() }))).unwrap();
    writer.into_inner()
}

#[test]
fn text_from_outside_stays_text() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("<b>&\"'.pcapng"), hostile_recording()).unwrap();
    let profile = "[[link]]\nname = \"<i>&'\"\nrole = \"telemetry\"\nsenders = [[1, 1]]\n";
    fs::write(folder.path().join("p.toml"), profile).unwrap();
    let text = page(folder.path(), &["<b>&\"'.pcapng", "--profile", "p.toml", "--svg", "svg"]);
    let page = assert_sound(&text);
    let count = |wanted: &str| page.text.matches(wanted).count();
    // File, tag, tag's name, interface, message, mark, what is transmitted; a message of MAVLink ends at 50 bytes.
    assert!(count("<b>&\"'.pcapng") >= 2 && count("<i>&'") >= 4, "{}", page.text);
    assert!(count(SHOWN) >= 4 && count("</td><script>x('&')</script>") >= 6, "{}", page.text);
    let hostile = |letter: char| letter != '\n' && (letter.is_control() || letter == '\u{202e}');
    assert!(!text.chars().any(hostile));
    let pictures: Vec<_> = fs::read_dir(folder.path().join("svg")).unwrap().flatten().collect();
    assert!(!pictures.is_empty());
    for picture in pictures {
        let name = picture.file_name().into_string().unwrap();
        assert!(name.chars().all(|letter| letter.is_alphanumeric() || "-_.".contains(letter)), "{name}");
        Node::parse(&fs::read_to_string(picture.path()).unwrap());
    }
}

/// A recording of a guided bench test brings its sheet, word for word as `bench --from` gives it.
#[test]
fn a_bench_test_brings_its_sheet() {
    let folder = tempfile::tempdir().unwrap();
    let recording = Recording::open(Path::new(&root("recordings/orchard-1.pcapng"))).unwrap();
    let mut writer = PcapngWriter::new(Vec::new());
    let mut cursor = recording.cursor();
    let mut last = Nanos(0);
    let mut marks = 0;
    while let Some(entry) = recording.next(&mut cursor) {
        match &entry {
            Entry::Record(record) => last = record.at,
            Entry::Interface(id, _) => marks = marks.max(id.0 + 1),
            Entry::Session(_) => {}
        }
        writer.write(&entry).unwrap();
    }
    let info = InterfaceInfo { name: "answers".to_owned(), kind: InterfaceKind::Marks, description: None };
    writer.write(&Entry::Interface(InterfaceId(marks), info)).unwrap();
    let text = GuideNote::Step(BenchStep::Sticks, StepAnswer::Begun).text();
    let body = Body::Note(Note::Mark { kind: MarkKind::Remark, text });
    let record = Record { at: last, interface: InterfaceId(marks), direction: Direction::Inbound, body };
    writer.write(&Entry::Record(record)).unwrap();
    fs::write(folder.path().join("bench.pcapng"), writer.into_inner()).unwrap();

    let profile = root("recordings/orchard-profile.toml");
    let page = assert_sound(&page(folder.path(), &["bench.pcapng", "--profile", &profile]));
    let output =
        fadewatch(folder.path(), &["bench", "--json", "--from", "bench.pcapng", "--profile", &profile])
            .output()
            .unwrap();
    let sheet: Value = serde_json::from_slice(&output.stdout).unwrap();
    let rows = page.table("items of the bench test");
    let words: Vec<&str> = rows.iter().map(|row| row["word"].as_str()).collect();
    let expected: Vec<&str> =
        sheet["items"].as_array().unwrap().iter().map(|item| item["word"].as_str().unwrap()).collect();
    assert_eq!(words, expected);
}
