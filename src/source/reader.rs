//! Standard input, files and named pipes: read by a thread of their own, since the
//! system cannot say when they are ready. They wait for room instead of losing bytes.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use crate::record::{InterfaceId, Note};

use super::intake::Intake;
use super::line::Notices;
use super::stream::{Refusal, plain};

/// Opens a file.
pub(crate) fn open(path: &Path) -> Result<Box<dyn Read + Send>, Refusal> {
    let refuse =
        |reason: String| Refusal { reason, advice: "give the path of a readable file or pipe".into() };
    if path.is_dir() {
        return Err(refuse("it is a folder".to_owned()));
    }
    let file = File::open(path).map_err(|error| refuse(plain(&error)))?;
    Ok(Box::new(file))
}

/// Reads to the end on a thread that ends with the session at the latest.
pub(crate) fn spawn(
    mut from: Box<dyn Read + Send>,
    interface: InterfaceId,
    name: String,
    intake: Intake,
    notices: Notices,
) -> io::Result<()> {
    std::thread::Builder::new().name(format!("source-{name}")).spawn(move || {
        let mut buffer = vec![0; 16_384];
        let reason = loop {
            match from.read(&mut buffer) {
                Ok(0) => break "end of input".to_owned(),
                Ok(length) => {
                    if !intake.stream_when_room(interface, buffer[..length].into()) {
                        return;
                    }
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => break plain(&error),
            }
        };
        intake.note(interface, Note::SourceDown { interface, reason: reason.clone() });
        notices.say(format!("{name}: {reason}"));
    })?;
    Ok(())
}
