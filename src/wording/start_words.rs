//! What `fadewatch` alone offers, and what it asks before it listens.

/// The first page.
pub const TITLE: &str = "FADEWATCH";
/// Of a profile that cannot be heard by itself.
#[must_use]
pub fn no_sources(profile: &str) -> String {
    format!("Profile {profile} does not say where to listen: put [sources] into it, or make a new one here.")
}
/// Where there is none.
pub const NO_PROFILE: &str = "There is no profile yet.";

/// What can be done, and what that is.
pub const OFFERS: [(&str, &str); 5] = [
    ("Look at the demo", "An invented session, as its picture is about to freeze."),
    ("Listen", "Hears your vehicle, asks which is which, makes your profile."),
    ("Open a recording", "The screens of an earlier session, the newest first."),
    ("Help", "All commands, with examples."),
    ("Quit", ""),
];

/// The three sources that are asked for: title, and what to know.
pub const SOURCES: [(&str, &str); 3] = [
    ("Where does the vehicle's telemetry come from?", "The vehicle should be on, its propellers off."),
    (
        "Where are the handset's sticks heard?",
        "Without them there is no latency. Messages that come with the telemetry need nothing here.",
    ),
    (
        "Where do the video's packets come from?",
        "If a player holds the port: type capture:IFACE?port=N, which listens beside it.",
    ),
];
/// An answer to type.
pub const ANOTHER_URL: (&str, &str) = ("Another", "Type its URL, such as tcp://192.168.4.1:5760");
/// No source of this kind.
pub const NOWHERE: (&str, &str) = ("Nowhere", "Leave it out; it can be added to the profile later.");
/// Where all three were left out.
pub const NOTHING_CHOSEN: &str = "Nothing to listen to was chosen: choose one source at least.";

/// The list of recordings.
pub const RECORDINGS: &str = "Which recording?";
/// Where there is none of one's own.
#[must_use]
pub fn no_recording(folder: &str) -> String {
    format!("No recording in {folder} yet: live and bench put theirs there.")
}
/// When a recording was written last, by date and time of day; `None`: it has none.
#[must_use]
pub fn written(date: Option<&str>) -> String {
    date.map_or_else(|| "no date: the clock was not set".to_owned(), |date| format!("written {date}"))
}
/// A file elsewhere.
pub const ANOTHER_FILE: (&str, &str) = ("Another", "Type the path of its file");

/// The list of commands.
pub const COMMANDS: &str = "All commands";
/// The end of one command's page.
#[must_use]
pub fn all_options(command: &str) -> String {
    format!("All options: fadewatch {command} --help")
}
/// Leaves a page.
pub const BACK: (&str, &str) = ("Back", "");
/// After a profile was made.
pub const GO_LIVE: &str = "Go live with it now?";
