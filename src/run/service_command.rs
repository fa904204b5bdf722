//! `service`: what starts fadewatch with the computer, and what gives its devices names and rights.
//!
//! It prints texts and touches no file: who puts them where is told beside them. The reference is `explain service`.

mod device_rules;
mod systemd_unit;

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::Context as _;
use clap::ValueEnum as _;

use crate::cli::{Common, ServiceArgs, ServiceText, SourceArgs, ThemeName};
use crate::wording::service_words;

use super::profile_choice;
use super::source_urls::SourceUrls;
use device_rules::DeviceRules;
use systemd_unit::Start;

/// Prints one text, or all of them with what to do.
pub(super) fn run(args: &ServiceArgs) -> anyhow::Result<ExitCode> {
    let common = Common { profile: args.profile.clone(), ..Common::default() };
    let chosen = profile_choice::choose(&common)?;
    let profile = chosen.path.context(
        "there is no profile to start with: make one with fadewatch profile new, or name one with --profile FILE",
    )?;
    let urls = SourceUrls::new(&SourceArgs::default(), None, &chosen.profile.sources)?;
    anyhow::ensure!(
        urls.heard().next().is_some(),
        "profile '{}' does not say where to listen: put [sources] into it",
        profile.display()
    );
    let start = Start {
        program: std::env::current_exe().context("where this program lies cannot be found out")?,
        profile: absolute(&profile)?,
        on_alarm: args.on_alarm.clone(),
        theme: args.theme,
        data: std::env::var("XDG_DATA_HOME").ok().filter(|folder| folder.starts_with('/')),
        captures: urls.captures(),
    };
    let rules = DeviceRules::of(&urls);
    let mut out = super::out();
    match args.text {
        Some(ServiceText::Unit) => write!(out, "{}", start.user_unit()?)?,
        Some(ServiceText::Console) => write!(out, "{}", start.console_unit()?)?,
        Some(ServiceText::Rules) => write!(out, "{}", rules.text())?,
        None => {
            let texts = [start.user_unit()?, start.console_unit()?, rules.text()];
            for (steps, text) in service_words::steps(&options(args)).iter().zip(texts) {
                writeln!(out, "{steps}\n")?;
                for line in text.lines() {
                    writeln!(out, "{}", format!("    {line}").trim_end())?;
                }
                writeln!(out)?;
            }
            if start.captures {
                writeln!(out, "{}\n", service_words::CAPTURE)?;
            }
            for (key, url) in rules.renamed() {
                writeln!(out, "{}", service_words::renamed(key, &url))?;
            }
            writeln!(out, "{}", service_words::MORE)?;
        }
    }
    out.flush()?;
    Ok(ExitCode::SUCCESS)
}

/// What was typed besides, as a shell reads it back.
fn options(args: &ServiceArgs) -> String {
    let profile = args.profile.as_ref().map(|path| ("--profile", path.to_string_lossy()));
    let on_alarm = args.on_alarm.as_ref().map(|command| ("--on-alarm", command.into()));
    let theme = args.theme.to_possible_value().filter(|_| args.theme != ThemeName::default());
    let theme = theme.map(|theme| ("--theme", theme.get_name().to_owned().into()));
    let given = [profile, on_alarm, theme].into_iter().flatten();
    let words = given.map(|(option, value)| format!(" {option} '{}'", value.replace('\'', "'\\''")));
    words.collect::<Vec<_>>().concat()
}

/// A unit is started elsewhere than here.
fn absolute(path: &Path) -> anyhow::Result<PathBuf> {
    std::path::absolute(path).with_context(|| format!("where '{}' lies cannot be found out", path.display()))
}
