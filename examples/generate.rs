//! Writes generated input for the benches, of any size.
//!
//! `cargo run --release --example generate -- bare|flight MEGABYTES FILE`: bare MAVLink bytes of a serial
//! port, or the recording of a flight (MAVLink and RTP video); the profile that goes with a flight is
//! written beside it, with the ending `.toml`. `-- restarts FILE`: 70 hours of bare bytes, a restart every 150 s.

#[path = "../benches/generated/mod.rs"]
mod generated;

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

fn main() -> std::io::Result<()> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    let (kind, megabytes, path) = match words[..] {
        [kind @ ("bare" | "flight"), size, path] => (kind, size.parse::<u64>().or_else(|_| usage())?, path),
        ["restarts", path] => ("restarts", 0, path),
        _ => return usage(),
    };
    let mut out = BufWriter::with_capacity(1 << 20, File::create(path)?);
    match kind {
        "bare" => generated::write_bare(&mut out, megabytes * 1_000_000)?,
        "restarts" => generated::write_restarts(&mut out)?,
        _ => {
            generated::write_flight(&mut out, megabytes * 1_000_000)?;
            std::fs::write(Path::new(path).with_extension("toml"), generated::PROFILE)?;
        }
    }
    out.flush()
}

fn usage<T>() -> std::io::Result<T> {
    let words = "usage: generate bare|flight MEGABYTES FILE, or generate restarts FILE";
    Err(std::io::Error::new(std::io::ErrorKind::InvalidInput, words))
}
