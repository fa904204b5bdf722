//! What each command's help ends with: two examples, and its exit codes.
//!
//! The one table of them. The help of the command line, the manual page and `explain commands` print it.

/// What each exit code means, by its number: fine, failed, wrong use, not proven.
pub const CODES: [&str; 4] = [
    "fine",
    "a limit failed, or a check did",
    "wrong use, or input that cannot be read",
    "not proven: the bench test shows too little",
];

/// The end of one command's help.
#[derive(Clone, Copy, Debug)]
pub struct CommandHelp {
    /// The command, such as `history add`.
    pub name: &'static str,
    /// What to type, and what it does.
    pub examples: [(&'static str, &'static str); 2],
    /// Its exit codes.
    pub codes: &'static [u8],
    /// What code 1 means here; empty: it has none.
    pub failed: &'static str,
}

const fn command(
    name: &'static str,
    examples: [(&'static str, &'static str); 2],
    codes: &'static [u8],
    failed: &'static str,
) -> CommandHelp {
    CommandHelp { name, examples, codes, failed }
}

/// Nothing but fine, and wrong use.
const PLAIN: &[u8] = &[0, 2];
/// A check may fail.
const CHECKS: &[u8] = &[0, 1, 2];

/// All commands, in the order of the help.
pub const ALL: &[CommandHelp] = &[
    command(
        "fadewatch",
        [
            ("fadewatch", "goes live with your profile, or offers what to do"),
            ("fadewatch demo", "an invented session, at a moment worth seeing"),
        ],
        &[0, 1, 2, 3],
        CODES[1],
    ),
    command(
        "live",
        [
            ("fadewatch live --vehicle udp://0.0.0.0:14550", "listens on the network, records, warns"),
            ("fadewatch live --tag antenna=panel", "sources of the profile, and a tag for later"),
        ],
        CHECKS,
        "the recording is not whole",
    ),
    command(
        "replay",
        [
            ("fadewatch replay flight.pcapng", "the screens of that session"),
            ("fadewatch replay --at 90 --paused flight.pcapng", "from its second 90, with the clock stopped"),
        ],
        PLAIN,
        "",
    ),
    command(
        "summary",
        [
            ("fadewatch summary flight.pcapng", "the figures, to read"),
            ("fadewatch summary --json one.pcapng two.pcapng", "one JSON object a line for each"),
        ],
        PLAIN,
        "",
    ),
    command(
        "bench",
        [
            ("fadewatch bench", "leads through the test; sources of the profile"),
            ("fadewatch bench --from bench.pcapng --markdown", "the sheet of a recording, to keep"),
        ],
        &[0, 1, 2, 3],
        "a limit failed, or the recording is not whole",
    ),
    command(
        "compare",
        [
            ("fadewatch compare before.pcapng after.pcapng", "two sessions"),
            ("fadewatch compare a1.pcapng a2.pcapng -- b1.pcapng b2.pcapng", "two groups of sessions"),
        ],
        PLAIN,
        "",
    ),
    command(
        "history",
        [
            ("fadewatch history list", "the sessions that limits come from"),
            ("fadewatch history threshold", "the limit of each link, and whether sessions agree"),
        ],
        CHECKS,
        "rebuild --check found a difference",
    ),
    command(
        "history add",
        [
            ("fadewatch history add flight.pcapng", "adds it; once more changes nothing"),
            (
                "fadewatch history add --tag antenna=panel flight.pcapng",
                "with a tag that the recording lacks",
            ),
        ],
        PLAIN,
        "",
    ),
    command(
        "history list",
        [
            ("fadewatch history list", "all of them"),
            ("fadewatch history list --tag antenna=panel", "those with that tag"),
        ],
        PLAIN,
        "",
    ),
    command(
        "history show",
        [
            ("fadewatch history show 3fa9", "the one whose hash begins so"),
            ("fadewatch history show --tag antenna=panel --json", "all with that tag"),
        ],
        PLAIN,
        "",
    ),
    command(
        "history remove",
        [
            ("fadewatch history remove 3fa9", "forgets it; the recording stays"),
            ("fadewatch history remove --history old.sqlite 3fa9", "in another history"),
        ],
        PLAIN,
        "",
    ),
    command(
        "history rebuild",
        [
            ("fadewatch history rebuild recordings", "from the recordings in that folder"),
            ("fadewatch history rebuild --check recordings", "only compares, and says what differs"),
        ],
        CHECKS,
        "with --check: the history does not say what the recordings say",
    ),
    command(
        "history threshold",
        [
            ("fadewatch history threshold", "the limits that the profile's tags give"),
            ("fadewatch history threshold --like antenna=panel", "of sessions with that tag alone"),
        ],
        PLAIN,
        "",
    ),
    command(
        "report",
        [
            ("fadewatch report flight.pcapng --out flight.html", "one page, to read and to print"),
            ("fadewatch report flight.pcapng --svg pictures", "its pictures alone"),
        ],
        PLAIN,
        "",
    ),
    command(
        "export",
        [
            ("fadewatch export flight.pcapng --out tables", "tables as CSV, the way as GeoJSON and GPX"),
            (
                "fadewatch export flight.pcapng --cut 60..90 --out cut",
                "half a minute, as a capture of its own",
            ),
        ],
        PLAIN,
        "",
    ),
    command(
        "budget",
        [
            ("fadewatch budget", "of the links of your profile"),
            ("fadewatch budget --profile rover.toml --json", "of another profile, for a script"),
        ],
        PLAIN,
        "",
    ),
    command(
        "profile",
        [
            ("fadewatch profile new", "asks where to listen, and makes a profile"),
            ("fadewatch profile check", "what of it is heard"),
        ],
        CHECKS,
        "check: something of the profile is not heard",
    ),
    command(
        "profile new",
        [
            ("fadewatch profile new --vehicle udp://0.0.0.0:14550", "listens there, and asks which is which"),
            ("fadewatch profile new --from flight.pcapng --yes", "from a recording, without questions"),
        ],
        PLAIN,
        "",
    ),
    command(
        "profile check",
        [
            ("fadewatch profile check", "your profile, from its own sources"),
            ("fadewatch profile check rover.toml --from flight.pcapng", "another one, in a recording"),
        ],
        CHECKS,
        "something of the profile is not heard",
    ),
    command(
        "simulate",
        [
            ("fadewatch simulate scenario.toml --out flight.pcapng", "a session, and its truth beside it"),
            (
                "fadewatch simulate scenario.toml --vehicle udp://127.0.0.1:14550",
                "in real time, on this computer",
            ),
        ],
        PLAIN,
        "",
    ),
    command(
        "demo",
        [
            ("fadewatch demo", "as the picture is about to freeze"),
            ("fadewatch demo --theme sunlight", "in the colours for bright screens"),
        ],
        PLAIN,
        "",
    ),
    command(
        "ports",
        [
            ("fadewatch ports", "what there is, and what to type for it"),
            ("sudo fadewatch ports", "sees programs of other users too"),
        ],
        PLAIN,
        "",
    ),
    command(
        "stopwatch",
        [
            ("fadewatch stopwatch", "fills the terminal with a running time"),
            (
                "fadewatch stopwatch --read 83.412,83.301 --read 91.100,91.011 --read 95.300,95.200",
                "the delay that three photographs show",
            ),
        ],
        CHECKS,
        "the photographs give no delay",
    ),
    command(
        "explain",
        [
            ("fadewatch explain latency", "what that figure means, and its source"),
            ("fadewatch explain troubleshooting", "what to do where something does not work"),
        ],
        PLAIN,
        "",
    ),
    command(
        "service",
        [
            ("fadewatch service", "all of it, with what to type"),
            ("fadewatch service unit > ~/.config/systemd/user/fadewatch.service", "one text, into its file"),
        ],
        PLAIN,
        "",
    ),
    command(
        "completions",
        [
            (
                "fadewatch completions bash > ~/.local/share/bash-completion/completions/fadewatch",
                "from the next login on",
            ),
            ("fadewatch completions fish > ~/.config/fish/completions/fadewatch.fish", "the same for fish"),
        ],
        PLAIN,
        "",
    ),
    command(
        "man",
        [
            ("fadewatch man > ~/.local/share/man/man1/fadewatch.1", "then: man fadewatch"),
            ("fadewatch man | man -l -", "reads it at once"),
        ],
        PLAIN,
        "",
    ),
];

/// The end of the help of this command.
#[must_use]
pub fn find(name: &str) -> Option<&'static CommandHelp> {
    ALL.iter().find(|help| help.name == name)
}

impl CommandHelp {
    /// Its exit codes, and what each means here.
    pub fn meanings(&self) -> impl Iterator<Item = (u8, &'static str)> {
        let failed = self.failed;
        self.codes
            .iter()
            .map(move |code| (*code, if *code == 1 { failed } else { CODES[usize::from(*code)] }))
    }

    /// As the help of the command line shows it.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = "Examples:\n".to_owned();
        for (typed, does) in self.examples {
            text.extend(["  ", typed, "\n      ", does, "\n"]);
        }
        text += "\nExit codes:";
        for (code, means) in self.meanings() {
            text.extend(["\n  ", &code.to_string(), "  ", means]);
        }
        text
    }
}

/// All of it, as lines of an explanation.
#[must_use]
pub fn lines() -> Vec<String> {
    let mut lines = vec!["Exit codes".to_owned()];
    lines.extend(CODES.iter().enumerate().map(|(code, means)| format!("- {code}: {means}")));
    lines.extend([String::new(), "Examples".to_owned()]);
    for help in &ALL[1..] {
        for (typed, does) in help.examples {
            lines.extend([format!("    {typed}"), format!("        {does}")]);
        }
    }
    lines
}
