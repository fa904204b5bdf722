//! Writes generated input for the benches, of any size.
//!
//! `cargo run --release --example generate -- bare|flight MEGABYTES FILE`: bare MAVLink bytes of a serial
//! port, or the recording of a flight (MAVLink and RTP video); the profile that goes with a flight is
//! written beside it, with the ending `.toml`.

#[path = "../benches/generated/mod.rs"]
mod generated;

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

fn main() -> std::io::Result<()> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let [kind, size, path] = words.as_slice() else { return usage() };
    let Ok(megabytes) = size.parse::<u64>() else { return usage() };
    let mut out = BufWriter::with_capacity(1 << 20, File::create(path)?);
    match kind.as_str() {
        "bare" => generated::write_bare(&mut out, megabytes * 1_000_000)?,
        "flight" => {
            generated::write_flight(&mut out, megabytes * 1_000_000)?;
            std::fs::write(Path::new(path).with_extension("toml"), generated::PROFILE)?;
        }
        _ => return usage(),
    }
    out.flush()
}

fn usage() -> std::io::Result<()> {
    let words = "usage: generate bare|flight MEGABYTES FILE";
    Err(std::io::Error::new(std::io::ErrorKind::InvalidInput, words))
}
