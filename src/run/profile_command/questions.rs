//! Questions with numbered answers, on standard input and output: over ssh, in a plain console, through a pipe.

use std::io::{BufRead, Write};

use anyhow::{Context as _, bail};

/// Asks, or takes the default of every question.
pub(super) struct Asker<'a> {
    input: Box<dyn BufRead + 'a>,
    out: Box<dyn Write + 'a>,
    /// Ask nothing: the defaults are the answers.
    yes: bool,
}

impl<'a> Asker<'a> {
    pub(super) fn new(input: Box<dyn BufRead + 'a>, out: Box<dyn Write + 'a>, yes: bool) -> Self {
        Self { input, out, yes }
    }

    /// Whether nothing is asked.
    pub(super) const fn takes_defaults(&self) -> bool {
        self.yes
    }

    /// Says a line.
    pub(super) fn say(&mut self, line: &str) -> anyhow::Result<()> {
        writeln!(self.out, "{line}")?;
        Ok(self.out.flush()?)
    }

    /// One of several answers, numbered from 1; Enter takes the default.
    pub(super) fn choose(
        &mut self,
        question: &str,
        answers: &[String],
        default: usize,
    ) -> anyhow::Result<usize> {
        if self.yes {
            return Ok(default);
        }
        writeln!(self.out, "\n{question}")?;
        for (index, answer) in answers.iter().enumerate() {
            writeln!(self.out, "  {} {answer}", index + 1)?;
        }
        let most = answers.len();
        self.ask(&format!("1 to {most}"), &(default + 1).to_string(), |typed| {
            let number = typed.parse::<usize>().ok().filter(|number| (1..=most).contains(number));
            number.map(|number| number - 1).ok_or_else(|| format!("type a number from 1 to {most}"))
        })
    }

    /// Anything that can be read; Enter takes the default, an empty text where there is none.
    pub(super) fn text<T>(
        &mut self,
        question: &str,
        default: &str,
        read: impl FnMut(&str) -> Result<T, String>,
    ) -> anyhow::Result<T> {
        if !self.yes {
            writeln!(self.out, "\n{question}")?;
        }
        self.ask("", default, read)
    }

    fn ask<T>(
        &mut self,
        range: &str,
        default: &str,
        mut read: impl FnMut(&str) -> Result<T, String>,
    ) -> anyhow::Result<T> {
        let mut answer = None;
        self.ask_until(range, default, &mut |typed| {
            answer = Some(read(typed)?);
            Ok(())
        })?;
        answer.context("no answer")
    }

    fn ask_until(
        &mut self,
        range: &str,
        default: &str,
        read: &mut dyn FnMut(&str) -> Result<(), String>,
    ) -> anyhow::Result<()> {
        if self.yes {
            return read(default).map_err(anyhow::Error::msg);
        }
        let enter = if default.is_empty() { "none" } else { default };
        loop {
            let space = if range.is_empty() { "" } else { " " };
            write!(self.out, "{range}{space}[Enter: {enter}] > ")?;
            self.out.flush()?;
            let mut line = String::new();
            if self.input.read_line(&mut line)? == 0 {
                writeln!(self.out)?;
                bail!(
                    "the input ended before all was answered, nothing was written; --yes takes what is evident"
                );
            }
            let typed = line.trim();
            match read(if typed.is_empty() { default } else { typed }) {
                Ok(()) => return Ok(()),
                Err(why) => writeln!(self.out, "{why}")?,
            }
        }
    }
}
