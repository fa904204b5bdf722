//! Writes the notices of the crates that are part of the program: names, versions, licences, and their texts.
//!
//! `cargo run --example notices > src/run/notices.txt`, after each change of Cargo.lock. It asks `cargo tree` which crates
//! a build for each board links, and `cargo metadata` where their sources lie. A text that several crates share stands once.
//! Where a crate may be had under one of several licences, the text of the first of `CHOSEN` that it offers is
//! taken. `.ci/run` compares the file with what this prints.

#![expect(clippy::print_stdout, reason = "its output is the point")]

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::Command;

use anyhow::Context as _;

/// What the boards and computers are.
const TARGETS: [&str; 3] =
    ["x86_64-unknown-linux-gnu", "aarch64-unknown-linux-gnu", "armv7-unknown-linux-gnueabihf"];
/// Licences, the one that asks for least first, and how a file with its text may be called.
const CHOSEN: [(&str, &[&str]); 9] = [
    ("0BSD", &["0BSD"]),
    ("Unlicense", &["UNLICENSE"]),
    ("MIT", &["MIT"]),
    ("ISC", &["ISC"]),
    ("Zlib", &["ZLIB"]),
    ("BSD-2-Clause", &["BSD"]),
    ("BSL-1.0", &["BOOST", "BSL"]),
    ("Apache-2.0", &["APACHE"]),
    ("MPL-2.0", &["MPL"]),
];

/// A crate, as cargo names it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Crate {
    name: String,
    version: String,
}

fn cargo(arguments: &[&str]) -> anyhow::Result<String> {
    let out = Command::new("cargo").args(arguments).output().context("starting cargo")?;
    let said = String::from_utf8_lossy(&out.stderr);
    anyhow::ensure!(out.status.success(), "cargo {} failed: {said}", arguments.join(" "));
    Ok(String::from_utf8(out.stdout)?)
}

/// What is linked into the program on any of the targets, itself not among it.
fn linked() -> anyhow::Result<BTreeSet<Crate>> {
    let mut crates = BTreeSet::new();
    for target in TARGETS {
        let tree =
            ["tree", "--locked", "--edges", "normal,no-proc-macro", "--prefix", "none", "--format", "{p}"];
        for line in cargo(&[&tree[..], &["--target", target]].concat())?.lines() {
            let mut words = line.split(' ');
            let (name, version) = (words.next().context("a name")?, words.next().context("a version")?);
            if name != env!("CARGO_PKG_NAME") {
                let version = version.trim_start_matches('v').to_owned();
                crates.insert(Crate { name: name.to_owned(), version });
            }
        }
    }
    Ok(crates)
}

/// Where each crate's source lies, and its licence as it says it.
fn sources() -> anyhow::Result<BTreeMap<Crate, (PathBuf, String)>> {
    let text = cargo(&["metadata", "--locked", "--format-version", "1"])?;
    let known: serde_json::Value = serde_json::from_str(&text)?;
    let packages = known["packages"].as_array().context("no packages")?;
    let sources = packages.iter().filter_map(|package| {
        let word = |key: &str| Some(package[key].as_str()?.to_owned());
        let folder = Path::new(package["manifest_path"].as_str()?).parent()?.to_owned();
        Some((Crate { name: word("name")?, version: word("version")? }, (folder, word("license")?)))
    });
    Ok(sources.collect())
}

/// The licence that is taken, and its text in the crate, where it has one.
fn licence(folder: &Path, offered: &str) -> anyhow::Result<(&'static str, Option<String>)> {
    let offers = |name: &str| offered.split(['/', ' ', '(', ')']).any(|word| word == name);
    let (name, words) = CHOSEN.into_iter().find(|(name, _)| offers(name)).context("no licence is known")?;
    let mut files: Vec<PathBuf> =
        std::fs::read_dir(folder)?.filter_map(Result::ok).map(|entry| entry.path()).collect();
    files.sort();
    let upper = |path: &Path| path.file_name().unwrap_or_default().to_string_lossy().to_uppercase();
    let is_licence = |path: &&PathBuf| {
        let file = upper(path);
        path.is_file()
            && ["LICENSE", "LICENCE", "COPYING", "UNLICENSE"].iter().any(|word| file.contains(word))
    };
    let named = |path: &&PathBuf| words.iter().any(|word| upper(path).contains(word));
    // Else the only text there is, or the first line of one says which it is.
    let plain = |path: &&PathBuf| {
        let file = upper(path);
        !CHOSEN.iter().any(|(_, others)| others.iter().any(|word| file.contains(word)))
    };
    let texts: Vec<&PathBuf> = files.iter().filter(is_licence).collect();
    let chosen = texts.iter().copied().find(named).or_else(|| texts.iter().copied().find(plain));
    let text = chosen.map(std::fs::read_to_string).transpose()?;
    Ok((name, text.map(|text| tidy(&text))))
}

/// Without blanks at ends of lines, and at both its own ends.
fn tidy(text: &str) -> String {
    let lines: Vec<&str> = text.lines().map(str::trim_end).collect();
    lines.join("\n").trim_matches('\n').to_owned()
}

fn main() -> anyhow::Result<()> {
    let sources = sources()?;
    let mut taken: BTreeMap<(&str, String), Vec<String>> = BTreeMap::new();
    for one in linked()? {
        let (folder, offered) = sources.get(&one).with_context(|| format!("no source of {}", one.name))?;
        let (name, text) = licence(folder, offered).with_context(|| format!("{} ({offered})", one.name))?;
        let text = text.unwrap_or_else(|| "(the crate has no text of it)".to_owned());
        taken.entry((name, text)).or_default().push(format!("{} {}", one.name, one.version));
    }
    println!(
        "What others wrote and this program contains, with the licence under which each part is used.\n\
         Made from Cargo.lock by `cargo run --example notices`.\n\n\
         Under the Mozilla Public License 2.0, unchanged; its source is the package of this name and version in the\n\
         public registry of Rust packages, and you may have it under that licence: {}.\n\n\
         SQLite, part of libsqlite3-sys, is in the public domain. The Rust standard library is used under the MIT\n\
         licence; its copyright is The Rust Project Developers'.",
        taken
            .iter()
            .filter(|((name, _), _)| *name == "MPL-2.0")
            .flat_map(|(_, crates)| crates.clone())
            .collect::<Vec<_>>()
            .join(", ")
    );
    for ((name, text), crates) in &taken {
        println!("\n{}\n{name}: {}\n\n{text}", "-".repeat(78), crates.join(", "));
    }
    Ok(())
}
