//! The small corpora of `tests/corpus/`, replayed under the laws that fuzzing tries to break (`tests/fuzz/README.md`).

#![expect(clippy::print_stdout, reason = "a broken law is told with its input")]

mod laws;

use std::fs;
use std::path::{Path, PathBuf};

use laws::LAWS;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/corpus")
}

fn inputs(target: &str) -> Vec<PathBuf> {
    let files = fs::read_dir(folder().join(target)).expect("a corpus");
    let mut files: Vec<PathBuf> = files.map(|file| file.expect("a file").path()).collect();
    files.sort();
    files
}

#[test]
fn each_input_keeps_the_laws() {
    for (target, law) in LAWS {
        let files = inputs(target);
        assert!(files.len() >= 10, "{target} has {} inputs", files.len());
        for file in files {
            // The name of the input stands before what a broken law says.
            println!("{}", file.display());
            law(&fs::read(&file).expect("an input"));
        }
    }
}

/// Small enough to live in the repository, and no folder without a law.
#[test]
fn corpora_are_small_and_known() {
    let mut bytes = 0;
    for target in fs::read_dir(folder()).expect("corpora") {
        let name = target.expect("a folder").file_name().into_string().expect("a name");
        assert!(LAWS.iter().any(|(law, _)| *law == name), "{name} has no law");
        bytes += inputs(&name).iter().map(|file| fs::metadata(file).expect("a file").len()).sum::<u64>();
    }
    assert!(bytes <= 300_000, "{bytes} bytes");
}
