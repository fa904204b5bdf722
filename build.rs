//! Makes small what is part of the program and seldom read: the bundled sessions of `demo`, the notices.

use std::fs::{self, File};
use std::io::{self, Write as _};
use std::path::Path;

use flate2::{Compression, write::GzEncoder};

fn main() -> io::Result<()> {
    let out = std::env::var_os("OUT_DIR").ok_or_else(|| io::Error::other("cargo names no OUT_DIR"))?;
    let sessions = (1..=4).map(|number| format!("recordings/orchard-{number}.pcapng"));
    for path in sessions.chain(["src/run/notices.txt".to_owned()]) {
        println!("cargo::rerun-if-changed={path}");
        let name = path.rsplit('/').next().unwrap_or_default();
        let packed = File::create(Path::new(&out).join(format!("{name}.gz")))?;
        let mut file = GzEncoder::new(packed, Compression::best());
        file.write_all(&fs::read(&path)?)?;
        file.finish()?;
    }
    Ok(())
}
