//! What a person reads: no text holds a word that was replaced by a plainer one, and what to mind stands where one acts.
//!
//! Texts: every screen as its snapshots hold it, the help of every command, the text reports of the bundled session,
//! the README, all explanations, and all sentences of the sources, so that those which no session here brings are looked at too.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]

mod free_ports;
mod support;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use clap::CommandFactory;
use fadewatch::session::Mode;
use fadewatch::snapshot::{LinkState, Snapshot};
use fadewatch::summary::{Summary, TransmitterSummary};
use fadewatch::tui::state::{Dialog, Screen, UiState};
use fadewatch::tui::theme::{Theme, ThemeName};
use fadewatch::tui::view;
use fadewatch::tui::view::{Glyphs, Scene};
use fadewatch::wording::caution;
use fadewatch::wording::explain::Explanation;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use support::Data;

/// In no text.
const REPLACED: &[&str] = &[
    "freeze any moment",
    "hold any moment",
    "frames any moment",
    "at this rate",
    "what stands",
    "10 s on",
    "60 s on",
    "lost: session",
    "over it",
    "if 3 dB stronger",
    "proof ends",
    "nothing failed",
    "adjacent",
    "mean spell",
    "passed over evenly",
    "unlocated",
    "in heaps",
    "by lost ones",
    "was never lost",
    "stamps do not follow",
    "level s",
    "says something else",
    "recorded seconds a second",
    "is no kind of source",
    "to decide by",
    "beat",
    "theory claims",
    "freeze level",
    "loss level",
    "hold level",
    "last 2 min, lost",
];
/// Words of statistics: explanations have them, other screens and sentences do not.
const EXACT: &[&str] = &[
    "cross-check",
    "loss distance",
    "loss distances",
    "shadowing",
    "p =",
    "percentile",
    "p05",
    "p95",
    "p50",
    "p90",
    "p99",
];
/// More than a session can show.
const PROMISES: &[&str] = &["proven", "reliable", "safe"];

fn root(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn of_word(letter: char) -> bool {
    letter.is_alphanumeric() || letter == '_'
}

/// Whether a text has these words, as words, whatever their case and the breaks of lines.
fn has(text: &str, words: &str) -> bool {
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ").to_lowercase();
    let words = words.to_lowercase();
    text.match_indices(&words).any(|(at, found)| {
        let before = text[..at].chars().next_back().is_none_or(|letter| !of_word(letter));
        let after = text[at + found.len()..].chars().next().is_none_or(|letter| !of_word(letter));
        before && after
    })
}

fn files(folder: &Path, ending: &str, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).expect("a folder").flatten() {
        let path = entry.path();
        if path.is_dir() {
            files(&path, ending, found);
        } else if path.extension().is_some_and(|own| own == ending) {
            found.push(path);
        }
    }
}

/// Every screen at three sizes, as its snapshot holds it.
fn screens() -> Vec<(String, String)> {
    let mut found = Vec::new();
    files(&root("tests/snapshots"), "snap", &mut found);
    assert!(found.len() > 80);
    found
        .into_iter()
        .map(|path| (path.display().to_string(), fs::read_to_string(&path).expect("a text")))
        .collect()
}

fn helps() -> Vec<(String, String)> {
    fn collect(command: &mut clap::Command, found: &mut Vec<(String, String)>) {
        found.push((format!("{} --help", command.get_name()), command.render_long_help().to_string()));
        for inner in command.get_subcommands_mut() {
            collect(inner, found);
        }
    }
    let mut found = Vec::new();
    collect(&mut fadewatch::cli::Cli::command(), &mut found);
    assert!(found.len() > 10);
    found
}

fn fadewatch(arguments: &[&str]) -> (String, String) {
    let folder = tempfile::tempdir().expect("a folder");
    let output = Command::new(env!("CARGO_BIN_EXE_fadewatch"))
        .args(arguments)
        .env("XDG_DATA_HOME", folder.path())
        .env("FADEWATCH_PROFILE", "none")
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .expect("it runs");
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (text(&output.stdout), text(&output.stderr))
}

/// The bundled session with its earlier ones, a session alone, and the budget.
fn reports() -> Vec<(String, String)> {
    let profile = "recordings/orchard-profile.toml";
    let runs: [&[&str]; 6] = [
        &["demo"],
        &["bench", "--profile", profile, "--from", "recordings/orchard-1.pcapng"],
        &["bench", "--markdown", "--from", "recordings/orchard-2.pcapng"],
        &["summary", "--profile", profile, "recordings/orchard-1.pcapng"],
        &["budget", "--profile", profile],
        &["compare", "--profile", profile, "recordings/orchard-1.pcapng", "recordings/orchard-2.pcapng"],
    ];
    let all: Vec<(String, String)> = runs.map(|run| (run.join(" "), fadewatch(run).0)).into();
    assert!(all.iter().all(|(_, text)| text.len() > 500));
    all
}

/// The literals of a file's code, tests and comments apart.
fn literals(source: &str) -> Vec<String> {
    let code = source.split("#[cfg(test)]\nmod tests").next().unwrap_or_default();
    let shown = |line: &&str| !line.trim_start().starts_with("//") && !line.contains("reason = ");
    let lines = code.lines().filter(shown);
    let code: String = lines.flat_map(|line| [line, "\n"]).collect();
    let (mut found, mut open) = (Vec::new(), None::<String>);
    let mut letters = code.chars().peekable();
    while let Some(letter) = letters.next() {
        match (letter, &mut open) {
            ('\\', Some(text)) => match letters.next() {
                // A break of the line in the source: what is indented behind it is no text.
                Some('\n') => while letters.next_if(|next| next.is_whitespace()).is_some() {},
                Some(escaped) => text.push(if escaped == 'n' { '\n' } else { escaped }),
                None => {}
            },
            ('\'', None) => {
                // A character, not a text: '"' and '\''.
                if letters.next_if_eq(&'\\').is_some() || letters.peek() == Some(&'"') {
                    letters.next();
                }
            }
            ('"', None) => open = Some(String::new()),
            ('"', Some(_)) => found.extend(open.take()),
            // The name of a value is no word of the sentence.
            ('{', Some(text)) => {
                while letters.next_if(|next| *next != '}').is_some() {}
                text.push('0');
                letters.next();
            }
            (letter, Some(text)) => text.push(letter),
            (_, None) => {}
        }
    }
    found
}

/// Every sentence of the program: literals of several words, the simulator's own texts apart.
fn sentences() -> Vec<(String, String)> {
    let mut found = Vec::new();
    files(&root("src"), "rs", &mut found);
    let own = |path: &PathBuf| !path.components().any(|part| part.as_os_str() == "simulate");
    let mut all = Vec::new();
    for path in found.iter().filter(|path| own(path) && !path.ends_with("tests.rs")) {
        for text in literals(&fs::read_to_string(path).expect("a text")) {
            // This one is written into recordings, and never shown.
            if text.contains(' ') && text != fadewatch::record::HEAPS_TEXT {
                all.push((path.display().to_string(), text));
            }
        }
    }
    assert!(all.iter().any(|(_, text)| text.contains("turn back now")));
    assert!(all.iter().any(|(_, text)| text.contains("is silent from here on")), "events too");
    all
}

fn readme() -> String {
    fs::read_to_string(root("README.md")).expect("the README")
}

fn explanations() -> Vec<(String, String)> {
    let text = |one: &Explanation| one.lines(true).collect::<Vec<_>>().join("\n");
    fadewatch::wording::explain::ALL.iter().map(|one| (format!("explain {}", one.name), text(one))).collect()
}

#[test]
fn explanations_are_sentences_that_begin_with_what_they_are_about() {
    for (place, text) in explanations() {
        // The second line names what is asked.
        for line in text.lines().skip(2) {
            assert!(!line.contains("Where ") && !line.contains(", where "), "{place}: {line}");
        }
    }
}

#[test]
fn no_visible_text_has_a_replaced_word() {
    let mut all = [screens(), helps(), reports(), sentences()].concat();
    all.push(("README".to_owned(), readme()));
    all.extend(explanations());
    for (place, text) in all {
        for words in REPLACED {
            assert!(!has(&text, words), "{place}: '{words}' in: {text}");
        }
    }
}

#[test]
fn screens_and_reports_speak_plainly_and_promise_nothing() {
    for (place, text) in [screens(), reports(), sentences()].concat() {
        for words in EXACT {
            assert!(!has(&text, words), "{place}: '{words}' in: {text}");
        }
        let measured = ["outputs safe", "safe outputs not seen", "not proven", "NOT PROVEN"]
            .iter()
            .fold(text.clone(), |text, words| text.replace(words, ""));
        for words in PROMISES {
            assert!(!has(&measured, words), "{place}: '{words}' in: {text}");
        }
        assert!(!has(&text, "▲ near") && !has(&text, "× lost"), "{place}: {text}");
    }
    let states: Vec<&str> = ["failing", "alarm", "warning", "good", "heard", "silent", "unknown"].into();
    assert_eq!(LinkState::ALL.map(LinkState::word).to_vec(), states);
}

#[test]
fn a_word_is_found_as_a_word_alone() {
    assert!(has("its Beat.", "beat") && !has("heartbeat", "beat") && !has("proven_m", "proven"));
    assert!(has("what\n   stands", "what stands") && !has("10 s once", "10 s on"));
    assert_eq!(literals("f(\"a \\\n   b\", '\"', \"c\\\"d\") // \"e {it:.0} f\""), ["a b", "c\"d", "e 0 f"]);
}

fn drawn(state: &UiState, size: (u16, u16), data: Data, change: impl Fn(&mut Snapshot, &mut Mode)) -> String {
    let area = Rect::new(0, 0, size.0, size.1);
    let mut feed = support::feed(data, view::columns(state.screen, area));
    let mut snapshot = (*feed.snapshot).clone();
    change(&mut snapshot, &mut feed.mode);
    feed.snapshot = snapshot.into();
    let mut buffer = Buffer::empty(area);
    let theme = Theme::named(ThemeName::Dark);
    view::render(&Scene { feed: Some(&feed), state, theme, glyphs: Glyphs::Full }, area, &mut buffer);
    let row = |y: u16| -> String { (0..area.width).map(|x| buffer[(x, y)].symbol()).collect() };
    (0..area.height).flat_map(|y| [row(y).replace(['┃', '━'], " "), "\n".to_owned()]).collect()
}

fn page(screen: Screen) -> UiState {
    UiState { screen, ..UiState::default() }
}

#[test]
fn what_to_mind_stands_on_screen_where_one_acts() {
    let as_it_is = |_: &mut Snapshot, _: &mut Mode| {};
    for screen in Screen::ALL {
        for size in [(80, 24), (128, 37), (200, 60)] {
            let start = |snapshot: &mut Snapshot, mode: &mut Mode| {
                snapshot.now_s = 3.0;
                *mode = Mode::Live;
            };
            let text = drawn(&page(screen), size, Data::Full, start);
            for caution in [caution::INSTRUMENT, caution::DRILL, caution::WALK] {
                assert!(has(&text, caution), "{screen:?} {size:?}: {text}");
            }
            // It leaves the page to what is measured then, and a replay is no flight.
            let later = drawn(&page(screen), size, Data::Full, as_it_is);
            let replayed = drawn(&page(screen), size, Data::Lossy, |snapshot, _| snapshot.now_s = 3.0);
            assert!(!has(&later, caution::INSTRUMENT) && !has(&replayed, caution::INSTRUMENT), "{later}");
        }
    }
    let walk = drawn(&page(Screen::Range), (80, 24), Data::Empty, |snapshot, _| snapshot.now_s = 100.0);
    assert!(has(&walk, caution::WALK), "{walk}");
    let drill = drawn(&page(Screen::Events), (128, 50), Data::Empty, |snapshot, _| snapshot.now_s = 100.0);
    assert!(has(&drill, caution::DRILL), "{drill}");
    let bench = drawn(&page(Screen::Latency), (128, 37), Data::Full, as_it_is);
    assert!(has(&bench, "Bench: propellers off"), "{bench}");
}

#[test]
fn the_help_page_has_every_caution() {
    let help = UiState { dialog: Some(Dialog::Help), ..UiState::default() };
    let text = drawn(&help, (116, 60), Data::Full, |_, _| {});
    for caution in [caution::INSTRUMENT, caution::DRILL, caution::WALK, caution::POWER] {
        assert!(has(&text, caution), "{text}");
    }
    let small = drawn(&help, (80, 24), Data::Full, |_, _| {});
    assert!(has(&small, caution::INSTRUMENT), "{small}");
}

#[test]
fn who_hears_others_is_told_what_to_mind() {
    let heard = |snapshot: &mut Snapshot, _: &mut Mode| {
        let one = TransmitterSummary {
            interface: "level".to_owned(),
            transmitter: "02:00:00:00:00:01".to_owned(),
            link: None,
            frames: 9,
            data_frames: 9,
            retry_ratio: None,
            received: 9,
            lost: Some(0),
            loss: None,
            copies: 0,
            out_of_order: 0,
            holes: 0,
            level_median_dbm: Some(-60.0),
            rate_median_kbps: None,
            silent_at_end_s: 0.0,
        };
        snapshot.summary = Summary { transmitters: vec![one], ..(*snapshot.summary).clone() }.into();
    };
    let text = drawn(&page(Screen::Signal), (128, 37), Data::Full, heard);
    assert!(has(&text, caution::AIR), "{text}");
}

#[test]
fn what_transmits_says_so_in_help_screen_and_words() {
    let help = helps().into_iter().find(|(name, _)| name == "live --help").unwrap().1;
    let option = |name: &str| {
        let from = help.find(name).unwrap_or_else(|| panic!("{name} in {help}"));
        help[from..].chars().take(420).collect::<String>()
    };
    for name in ["--timesync", "--request-rates"] {
        let text = option(name);
        assert!(has(&text, "This transmits: to your own vehicle only, and on the bench first"), "{text}");
    }
    assert!(has(&option("--forward <URL>"), "a failure here cuts the link. Try it on the bench first"));
    assert!(has(&option("--level <URL>"), "local law says what you may hear and keep"));
    let sends = |snapshot: &mut Snapshot, _: &mut Mode| {
        let path = format!(
            "in the path: {}; forwards every byte between {} and there",
            caution::IN_THE_PATH,
            "h".repeat(40)
        );
        snapshot.transmits = vec![path, format!("transmits: a request ({})", caution::TRANSMITS)];
    };
    for screen in Screen::ALL {
        let text = drawn(&page(screen), (128, 37), Data::Full, sends);
        assert!(has(&text, caution::IN_THE_PATH) && has(&text, caution::TRANSMITS), "{text}");
    }
    let vehicle = format!("udp://127.0.0.1:{}", free_ports::free_udp_port());
    let quiet = ["live", "--vehicle", &vehicle, "--no-record", "--for", "0"];
    let (_, said) = fadewatch(&quiet);
    assert!(has(&said, caution::INSTRUMENT) && has(&said, "listening; recording nothing"), "{said}");
    let (_, said) = fadewatch(&[&quiet[..], &["--timesync", "--request-rates"]].concat());
    assert!(said.contains("transmitting TIMESYNC") && !has(&said, "listening"), "{said}");
    assert!(has(&said, caution::TRANSMITS), "{said}");
}

#[test]
fn advice_on_power_and_walks_has_its_cautions() {
    let (budget, _) = fadewatch(&["budget", "--profile", "recordings/orchard-profile.toml"]);
    assert!(has(&budget, caution::POWER) && has(&budget, caution::INSTRUMENT), "{budget}");
    let readme = readme();
    for words in [
        "a helper, a turning point agreed beforehand, your own vehicle, all of it in sight",
        "propellers off; keep to your licence and the limits of radiated power",
        "antenna on before the power",
        "local law says what you may hear and keep",
        "your own vehicle only, and on the bench first",
        "a failure in the path cuts the link",
    ] {
        assert!(has(&readme, words), "{words}");
    }
}
