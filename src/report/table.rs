//! Rows and columns, and how they are written: CSV (RFC 4180), or one JSON object a line.
//!
//! An absent figure is an empty cell, or `null`. A text that a spreadsheet would take for a formula has a `'` before it:
//! one that begins with `=`, `+`, `-`, `@`, a tab or a line break. Numbers stay as they are.

use std::io;
use std::io::Write;

use serde_json::{Map, Value};

use super::write_json_to;
use crate::record::text::is_printable;

/// What stands in a row and a column.
#[derive(Clone, Debug, PartialEq)]
pub enum Cell {
    /// Not measured, or not there.
    Absent,
    /// A figure.
    Number(f64),
    /// How many.
    Count(u64),
    /// Yes or no.
    Flag(bool),
    /// Words.
    Text(String),
}

impl From<f64> for Cell {
    fn from(value: f64) -> Self {
        if value.is_finite() { Self::Number(value) } else { Self::Absent }
    }
}

impl From<u64> for Cell {
    fn from(value: u64) -> Self {
        Self::Count(value)
    }
}

impl From<u32> for Cell {
    fn from(value: u32) -> Self {
        Self::Count(value.into())
    }
}

impl From<u8> for Cell {
    fn from(value: u8) -> Self {
        Self::Count(value.into())
    }
}

impl From<bool> for Cell {
    fn from(value: bool) -> Self {
        Self::Flag(value)
    }
}

impl From<&str> for Cell {
    fn from(value: &str) -> Self {
        Self::Text(value.to_owned())
    }
}

impl<T: Into<Self>> From<Option<T>> for Cell {
    fn from(value: Option<T>) -> Self {
        value.map_or(Self::Absent, Into::into)
    }
}

/// Rows under named columns.
#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    /// Its name.
    pub name: &'static str,
    /// Their names, each with its unit.
    pub columns: &'static [&'static str],
    /// As wide as the columns.
    pub rows: Vec<Vec<Cell>>,
}

impl Table {
    /// Writes it as CSV, the names first.
    pub fn write_csv_to(&self, out: &mut dyn Write) -> io::Result<()> {
        write!(out, "{}\r\n", self.columns.join(","))?;
        for row in &self.rows {
            for (place, cell) in row.iter().enumerate() {
                if place > 0 {
                    out.write_all(b",")?;
                }
                match cell {
                    Cell::Absent => {}
                    Cell::Number(number) => write!(out, "{number}")?,
                    Cell::Count(count) => write!(out, "{count}")?,
                    Cell::Flag(flag) => write!(out, "{flag}")?,
                    Cell::Text(text) => write_text(out, text)?,
                }
            }
            out.write_all(b"\r\n")?;
        }
        Ok(())
    }

    /// Writes it as one JSON object a line.
    pub fn write_ndjson_to(&self, out: &mut dyn Write) -> io::Result<()> {
        for row in &self.rows {
            let value = |cell: &Cell| match cell {
                Cell::Absent => Value::Null,
                Cell::Number(number) => Value::from(*number),
                Cell::Count(count) => Value::from(*count),
                Cell::Flag(flag) => Value::from(*flag),
                Cell::Text(text) => Value::from(text.as_str()),
            };
            let pairs =
                self.columns.iter().zip(row).map(|(column, cell)| ((*column).to_owned(), value(cell)));
            write_json_to(out, &pairs.collect::<Map<String, Value>>())?;
        }
        Ok(())
    }
}

fn write_text(out: &mut dyn Write, text: &str) -> io::Result<()> {
    let is_formula = text.starts_with(['=', '+', '-', '@', '\t', '\r', '\n']);
    let mut safe = String::with_capacity(text.len() + 1);
    if is_formula {
        safe.push('\'');
    }
    safe.extend(text.chars().map(|letter| if is_printable(letter) { letter } else { '\u{fffd}' }));
    if safe.contains([',', '"']) {
        write!(out, "\"{}\"", safe.replace('"', "\"\""))
    } else {
        write!(out, "{safe}")
    }
}

#[cfg(test)]
mod tests {
    use crate::report::table::*;

    /// RFC 4180, 2: lines end in CR LF; fields with commas or quotes stand in quotes, and quotes in them twice.
    #[test]
    fn texts_are_quoted_and_no_formula() {
        let table = Table {
            name: "a",
            columns: &["b", "c"],
            rows: vec![
                vec![Cell::Text("a, \"b\"".to_owned()), Cell::Number(-1.5)],
                vec![Cell::Text("=1+1".to_owned()), Cell::Absent],
                vec![Cell::Text("-2, 3".to_owned()), Cell::Flag(true)],
                vec![Cell::Text("\t@x\r\n".to_owned()), Cell::from(f64::NAN)],
            ],
        };
        let mut out = Vec::new();
        table.write_csv_to(&mut out).unwrap();
        let expected =
            "b,c\r\n\"a, \"\"b\"\"\",-1.5\r\n'=1+1,\r\n\"'-2, 3\",true\r\n'\u{fffd}@x\u{fffd}\u{fffd},\r\n";
        assert_eq!(String::from_utf8(out).unwrap(), expected);
    }
}
