//! Makes the bundled sessions small: they are part of the program, and `demo` alone reads them.

use std::fs::{self, File};
use std::io::{self, Write as _};
use std::path::Path;

use flate2::{Compression, write::GzEncoder};

fn main() -> io::Result<()> {
    let out = std::env::var_os("OUT_DIR").ok_or_else(|| io::Error::other("cargo names no OUT_DIR"))?;
    for number in 1..=4 {
        let name = format!("orchard-{number}.pcapng");
        let session = Path::new("recordings").join(&name);
        println!("cargo::rerun-if-changed={}", session.display());
        let mut file = GzEncoder::new(File::create(Path::new(&out).join(name + ".gz"))?, Compression::best());
        file.write_all(&fs::read(session)?)?;
        file.finish()?;
    }
    Ok(())
}
