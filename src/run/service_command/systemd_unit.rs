//! Units for systemd: one of the user, without screens; one of the system, with the screens on a console.
//!
//! Words are quoted as systemd.syntax(7) and systemd.service(5) say: C escapes within double quotes, % and $ doubled.
//! Both stop by SIGTERM to fadewatch alone (KillMode=mixed), which then ends its recording and its history. Wrong use
//! (exit code 2) is not tried again. Directives: systemd.service(5), systemd.exec(5), systemd.kill(5).

use std::path::{Path, PathBuf};

use anyhow::Context as _;
use clap::ValueEnum as _;
use nix::unistd::{User, geteuid};

use crate::cli::ThemeName;

/// What a unit starts.
pub(super) struct Start {
    pub(super) program: PathBuf,
    pub(super) profile: PathBuf,
    pub(super) on_alarm: Option<String>,
    pub(super) theme: ThemeName,
    /// Where recordings and history go, if not to the usual place.
    pub(super) data: Option<String>,
    /// It listens to an interface, which needs a right.
    pub(super) captures: bool,
}

/// How both end, and what is tried again.
const STOPS: &str = "KillMode=mixed\nTimeoutStopSec=60\nRestartSec=5\nRestartPreventExitStatus=2\n";

impl Start {
    /// Records and watches from power-on, without screens.
    pub(super) fn user_unit(&self) -> anyhow::Result<String> {
        let data = self.data();
        Ok(format!(
            "[Unit]\nDescription=fadewatch, records and watches the links of the handset\n\
             Documentation=man:fadewatch(1)\nStartLimitIntervalSec=0\n\n\
             [Service]\nType=exec\nExecStart={}\n{data}Restart=on-failure\n{STOPS}\n\
             [Install]\nWantedBy=default.target\n",
            self.line(&[])?
        ))
    }

    /// The screens on the first console, in the place of its login.
    pub(super) fn console_unit(&self) -> anyhow::Result<String> {
        let user = User::from_uid(geteuid()).ok().flatten().context("this user has no name")?.name;
        let theme = self.theme.to_possible_value().context("this theme has no name")?;
        let data = self.data();
        let right = if self.captures { "AmbientCapabilities=CAP_NET_RAW\n" } else { "" };
        Ok(format!(
            "[Unit]\nDescription=fadewatch, screens on the console\nDocumentation=man:fadewatch(1)\n\
             After=systemd-user-sessions.service getty@tty1.service\nConflicts=getty@tty1.service\n\
             StartLimitIntervalSec=0\n\n\
             [Service]\nType=exec\nUser={user}\nPAMName=login\n{right}ExecStart={}\n\
             Environment=TERM=linux\n{data}TTYPath=/dev/tty1\nTTYReset=yes\nTTYVHangup=yes\n\
             StandardInput=tty\nStandardOutput=tty\nStandardError=tty\nRestart=always\n{STOPS}\n\
             [Install]\nWantedBy=multi-user.target\n",
            self.line(&["--ascii", "--theme", theme.get_name()])?
        ))
    }

    /// The folder of recordings and history, if it is not the usual one.
    fn data(&self) -> String {
        self.data.as_ref().map_or_else(String::new, |folder| {
            format!("Environment={}\n", quoted(&format!("XDG_DATA_HOME={folder}"), false))
        })
    }

    fn line(&self, more: &[&str]) -> anyhow::Result<String> {
        let mut words = vec![quoted(&text(&self.program)?, false), "live".to_owned(), "--wait".to_owned()];
        words.extend(["--profile".to_owned(), quoted(&text(&self.profile)?, true)]);
        if let Some(command) = &self.on_alarm {
            words.extend(["--on-alarm".to_owned(), quoted(command, true)]);
        }
        words.extend(more.iter().map(|word| (*word).to_owned()));
        Ok(words.join(" "))
    }
}

/// A unit is text.
fn text(path: &Path) -> anyhow::Result<String> {
    let text = path.to_str().map(str::to_owned);
    text.with_context(|| format!("systemd takes no path that is no text: rename '{}'", path.display()))
}

/// One word of a line of a unit. A dollar names a variable in what a command is given, but not in its own path nor in
/// the environment.
fn quoted(word: &str, has_variables: bool) -> String {
    let mut quoted = "\"".to_owned();
    for letter in word.chars() {
        match letter {
            '"' | '\\' => quoted.extend(['\\', letter]),
            '%' => quoted.push_str("%%"),
            '$' if has_variables => quoted.push_str("$$"),
            letter if letter.is_ascii_control() => {
                quoted.extend(["\\x", &format!("{:02x}", u32::from(letter))]);
            }
            letter => quoted.push(letter),
        }
    }
    quoted.push('"');
    quoted
}

#[cfg(test)]
mod tests {
    use crate::run::service_command::systemd_unit::*;

    /// The examples of systemd.syntax(7), "Quoting", and of systemd.service(5), "Command lines": %% and $$ stand for one.
    #[test]
    fn words_are_quoted_by_the_rules_of_systemd() {
        assert_eq!(quoted("/home/a b/100%.toml", true), "\"/home/a b/100%%.toml\"");
        assert_eq!(quoted("say \"$LINK\" \\ now", true), "\"say \\\"$$LINK\\\" \\\\ now\"");
        assert_eq!(quoted("XDG_DATA_HOME=/a$b\n", false), "\"XDG_DATA_HOME=/a$b\\x0a\"");
    }
}
