//! Which profile a command uses: the one that was typed, else the environment's, else the one in the config folder.
//!
//! The default place follows the XDG Base Directory Specification. One that was not typed is said, so that nobody
//! wonders where links and limits come from.

use std::env;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::Context as _;

use crate::cli::Common;
use crate::history::xdg_folder;
use crate::profile::{Profile, SourcesProfile};
use crate::source::SourceUrl;

/// Names the profile where none was typed.
const VARIABLE: &str = "FADEWATCH_PROFILE";
/// In place of a file or a URL: leave it out.
pub(super) const NONE: &str = "none";

/// A profile, and where it was found.
#[derive(Clone, Debug, Default)]
pub(super) struct Chosen {
    /// With the command line's tags.
    pub(super) profile: Arc<Profile>,
    /// Its file; `None`: there is none.
    pub(super) path: Option<PathBuf>,
    /// Why this file; `None` where it was typed.
    found: Option<&'static str>,
}

impl Chosen {
    /// Which profile is used, where it was not typed.
    pub(super) fn word(&self) -> Option<String> {
        let (path, found) = (self.path.as_ref()?, self.found?);
        Some(format!("profile {} ({found}; --profile none leaves it out)", path.display()))
    }
}

/// The default place: fadewatch/profile.toml in the XDG config folder.
pub(super) fn default_path() -> Option<PathBuf> {
    Some(xdg_folder("XDG_CONFIG_HOME", ".config")?.join("profile.toml"))
}

/// The profile to use; an empty one where there is none. One that cannot be read is an error.
pub(super) fn choose(common: &Common) -> anyhow::Result<Chosen> {
    let mut chosen = found(common.profile.as_deref())?;
    Arc::make_mut(&mut chosen.profile).tags.extend(common.tags.iter().cloned());
    Ok(chosen)
}

fn found(typed: Option<&Path>) -> anyhow::Result<Chosen> {
    let named = env::var_os(VARIABLE).filter(|name| !name.is_empty()).map(PathBuf::from);
    let default = || default_path().filter(|path| path.symlink_metadata().is_ok());
    let (path, found) = match (typed, named) {
        (Some(path), _) => (Some(path.to_owned()), None),
        (None, Some(path)) => (Some(path), Some("named by FADEWATCH_PROFILE")),
        (None, None) => (default(), Some("the default")),
    };
    match path.filter(|path| path.as_os_str() != NONE) {
        Some(path) => {
            let profile = read(&path).with_context(|| {
                found.map_or_else(String::new, |found| format!("{found}, --profile none leaves it out: "))
                    + &format!("profile '{}'", path.display())
            })?;
            Ok(Chosen { profile: Arc::new(profile), path: Some(path), found })
        }
        None => Ok(Chosen::default()),
    }
}

/// Reads a profile; what is wrong in it is named by key and line.
fn read(path: &Path) -> anyhow::Result<Profile> {
    let text = std::fs::read_to_string(path).context("it cannot be read")?;
    let profile = Profile::parse(&text)?;
    for (key, url) in profile.sources.given() {
        url.parse::<SourceUrl>()
            .with_context(|| format!("line {}: sources.{key}", SourcesProfile::line(&text, key)))?;
    }
    Ok(profile)
}
