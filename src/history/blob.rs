//! Evidence as compact bytes, little-endian.
//!
//! `counts`: what the threshold reads; per level the seconds at it and the freezes that began,
//! 12 bytes each (f32, u32, u32). `seconds`: the whole series, 13 bytes a second (u32 second, f32
//! level, f32 distance or NaN, u8 freeze).

use std::collections::BTreeMap;

use crate::judge::margin::EvidenceSecond;

use crate::judge::freeze_level::LevelCount;

const COUNT_BYTES: usize = 12;
const SECOND_BYTES: usize = 13;

/// Seconds and freezes per level, in order of level.
pub(super) fn counts_of(seconds: &[EvidenceSecond]) -> Vec<LevelCount> {
    let mut counts: BTreeMap<i64, LevelCount> = BTreeMap::new();
    for second in seconds.iter().filter(|second| second.level.is_finite()) {
        // Levels are medians of scaled bytes: few distinct values, told apart to a thousandth.
        let key = (f64::from(second.level) * 1000.0).round() as i64;
        let count = counts.entry(key).or_insert(LevelCount { level: second.level, seconds: 0, freezes: 0 });
        count.seconds += 1;
        count.freezes += u32::from(second.freeze_began);
    }
    counts.into_values().collect()
}

pub(super) fn write_counts(counts: &[LevelCount]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(counts.len() * COUNT_BYTES);
    for count in counts {
        bytes.extend(count.level.to_le_bytes());
        bytes.extend(count.seconds.to_le_bytes());
        bytes.extend(count.freezes.to_le_bytes());
    }
    bytes
}

/// `None`: not what [`write_counts`] writes.
pub(super) fn read_counts(bytes: &[u8]) -> Option<Vec<LevelCount>> {
    let (rows, []) = bytes.as_chunks::<COUNT_BYTES>() else { return None };
    let read = |row: &[u8; COUNT_BYTES]| LevelCount {
        level: f32::from_le_bytes(word(row, 0)),
        seconds: u32::from_le_bytes(word(row, 4)),
        freezes: u32::from_le_bytes(word(row, 8)),
    };
    let counts: Vec<LevelCount> = rows.iter().map(read).collect();
    counts.iter().all(|count| count.level.is_finite() && count.freezes <= count.seconds).then_some(counts)
}

pub(super) fn write_seconds(seconds: &[EvidenceSecond]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(seconds.len() * SECOND_BYTES);
    for second in seconds {
        bytes.extend(second.second.to_le_bytes());
        bytes.extend(second.level.to_le_bytes());
        bytes.extend(second.distance_m.unwrap_or(f32::NAN).to_le_bytes());
        bytes.push(u8::from(second.freeze_began));
    }
    bytes
}

/// `None`: not what [`write_seconds`] writes.
pub(super) fn read_seconds(bytes: &[u8]) -> Option<Vec<EvidenceSecond>> {
    let (rows, []) = bytes.as_chunks::<SECOND_BYTES>() else { return None };
    let read = |row: &[u8; SECOND_BYTES]| {
        let distance = f32::from_le_bytes(word(row, 8));
        EvidenceSecond {
            second: u32::from_le_bytes(word(row, 0)),
            level: f32::from_le_bytes(word(row, 4)),
            distance_m: (!distance.is_nan()).then_some(distance),
            freeze_began: row[12] != 0,
        }
    };
    Some(rows.iter().map(read).collect())
}

fn word(row: &[u8], at: usize) -> [u8; 4] {
    [row[at], row[at + 1], row[at + 2], row[at + 3]]
}

/// What SQLite does not check: that the bytes of a value are those that were written.
pub(super) fn digest(parts: &[&[u8]]) -> Vec<u8> {
    let mut hasher = hmac_sha256::Hash::new();
    for part in parts {
        hasher.update((part.len() as u64).to_le_bytes());
        hasher.update(part);
    }
    hasher.finalize()[..8].to_vec()
}

#[cfg(test)]
mod tests {
    use crate::history::blob::*;

    fn seconds() -> Vec<EvidenceSecond> {
        let second = |second, level, distance_m, freeze_began| EvidenceSecond {
            second,
            level,
            distance_m,
            freeze_began,
        };
        vec![
            second(1, -80.0, None, false),
            second(2, -80.0, Some(12.5), true),
            second(9, -81.5, Some(13.0), false),
        ]
    }

    #[test]
    fn what_is_written_is_read_again() {
        assert_eq!(read_seconds(&write_seconds(&seconds())), Some(seconds()));
        let counts = counts_of(&seconds());
        assert_eq!(counts.len(), 2);
        assert_eq!((counts[1].seconds, counts[1].freezes), (2, 1));
        assert_eq!(read_counts(&write_counts(&counts)), Some(counts));
    }

    #[test]
    fn other_bytes_are_refused() {
        assert_eq!(read_counts(&[0; 13]), None);
        assert_eq!(read_seconds(&[0; 12]), None);
        let more_freezes_than_seconds = write_counts(&[LevelCount { level: 1.0, seconds: 1, freezes: 2 }]);
        assert_eq!(read_counts(&more_freezes_than_seconds), None);
    }
}
