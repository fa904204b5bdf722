//! `completions`, and what each command's help ends with.

use clap::{Args, ValueEnum};

use crate::wording::command_help;

/// `completions`.
#[derive(Debug, Args)]
pub struct CompletionsArgs {
    /// Which shell.
    #[arg(value_enum)]
    pub shell: ShellName,
}

/// The shells.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum ShellName {
    /// ~/.local/share/bash-completion/completions/fadewatch
    Bash,
    /// _fadewatch in a folder of fpath
    Zsh,
    /// ~/.config/fish/completions/fadewatch.fish
    Fish,
}

/// A command and those within it, with the end of their help.
pub(super) fn with_ends(command: clap::Command) -> clap::Command {
    end(command, "")
}

fn end(command: clap::Command, within: &str) -> clap::Command {
    let name = format!("{within}{}", command.get_name());
    let inner = format!("{name} ");
    let command = command.mut_subcommands(|one| end(one, &inner));
    match command_help::find(&name) {
        Some(help) => command.after_help(help.text()),
        None => command,
    }
}

/// The end of the whole program's help.
pub(super) fn top() -> String {
    command_help::find("fadewatch").map(command_help::CommandHelp::text).unwrap_or_default()
}
