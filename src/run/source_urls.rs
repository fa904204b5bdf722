//! The URLs of a live session's sources: those that were typed, else the profile's.

use std::path::Path;

use anyhow::Context as _;

use crate::cli::SourceArgs;
use crate::profile::SourcesProfile;
use crate::session::live::LiveConfig;
use crate::source::SourceUrl;

use super::profile_choice::NONE;

/// Where a session's bytes come from, and which of it the profile says.
#[derive(Clone, Debug)]
pub(super) struct SourceUrls {
    pub(super) vehicle: Option<SourceUrl>,
    pub(super) handset: Option<SourceUrl>,
    pub(super) video: Option<SourceUrl>,
    pub(super) level: Option<SourceUrl>,
    pub(super) forward: Option<SourceUrl>,
    /// Keys of those that the profile gives.
    of_profile: Vec<&'static str>,
}

impl SourceUrls {
    /// What was typed goes before the profile; `none` leaves a source out.
    pub(super) fn new(
        typed: &SourceArgs,
        forward: Option<&str>,
        profile: &SourcesProfile,
    ) -> anyhow::Result<Self> {
        let mut of_profile = Vec::new();
        let mut urls = Vec::new();
        for (typed, (key, said)) in typed.typed().into_iter().chain([forward]).zip(profile.all()) {
            let said = said.filter(|_| typed.is_none());
            of_profile.extend(said.map(|_| key));
            let url = typed.or(said).filter(|url| *url != NONE);
            urls.push(url.map(str::parse::<SourceUrl>).transpose()?);
        }
        let mut urls = urls.into_iter();
        let mut next = || urls.next().flatten();
        let [vehicle, handset, video, level, forward] = [next(), next(), next(), next(), next()];
        Ok(Self { vehicle, handset, video, level, forward, of_profile })
    }

    /// A session that listens to them, and passes nothing on.
    pub(super) fn listening(&self) -> LiveConfig {
        LiveConfig {
            vehicle: self.vehicle.clone(),
            handset: self.handset.clone(),
            video: self.video.clone(),
            level: self.level.clone(),
            ..LiveConfig::default()
        }
    }

    /// A session that listens to them, in the path where that is asked for.
    pub(super) fn session(&self) -> LiveConfig {
        LiveConfig { forward: self.forward.clone(), ..self.listening() }
    }

    /// Those that bring bytes.
    pub(super) fn heard(&self) -> impl Iterator<Item = &SourceUrl> {
        [&self.vehicle, &self.handset, &self.video, &self.level].into_iter().flatten()
    }

    /// Those that bring bytes, with their keys in the profile.
    pub(super) fn named(&self) -> Vec<(&'static str, &SourceUrl)> {
        let all = [
            ("vehicle", &self.vehicle),
            ("handset", &self.handset),
            ("video", &self.video),
            ("level", &self.level),
        ];
        all.into_iter().filter_map(|(key, url)| Some((key, url.as_ref()?))).collect()
    }

    /// Whether one of them is an interface.
    pub(super) fn captures(&self) -> bool {
        self.heard().any(|url| matches!(url, SourceUrl::Capture { .. }))
    }

    /// Whether every source is a file or a pipe, which end for good.
    pub(super) fn all_end(&self) -> bool {
        self.heard().all(|url| matches!(url, SourceUrl::Stdin | SourceUrl::File(_)))
    }

    /// Whether one of them is standard input, which keys then cannot come from.
    pub(super) fn take_input(&self) -> bool {
        self.heard().any(|url| *url == SourceUrl::Stdin)
    }

    /// Names the profile where an error is about what it says.
    pub(super) fn blamed<T>(&self, result: anyhow::Result<T>, profile: Option<&Path>) -> anyhow::Result<T> {
        match profile.filter(|_| !self.of_profile.is_empty()) {
            Some(path) => result.with_context(|| {
                format!("with {} of the profile '{}'", self.of_profile.join(", "), path.display())
            }),
            None => result,
        }
    }
}
