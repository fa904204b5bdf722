//! `man`: the manual page, made from the definitions of the command line.
//!
//! One page for the program with all of its commands, in the macros of man(7). What each command's help ends with comes
//! from `wording/command_help`; texts of environment and files from `wording/manual_words`.

use std::io::{self, Write};
use std::process::ExitCode;

use clap::{Arg, Command, CommandFactory as _};

use crate::cli::Cli;
use crate::wording::command_help::{self, CommandHelp};
use crate::wording::manual_words;

/// Prints the page.
pub(super) fn run() -> anyhow::Result<ExitCode> {
    let mut out = super::out();
    write_to(&mut out, &mut Cli::command())?;
    out.flush()?;
    Ok(ExitCode::SUCCESS)
}

/// The page of this program, as man(7) has it.
fn write_to(out: &mut dyn Write, command: &mut Command) -> io::Result<()> {
    command.build();
    let name = command.get_name().to_owned();
    let version = command.get_version().unwrap_or_default();
    writeln!(out, ".TH {} 1 \"\" \"{}\"", name.to_uppercase(), roff(&format!("{name} {version}")))?;
    section(out, "NAME")?;
    let about = command.get_about().map(ToString::to_string).unwrap_or_default();
    writeln!(out, "{} \\- {}", roff(&name), roff(about.trim_end_matches('.')))?;
    section(out, "SYNOPSIS")?;
    writeln!(out, ".B {}\n[\\fIOPTIONS\\fR]\n[\\fICOMMAND\\fR]", roff(&name))?;
    section(out, "DESCRIPTION")?;
    let long = command.get_long_about().map(ToString::to_string).unwrap_or_default();
    paragraphs(out, long.split("\n\n").skip(1).chain(manual_words::DESCRIPTION.iter().copied()))?;
    section(out, "OPTIONS")?;
    options(out, command)?;
    section(out, "COMMANDS")?;
    for inner in command.get_subcommands().filter(|inner| inner.get_name() != "help") {
        leaf(out, inner, "")?;
    }
    for (title, rows) in [("ENVIRONMENT", manual_words::ENVIRONMENT), ("FILES", manual_words::FILES)] {
        section(out, title)?;
        for (name, text) in rows {
            writeln!(out, ".TP\n.B {}\n{}", roff(name), roff(text))?;
        }
    }
    section(out, "EXIT STATUS")?;
    for (code, means) in command_help::CODES.iter().enumerate() {
        writeln!(out, ".TP\n.B {code}\n{}", roff(means))?;
    }
    if let Some(help) = command_help::find(&name) {
        section(out, "EXAMPLES")?;
        examples(out, help)?;
    }
    section(out, "NOTES")?;
    paragraphs(out, manual_words::NOTES.iter().copied())
}

fn section(out: &mut dyn Write, title: &str) -> io::Result<()> {
    writeln!(out, ".SH {title}")
}

fn paragraphs<'a>(out: &mut dyn Write, texts: impl Iterator<Item = &'a str>) -> io::Result<()> {
    for (index, text) in texts.enumerate() {
        if index > 0 {
            writeln!(out, ".PP")?;
        }
        writeln!(out, "{}", roff(&text.replace('\n', " ")))?;
    }
    Ok(())
}

/// A command, or those within it.
fn leaf(out: &mut dyn Write, command: &Command, within: &str) -> io::Result<()> {
    let name = format!("{within}{}", command.get_name());
    let inner: Vec<&Command> = command.get_subcommands().filter(|one| one.get_name() != "help").collect();
    if !inner.is_empty() {
        return inner.into_iter().try_for_each(|one| leaf(out, one, &format!("{name} ")));
    }
    let values = command.get_positionals().map(synopsis).collect::<String>();
    writeln!(out, ".SS \"{} [OPTIONS]{}\"", roff(&name), roff(&values))?;
    let about = command.get_long_about().or(command.get_about()).map(ToString::to_string).unwrap_or_default();
    paragraphs(out, about.split("\n\n"))?;
    options(out, command)?;
    let Some(help) = command_help::find(&name) else { return Ok(()) };
    examples(out, help)?;
    let codes: Vec<String> = help.meanings().map(|(code, means)| format!("{code} {means}")).collect();
    writeln!(out, ".PP\nExit codes: {}.", roff(&codes.join("; ")))
}

/// A value as the first line of its command has it.
fn synopsis(value: &Arg) -> String {
    let name = names(value);
    let many = value.get_num_args().is_some_and(|count| count.max_values() > 1);
    let name = if many { format!("{name}...") } else { name };
    if value.is_required_set() { format!(" {name}") } else { format!(" [{name}]") }
}

/// What a person writes in the place of a value.
fn names(value: &Arg) -> String {
    let names = value.get_value_names().unwrap_or_default();
    names.iter().map(clap::builder::Str::as_str).collect::<Vec<_>>().join(" ")
}

fn options(out: &mut dyn Write, command: &Command) -> io::Result<()> {
    for option in command.get_arguments().filter(|option| !option.is_hide_set()) {
        let values = if option.get_action().takes_values() {
            format!(" \\fI{}\\fR", roff(&names(option)))
        } else {
            String::new()
        };
        let short = option.get_short().map(|short| format!("\\fB\\-{short}\\fR"));
        let long = option.get_long().map(|long| format!("\\fB{}\\fR", roff(&format!("--{long}"))));
        let head = [short, long].into_iter().flatten().collect::<Vec<_>>().join(", ");
        writeln!(out, ".TP\n{}", (head + &values).trim_start())?;
        let text = option.get_long_help().or(option.get_help()).map(ToString::to_string).unwrap_or_default();
        let mut text = text.replace('\n', " ").trim_end_matches('.').to_owned() + ".";
        let words: Vec<String> = option
            .get_possible_values()
            .iter()
            .filter(|_| option.get_action().takes_values() && !option.is_hide_possible_values_set())
            .map(|word| word.get_name().to_owned())
            .collect();
        if !words.is_empty() {
            text = format!("{text} One of: {}.", words.join(", "));
        }
        let defaults: Vec<_> =
            option.get_default_values().iter().map(|value| value.to_string_lossy()).collect();
        if !defaults.is_empty() && option.get_action().takes_values() {
            text = format!("{text} Default: {}.", defaults.join(" "));
        }
        writeln!(out, "{}", roff(&text))?;
    }
    Ok(())
}

fn examples(out: &mut dyn Write, help: &CommandHelp) -> io::Result<()> {
    for (typed, does) in help.examples {
        writeln!(out, ".TP\n.B {}\n{}", roff(typed), roff(does))?;
    }
    Ok(())
}

/// Text that means itself alone: what a person copies keeps its hyphens and quotes (groff_char(7)).
fn roff(text: &str) -> String {
    let mut safe = String::new();
    for letter in text.chars() {
        match letter {
            '\\' => safe.push_str("\\e"),
            '-' => safe.push_str("\\-"),
            '\'' => safe.push_str("\\(aq"),
            '`' => safe.push_str("\\(ga"),
            '^' => safe.push_str("\\(ha"),
            '~' => safe.push_str("\\(ti"),
            '"' => safe.push_str("\\(dq"),
            '.' if safe.is_empty() => safe.push_str("\\&."),
            letter if letter.is_ascii() => safe.push(letter),
            letter => safe.extend(["\\[u", &format!("{:04X}", u32::from(letter)), "]"]),
        }
    }
    safe
}

#[cfg(test)]
mod tests {
    use crate::run::man_command::*;

    /// groff_char(7) and man-pages(7): what they say a literal needs.
    #[test]
    fn text_means_itself_alone() {
        assert_eq!(roff(".so /etc/passwd"), "\\&.so /etc/passwd");
        assert_eq!(
            roff("--for \\n 'a' \"b\" `c` ~/d"),
            "\\-\\-for \\en \\(aqa\\(aq \\(dqb\\(dq \\(gac\\(ga \\(ti/d"
        );
        assert_eq!(roff("\u{b5}s"), "\\[u00B5]s");
    }

    #[test]
    fn every_command_and_option_stands_on_the_page() {
        let mut page = Vec::new();
        write_to(&mut page, &mut Cli::command()).unwrap();
        let page = String::from_utf8(page).unwrap();
        for help in &command_help::ALL[1..] {
            let is_leaf =
                !command_help::ALL.iter().any(|other| other.name.starts_with(&format!("{} ", help.name)));
            assert_eq!(page.contains(&format!(".SS \"{} [", help.name)), is_leaf, "{}", help.name);
        }
        for option in ["vehicle", "request-rates", "histograms", "theme"] {
            assert!(page.contains(&format!("\\fB{}\\fR", roff(&format!("--{option}")))), "{option}");
        }
        assert!(page.is_ascii() && page.lines().all(|line| !line.starts_with('\'')));
    }
}
