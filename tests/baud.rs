//! `baud=auto` over a pseudo-terminal: bytes pass at any speed. That the speed is set is looked at beside the code.

#![cfg(target_os = "linux")]

mod binary;
mod frames;

use std::fs::File;
use std::io::Write;
use std::os::fd::{AsFd, OwnedFd};

use binary::{Running, wait_for};
use frames::frame;
use nix::pty::openpty;
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use nix::unistd::ttyname;

fn raw_pair() -> (File, OwnedFd, String) {
    let pair = openpty(None, None).expect("a pseudo-terminal");
    let mut settings = tcgetattr(pair.slave.as_fd()).expect("settings");
    cfmakeraw(&mut settings);
    tcsetattr(pair.slave.as_fd(), SetArg::TCSANOW, &settings).expect("raw");
    let path = ttyname(pair.slave.as_fd()).expect("a name").display().to_string();
    (File::from(pair.master), pair.slave, path)
}

fn heartbeat(number: u64) -> Vec<u8> {
    frame(number, (1, 1), 0, 50, &[0, 0, 0, 0, 2, 3, 1, 4, 3])
}

#[test]
fn the_rate_that_was_found_is_told_and_bytes_are_recorded_as_they_came() {
    let folder = tempfile::tempdir().expect("a folder");
    let (mut line, _kept_open, path) = raw_pair();
    let url = format!("serial:{path}?baud=auto");
    let live =
        Running::fadewatch(folder.path(), &["live", "--vehicle", &url, "--record", "a.pcapng", "--json"]);
    live.says("listening; recording to a.pcapng");
    let recorded = || std::fs::read(folder.path().join("a.pcapng")).expect("a recording");
    // What a wrong rate makes of a line, then frames.
    let mut noise = 0;
    wait_for("2,000 bytes of noise", || {
        line.write_all(&[0x55; 64]).expect("bytes");
        noise += 64;
        (noise >= 2_000 && recorded().len() >= 2_000).then_some(())
    });
    let mut number = 0;
    let words = b"vehicle: frames are whole at ";
    wait_for("whole frames", || {
        line.write_all(&heartbeat(number)).expect("a frame");
        number += 1;
        recorded().windows(words.len()).any(|at| at == words).then_some(())
    });
    let printed = live.terminate();
    assert!(printed["framing"]["frames"].as_u64() >= Some(2), "{}", printed["framing"]);
    assert_eq!(printed["framing"]["skipped_bytes"].as_u64(), Some(noise), "as they came");
    let events = printed["events"].as_array().expect("events");
    let told = events.iter().filter_map(|event| event["text"].as_str());
    assert_eq!(told.filter(|text| text.contains("vehicle: frames are whole at ")).count(), 1, "{events:?}");
}

#[test]
fn of_silence_it_is_said_what_to_check_and_no_rate() {
    let folder = tempfile::tempdir().expect("a folder");
    let (_line, _kept_open, path) = raw_pair();
    let url = format!("serial:{path}?baud=auto");
    let live = Running::fadewatch(
        folder.path(),
        &["live", "--vehicle", &url, "--for", "6", "--no-record", "--json"],
    );
    let printed = live.summary();
    let first = printed["verdicts"][0]["text"].as_str().expect("a sentence");
    assert!(first.starts_with("no byte from serial:") && !first.contains("baud rate"), "{first}");
}
