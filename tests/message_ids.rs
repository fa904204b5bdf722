//! What the program knows of each message id, against the crate's widest set of definitions.
//!
//! `cargo test --test message_ids -- --ignored` writes the file of the ids that the common set lacks.

use std::fmt::Write as _;

use fadewatch::wire::codec::{Definition, definition};
use mavlink::dialects::{all, common};
use mavlink::{MavlinkVersion, Message};

/// Beyond it no public dialect has an id.
const HIGHEST: u32 = 100_000;

fn of<M: Message>(id: u32) -> Option<Definition> {
    let message = M::default_message_from_id(id)?;
    let v1_length = message.ser(MavlinkVersion::V1, &mut [0; 280]).min(255) as u8;
    Some(Definition { crc_extra: M::extra_crc(id), v1_length })
}

#[test]
fn every_public_message_id_is_known_as_the_widest_set_has_it() {
    let mut known = 0;
    for id in 0..HIGHEST {
        let expected = of::<all::MavMessage>(id);
        assert_eq!(definition(id), expected, "message {id}");
        known += u32::from(expected.is_some());
    }
    assert!(known > 380, "{known} ids");
    assert_eq!(definition(0xFF_FFFF), None);
}

#[test]
#[ignore = "writes src/wire/message_ids.txt"]
fn write_the_ids_that_the_common_set_lacks() {
    let mut text = String::new();
    for id in 0..HIGHEST {
        if let Some(Definition { crc_extra, v1_length }) = of::<all::MavMessage>(id)
            && of::<common::MavMessage>(id).is_none()
        {
            let _ = writeln!(text, "{id} {crc_extra} {v1_length}");
        }
    }
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/src/wire/message_ids.txt");
    std::fs::write(path, text).expect("the file of ids");
}
