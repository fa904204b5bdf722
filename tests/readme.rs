//! The README says what the program does: its commands are the program's own, what it tells to type is accepted, and
//! it stays short, since the reference is `explain`.

use clap::{CommandFactory, Parser};
use fadewatch::cli::Cli;
use fadewatch::tui::action::Action;
use fadewatch::tui::keys;
use fadewatch::wording::explain;

const README: &str = include_str!("../README.md");

/// The README without its picture.
fn prose() -> String {
    let (before, rest) = README.split_once("```text\n").expect("a picture");
    let (_, after) = rest.split_once("```\n").expect("its end");
    [before, after].concat()
}

#[test]
fn it_lists_every_command() {
    let command = Cli::command();
    let rows = || README.lines().filter_map(|line| line.strip_prefix("| `"));
    for inner in command.get_subcommands() {
        let named = |row: &str| row.split([' ', '`']).next() == Some(inner.get_name());
        assert!(rows().any(named), "no row in the table of commands: {}", inner.get_name());
    }
    assert_eq!(rows().count(), command.get_subcommands().count());
}

#[test]
fn what_it_tells_to_type_is_accepted() {
    let text = prose().replace("\\\n", " ");
    let typed = |text: &str| text.starts_with("fadewatch ").then(|| text.trim().to_owned());
    let mut commands: Vec<String> = text.split('`').skip(1).step_by(2).filter_map(typed).collect();
    commands.extend(text.lines().filter_map(typed));
    assert!(commands.len() > 8, "{commands:?}");
    for command in commands {
        assert!(Cli::try_parse_from(command.split_whitespace()).is_ok(), "{command}");
    }
    let words = text.split('`').skip(1).step_by(2);
    for name in words.filter_map(|word| word.strip_prefix("explain ")) {
        assert!(name.starts_with('[') || !explain::find(name).is_empty(), "{name}");
    }
}

#[test]
fn it_names_the_keys_that_name_all_others() {
    for action in [Action::Help, Action::Explain, Action::Quit] {
        assert!(README.contains(&format!("`{}`", keys::shown(action))), "{action:?}");
    }
}

#[test]
fn every_dependency_has_its_reason() {
    let manifest: toml::Table = include_str!("../Cargo.toml").parse().expect("a manifest");
    let developers = include_str!("../DEVELOPERS.md");
    let mut count = 0;
    for table in ["dependencies", "dev-dependencies"] {
        for name in manifest[table].as_table().expect("a table").keys().filter(|name| *name != "fadewatch") {
            let words: Vec<&str> = developers.split([' ', ',', '|', '\n', '(']).collect();
            assert!(words.contains(&name.as_str()), "no reason in DEVELOPERS.md: {name}");
            count += 1;
        }
    }
    assert!(count > 20, "{count}");
}

#[test]
fn it_is_short() {
    let words = prose().split_whitespace().count();
    assert!(README.lines().count() <= 150 && (700..1000).contains(&words), "{words}");
    let developers = include_str!("../DEVELOPERS.md").lines().count();
    assert!(developers <= 200, "{developers}");
}
