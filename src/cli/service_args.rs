//! The options of `service`.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::ThemeName;

/// `service`.
#[derive(Debug, Args)]
pub struct ServiceArgs {
    /// This text alone, to be put into its file; without it, all of them with what to do.
    #[arg(value_enum)]
    pub text: Option<ServiceText>,
    /// Profile whose sources are heard [default: as for live].
    #[arg(long, value_name = "FILE")]
    pub profile: Option<PathBuf>,
    /// The unit runs this at an alarm, as live --on-alarm does: a buzzer, a light.
    #[arg(long, value_name = "COMMAND")]
    pub on_alarm: Option<String>,
    /// Colours of the screens on the console.
    #[arg(long, value_enum, default_value_t)]
    pub theme: ThemeName,
}

/// The texts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum ServiceText {
    /// A systemd user unit: records and watches without screens.
    Unit,
    /// A systemd system unit: the screens on the plain console.
    Console,
    /// Rules for udev: names that stay, a group, a mode.
    Rules,
}
