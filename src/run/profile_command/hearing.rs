//! What is heard: from sources, for some seconds, or from recordings. Nothing is recorded, nothing is sent.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use crate::capture::Recording;
use crate::clock::SessionClock;
use crate::measure::signal::HeardLevel;
use crate::monitor::{Heard, HeardPicture, HeardRadio, HeardSender, SenderKind};
use crate::profile::Profile;
use crate::run::source_urls::SourceUrls;
use crate::run::{Reading, analyse, screens};
use crate::session::live;
use crate::session::live::Known;
use crate::summary::Earlier;

use super::draft::with_vehicle;

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
    Ok(handle.finish()?.heard.unwrap_or_default())
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

/// Puts together what several recordings hold: counts add up, of silences the longest stays, of rates and names those
/// that were heard first. The vehicle is that of the first recording that has one; another's is another vehicle.
fn add(all: &mut Heard, mut one: Heard) {
    let vehicles = all.autopilot.zip(one.autopilot);
    if let Some(((system, _), (other, _))) = vehicles.filter(|(known, other)| known.0 != other.0) {
        one = with_vehicle(one, system);
        one.other_vehicle = Some(other);
    }
    all.duration_s += one.duration_s;
    all.autopilot = all.autopilot.or(one.autopilot);
    all.other_vehicle = all.other_vehicle.or(one.other_vehicle);
    merge(
        &mut all.sources,
        one.sources,
        |a, b| a.name == b.name,
        |a, b| {
            a.bytes += b.bytes;
            a.url = a.url.take().or(b.url);
        },
    );
    let same = |a: &HeardSender, b: &HeardSender| {
        (&a.interface, a.system, a.component) == (&b.interface, b.system, b.component)
    };
    merge(&mut all.senders, one.senders, same, add_sender);
    let same = |a: &HeardRadio, b: &HeardRadio| {
        (a.report, a.system, a.component, &a.name) == (b.report, b.system, b.component, &b.name)
    };
    merge(&mut all.radios, one.radios, same, |a, b| {
        a.own = both(a.own, b.own);
        a.peer = both(a.peer, b.peer);
    });
    let same =
        |a: &HeardPicture, b: &HeardPicture| (&a.interface, a.port, a.ssrc) == (&b.interface, b.port, b.ssrc);
    merge(&mut all.pictures, one.pictures, same, |a, b| {
        a.packets += b.packets;
        (a.codec, a.fps) = (a.codec.or(b.codec), a.fps.or(b.fps));
    });
    merge(&mut all.transmitters, one.transmitters, |a, b| a == b, |_, _| ());
    merge(&mut all.tags, one.tags, |a, b| a.0 == b.0, |_, _| ());
    all.picture_by = all.picture_by.take().or(one.picture_by);
    all.telemetry_by = all.telemetry_by.take().or(one.telemetry_by);
}

fn add_sender(known: &mut HeardSender, other: HeardSender) {
    known.frames += other.frames;
    known.longest_silence_s = known.longest_silence_s.max(other.longest_silence_s);
    if known.kind == SenderKind::Other {
        known.kind = other.kind;
    }
    merge(&mut known.messages, other.messages, |a, b| a.0 == b.0, |_, _| ());
    known.messages.sort_by_key(|(id, _)| *id);
}

/// Levels of two recordings: a median is that of the one with more samples, since those of both together are not kept.
fn both(one: HeardLevel, other: HeardLevel) -> HeardLevel {
    let more = if other.samples > one.samples { other } else { one };
    let differ = one.median.zip(other.median).is_some_and(|(one, other)| one != other);
    let values = one.values.max(other.values).max(if differ { 2 } else { 0 });
    HeardLevel { samples: one.samples + other.samples, values, median: more.median }
}

fn merge<T>(all: &mut Vec<T>, more: Vec<T>, same: impl Fn(&T, &T) -> bool, mut join: impl FnMut(&mut T, T)) {
    for one in more {
        match all.iter_mut().find(|known| same(known, &one)) {
            Some(known) => join(known, one),
            None => all.push(one),
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::run::profile_command::draft::Draft;
    use crate::run::profile_command::hearing::*;

    fn flight(number: usize, what: &str) -> PathBuf {
        PathBuf::from(format!("{}/recordings/orchard-{number}.{what}", env!("CARGO_MANIFEST_DIR")))
    }

    /// Of the simulator: all that a sender got through, by its truth.
    fn received(number: usize, key: &str) -> u64 {
        let truth = std::fs::read_to_string(flight(number, "truth.json")).unwrap();
        let truth: serde_json::Value = serde_json::from_str(&truth).unwrap();
        if key == "packets" {
            return truth["video"]["packets"].as_u64().unwrap();
        }
        let streams = truth["streams"].as_array().unwrap().iter();
        streams.filter_map(|row| row[key].as_u64()).sum()
    }

    #[test]
    fn counts_of_several_recordings_add_up_and_one_alone_is_as_it_is() {
        let files = [1, 2].map(|number| flight(number, "pcapng"));
        let heard = read(&files).unwrap();
        let frames: u64 = heard.senders.iter().map(|sender| sender.frames).sum();
        assert_eq!(frames, received(1, "received") + received(2, "received"));
        let packets: u64 = heard.pictures.iter().map(|picture| picture.packets).sum();
        assert_eq!(packets, received(1, "packets") + received(2, "packets"));

        let [one, other] = files.map(|file| read(&[file]).unwrap());
        let mut alone = Heard::default();
        add(&mut alone, one.clone());
        assert_eq!(alone, one);
        for (index, sender) in heard.senders.iter().enumerate() {
            let longest = one.senders[index].longest_silence_s.max(other.senders[index].longest_silence_s);
            assert_eq!(sender.longest_silence_s, longest);
        }
        assert_eq!(heard.radios[0].own.samples, one.radios[0].own.samples + other.radios[0].own.samples);
    }

    /// An autopilot alone, and one that is another vehicle's.
    fn vehicle(system: u8) -> Heard {
        let sender = HeardSender {
            interface: "vehicle".to_owned(),
            system,
            component: 1,
            kind: SenderKind::Autopilot,
            frames: 100,
            longest_silence_s: 1.0,
            messages: vec![(0, 1.0)],
        };
        Heard { autopilot: Some((system, 1)), senders: vec![sender], ..Heard::default() }
    }

    #[test]
    fn two_vehicles_are_no_two_telemetry_links() {
        let mut all = vehicle(1);
        add(&mut all, vehicle(2));
        add(&mut all, vehicle(1));
        assert_eq!((all.autopilot, all.other_vehicle), (Some((1, 1)), Some(2)));
        let kinds: Vec<_> =
            all.senders.iter().map(|sender| (sender.system, sender.kind, sender.frames)).collect();
        assert_eq!(kinds, [(1, SenderKind::Autopilot, 200), (2, SenderKind::Other, 100)]);
        let links = Draft::of(&all, None).links;
        let telemetry: Vec<_> =
            links.iter().map(|link| (link.name.as_str(), link.senders.as_slice())).collect();
        assert_eq!(telemetry, [("telemetry", &[[1, 1]][..])]);
    }
}
