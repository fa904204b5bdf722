//! Byte streams in which any byte may be wrong: nothing intact is missed, accidents are counted.

use std::collections::BTreeMap;

use fadewatch::wire::checksum;
use fadewatch::wire::framer::{Framer, Standing};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};

/// Ids of the public message set with their extra bytes (its own XML; references of the vectors).
const KINDS: [(u32, u8, u8); 4] = [(30, 39, 28), (33, 104, 28), (65, 118, 42), (36, 222, 21)];

fn frame(number: u32, random: &mut ChaCha8Rng) -> Vec<u8> {
    let (message, extra, length) = KINDS[number as usize % KINDS.len()];
    let mut bytes = vec![0xFD, length, 0, 0, number as u8, 1, 1];
    bytes.extend_from_slice(&message.to_le_bytes()[..3]);
    // The number whole, so that every frame is told from every other.
    bytes.extend_from_slice(&number.to_le_bytes());
    bytes.extend((4..length).map(|_| random.random::<u8>()));
    let computed = checksum::step(checksum::update(checksum::INITIAL, &bytes[1..]), extra);
    bytes.extend_from_slice(&computed.to_le_bytes());
    bytes
}

/// 0.1 to 5 % of the bytes are replaced; which frames stay intact is counted here. All of those are
/// found, and what else is accepted is no more than accidents allow.
#[test]
fn every_intact_frame_is_found_in_a_corrupt_stream() {
    for (seed, share) in [(1, 0.001), (2, 0.005), (3, 0.01), (4, 0.02), (5, 0.05), (6, 0.05)] {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut intact: BTreeMap<u32, bool> = BTreeMap::new();
        let mut stream = Vec::new();
        for number in 0..20_000 {
            let mut bytes = frame(number, &mut random);
            let mut whole = true;
            for byte in &mut bytes {
                if random.random::<f64>() < share {
                    let wrong = random.random::<u8>();
                    whole &= wrong == *byte;
                    *byte = wrong;
                }
            }
            intact.insert(number, whole);
            stream.extend_from_slice(&bytes);
        }
        // Silence decides what a damaged length at the end leaves open.
        stream.extend([0; 280]);
        let mut framer = Framer::stream();
        let mut found: BTreeMap<u32, u32> = BTreeMap::new();
        for chunk in stream.chunks(1000) {
            framer.push(chunk, &mut |frame| {
                if frame.header.standing != Standing::Witness && frame.payload.len() >= 4 {
                    let number = frame.payload.first_chunk().map(|bytes| u32::from_le_bytes(*bytes));
                    *found.entry(number.unwrap()).or_default() += 1;
                }
            });
        }
        let missed = intact.iter().filter(|(number, whole)| **whole && !found.contains_key(number)).count();
        assert_eq!(missed, 0, "seed {seed}, {share} of the bytes");
        let accepted = framer.finished().0.frames;
        let whole = intact.values().filter(|whole| **whole).count() as u64;
        let expected = framer.chances() as f64 / 65_536.0;
        assert!(expected < 1.0, "{expected}");
        // Under one accident is expected; more than four come once in 3,000 such streams.
        assert!(accepted - whole <= 4, "{} accidents", accepted - whole);
        let damaged = 20_000 - whole;
        // Every damaged frame of which the header still reads as one is a chance.
        assert!(framer.chances() as f64 > 0.3 * damaged as f64);
        assert!(framer.counts().crc_errors > 0);
    }
}

/// Damaged frames of a known id, 4 million of them: those accepted are as many as chance gives, 1 in
/// 65,536, and the framer says how many to expect. 61 are expected; 3.5 standard deviations are 27.
#[test]
fn accidents_with_known_ids_are_one_in_65_536_and_are_said() {
    let mut random = ChaCha8Rng::seed_from_u64(7);
    let mut framer = Framer::stream();
    let mut stream = Vec::new();
    for _ in 0..400 {
        stream.clear();
        for _ in 0..10_000 {
            // A whole header, and a payload and checksum that have nothing to do with each other.
            stream.extend_from_slice(&[0xFD, 1, 0, 0, random.random(), 1, 1, 30, 0, 0]);
            let tail: u32 = random.random();
            let tail = tail.to_le_bytes().map(|byte| if byte >= 0xFD { 0 } else { byte });
            stream.extend_from_slice(&tail[..3]);
        }
        framer.push(&stream, &mut |_| {});
    }
    let expected = framer.chances() as f64 / 65_536.0;
    assert!((expected - 61.0).abs() < 1.5, "{expected}");
    let accepted = framer.counts().frames as f64;
    assert!((accepted - expected).abs() < 3.5 * expected.sqrt(), "{accepted} of {expected}");
}

/// Frames of one unknown id whose checksums are noise: 1 in 256 is a witness, and a second with the
/// same extra byte is 1 in 65,536 for every one that waits; what is accepted is what was announced.
#[test]
fn accidents_with_unknown_ids_are_bounded_and_are_said() {
    let (mut accepted, mut expected, mut streams_with) = (0, 0.0, 0);
    for seed in 1..=60 {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut framer = Framer::stream();
        let mut stream = Vec::new();
        for _ in 0..3000 {
            stream.extend_from_slice(&[0xFD, 1, 0, 0, random.random(), 1, 1, 0x00, 0x09, 0x3D]);
            let tail: u32 = random.random();
            let tail = tail.to_le_bytes().map(|byte| if byte >= 0xFD { 0 } else { byte });
            stream.extend_from_slice(&tail[..3]);
        }
        framer.push(&stream, &mut |_| {});
        expected += framer.chances() as f64 / 65_536.0;
        // The first accident recalls the frame that it agrees with: two frames, one accident.
        let frames = framer.counts().frames;
        accepted += frames.saturating_sub(1);
        streams_with += u64::from(frames > 0);
        assert_eq!(framer.counts().unknown_ids, frames);
    }
    assert!(streams_with > 0);
    let accepted = accepted as f64;
    assert!((accepted - expected).abs() < 4.0 * expected.sqrt() + 1.0, "{accepted} of {expected}");
}
