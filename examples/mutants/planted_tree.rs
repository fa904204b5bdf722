//! Many changes in one tree: each of them asks at run time whether it is the chosen one.
//!
//! `a < b` becomes `(if crate::mutant::is(7) { (a >= b) } else { a < b })`. The number of a constant is changed wherever the
//! constant is used. What the compiler works out itself cannot ask: such a change takes a build of its own.

use std::collections::BTreeMap;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::{fs, io};

use super::sites::Site;
use super::syntax::Syntax;

/// The variable that holds the number of the chosen change.
pub(crate) const CHOSEN: &str = "FADEWATCH_MUTANT";

const ASKED: &str = r#"
#[doc(hidden)]
#[allow(missing_docs)]
pub mod mutant {
    static CHOSEN: std::sync::LazyLock<Option<usize>> =
        std::sync::LazyLock::new(|| std::env::var("FADEWATCH_MUTANT").ok()?.parse().ok());

    pub fn is(number: usize) -> bool {
        *CHOSEN == Some(number)
    }
}
"#;

/// The files of the crate and of its tests.
pub(crate) struct Tree {
    files: BTreeMap<PathBuf, (String, Syntax)>,
}

/// A piece of a text that is another if its change is chosen.
struct Choice {
    place: Range<usize>,
    number: usize,
    other: String,
}

/// A text with choices, and how far each goes in it.
#[derive(Default)]
struct Planted {
    text: String,
    choices: Vec<(Range<usize>, usize)>,
}

/// The changed files.
pub(crate) struct PlantedTree {
    files: BTreeMap<PathBuf, Planted>,
}

impl Tree {
    pub(crate) fn read(root: &Path, paths: &[PathBuf]) -> io::Result<Self> {
        let mut files = BTreeMap::new();
        for path in paths {
            let text = fs::read_to_string(path)?;
            let path = path.strip_prefix(root).map_err(io::Error::other)?;
            if let Some(syntax) = Syntax::of(&text) {
                files.insert(path.to_owned(), (text, syntax));
            }
        }
        Ok(Self { files })
    }

    /// The tree with these changes, by number, and the numbers of those that it cannot hold.
    pub(crate) fn plant(&self, sites: &BTreeMap<usize, &Site>) -> (PlantedTree, Vec<usize>) {
        let mut choices: BTreeMap<PathBuf, Vec<Choice>> = BTreeMap::new();
        let mut left = Vec::new();
        for (number, site) in sites {
            let Some(found) = self.choices(*number, site) else {
                left.push(*number);
                continue;
            };
            for (file, choice) in found {
                choices.entry(file).or_default().push(choice);
            }
        }
        let mut files = BTreeMap::new();
        for (file, mut choices) in choices {
            choices.sort_by_key(|choice| (choice.place.start, usize::MAX - choice.place.end));
            let text = &self.files[&file].0;
            let mut planted = Planted::default();
            let home = if file.starts_with("src") { "crate" } else { "fadewatch" };
            planted.write(text, 0..text.len(), &choices, home);
            files.insert(file, planted);
        }
        let face = PathBuf::from("src/lib.rs");
        let text = self.files[&face].0.clone() + ASKED;
        files.insert(face, Planted { text, choices: Vec::new() });
        (PlantedTree { files }, left)
    }

    fn choices(&self, number: usize, site: &Site) -> Option<Vec<(PathBuf, Choice)>> {
        let (text, syntax) = self.files.get(&site.file)?;
        if syntax.constant_at(site.at).is_some() {
            return self.constant_choices(number, site);
        }
        let place = syntax.expression_of(site.sign())?;
        let other = site.changed_within(text, &place);
        Some(vec![(site.file.clone(), Choice { place, number, other })])
    }

    /// A choice at each use of a constant, tests among them: they would see it changed too.
    fn constant_choices(&self, number: usize, site: &Site) -> Option<Vec<(PathBuf, Choice)>> {
        let (text, syntax) = self.files.get(&site.file)?;
        let own = syntax.constant_at(site.at)?;
        let other = site.changed_within(text, &own.value);
        let defined =
            |syntax: &Syntax| syntax.constants.iter().filter(|other| other.name == own.name).count();
        let is_unique = self.files.values().map(|(_, syntax)| defined(syntax)).sum::<usize>() == 1;
        if defined(syntax) > 1 {
            return None;
        }
        let below = site.file.with_extension("");
        let module = below.file_name()?.to_str()?;
        let mut found = Vec::new();
        for (file, (text, syntax)) in self.files.iter().filter(|(_, (text, _))| text.contains(&own.name)) {
            let is_child = own.is_private && file.starts_with(&below);
            let is_other = defined(syntax) > 0 || !is_child && !syntax.imports(text, &own.name, module);
            if is_unique || *file == site.file || !is_other {
                for place in syntax.places(text, &own.name)? {
                    found.push((file.clone(), Choice { place, number, other: other.clone() }));
                }
            }
        }
        // Of several constants of that name another one may be meant by a path.
        let leads_elsewhere = |file: &PathBuf, choice: &Choice| {
            let path = &self.files[file].0[choice.place.clone()];
            path.rsplit_once("::").is_some_and(|(before, _)| !matches!(before, "Self" | "super" | "self"))
        };
        (is_unique || !found.iter().any(|(file, choice)| leads_elsewhere(file, choice))).then_some(found)
    }
}

impl Planted {
    /// Adds a piece of the text; the choices are in the order of their place, the outer one first.
    fn write(&mut self, text: &str, piece: Range<usize>, choices: &[Choice], home: &str) {
        let mut at = piece.start;
        let mut rest = choices;
        while let Some((choice, after)) = rest.split_first() {
            let inner = after.iter().take_while(|other| other.place.end <= choice.place.end).count();
            let Choice { place, number, other } = choice;
            self.text.push_str(&text[at..place.start]);
            let start = self.text.len();
            let asked = format!("(if {home}::mutant::is({number}) {{ ({other}) }} else {{ ");
            self.text.push_str(&asked);
            self.write(text, place.clone(), &after[..inner], home);
            self.text += " })";
            self.choices.push((start..self.text.len(), *number));
            at = place.end;
            rest = &after[inner..];
        }
        self.text.push_str(&text[at..piece.end]);
    }
}

impl PlantedTree {
    /// The files with their texts.
    pub(crate) fn files(&self) -> impl Iterator<Item = (&Path, &str)> {
        self.files.iter().map(|(file, planted)| (file.as_path(), planted.text.as_str()))
    }

    /// The innermost change around a byte of a file.
    pub(crate) fn change_at(&self, file: &Path, at: usize) -> Option<usize> {
        let around = self.files.get(file)?.choices.iter().filter(|(place, _)| place.contains(&at));
        around.min_by_key(|(place, _)| place.len()).map(|(_, number)| *number)
    }
}
