//! A simulated session as a recording, with its truth beside it.

use std::io::Write;
use std::path::{Path, PathBuf};

use crate::capture::PcapngWriter;
use crate::simulate::{Scenario, run};

/// Where the truth of a recording lies: beside it, `.truth.json` in place of its extension.
#[must_use]
pub fn truth_path(recording: &Path) -> PathBuf {
    recording.with_extension("truth.json")
}

/// Writes a session as a recording (pcapng) and its truth beside it; says where the truth went.
pub fn run_to_file(scenario: &Scenario, recording: &Path) -> std::io::Result<PathBuf> {
    let session = run(scenario);
    let file = std::io::BufWriter::new(std::fs::File::create(recording)?);
    let mut writer = PcapngWriter::new(file);
    for entry in session.entries() {
        writer.write(&entry)?;
    }
    writer.flush()?;
    let truth = truth_path(recording);
    let mut out = std::fs::File::create(&truth)?;
    serde_json::to_writer_pretty(&mut out, &session.truth)?;
    out.write_all(b"\n")?;
    Ok(truth)
}
