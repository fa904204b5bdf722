//! `fadewatch` alone: live with the profile that says where to listen, else an offer of what to do.
//!
//! After the demo or a recording the offer comes back; after a profile was made it may go live. Without a terminal
//! there is nobody to ask: that is wrong use.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::Context as _;
use clap::{CommandFactory as _, Parser as _};

use crate::cli::{Cli, Common, DemoArgs, LiveArgs, ScreenArgs};
use crate::clock::SessionClock;
use crate::source::SourceUrl;
use crate::tui::EndedBySignals;
use crate::tui::offer::Offer;
use crate::tui::offer::menu::{Answer, Item, Menu};
use crate::wording::{caution, command_help, quantity, start_words};

use super::{
    WRONG_USE, demo_command, found_sources, live_command, profile_choice, recordings, replay_command,
    screens, tell,
};

/// What was chosen at last.
enum Next {
    Demo,
    /// URLs of vehicle, sticks and video.
    NewProfile([Option<String>; 3]),
    Replay(PathBuf),
    Quit,
}

/// Goes live, or offers what to do.
pub(super) fn run(screen: &ScreenArgs) -> anyhow::Result<ExitCode> {
    if !screens::can_show() {
        tell(Cli::command().render_help());
        tell("fadewatch: this is no terminal: say what to do by a command");
        return Ok(ExitCode::from(WRONG_USE));
    }
    let chosen = profile_choice::choose(&Common::default())?;
    if chosen.profile.sources.given().next().is_some() {
        // The screens say it too, but for what is not plugged in, which they take as it comes.
        chosen.word().into_iter().for_each(|word| tell(format_args!("fadewatch: {word}")));
        return live_command::run(&LiveArgs { wait: true, screen: screen.clone(), ..LiveArgs::default() });
    }
    let about_profile = match &chosen.path {
        Some(path) => start_words::no_sources(&path.display().to_string()),
        None => start_words::NO_PROFILE.to_owned(),
    };
    let mut offer = Offer::new(screens::options(screen))?;
    let items = start_words::OFFERS.map(Item::new).to_vec();
    let mut start = Menu::new(start_words::TITLE, Vec::new(), items);
    let mut failed = None;
    loop {
        start.remarks = vec![about_profile.clone(), caution::INSTRUMENT.to_owned()];
        start.remarks.extend(failed.take());
        let next = asked(&mut offer, &mut start)?;
        offer.leave();
        match next {
            Next::Quit => return Ok(ExitCode::SUCCESS),
            Next::Demo => {
                demo_command::run(&DemoArgs { json: false, screen: screen.clone() })?;
            }
            Next::Replay(file) => {
                failed = replayed(&file, screen).err().map(|error| format!("{error:#}"));
            }
            Next::NewProfile(urls) => {
                drop(offer);
                return made(&urls, screen);
            }
        }
    }
}

fn replayed(file: &Path, screen: &ScreenArgs) -> anyhow::Result<()> {
    let file = file.to_string_lossy().into_owned();
    let crate::cli::Command::Replay(mut args) = typed(&["replay", "--", &file])? else { return Ok(()) };
    args.screen = screen.clone();
    replay_command::run(&args).map(|_| ())
}

/// A command as if it had been typed, so that its defaults are its own.
fn typed(words: &[&str]) -> anyhow::Result<crate::cli::Command> {
    let words = ["fadewatch"].into_iter().chain(words.iter().copied());
    Cli::try_parse_from(words)?.command.context("no command")
}

/// Listens, asks and writes the profile; then goes live with it if that is wanted.
fn made(urls: &[Option<String>; 3], screen: &ScreenArgs) -> anyhow::Result<ExitCode> {
    let named = ["--vehicle", "--handset", "--video"].iter().zip(urls);
    let words: Vec<String> =
        named.filter_map(|(option, url)| Some(format!("{option}={}", url.as_ref()?))).collect();
    tell(format_args!("fadewatch profile new {}\n", words.join(" ")));
    let words: Vec<&str> = ["profile", "new"].into_iter().chain(words.iter().map(String::as_str)).collect();
    // The questions are plain lines: Ctrl-C ends them.
    let interruptible = EndedBySignals::register().context("could not listen for signals")?;
    let ended = super::run(typed(&words)?)?;
    if !super::is_wanted(start_words::GO_LIVE)? {
        return Ok(ended);
    }
    drop(interruptible);
    let common = Common { profile: profile_choice::default_path(), ..Common::default() };
    live_command::run(&LiveArgs { screen: screen.clone(), common, ..LiveArgs::default() })
}

/// Asks until something can be done.
fn asked(offer: &mut Offer, start: &mut Menu) -> anyhow::Result<Next> {
    loop {
        let next = match offer.ask(start)? {
            Answer::Item(0) => Some(Next::Demo),
            Answer::Item(1) => sources(offer)?,
            Answer::Item(2) => recording(offer)?,
            Answer::Item(3) => help(offer)?,
            _ => Some(Next::Quit),
        };
        if let Some(next) = next {
            return Ok(next);
        }
    }
}

/// Where to listen: three questions, each of which can go back to the one before. `None`: back to the start.
fn sources(offer: &mut Offer) -> anyhow::Result<Option<Next>> {
    let found = [found_sources::vehicle(), found_sources::sticks(), found_sources::video()];
    let mut chosen: [Option<String>; 3] = [None, None, None];
    let (mut place, mut wrong) = (0, None::<String>);
    while place < found.len() {
        let (title, about) = start_words::SOURCES[place];
        let items = found[place].iter().map(|(url, shown)| Item::new((shown, url)));
        let more = [Item::typed(start_words::ANOTHER_URL), Item::new(start_words::NOWHERE)];
        let items: Vec<Item> = items.chain(more).collect();
        let mut menu =
            Menu::within(title, wrong.take().into_iter().chain([about.to_owned()]).collect(), items);
        // What Enter takes is what most have: the vehicle, a lone joystick, no packets beside the player's.
        menu.at = match (place, found[place].len()) {
            (0, _) | (1, 1) => 0,
            (_, count) => count + 1,
        };
        chosen[place] = match offer.ask(&mut menu)? {
            Answer::Quit => return Ok(Some(Next::Quit)),
            Answer::Back if place == 0 => return Ok(None),
            Answer::Back => {
                place -= 1;
                continue;
            }
            Answer::Typed(url) => match url.parse::<SourceUrl>() {
                Ok(_) => Some(url),
                Err(error) => {
                    wrong = Some(error.to_string());
                    continue;
                }
            },
            Answer::Item(index) => found[place].get(index).map(|(url, _)| url.clone()),
        };
        place += 1;
        if place == found.len() && chosen.iter().all(Option::is_none) {
            (place, wrong) = (0, Some(start_words::NOTHING_CHOSEN.to_owned()));
        }
    }
    Ok(Some(Next::NewProfile(chosen)))
}

/// Which recording. `None`: back to the start.
fn recording(offer: &mut Offer) -> anyhow::Result<Option<Next>> {
    let folder = super::data_folder()?.join("recordings");
    let files = recordings::newest_first(&folder, SessionClock::start().now());
    let about = |file: &recordings::Dated| {
        format!("{}, {}", quantity::bytes(file.bytes), start_words::written(file.written.as_deref()))
    };
    let name =
        |file: &recordings::Dated| file.path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let mut items: Vec<Item> = files.iter().map(|file| Item::new((&name(file), &about(file)))).collect();
    items.push(Item::typed(start_words::ANOTHER_FILE));
    let remarks = if files.is_empty() {
        vec![start_words::no_recording(&folder.display().to_string())]
    } else {
        Vec::new()
    };
    let answer = offer.ask(&mut Menu::within(start_words::RECORDINGS, remarks, items))?;
    Ok(match answer {
        Answer::Item(index) => files.into_iter().nth(index).map(|file| Next::Replay(file.path)),
        Answer::Typed(path) => Some(Next::Replay(from_home(&path))),
        Answer::Back => None,
        Answer::Quit => Some(Next::Quit),
    })
}

/// A path as a shell would read its begin.
fn from_home(path: &str) -> PathBuf {
    match (path.strip_prefix("~/"), std::env::var_os("HOME")) {
        (Some(rest), Some(home)) => PathBuf::from(home).join(rest),
        _ => PathBuf::from(path),
    }
}

/// The commands, and each one's examples. `None`: back to the start.
fn help(offer: &mut Offer) -> anyhow::Result<Option<Next>> {
    let command = Cli::command();
    let about = |one: &clap::Command| one.get_about().map(ToString::to_string).unwrap_or_default();
    let all: Vec<&clap::Command> = command.get_subcommands().collect();
    let items = all.iter().map(|one| Item::new((one.get_name(), &about(one)))).collect();
    let mut menu = Menu::within(start_words::COMMANDS, Vec::new(), items);
    loop {
        let one = match offer.ask(&mut menu)? {
            Answer::Item(index) => all[index],
            Answer::Quit => return Ok(Some(Next::Quit)),
            _ => return Ok(None),
        };
        let mut remarks = vec![about(one)];
        for (typed, does) in command_help::find(one.get_name()).into_iter().flat_map(|help| help.examples) {
            remarks.extend([typed.to_owned(), does.to_owned()]);
        }
        remarks.push(start_words::all_options(one.get_name()));
        let mut page = Menu::within(one.get_name(), remarks, vec![Item::new(start_words::BACK)]);
        if offer.ask(&mut page)? == Answer::Quit {
            return Ok(Some(Next::Quit));
        }
    }
}
