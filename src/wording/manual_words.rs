//! What the manual page says beside commands and options.

/// How to find more.
pub const DESCRIPTION: &[&str] = &[
    "Without a command it goes live with the default profile, if that has sources, and waits for what is not plugged in; else it offers in the terminal what \
     to do: look at the demo, listen and make a profile, open a recording.",
    "If the output is no terminal, live, replay and demo print the summary instead of screens.",
];

/// Variables that are read.
pub const ENVIRONMENT: &[(&str, &str)] = &[
    ("FADEWATCH_PROFILE", "The profile if none is typed; none leaves it out."),
    ("XDG_CONFIG_HOME", "The folder of fadewatch/profile.toml, the default profile. Default: ~/.config."),
    (
        "XDG_DATA_HOME",
        "The folder of fadewatch/history.sqlite and fadewatch/recordings. Default: ~/.local/share.",
    ),
    ("NO_COLOR", "Any value but an empty one turns colours off."),
    ("TERM", "On linux, the plain console, screens are drawn with ASCII characters, as by --ascii."),
];

/// Files that are read or written unless another is named.
pub const FILES: &[(&str, &str)] = &[
    ("~/.config/fadewatch/profile.toml", "What you say of vehicle, handset and links, and where to listen."),
    ("~/.local/share/fadewatch/recordings", "Recordings of live and bench, as pcapng."),
    ("~/.local/share/fadewatch/history.sqlite", "What limits and comparisons take from earlier sessions."),
];

/// The last words.
pub const NOTES: &[&str] = &[
    "It is an instrument, not a safety device: propellers off on the bench, the vehicle in sight, local aviation and \
     radio rules first. It only listens unless asked by --timesync, --request-rates or --forward.",
    "fadewatch explain has the reference: what each figure means and its source, sources, profile keys, formats.",
];
