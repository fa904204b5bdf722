//! Tables as Parquet (format version 1): one row group, one page a column, plain values, nothing compressed.
//!
//! Source: the Apache Parquet format's own description (`parquet.thrift`, `Encodings.md`), and Thrift's compact protocol for
//! its headers. Every column is optional; its type hangs on its name alone, so that all sessions have one schema.

use std::io;
use std::io::Write;

use super::table::{Cell, Table};

const MAGIC: &[u8; 4] = b"PAR1";
/// Columns of words, of yes or no, and of whole numbers; all others are figures.
const WORDS: [&str; 15] = [
    "link",
    "role",
    "state",
    "unit",
    "phase",
    "stage",
    "interface",
    "kind",
    "text",
    "why_not",
    "what",
    "causes",
    "cause",
    "seen_by",
    "axis",
];
const FLAGS: [&str; 6] = ["frozen", "ended", "evidence", "strained", "told", "folded"];
const COUNTS: [&str; 11] = [
    "received",
    "lost",
    "system",
    "component",
    "stick",
    "output",
    "pictures",
    "count",
    "apart",
    "spectra",
    "motor_times",
];

/// The types of the format that are used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Flag = 0,
    Count = 2,
    Number = 5,
    Words = 6,
}

impl Kind {
    fn of(column: &str) -> Self {
        match column {
            _ if WORDS.contains(&column) => Self::Words,
            _ if FLAGS.contains(&column) => Self::Flag,
            _ if COUNTS.contains(&column) => Self::Count,
            _ => Self::Number,
        }
    }
}

/// Thrift's compact protocol, as much as is needed.
#[derive(Default)]
struct Compact {
    out: Vec<u8>,
    /// The field before, of each struct that is open.
    fields: Vec<u8>,
}

impl Compact {
    const INT: u8 = 5;
    const LONG: u8 = 6;
    const TEXT: u8 = 8;
    const LIST: u8 = 9;
    const STRUCT: u8 = 12;

    fn varint(&mut self, mut value: u64) {
        while value >= 0x80 {
            self.out.push(value as u8 | 0x80);
            value >>= 7;
        }
        self.out.push(value as u8);
    }

    fn field(&mut self, number: u8, kind: u8) {
        if let Some(before) = self.fields.last_mut() {
            self.out.push((number - *before) << 4 | kind);
            *before = number;
        }
    }

    /// Counts and sizes alone are written: none is below zero.
    fn int(&mut self, number: u8, kind: u8, value: u64) {
        self.field(number, kind);
        self.varint(value << 1);
    }

    fn bytes(&mut self, text: &str) {
        self.varint(text.len() as u64);
        self.out.extend_from_slice(text.as_bytes());
    }

    fn list(&mut self, number: u8, kind: u8, length: usize) {
        self.field(number, Self::LIST);
        if length < 15 {
            self.out.push((length as u8) << 4 | kind);
        } else {
            self.out.push(0xF0 | kind);
            self.varint(length as u64);
        }
    }

    fn nest(&mut self, fill: impl FnOnce(&mut Self)) {
        self.fields.push(0);
        fill(self);
        self.fields.pop();
        self.out.push(0);
    }

    fn inner(&mut self, number: u8, fill: impl FnOnce(&mut Self)) {
        self.field(number, Self::STRUCT);
        self.nest(fill);
    }
}

/// A column's values: which are there, in runs, then those, one after the other.
fn page(table: &Table, column: usize, kind: Kind) -> Vec<u8> {
    let cells = || table.rows.iter().map(|row| &row[column]);
    let mut levels = Compact::default();
    let present: Vec<bool> = cells().map(|cell| *cell != Cell::Absent).collect();
    for run in present.chunk_by(|one, other| one == other) {
        levels.varint((run.len() as u64) << 1);
        levels.out.push(u8::from(run[0]));
    }
    let mut page = (levels.out.len() as u32).to_le_bytes().to_vec();
    page.append(&mut levels.out);
    let mut flags = 0;
    for cell in cells() {
        match (cell, kind) {
            (Cell::Number(number), _) => page.extend(number.to_le_bytes()),
            (Cell::Count(count), Kind::Number) => page.extend((*count as f64).to_le_bytes()),
            (Cell::Count(count), _) => page.extend(count.to_le_bytes()),
            (Cell::Text(text), _) => {
                page.extend((text.len() as u32).to_le_bytes());
                page.extend(text.as_bytes());
            }
            (Cell::Flag(flag), _) => {
                if flags % 8 == 0 {
                    page.push(0);
                }
                if let Some(last) = page.last_mut() {
                    *last |= u8::from(*flag) << (flags % 8);
                }
                flags += 1;
            }
            (Cell::Absent, _) => {}
        }
    }
    page
}

/// What stands before a page: a data page, plain, with its levels in runs.
fn page_header(size: u64, rows: u64) -> Vec<u8> {
    let mut header = Compact::default();
    header.nest(|page| {
        page.int(1, Compact::INT, 0);
        page.int(2, Compact::INT, size);
        page.int(3, Compact::INT, size);
        page.inner(5, |data| {
            data.int(1, Compact::INT, rows);
            data.int(2, Compact::INT, 0);
            data.int(3, Compact::INT, 3);
            data.int(4, Compact::INT, 3);
        });
    });
    header.out
}

/// Where a column stands in the file, and its bytes.
struct Chunk {
    kind: Kind,
    offset: u64,
    size: u64,
}

/// Writes a table as one file.
pub fn write_to(table: &Table, out: &mut dyn Write) -> io::Result<()> {
    out.write_all(MAGIC)?;
    let rows = table.rows.len() as u64;
    let (mut offset, mut chunks) = (MAGIC.len() as u64, Vec::new());
    for (place, column) in table.columns.iter().enumerate() {
        let kind = Kind::of(column);
        let page = page(table, place, kind);
        let header = page_header(page.len() as u64, rows);
        out.write_all(&header)?;
        out.write_all(&page)?;
        let size = (header.len() + page.len()) as u64;
        chunks.push(Chunk { kind, offset, size });
        offset += size;
    }
    let footer = footer(table, rows, &chunks);
    out.write_all(&footer)?;
    out.write_all(&(footer.len() as u32).to_le_bytes())?;
    out.write_all(MAGIC)
}

fn footer(table: &Table, rows: u64, chunks: &[Chunk]) -> Vec<u8> {
    let mut file = Compact::default();
    let columns = table.columns.iter().zip(chunks);
    file.nest(|file| {
        file.int(1, Compact::INT, 1);
        file.list(2, Compact::STRUCT, chunks.len() + 1);
        file.nest(|root| {
            root.field(4, Compact::TEXT);
            root.bytes(table.name);
            root.int(5, Compact::INT, chunks.len() as u64);
        });
        for (column, chunk) in columns.clone() {
            file.nest(|element| {
                element.int(1, Compact::INT, chunk.kind as u64);
                // Optional.
                element.int(3, Compact::INT, 1);
                element.field(4, Compact::TEXT);
                element.bytes(column);
                if chunk.kind == Kind::Words {
                    // UTF-8.
                    element.int(6, Compact::INT, 0);
                }
            });
        }
        file.int(3, Compact::LONG, rows);
        file.list(4, Compact::STRUCT, 1);
        file.nest(|group| {
            group.list(1, Compact::STRUCT, chunks.len());
            for (column, chunk) in columns {
                group.nest(|own| {
                    own.int(2, Compact::LONG, chunk.offset);
                    own.inner(3, |meta| {
                        meta.int(1, Compact::INT, chunk.kind as u64);
                        meta.list(2, Compact::INT, 2);
                        // Plain, and runs, each doubled as whole numbers are.
                        meta.out.extend([0, 6]);
                        meta.list(3, Compact::TEXT, 1);
                        meta.bytes(column);
                        meta.int(4, Compact::INT, 0);
                        meta.int(5, Compact::LONG, rows);
                        meta.int(6, Compact::LONG, chunk.size);
                        meta.int(7, Compact::LONG, chunk.size);
                        meta.int(9, Compact::LONG, chunk.offset);
                    });
                });
            }
            group.int(2, Compact::LONG, chunks.iter().map(|chunk| chunk.size).sum());
            group.int(3, Compact::LONG, rows);
        });
        file.field(6, Compact::TEXT);
        file.bytes(concat!("fadewatch version ", env!("CARGO_PKG_VERSION")));
    });
    file.out
}

#[cfg(test)]
mod tests {
    use std::fs::File;
    use std::process::Command;

    use crate::report::parquet::*;

    /// Read by pyarrow, where python3 has it.
    #[test]
    fn another_reader_finds_every_cell() {
        let text = |text: &str| Cell::Text(text.to_owned());
        let rows = (0..100_u32).map(|number| {
            let level = if number % 7 == 0 { Cell::Absent } else { Cell::Number(f64::from(number) / 8.0) };
            let frozen = if number % 5 == 0 { Cell::Absent } else { Cell::Flag(number % 3 == 0) };
            vec![text(&format!("ß{number}")), level, Cell::Count(number.into()), frozen, Cell::Absent]
        });
        let columns = &["link", "level", "lost", "frozen", "margin"];
        let table = Table { name: "seconds", columns, rows: rows.collect() };
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.parquet");
        write_to(&table, &mut File::create(&path).unwrap()).unwrap();
        let empty = folder.path().join("b.parquet");
        write_to(&Table { rows: Vec::new(), ..table }, &mut File::create(&empty).unwrap()).unwrap();
        let has_it = Command::new("python3").args(["-c", "import pyarrow.parquet"]).output();
        if !has_it.is_ok_and(|ran| ran.status.success()) {
            return;
        }
        let read = "import sys, pyarrow.parquet as p\n\
                    t = p.read_table(sys.argv[1]).to_pylist()\n\
                    assert len(t) == 100\n\
                    for n, r in enumerate(t):\n\
                    \x20   frozen = None if n % 5 == 0 else n % 3 == 0\n\
                    \x20   level = None if n % 7 == 0 else n / 8\n\
                    \x20   e = dict(link='\\u00df%d' % n, level=level, lost=n, frozen=frozen, margin=None)\n\
                    \x20   assert r == e, (r, e)\n\
                    t = p.read_table(sys.argv[2])\n\
                    assert t.num_rows == 0 and t.num_columns == 5\n";
        let ran = Command::new("python3").args(["-c", read]).args([&path, &empty]).output().unwrap();
        assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
    }
}
