//! Where a source text can be changed, and into what.
//!
//! The text is read by letters: comments, strings and test modules are blanked out first, so that places keep their
//! numbers. The formatter puts one space around each operator; that tells `a < b` from `Vec<b>`. Changed are: the
//! number of a constant (by half or by twice), a comparison (into its opposite), a sign, a factor, `&&` and `||`, and a
//! negation (taken away). A comparison is not moved by equality alone: with measured times that is no change.

use std::fmt;
use std::ops::Range;
use std::path::{Path, PathBuf};

/// Constants that bound memory or work, not figures: a test that notices them would pin what nobody is told. What ends
/// in `_` stands for all names that begin so; a name that means two things stands with its file.
const BOUNDS: [&str; 32] = [
    // How many of something are kept, and for how long.
    "MOST_",
    "own_reports.rs MOST",
    "bad_spells.rs MOST",
    "sticks.rs MOST",
    "rate.rs MOST",
    "archive.rs MOST",
    "series.rs BLOCK",
    "archive.rs BLOCK",
    "SLOTS",
    "RING",
    "BUCKETS",
    "PLACES",
    "NARROWEST",
    "FOLDED_AT_ONCE",
    "RAW_SPAN",
    "RECENT_SPAN",
    "RECENT_STEP",
    "FEWEST_OPEN",
    // What stands for something absent, and how it is packed.
    "STEP_BITS",
    "ABSENT",
    "NO_SECTOR",
    "ALL_STICKS",
    "ALWAYS",
    "OPEN",
    // Mixing of hashes and seeds: any number does.
    "FACTOR",
    "GOLDEN",
    "SEED",
    "REPLICATES",
    // How far an iteration goes on, and how finely a line is drawn.
    "TIGHT",
    "LOOSE",
    "LOOSE_ROUNDS",
    "LINE_POINTS",
];

fn is_bound(file: &Path, name: &str) -> bool {
    BOUNDS.iter().any(|bound| {
        let (own, bound) = bound.split_once(' ').unwrap_or(("", bound));
        let is_named = name == bound || bound.ends_with('_') && name.starts_with(bound);
        is_named && (own.is_empty() || file.ends_with(own))
    })
}

const SWAPS: [(&str, &str); 14] = [
    (" < ", " >= "),
    (" <= ", " > "),
    (" > ", " <= "),
    (" >= ", " < "),
    (" == ", " != "),
    (" != ", " == "),
    (" + ", " - "),
    (" - ", " + "),
    (" * ", " / "),
    (" / ", " * "),
    (" += ", " -= "),
    (" -= ", " += "),
    (" && ", " || "),
    (" || ", " && "),
];

/// One change.
#[derive(Clone, Debug)]
pub(crate) struct Site {
    pub(crate) file: PathBuf,
    line: usize,
    pub(crate) at: usize,
    old: String,
    new: String,
    shown: String,
}

impl Site {
    /// The text with this change.
    pub(crate) fn changed(&self, text: &str) -> String {
        self.changed_within(text, &(0..text.len()))
    }

    /// A piece of the text with this change.
    pub(crate) fn changed_within(&self, text: &str, piece: &Range<usize>) -> String {
        let (before, after) = (&text[piece.start..self.at], &text[self.at + self.old.len()..piece.end]);
        format!("{before}{}{after}", self.new)
    }

    /// The first byte of the changed operator.
    pub(crate) fn sign(&self) -> usize {
        self.at + usize::from(self.old.starts_with(' '))
    }

    /// Whether it counts bytes that are held: a bound on memory, of which only a soak tells. Such changes are
    /// passed over.
    pub(crate) fn counts_memory(&self) -> bool {
        self.shown.contains("size_of") || self.shown.contains("bytes()")
    }

    /// The least are drawn: chance by what the line says and what is changed, wherever it stands in its file.
    pub(crate) fn lot(&self, seed: u64) -> [u8; 32] {
        let Self { file, old, new, shown, .. } = self;
        let name = file.file_name().unwrap_or_default().display();
        hmac_sha256::Hash::hash(format!("{seed} {name} {old} {new} {shown}").as_bytes())
    }

    /// File and line.
    pub(crate) fn place(&self) -> String {
        format!("{}:{}", self.file.display(), self.line)
    }
}

impl fmt::Display for Site {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { old, new, shown, .. } = self;
        write!(out, "{}: {} -> {}: {shown}", self.place(), old.trim(), new.trim())
    }
}

/// Every change of one file, in the order of its text.
pub(crate) fn find(file: &Path, text: &str) -> Vec<Site> {
    let code = code_alone(text);
    let mut sites = Vec::new();
    let mut start = 0;
    for (index, line) in code.split_inclusive('\n').enumerate() {
        let shown = text[start..start + line.len()].trim().to_owned();
        for (at, old, new) in changes(file, line) {
            let (file, shown) = (file.to_owned(), shown.clone());
            sites.push(Site { file, line: index + 1, at: start + at, old, new, shown });
        }
        start += line.len();
    }
    sites
}

/// Place, old and new text of each change of a line.
fn changes(file: &Path, line: &str) -> Vec<(usize, String, String)> {
    let is_memory = line.contains("MOST_") && !line.contains("const ");
    if line.trim_start().starts_with("#[") || line.trim_start().starts_with("use ") || is_memory {
        return Vec::new();
    }
    let constant = line.split_once("const ").and_then(|(_, name)| name.split_once(':'));
    if let Some((name, rest)) = constant.filter(|(name, _)| !name.contains([' ', '('])) {
        let is_value = !is_bound(file, name) && !rest.starts_with(" Self");
        return if is_value { numbers(line) } else { Vec::new() };
    }
    let mut found = Vec::new();
    for (old, new) in SWAPS {
        // What stands between types is no sum.
        let is_type = line.contains("impl ") || line.contains("dyn ") || line.contains("where ");
        if !(is_type && old == " + ") {
            // A closure without arguments is no choice.
            let places =
                line.match_indices(old).filter(|(at, _)| old != " || " || !line[..*at].ends_with('='));
            found.extend(places.map(|(at, _)| (at, old.to_owned(), new.to_owned())));
        }
    }
    for (at, _) in line.match_indices('!') {
        let before = line[..at].chars().next_back().unwrap_or(' ');
        let after = line[at + 1..].chars().next().unwrap_or(' ');
        if !before.is_alphanumeric() && before != '_' && (after.is_alphabetic() || "(*_".contains(after)) {
            found.push((at, "!".to_owned(), String::new()));
        }
    }
    found.sort();
    found
}

/// The numbers of a constant, each by half and by twice.
fn numbers(line: &str) -> Vec<(usize, String, String)> {
    let Some(from) = line.find(" = ").map(|at| at + 3) else { return Vec::new() };
    let is_digit = |letter: char| letter.is_ascii_digit() || letter == '.' || letter == '_';
    let mut found = Vec::new();
    let mut at = from;
    while at < line.len() {
        let before = line[..at].chars().next_back().unwrap_or(' ');
        let own: String = line[at..].chars().take_while(|letter| is_digit(*letter)).collect();
        let begins = own.starts_with(|letter: char| letter.is_ascii_digit());
        if !begins || before.is_alphanumeric() || before == '_' || line[..at].ends_with("e-") {
            at += line[at..].chars().next().map_or(1, char::len_utf8);
            continue;
        }
        at += own.len();
        // Not an exponent, a hexadecimal number or a range.
        if line[at..].starts_with(|letter: char| letter.is_alphabetic())
            || own.ends_with('.')
            || own.contains("..")
        {
            continue;
        }
        let Ok(value) = own.replace('_', "").parse::<f64>() else { continue };
        for other in [value / 2.0, value * 2.0] {
            let new = if own.contains('.') { format!("{other:?}") } else { format!("{other:.0}") };
            if new.parse::<f64>().is_ok_and(|new| new != value) {
                found.push((at - own.len(), own.clone(), new));
            }
        }
    }
    found
}

/// The text with comments, strings and everything from the tests on blanked out, letter by letter.
fn code_alone(text: &str) -> String {
    let mut code: Vec<u8> = text.bytes().collect();
    let (mut at, end) = (0, text.find("#[cfg(test)]\nmod tests {").unwrap_or(text.len()));
    let blank = |code: &mut Vec<u8>, from: usize, to: usize| {
        code[from..to].iter_mut().filter(|byte| **byte != b'\n').for_each(|byte| *byte = b' ');
    };
    while at < end {
        let rest = &text.as_bytes()[at..end];
        let length = if rest.starts_with(b"//") {
            rest.iter().position(|byte| *byte == b'\n').unwrap_or(rest.len())
        } else if rest[0] == b'"' {
            string_length(rest)
        } else if rest.len() > 2 && rest[0] == b'\'' && (rest[2] == b'\'' || rest[1] == b'\\') {
            2 + rest[2..].iter().position(|byte| *byte == b'\'').unwrap_or(0)
        } else {
            at += 1;
            continue;
        };
        blank(&mut code, at, at + length);
        at += length;
    }
    blank(&mut code, end, text.len());
    String::from_utf8_lossy(&code).into_owned()
}

/// Bytes of a string with its quotes.
fn string_length(rest: &[u8]) -> usize {
    let mut at = 1;
    while at < rest.len() && rest[at] != b'"' {
        at += if rest[at] == b'\\' { 2 } else { 1 };
    }
    (at + 1).min(rest.len())
}
