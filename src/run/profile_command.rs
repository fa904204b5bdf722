//! `profile`: makes a profile from what is heard, and checks one against it.

mod attenuation;
mod check;
mod draft;
mod hearing;
mod inventory;
mod new_profile;
mod questions;
mod toml_text;

use std::io::{self, Write as _};
use std::process::ExitCode;

use anyhow::ensure;

use crate::cli::{CheckProfileArgs, Common, ProfileAction};

use super::source_urls::SourceUrls;
use super::{LIMIT_FAILED, profile_choice};

use questions::Asker;

/// Runs one action on a profile.
pub(super) fn run(action: &ProfileAction) -> anyhow::Result<ExitCode> {
    match action {
        ProfileAction::New(args) => {
            let mut asker = Asker::new(Box::new(io::stdin().lock()), Box::new(super::out()), args.yes);
            new_profile::run(args, &mut asker)?;
            Ok(ExitCode::SUCCESS)
        }
        ProfileAction::Check(args) => checked(args),
    }
}

fn checked(args: &CheckProfileArgs) -> anyhow::Result<ExitCode> {
    let common = Common { profile: args.file.clone(), ..Common::default() };
    let chosen = profile_choice::choose(&common)?;
    let Some(path) = &chosen.path else {
        anyhow::bail!("there is no profile to check: name its file, or make one with fadewatch profile new");
    };
    let hear = &args.hear;
    let is_live = hear.from.is_empty();
    let heard = if is_live {
        // Nothing is passed on: this only listens.
        let urls = SourceUrls::new(&hear.sources, Some(profile_choice::NONE), &chosen.profile.sources)?;
        ensure!(
            urls.heard().next().is_some(),
            "profile '{}' has no sources: give --vehicle URL, --handset URL or --video URL, or --from FILE",
            path.display()
        );
        super::tell(format_args!("listening for {:.0} s ...", hear.for_s));
        let mut say = |line: &str| {
            super::tell(line);
            Ok(())
        };
        urls.blamed(hearing::listen(&urls, hear.for_s, &mut say), Some(path))?
    } else {
        hearing::read(&hear.from)?
    };
    let outcome = check::check(&chosen.profile, &heard, is_live);
    let mut out = super::out();
    writeln!(out, "{}", path.display())?;
    for (word, lines) in
        [("heard", &outcome.heard), ("MISSING", &outcome.missing), ("not in it", &outcome.unnamed)]
    {
        for line in lines {
            writeln!(out, "  {word:<9}  {line}")?;
        }
    }
    if outcome.heard.is_empty() && outcome.missing.is_empty() {
        writeln!(out, "  it names nothing that can be heard")?;
    }
    out.flush()?;
    Ok(if outcome.missing.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(LIMIT_FAILED) })
}
