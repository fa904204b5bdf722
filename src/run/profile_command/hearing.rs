//! What is heard: from sources, for some seconds, or from recordings. Nothing is recorded, nothing is sent.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use crate::capture::Recording;
use crate::clock::SessionClock;
use crate::monitor::Heard;
use crate::profile::Profile;
use crate::run::source_urls::SourceUrls;
use crate::run::{Reading, analyse, screens};
use crate::session::live;
use crate::session::live::Known;
use crate::summary::Earlier;

/// Between two looks at whether the sources have ended.
const LOOK_EVERY: Duration = Duration::from_millis(50);

/// Listens for so many seconds, and says what the sources have to say. Ctrl-C ends the program as usual: nothing is held
/// that must be closed in order.
pub(super) fn listen(
    urls: &SourceUrls,
    seconds: f64,
    say: &mut dyn FnMut(&str) -> anyhow::Result<()>,
) -> anyhow::Result<Heard> {
    let handle = live::start(urls.listening(), |_| Known::default())?;
    let clock = SessionClock::start();
    let begun = clock.now();
    let is_over = || {
        let ended = urls.all_end() && screens::have_all_ended(&handle);
        handle.is_finished() || ended || (clock.now() - begun).secs() >= seconds
    };
    let mut told = None;
    while !is_over() {
        let message = handle.feed().and_then(|feed| feed.message.clone());
        if message != told {
            say(message.as_deref().unwrap_or_default())?;
            told = message;
        }
        std::thread::sleep(LOOK_EVERY);
    }
    Ok(handle.finish()?.heard)
}

/// What all these recordings hold.
pub(super) fn read(files: &[PathBuf]) -> anyhow::Result<Heard> {
    let mut all = Heard::default();
    for file in files {
        let recording = Recording::open(file)?;
        let profile: Arc<Profile> = Arc::default();
        let (monitor, facts) =
            analyse(&recording, &profile, Earlier::default(), Reading::of_files(1), &|_| {});
        add(&mut all, monitor.heard(&monitor.summary(&facts)));
    }
    Ok(all)
}

/// Puts together what several recordings hold.
fn add(all: &mut Heard, one: Heard) {
    all.duration_s += one.duration_s;
    match (all.autopilot, one.autopilot) {
        (None, _) => all.autopilot = one.autopilot,
        (Some(known), Some(other)) if known.0 != other.0 => {
            all.other_vehicle.get_or_insert(other.0);
        }
        _ => {}
    }
    all.other_vehicle = all.other_vehicle.or(one.other_vehicle);
    merge(&mut all.sources, one.sources, |a, b| a.name == b.name);
    merge(&mut all.senders, one.senders, |a, b| {
        (&a.interface, a.system, a.component) == (&b.interface, b.system, b.component)
    });
    merge(&mut all.radios, one.radios, |a, b| {
        (a.report, a.system, a.component, &a.name) == (b.report, b.system, b.component, &b.name)
    });
    merge(&mut all.pictures, one.pictures, |a, b| {
        (&a.interface, a.port, a.ssrc) == (&b.interface, b.port, b.ssrc)
    });
    merge(&mut all.transmitters, one.transmitters, |a, b| a == b);
    merge(&mut all.tags, one.tags, |a, b| a.0 == b.0);
    all.picture_by = all.picture_by.take().or(one.picture_by);
    all.telemetry_by = all.telemetry_by.take().or(one.telemetry_by);
}

fn merge<T>(all: &mut Vec<T>, more: Vec<T>, same: impl Fn(&T, &T) -> bool) {
    for one in more {
        if !all.iter().any(|known| same(known, &one)) {
            all.push(one);
        }
    }
}
