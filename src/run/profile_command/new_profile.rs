//! `profile new`: what is heard, what is evident in it, questions about the rest, and the file.

use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, ensure};

use crate::cli::{NewProfileArgs, SourceArgs};
use crate::monitor::{Heard, HeardRadio};
use crate::profile::{LevelScale, LinkRole, Mounted, Profile, SourcesProfile};
use crate::run::found_sources;
use crate::run::private_file;
use crate::run::profile_choice::{NONE, default_path};
use crate::run::source_urls::SourceUrls;
use crate::source::SourceUrl;
use crate::summary::Report;

use super::draft::{Draft, LevelFrom};
use super::questions::Asker;
use super::{attenuation, draft, hearing, inventory, toml_text};

/// Makes a profile and writes it.
pub(super) fn run(args: &NewProfileArgs, asker: &mut Asker<'_>) -> anyhow::Result<()> {
    let out = out_path(args)?;
    // Before the listening: nobody should answer everything for nothing.
    let overwrite = may_write(&out, args, asker)?;
    let mut urls = SourceUrls::new(&args.hear.sources, None, &SourcesProfile::default())?;
    let (heard, heard_in) = if args.hear.from.is_empty() {
        if urls.heard().next().is_none() {
            ensure!(
                !asker.takes_defaults(),
                "nothing to listen to: give --vehicle URL, --handset URL or --video URL, or --from FILE"
            );
            urls = ask_sources(asker)?;
        }
        let seconds = args.hear.for_s;
        asker.say(&format!(
            "listening for {seconds:.0} s; the vehicle should be on, and sticks move (propellers off) ..."
        ))?;
        let heard = hearing::listen(&urls, seconds, &mut |line| asker.say(line))?;
        (heard, format!("what was heard in {seconds:.0} s"))
    } else {
        let names = args.hear.from.iter().map(|file| file.file_name().unwrap_or(file.as_os_str()));
        let names: Vec<_> = names.map(|name| name.to_string_lossy()).collect();
        (hearing::read(&args.hear.from)?, names.join(", "))
    };
    for line in inventory::lines(&heard) {
        asker.say(&line)?;
    }
    let heard = own_vehicle(heard, asker)?;
    let mut draft = drafted(&heard, asker)?;
    draft.heard_in = heard_in;
    set_sources(&mut draft, &urls);
    ask_rest(&mut draft, &heard, asker)?;
    let text = toml_text::written(&draft);
    Profile::parse(&text)
        .context("the profile that was made cannot be read: tell those who make fadewatch")?;
    write(&out, &text, overwrite)
        .with_context(|| format!("cannot write the profile to '{}'", out.display()))?;
    asker.say(&format!("\nwrote {}; {}", out.display(), next_step(&out, &draft)))
}

fn out_path(args: &NewProfileArgs) -> anyhow::Result<PathBuf> {
    args.out.clone().or_else(default_path).context(
        "there is no home folder for the profile: set HOME or XDG_CONFIG_HOME, or name a file with --out",
    )
}

/// Whether what is there is to be overwritten: only where that was asked for.
fn may_write(out: &Path, args: &NewProfileArgs, asker: &mut Asker<'_>) -> anyhow::Result<bool> {
    if out.symlink_metadata().is_err() {
        return Ok(false);
    }
    let question = format!("'{}' is there already. Overwrite it at the end?", out.display());
    let answers = ["no, leave it".to_owned(), "overwrite it".to_owned()];
    let overwrite = args.overwrite || asker.choose(&question, &answers, 0)? == 1;
    ensure!(
        overwrite,
        "'{}' is there already: name another file with --out, or say --overwrite",
        out.display()
    );
    Ok(true)
}

/// A file for its owner alone, since it holds the handset's place; whole or not at all.
fn write(out: &Path, text: &str, overwrite: bool) -> anyhow::Result<()> {
    let folder = out.parent().filter(|folder| !folder.as_os_str().is_empty());
    if let Some(folder) = folder.filter(|folder| !folder.exists()) {
        crate::run::make_private(folder)?;
    }
    let fill = &mut |file: &mut dyn Write| file.write_all(text.as_bytes());
    if overwrite {
        // A link keeps pointing to its file.
        private_file::replace(&out.canonicalize()?, fill)?;
    } else {
        private_file::create(out, fill)?;
    }
    Ok(())
}

fn next_step(out: &Path, draft: &Draft) -> String {
    let is_default = default_path().is_some_and(|path| path == out);
    let sources = if draft.sources.is_empty() { " --vehicle URL" } else { "" };
    if is_default {
        format!("fadewatch live{sources} uses it")
    } else {
        format!("use it with: fadewatch live --profile {}{sources}", out.display())
    }
}

fn set_sources(draft: &mut Draft, urls: &SourceUrls) {
    let all = [
        ("vehicle", &urls.vehicle),
        ("handset", &urls.handset),
        ("video", &urls.video),
        ("level", &urls.level),
    ];
    for (key, url) in all {
        // Standard input is another one the next time.
        if let Some(url) = url.as_ref().filter(|url| **url != SourceUrl::Stdin) {
            draft.set_source(key, url);
        }
    }
}

/// Where to listen, where nothing was typed.
fn ask_sources(asker: &mut Asker<'_>) -> anyhow::Result<SourceUrls> {
    let (vehicle, sticks) = (found_sources::vehicle(), found_sources::sticks());
    let one_stick = usize::from(sticks.len() != 1) * (sticks.len() + 1);
    let video = found_sources::video();
    let vehicle = one_source(asker, "Where does the vehicle's telemetry come from?", vehicle, 0)?;
    let handset = one_source(asker, "Where are the handset's sticks heard?", sticks, one_stick)?;
    let video = one_source(asker, "Where do the video's packets come from?", video, 2)?;
    let chosen = SourceArgs { vehicle, handset, video, level: None };
    let is_any = chosen.typed().iter().any(Option::is_some);
    ensure!(is_any, "nothing to listen to was chosen; nothing was written");
    SourceUrls::new(&chosen, None, &SourcesProfile::default())
}

/// One source: those that were found, a URL of one's own, or none, in this order.
fn one_source(
    asker: &mut Asker<'_>,
    question: &str,
    found: Vec<(String, String)>,
    default: usize,
) -> anyhow::Result<Option<String>> {
    let mut answers: Vec<String> = found.iter().map(|(_, shown)| shown.clone()).collect();
    answers.extend(["another: type its URL".to_owned(), "nowhere".to_owned()]);
    let chosen = asker.choose(question, &answers, default)?;
    if let Some((url, _)) = found.into_iter().nth(chosen) {
        return Ok(Some(url));
    }
    if chosen + 1 == answers.len() {
        return Ok(None);
    }
    let read = |typed: &str| match typed {
        "" | NONE => Ok(None),
        url => url.parse::<SourceUrl>().map(|_| Some(url.to_owned())).map_err(|error| error.to_string()),
    };
    asker.text("Its URL (fadewatch explain sources):", "", read)
}

/// Which of two vehicles is one's own.
fn own_vehicle(heard: Heard, asker: &mut Asker<'_>) -> anyhow::Result<Heard> {
    let Some(((system, _), other)) = heard.autopilot.zip(heard.other_vehicle) else { return Ok(heard) };
    let answers = [system, other].map(|system| format!("system {system}"));
    let chosen = asker.choose("Two vehicles were heard. Which is yours?", &answers, 0)?;
    Ok(if chosen == 0 { heard } else { draft::with_vehicle(heard, other) })
}

/// The draft, with the picture and the radios where they belong.
fn drafted(heard: &Heard, asker: &mut Asker<'_>) -> anyhow::Result<Draft> {
    let mut picture = draft::main_picture(heard);
    if heard.pictures.len() > 1 {
        let answers: Vec<String> = heard.pictures.iter().map(inventory::picture).collect();
        picture = Some(asker.choose("Which is the picture?", &answers, picture.unwrap_or(0))?);
    }
    let mut draft = Draft::of(heard, picture);
    ask_handset(&mut draft, heard, asker)?;
    let evident = draft::telemetry_radio(heard);
    for radio in draft::radios(heard) {
        let is_evident = evident == Some(radio);
        place_radio(&mut draft, radio, is_evident, heard, asker)?;
    }
    Ok(draft)
}

/// What a radio may carry; the last answer is that nobody knows.
fn carried(is_card: bool) -> Vec<(&'static str, Vec<LinkRole>)> {
    let (telemetry, video, control) = (LinkRole::Telemetry, LinkRole::Video, LinkRole::Control);
    let mut all = vec![("telemetry", vec![telemetry]), ("video", vec![video])];
    if !is_card {
        // A card hears at the handset, and a control link's level is the vehicle's.
        all.extend([("control", vec![control]), ("control and telemetry both", vec![control, telemetry])]);
    }
    all.push(("not known: a link of its own", Vec::new()));
    all
}

/// Asks which link a radio belongs to, and where it is mounted.
fn place_radio(
    draft: &mut Draft,
    radio: &HeardRadio,
    is_evident: bool,
    heard: &Heard,
    asker: &mut Asker<'_>,
) -> anyhow::Result<()> {
    let name = draft::name_of(radio);
    let is_card = radio.report == Report::Kernel;
    let carried = carried(is_card);
    let answers: Vec<String> = carried.iter().map(|(answer, _)| (*answer).to_owned()).collect();
    let question = format!("What does {} carry?", inventory::radio(radio));
    let default = if is_evident { 0 } else { answers.len() - 1 };
    let roles = &carried[asker.choose(&question, &answers, default)?].1;
    let (mut mounted, mut why) = draft::mounted(radio, heard);
    if !is_card && !asker.takes_defaults() {
        let answers = ["with the handset".to_owned(), "in the vehicle".to_owned()];
        let default = usize::from(mounted == Mounted::Vehicle);
        let place = asker.choose(&format!("Where is {name} mounted?"), &answers, default)?;
        mounted = [Mounted::Ground, Mounted::Vehicle][place];
        why = "as was said";
    }
    let level = if is_card {
        LevelFrom::Card(radio.name.clone().unwrap_or_default())
    } else {
        LevelFrom::Radio { system: radio.system, component: radio.component, mounted }
    };
    let mounting = if is_card { String::new() } else { format!("where it is mounted: {why}") };
    if roles.is_empty() {
        let belongs =
            "not evident which link it belongs to: move its line into that link, and remove this one";
        draft.give(level, Err(&name), &[belongs, &mounting]);
        return Ok(());
    }
    for role in roles {
        let belongs = if asker.takes_defaults() {
            "the only radio that was heard, and it reports where the vehicle is heard"
        } else {
            ""
        };
        let link = draft.link_made(*role, &radio.interface);
        if matches!(draft.links[link].level, Some(LevelFrom::Radio { .. } | LevelFrom::Card(_))) {
            asker.say(&format!("{} has its level from {name} now", draft.links[link].name))?;
        }
        draft.give(level.clone(), Ok(link), &[belongs, &mounting]);
    }
    Ok(())
}

/// Asks whether a sender of sticks is the handset, where that is not evident.
fn ask_handset(draft: &mut Draft, heard: &Heard, asker: &mut Asker<'_>) -> anyhow::Result<()> {
    let sticks = heard.senders.iter().find(|sender| sender.sends_sticks());
    let Some(sender) = sticks.filter(|_| draft.handset.is_none() && !asker.takes_defaults()) else {
        return Ok(());
    };
    let question = format!("{}. Is it your handset?", inventory::sender(sender));
    let answers = ["no, or not known".to_owned(), "yes".to_owned()];
    if asker.choose(&question, &answers, 0)? == 1 {
        draft.handset = Some(sender.system);
        draft.handset_notes.clear();
    }
    Ok(())
}

/// What nothing heard can say: scales, place, failsafe, tags.
fn ask_rest(draft: &mut Draft, heard: &Heard, asker: &mut Asker<'_>) -> anyhow::Result<()> {
    if asker.takes_defaults() {
        return Ok(());
    }
    for link in &mut draft.links {
        if let Some(level) = link.level.clone().filter(LevelFrom::is_in_units) {
            let median = inventory::median_of(&level, link.role, heard);
            match ask_scale(&link.name, median, asker)? {
                Ok(scale) => link.scale = scale,
                Err(note) => link.level_notes.push(note),
            }
        }
    }
    draft.place = asker.text(
        "Where does the handset stand? Latitude, longitude, metres above sea level, such as 54.0 8.0 12",
        "",
        |typed| numbers::<3>(typed).and_then(|place| place.map(a_place).transpose()),
    )?;
    draft.failsafe_us = asker.text(
        "Servo outputs in failsafe, as the vehicle is set up, such as 3=1000 1=1500 (servo=microseconds)",
        "",
        outputs,
    )?;
    let tags: Vec<String> = heard.tags.iter().map(|(key, value)| format!("{key}={value}")).collect();
    let is_plain = tags.iter().all(|tag| !tag.contains(' '));
    let default = if is_plain { tags.join(" ") } else { String::new() };
    draft.tags = asker.text(
        "Tags of the equipment, such as antenna=patch mount=sprung (- for none)",
        &default,
        |typed| words(typed).map(crate::cli::key_value).collect(),
    )?;
    if !draft.tags.is_empty() {
        draft.tags_heard.clear();
    }
    Ok(())
}

/// A link's scale to dBm, none, or what is known of it as a comment.
fn ask_scale(
    name: &str,
    median: Option<f64>,
    asker: &mut Asker<'_>,
) -> anyhow::Result<Result<Option<LevelScale>, String>> {
    let now = median.map_or_else(String::new, |median| format!(" (about {median:.0} when it was heard)"));
    let question = format!("The level of {name} comes in device units{now}. What are they?");
    let answers = [
        "not known: leave it in units".to_owned(),
        "the maker says: dBm = slope x units + offset".to_owned(),
        "measured: two levels a known attenuation apart".to_owned(),
    ];
    match asker.choose(&question, &answers, 0)? {
        1 => {
            let scale = asker.text("Slope and offset, such as 0.5 -120", "", |typed| {
                numbers::<2>(typed).and_then(|pair| pair.map(attenuation::scale).transpose())
            })?;
            Ok(Ok(scale))
        }
        2 => {
            let measured = asker.text(
                "Units without the attenuator, units with it, its decibels, such as 150 110 20 (antenna or load on \
                 before the power)",
                "",
                |typed| numbers::<3>(typed).and_then(|all| all.map(attenuation::measured).transpose()),
            )?;
            let Some(measured) = measured else { return Ok(Ok(None)) };
            asker.say(&measured.words())?;
            let level = asker.text(
                "The level without the attenuator in dBm, if the maker or a meter says it",
                "",
                |typed| {
                    numbers::<1>(typed).and_then(|level| level.map(|[dbm]| measured.scale(dbm)).transpose())
                },
            )?;
            Ok(level.map_or_else(|| Err(measured.note()), |scale| Ok(Some(scale))))
        }
        _ => Ok(Ok(None)),
    }
}

/// Words, none where a dash says so.
fn words(typed: &str) -> impl Iterator<Item = &str> {
    typed.split_whitespace().filter(move |_| typed != "-")
}

/// So many numbers; `None` where nothing was typed.
fn numbers<const COUNT: usize>(typed: &str) -> Result<Option<[f64; COUNT]>, String> {
    let parts = typed.split([' ', ',']).filter(|part| !part.is_empty());
    let all: Option<Vec<f64>> =
        parts.map(|part| part.parse().ok().filter(|number: &f64| number.is_finite())).collect();
    match all {
        Some(all) if all.is_empty() => Ok(None),
        Some(all) => all.try_into().map(Some).map_err(|_| format!("type {COUNT} numbers, or nothing")),
        None => Err(format!("type {COUNT} numbers, with a point for fractions, or nothing")),
    }
}

fn a_place([lat, lon, alt]: [f64; 3]) -> Result<[f64; 3], String> {
    let text = format!("[handset]\nlat = {lat:?}\nlon = {lon:?}\nalt = {alt:?}\n");
    Profile::parse(&text).map(|_| [lat, lon, alt]).map_err(|error| last_line(&error.to_string()))
}

fn outputs(typed: &str) -> Result<Vec<(u8, u16)>, String> {
    let one = |word: &str| {
        let (servo, us) = word.split_once('=')?;
        let servo = servo.parse().ok().filter(|servo| (1..=16).contains(servo))?;
        Some((servo, us.parse().ok().filter(|us| (500..=2_500).contains(us))?))
    };
    let all: Option<std::collections::BTreeMap<u8, u16>> = words(typed).map(one).collect();
    let wrong = "type pairs of a servo number from 1 to 16 and microseconds from 500 to 2500, such as 3=1000";
    all.map(|all| all.into_iter().collect()).ok_or_else(|| wrong.to_owned())
}

/// What is wrong, without the lines that show where.
fn last_line(error: &str) -> String {
    error.trim_end().lines().next_back().unwrap_or_default().to_owned()
}
