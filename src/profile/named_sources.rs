//! Where a session's bytes come from, so that `live` needs no options: the `sources` table of the profile.
//!
//! The URLs are kept as written: who opens them reads them, and says on which line one is wrong.

use serde::Deserialize;

use super::{checked, places};

/// URLs of sources, as `live` takes them.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SourcesProfile {
    /// Where the vehicle's telemetry comes from.
    #[serde(deserialize_with = "checked::url")]
    pub vehicle: Option<String>,
    /// Where the handset's sticks are heard.
    #[serde(deserialize_with = "checked::url")]
    pub handset: Option<String>,
    /// Where the video's packets come from.
    #[serde(deserialize_with = "checked::url")]
    pub video: Option<String>,
    /// Where a level is read beside them.
    #[serde(deserialize_with = "checked::url")]
    pub level: Option<String>,
    /// The other program that every byte is passed on to.
    #[serde(deserialize_with = "checked::url")]
    pub forward: Option<String>,
}

impl SourcesProfile {
    /// All of them, given or not, with their keys.
    pub(crate) fn all(&self) -> [(&'static str, Option<&str>); 5] {
        [
            ("vehicle", self.vehicle.as_deref()),
            ("handset", self.handset.as_deref()),
            ("video", self.video.as_deref()),
            ("level", self.level.as_deref()),
            ("forward", self.forward.as_deref()),
        ]
    }

    /// All that are given, with their keys.
    pub fn given(&self) -> impl Iterator<Item = (&'static str, &str)> {
        self.all().into_iter().filter_map(|(key, url)| Some((key, url?)))
    }

    /// On which line of the profile's text a source stands, from 1.
    #[must_use]
    pub fn line(text: &str, key: &str) -> usize {
        places::source(text, key)
    }
}
