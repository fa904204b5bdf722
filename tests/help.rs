//! Help, completions and the manual page: made from the same definitions, complete, and right by the tools that read them.
//!
//! A tool that this computer lacks is said, and its part left out.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]
#![allow(clippy::print_stderr, reason = "what was left out is said")]

use std::collections::BTreeSet;
use std::io::Write;
use std::process::{Command, Output, Stdio};

use clap::{CommandFactory, Parser};
use fadewatch::cli::Cli;
use fadewatch::wording::command_help::{ALL, CODES};

fn fadewatch(arguments: &[&str]) -> Output {
    let output = Command::new(env!("CARGO_BIN_EXE_fadewatch"))
        .args(arguments)
        .env("FADEWATCH_PROFILE", "none")
        .stdin(Stdio::null())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
    output
}

/// Every command with the names of those that it stands in.
fn commands(command: &clap::Command, within: &str, found: &mut Vec<(String, clap::Command)>) {
    let name = format!("{within}{}", command.get_name());
    let inner = if within.is_empty() && found.is_empty() { String::new() } else { format!("{name} ") };
    found.push((name, command.clone()));
    command.get_subcommands().for_each(|one| commands(one, &inner, found));
}

#[test]
fn every_help_ends_with_two_examples_and_the_exit_codes() {
    let mut found = Vec::new();
    commands(&Cli::command(), "", &mut found);
    assert!(found.len() > 25, "{}", found.len());
    let names: Vec<&str> = ALL.iter().map(|help| help.name).collect();
    let there: BTreeSet<&str> = found.iter().map(|(name, _)| name.as_str()).collect();
    assert_eq!(names.iter().copied().collect::<BTreeSet<_>>(), there);
    assert_eq!(names.len(), there.len(), "none twice");
    for (name, mut command) in found {
        let help = ALL.iter().find(|help| help.name == name).unwrap();
        for text in [command.render_help().to_string(), command.render_long_help().to_string()] {
            let (_, end) = text.split_once("\nExamples:\n").unwrap_or_else(|| panic!("{name}: {text}"));
            let (examples, codes) =
                end.split_once("\nExit codes:\n").unwrap_or_else(|| panic!("{name}: {text}"));
            for (typed, does) in help.examples {
                assert!(examples.contains(typed) && examples.contains(does), "{name}: {text}");
            }
            assert_eq!(codes.trim_end().lines().count(), help.codes.len(), "{name}: {codes}");
        }
    }
}

/// The codes of the design: 0 fine, 1 a limit failed, 2 wrong use or unreadable input, 3 not proven (bench).
#[test]
fn exit_codes_are_the_four_of_the_design() {
    for help in ALL {
        assert!(
            help.codes.is_sorted() && help.codes.first() == Some(&0) && help.codes.contains(&2),
            "{}",
            help.name
        );
        assert!(help.codes.iter().all(|code| usize::from(*code) < CODES.len()), "{}", help.name);
        assert_eq!(help.codes.contains(&1), !help.failed.is_empty(), "{}", help.name);
        assert_eq!(help.codes.contains(&3), ["bench", "fadewatch"].contains(&help.name), "{}", help.name);
    }
}

#[test]
fn every_example_can_be_typed_and_is_of_its_command() {
    for help in ALL {
        for (typed, does) in help.examples {
            let typed = typed.split(" > ").next().unwrap().split(" | ").next().unwrap();
            let words: Vec<&str> = typed.split_whitespace().skip_while(|word| *word == "sudo").collect();
            assert!(Cli::try_parse_from(&words).is_ok(), "{typed}");
            assert!(!does.is_empty() && words[0] == "fadewatch", "{typed}");
            let own = format!("fadewatch {}", help.name);
            assert!(help.name == "fadewatch" || words.join(" ").starts_with(&own), "{}: {typed}", help.name);
        }
    }
}

#[test]
fn explain_and_the_manual_page_have_the_same_table() {
    let text = |arguments: &[&str]| String::from_utf8(fadewatch(arguments).stdout).unwrap();
    let (explained, page) = (text(&["explain", "commands"]), text(&["man"]));
    let page = page.replace("\\-", "-").replace("\\(ti", "~");
    for help in &ALL[1..] {
        for (typed, _) in help.examples {
            assert!(explained.contains(typed), "{typed}");
            let has_inner = ALL.iter().any(|other| other.name.starts_with(&format!("{} ", help.name)));
            assert!(has_inner || page.contains(typed), "{typed}");
        }
    }
    for means in CODES {
        assert!(explained.contains(means) && page.contains(means), "{means}");
    }
}

/// Runs a tool on a text, by a file whose name comes last; `None`, and a word, where it is not there.
fn tool(name: &str, arguments: &[&str], text: &[u8]) -> Option<Output> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("fadewatch.1");
    std::fs::File::create(&path).unwrap().write_all(text).unwrap();
    let run = Command::new(name).args(arguments).arg(&path).current_dir(folder.path()).output();
    if run.is_err() {
        eprintln!("left out: {name} is not there");
    }
    run.ok()
}

fn is_clean(name: &str, arguments: &[&str], text: &[u8]) {
    let Some(output) = tool(name, arguments, text) else { return };
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success() && said.is_empty(), "{name} {arguments:?}: {said}");
}

#[test]
fn shells_read_their_completions() {
    for shell in ["bash", "zsh", "fish"] {
        let script = fadewatch(&["completions", shell]).stdout;
        is_clean(shell, &["-n"], &script);
    }
}

#[test]
fn bash_and_fish_complete_commands_and_options() {
    let ask = "source \"$1\"; complete -p fadewatch >/dev/null || exit 9; \
               COMP_WORDS=(fadewatch li); COMP_CWORD=1; _fadewatch fadewatch li fadewatch; echo \"${COMPREPLY[@]}\"; \
               COMP_WORDS=(fadewatch live --on-a); COMP_CWORD=2; _fadewatch fadewatch --on-a live; echo \"${COMPREPLY[@]}\"; \
               COMP_WORDS=(fadewatch history re); COMP_CWORD=2; _fadewatch fadewatch re history; echo \"${COMPREPLY[@]}\"";
    if let Some(output) = tool("bash", &["-c", ask, "bash"], &fadewatch(&["completions", "bash"]).stdout) {
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        assert_eq!(said.lines().collect::<Vec<_>>(), ["live", "--on-alarm", "remove rebuild"], "{output:?}");
    }
    let ask = "source $argv[1]; complete -C 'fadewatch li'; complete -C 'fadewatch live --on-a'";
    if let Some(output) = tool("fish", &["-c", ask], &fadewatch(&["completions", "fish"]).stdout) {
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        let words: Vec<&str> = said.lines().filter_map(|line| line.split('\t').next()).collect();
        assert_eq!(words, ["live", "--on-alarm"], "{output:?}");
    }
}

#[test]
fn the_manual_page_is_clean_by_the_tools_that_read_it() {
    let page = fadewatch(&["man"]).stdout;
    is_clean("groff", &["-ww", "-man", "-Tascii", "-z"], &page);
    is_clean("man", &["--warnings", "-E", "UTF-8", "-l"], &page);
    if let Some(output) = tool("mandoc", &["-T", "lint", "-W", "warning"], &page) {
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        // It has no date: it is made from what is built.
        let wrong: Vec<&str> = said.lines().filter(|line| !line.contains("missing date")).collect();
        assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    }
}
