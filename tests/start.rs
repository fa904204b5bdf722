//! `fadewatch` alone, as a new user meets it: its pages at three sizes, under keys and taps; and the binary in a
//! pseudo-terminal.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]

mod free_ports;
mod pseudo_terminal;

use std::os::unix::process::ExitStatusExt as _;
use std::path::Path;
use std::process::{Command as Process, Stdio};

use fadewatch::tui::offer::menu::{Answer, Item, Menu, Touched};
use fadewatch::tui::offer::menu_page::MenuPage;
use fadewatch::tui::theme::{Theme, ThemeName};
use fadewatch::tui::view::Glyphs;
use fadewatch::wording::{caution, start_words};
use pseudo_terminal::Screen;
use ratatui::buffer::Buffer;
use ratatui::layout::{Position, Rect};

/// A small terminal, a handset's screen, a large one.
const SIZES: [(u16, u16); 3] = [(80, 24), (128, 37), (200, 60)];

fn drawn(menu: &Menu, (columns, rows): (u16, u16), glyphs: Glyphs) -> String {
    let area = Rect::new(0, 0, columns, rows);
    let mut buffer = Buffer::empty(area);
    MenuPage { menu, theme: Theme::named(ThemeName::Dark), glyphs }.render(area, &mut buffer);
    let row = |y: u16| -> String { (0..columns).map(|x| buffer[(x, y)].symbol()).collect() };
    (0..rows).flat_map(|y| [row(y).trim_end().to_owned(), "\n".to_owned()]).collect()
}

fn start() -> Menu {
    let remarks = vec![start_words::NO_PROFILE.to_owned(), caution::INSTRUMENT.to_owned()];
    Menu::new(start_words::TITLE, remarks, start_words::OFFERS.map(Item::new).to_vec())
}

fn sources() -> Menu {
    let (title, about) = start_words::SOURCES[0];
    let found = [
        ("UDP port 14550", "udp://0.0.0.0:14550"),
        (
            "/dev/ttyACM0  Bench radio (USB 1234:abcd)",
            "serial:/dev/serial/by-id/usb-Bench_radio-if00?baud=auto",
        ),
    ];
    let mut items = found.map(Item::new).to_vec();
    items.extend([Item::typed(start_words::ANOTHER_URL), Item::new(start_words::NOWHERE)]);
    Menu::within(title, vec![about.to_owned()], items)
}

fn recordings() -> Menu {
    let items = (0..14).map(|number| Item::new((&format!("20261130T{number:02}0000Z.pcapng"), "1.2 MB")));
    let mut menu = Menu::within(start_words::RECORDINGS, Vec::new(), items.collect());
    menu.items.push(Item::typed(start_words::ANOTHER_FILE));
    menu.at = 12;
    menu.typing = Some("~/flights/one.pcapng".to_owned());
    menu
}

#[test]
fn every_page_at_every_size() {
    for (name, menu) in [("start", start()), ("sources", sources()), ("recordings", recordings())] {
        for (columns, rows) in SIZES {
            insta::with_settings!({omit_expression => true, prepend_module_to_snapshot => false}, {
                let name = format!("offer_{name}_{columns}x{rows}");
                insta::assert_snapshot!(name, drawn(&menu, (columns, rows), Glyphs::Full));
            });
        }
        assert!(drawn(&menu, (128, 37), Glyphs::Ascii).is_ascii());
    }
}

/// Wherever an item's words stand, a tap there chooses it; no item is left out where there is room.
#[test]
fn a_tap_chooses_what_stands_under_it() {
    for (columns, rows) in SIZES {
        for menu in [start(), sources()] {
            let area = Rect::new(0, 0, columns, rows);
            let shown = drawn(&menu, (columns, rows), Glyphs::Full);
            let page = MenuPage { menu: &menu, theme: Theme::named(ThemeName::Dark), glyphs: Glyphs::Full };
            for (index, item) in menu.items.iter().enumerate().filter(|(_, item)| !item.about.is_empty()) {
                let y = shown.lines().position(|line| line.contains(&item.about)).unwrap();
                for x in [0, columns / 2, columns - 1] {
                    assert_eq!(
                        page.touched(area, Position::new(x, y as u16)),
                        Some(Touched::Item(index)),
                        "{shown}"
                    );
                }
            }
            let quit = shown.lines().last().unwrap().find("q quit").unwrap();
            let Some(Touched::Key(key)) = page.touched(area, Position::new(quit as u16, rows - 1)) else {
                panic!("{shown}")
            };
            assert_eq!(menu.clone().key(key.into()), Some(Answer::Quit));
            assert_eq!(page.touched(area, Position::new(1, 0)), None);
        }
    }
}

#[test]
fn small_and_empty_areas_draw_what_they_can() {
    for menu in [start(), sources(), recordings(), Menu::default()] {
        for (columns, rows) in [(0, 0), (1, 1), (7, 2), (20, 5), (40, 8), (300, 3)] {
            drawn(&menu, (columns, rows), Glyphs::Full);
            let area = Rect::new(0, 0, columns, rows);
            let page = MenuPage { menu: &menu, theme: Theme::named(ThemeName::Dark), glyphs: Glyphs::Full };
            for (x, y) in (0..columns).flat_map(|x| (0..rows).map(move |y| (x, y))) {
                let touched = page.touched(area, Position::new(x, y));
                assert!(!matches!(touched, Some(Touched::Item(index)) if index >= menu.items.len()));
            }
        }
    }
}

/// The binary without a command, its folders in here.
fn fadewatch(folder: &Path, arguments: &[&str]) -> Process {
    let mut program = Process::new(env!("CARGO_BIN_EXE_fadewatch"));
    program
        .args(arguments)
        .current_dir(folder)
        .env("FADEWATCH_PROFILE", "none")
        .env("XDG_DATA_HOME", folder)
        .env("XDG_CONFIG_HOME", folder);
    program
}

#[test]
fn without_a_terminal_it_prints_its_usage_and_says_that_it_was_wrong_use() {
    let folder = tempfile::tempdir().unwrap();
    for profile in ["none", "p.toml"] {
        std::fs::write(folder.path().join("p.toml"), "[sources]\nvehicle = \"udp://127.0.0.1:9\"\n").unwrap();
        let output =
            fadewatch(folder.path(), &[]).env("FADEWATCH_PROFILE", profile).stdin(Stdio::null()).output();
        let output = output.unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!((output.status.code(), output.stdout.len()), (Some(2), 0), "{said}");
        assert!(said.contains("Usage: fadewatch") && said.contains("no terminal"), "{said}");
    }
}

/// On the screens of a recording, with its path typed.
fn in_a_recording(folder: &Path) -> Screen {
    let small = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/quad2013_a.raw");
    let mut screen = Screen::of(&mut fadewatch(folder, &[]), 80, 24);
    screen.shows("Open a recording");
    screen.press("3");
    screen.shows("No recording in");
    screen.press("1");
    screen.shows("Esc back");
    screen.press(&format!("{}\r", small.display()));
    screen.shows("replay");
    screen
}

#[test]
fn a_signal_in_a_recording_ends_the_whole_program() {
    let folder = tempfile::tempdir().unwrap();
    let screen = in_a_recording(folder.path());
    screen.signal("TERM");
    let (status, restored, text) = screen.end();
    assert!(status.success() && restored, "{text}");
}

#[test]
fn a_recording_is_chosen_from_the_list_or_typed() {
    let folder = tempfile::tempdir().unwrap();
    let own = folder.path().join("fadewatch/recordings");
    std::fs::create_dir_all(&own).unwrap();
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/field_rural_cut.pcapng");
    std::fs::copy(data, own.join("mine.pcapng")).unwrap();
    let mut screen = Screen::of(&mut fadewatch(folder.path(), &[]), 80, 24);
    screen.shows("Open a recording");
    screen.press("3");
    screen.shows("mine.pcapng");
    screen.press("2");
    screen.shows("Esc back");
    screen.press("nowhere.pcapng\r");
    // What went wrong stands on the first page.
    screen.shows("Look at the demo");
    screen.shows("cannot read 'nowhere.pcapng'");
    screen.press("3");
    screen.shows("written 2");
    screen.press("\r");
    screen.shows("replay");
    screen.press("q");
    screen.shows("Look at the demo");
    screen.press("q");
    let (status, restored, text) = screen.end();
    assert!(status.success() && restored, "{text}");
}

/// The finger leaves the screen while the terminal changes hands: what it says then is no key, and hides none.
#[test]
fn a_tap_opens_the_demo_and_a_key_leaves_it() {
    let folder = tempfile::tempdir().unwrap();
    let mut screen = Screen::of(&mut fadewatch(folder.path(), &[]), 80, 24);
    for _ in 0..2 {
        screen.tap_on("Look at the demo");
        screen.shows("page 1 of");
        screen.press("q");
    }
    screen.shows("Look at the demo");
    screen.press("q");
    let (status, restored, text) = screen.end();
    assert!(status.success() && restored, "{text}");
}

#[test]
fn listening_leads_to_a_profile_with_what_was_chosen() {
    let folder = tempfile::tempdir().unwrap();
    let url = format!("udp://127.0.0.1:{}", free_ports::free_udp_port());
    let mut screen = Screen::of(&mut fadewatch(folder.path(), &[]), 128, 37);
    screen.shows("no profile yet");
    screen.press("2");
    screen.shows("telemetry come from");
    // End is "nowhere", the one before it is typed.
    screen.press("\u{1b}[F\u{1b}[A\r");
    screen.shows("Esc back");
    screen.press(&format!("{url}\r"));
    screen.shows("sticks heard");
    screen.press("\u{1b}[F\r");
    screen.shows("packets come from");
    screen.press("\u{1b}[F\r");
    screen.shows(&format!("fadewatch profile new --vehicle={url}"));
    screen.shows("listening for 10 s");
    // In plain lines Ctrl-C ends it, as any program.
    screen.signal("INT");
    let (status, restored, text) = screen.end();
    assert!(status.signal() == Some(2) && restored, "{status} {text}");
}

#[test]
fn nothing_to_listen_to_is_asked_again_and_a_wrong_url_says_why() {
    let folder = tempfile::tempdir().unwrap();
    let mut screen = Screen::of(&mut fadewatch(folder.path(), &[]), 128, 37);
    screen.tap_on("Hears your vehicle");
    screen.shows("telemetry come from");
    screen.press("\u{1b}[F\u{1b}[A\r");
    screen.shows("Esc back");
    screen.press("pigeon://loft\r");
    screen.shows("unknown source type");
    screen.press("\u{1b}[F\r");
    screen.shows("sticks heard");
    screen.press("b");
    screen.shows("telemetry come from");
    screen.press("\u{1b}[F\r");
    screen.shows("sticks heard");
    screen.press("\u{1b}[F\r");
    screen.shows("packets come from");
    screen.press("\u{1b}[F\r");
    screen.shows("choose one source at least");
    screen.press("q");
    let (status, restored, text) = screen.end();
    assert!(status.success() && restored, "{text}");
}

#[test]
fn a_default_profile_with_sources_goes_live_and_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let profile = format!(
        "[sources]\nvehicle = \"serial:{}\"\nvideo = \"udp://127.0.0.1:{}\"\n",
        folder.path().join("not plugged in").display(),
        free_ports::free_udp_port()
    );
    std::fs::create_dir(folder.path().join("fadewatch")).unwrap();
    std::fs::write(folder.path().join("fadewatch/profile.toml"), profile).unwrap();
    let mut program = fadewatch(folder.path(), &[]);
    let mut screen = Screen::of(program.env_remove("FADEWATCH_PROFILE"), 128, 37);
    screen.shows("there is no such device; plug it in");
    screen.press("qy");
    let (status, _, text) = screen.end();
    assert!(status.success() && text.contains("recorded to"), "{text}");
    assert!(text.contains("fadewatch/profile.toml (the default; --profile none leaves it out)"), "{text}");
    // One without sources is named, and the offer stands.
    std::fs::write(folder.path().join("fadewatch/profile.toml"), "[vehicle]\nsystem = 1\n").unwrap();
    let mut screen = Screen::of(&mut program, 128, 37);
    screen.shows("does not say where to listen");
    screen.press("4");
    screen.shows("All commands");
    screen.press("1");
    screen.shows("fadewatch live --vehicle udp://0.0.0.0:14550");
    screen.press("q");
    assert!(screen.end().0.success());
}

/// console_codes(4): the plain console is TERM=linux; its font is not asked for.
#[test]
fn a_plain_console_is_drawn_in_ascii_by_itself() {
    let folder = tempfile::tempdir().unwrap();
    for (name, is_ascii) in [("linux", true), ("xterm", false)] {
        let mut program = Process::new("sh");
        program
            .args(["-c", &format!("TERM={name} exec \"$0\""), env!("CARGO_BIN_EXE_fadewatch")])
            .env("FADEWATCH_PROFILE", "none")
            .env("XDG_DATA_HOME", folder.path());
        let mut screen = Screen::of(&mut program, 128, 37);
        screen.shows("no profile yet");
        screen.shows("q quit");
        assert_eq!(screen.text().is_ascii(), is_ascii, "{}", screen.text());
        screen.press("q");
        assert!(screen.end().0.success());
    }
}
