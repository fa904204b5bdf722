//! Explanations: what each figure means, its unit, window and source, and what to do.
//!
//! One text file each in the folder `explain`. First line: title. Second line: the meaning in one line. After a blank
//! line every line is a paragraph, an item of a list (`- `) or, behind four blanks, an example that stays as it is.
//! `JSON:` ends the text for screens. Below it each item names a place of the public JSON and the keys there that this
//! figure explains; every key has one explanation at least (`tests/explain.rs`).

/// The explanation of one figure, or of another thing to look up.
#[derive(Clone, Copy, Debug)]
pub struct Explanation {
    /// What it is asked for by.
    pub name: &'static str,
    text: &'static str,
}

macro_rules! explanations {
    ($($name:literal)*) => {
        &[$(Explanation { name: $name, text: include_str!(concat!("explain/", $name, ".md")) }),*]
    };
}

/// All, in the order in which they are listed.
pub const ALL: &[Explanation] = explanations!(
    "verdicts" "session-verdicts" "alarms" "margin" "freeze-limit" "agreement" "level" "trend" "worked-to" "distance" "path-loss" "theory"
    "direction" "phases" "evidence" "latency" "control-frames" "control-holds" "sticks" "failsafe" "clock" "loss" "bursts"
    "bad-spells" "availability" "both-links" "framing" "own-reports" "transmitters" "video" "freeze" "key-frames"
    "jitter" "timing" "glass-to-glass" "vibration" "spectrum" "picture-cause" "power" "health" "compare" "bench" "limits" "events" "statistics" "not-told" "messages" "sources" "recording"
    "history" "profile" "commands" "troubleshooting" "service" "json" "stream" "export" "report" "changes"
);

/// The line before the keys.
const KEYS: &str = "JSON:";

impl Explanation {
    /// Every line, the title first; with or without the keys of the JSON.
    pub fn lines(&self, with_keys: bool) -> impl Iterator<Item = &'static str> {
        self.text.lines().take_while(move |line| with_keys || *line != KEYS)
    }

    /// The meaning in one line.
    #[must_use]
    pub fn meaning(&self) -> &'static str {
        self.text.lines().nth(1).unwrap_or_default()
    }

    /// Places of the JSON and the keys there.
    pub fn keys(&self) -> impl Iterator<Item = (&'static str, &'static str)> {
        let rows = self.text.lines().skip_while(|line| *line != KEYS);
        let rows = rows.filter_map(|line| line.strip_prefix("- ")?.split_once(": "));
        rows.flat_map(|(place, keys)| keys.split(", ").map(move |key| (place, key)))
    }
}

/// The explanation of this name, else all that explain a JSON key of this name.
#[must_use]
pub fn find(word: &str) -> Vec<&'static Explanation> {
    let named: Vec<_> = ALL.iter().filter(|one| one.name == word).collect();
    if named.is_empty() {
        return ALL.iter().filter(|one| one.keys().any(|(_, key)| key == word)).collect();
    }
    named
}

/// A line of an explanation as lines of at most `columns`, broken by `wrap`.
pub fn wrapped(line: &str, columns: u16, wrap: impl Fn(&str, u16) -> Vec<String>) -> Vec<String> {
    if line.is_empty() || line.starts_with("    ") {
        return vec![line.to_owned()];
    }
    let Some(item) = line.strip_prefix("- ") else { return wrap(line, columns) };
    let lines = wrap(item, columns.saturating_sub(2)).into_iter().enumerate();
    lines.map(|(index, line)| format!("{}{line}", if index == 0 { "- " } else { "  " })).collect()
}
