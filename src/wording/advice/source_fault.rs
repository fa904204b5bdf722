//! What can be wrong where nothing arrives, or nothing that can be read: by the kind of source and by what is known of it.

use crate::summary::SourceFault;

use crate::wording::quantity;

/// Rates that `baud=auto` tries, in the URL of a source.
const AUTO: &str = "baud=auto";

/// In few words, beside a source's name.
#[must_use]
pub fn unread(bytes: u64, url: Option<&str>) -> String {
    let what = match url {
        Some(url) if url.contains(AUTO) => "tries other baud rates",
        Some(url) if url.starts_with("serial:") => "wrong baud rate?",
        _ => "another protocol?",
    };
    format!("{}, no frame: {what}", quantity::bytes(bytes))
}

/// As a sentence.
#[must_use]
pub fn text(source: &str, url: Option<&str>, fault: &SourceFault) -> String {
    let place = url.unwrap_or(source);
    let is_serial = place.starts_with("serial:");
    match fault {
        SourceFault::Gone(reason) => {
            let advice = gone_advice(reason);
            format!("nothing from {place}: {reason}{}{advice}", if advice.is_empty() { "" } else { "; " })
        }
        SourceFault::Silent => format!("no byte from {place}: check {}", silent_advice(place)),
        SourceFault::NoFrame(bytes) => {
            let advice = match is_serial {
                true if place.contains(AUTO) => {
                    "no usual baud rate fits yet: check ground and TX, and that it sends MAVLink"
                }
                true => "wrong baud rate? baud=auto tries the usual ones",
                false => "another protocol? check what is sent there",
            };
            format!("{} from {place}, no frame: {advice}", quantity::bytes(*bytes))
        }
    }
}

/// What to look at, the likeliest first.
fn silent_advice(place: &str) -> &'static str {
    match place.split(':').next() {
        Some("serial") => {
            "the vehicle's power, that its TX goes to RX here, and that the port on the vehicle is set to send MAVLink"
        }
        Some("udp") => {
            "the vehicle's power, and that its radio sends to this computer's address and this port"
        }
        Some("tcp") => "the vehicle's power: the other end is there, and sends nothing",
        _ => "that it is the right source, and the vehicle's power",
    }
}

/// What to do about a source that cannot be opened.
fn gone_advice(reason: &str) -> &'static str {
    let is = |words: &str| reason.to_ascii_lowercase().contains(words);
    if is("permission denied") {
        "'fadewatch ports' says which group to join"
    } else if is("no such device") || is("not there") {
        "plug it in, or choose one that 'fadewatch ports' lists"
    } else if is("busy") {
        "close the program that holds it, or stand in the path with --forward"
    } else if is("refused") {
        "start what should answer there, or correct the port"
    } else {
        ""
    }
}

#[cfg(test)]
mod tests {
    use crate::wording::advice::source_fault::*;

    #[test]
    fn advice_is_of_the_kind_of_source() {
        let serial = Some("serial:/dev/ttyUSB0?baud=57600");
        let (auto, udp) = (Some("serial:/dev/ttyUSB0?baud=auto"), Some("udp://0.0.0.0:14550"));
        assert_eq!(unread(32_000, serial), "32 kB, no frame: wrong baud rate?");
        assert_eq!(unread(32_000, udp), "32 kB, no frame: another protocol?");
        let no_frame = SourceFault::NoFrame(32_000);
        assert!(text("vehicle", serial, &no_frame).contains("baud=auto tries"));
        assert!(!text("vehicle", auto, &no_frame).contains("baud=auto tries"), "it is done already");
        assert!(!text("vehicle", udp, &no_frame).contains("baud"));
        assert!(text("vehicle", serial, &SourceFault::Silent).contains("TX"));
        assert!(!text("vehicle", udp, &SourceFault::Silent).contains("TX"));
        let gone = |reason: &str| text("vehicle", serial, &SourceFault::Gone(reason.to_owned()));
        assert!(gone("permission denied").contains("fadewatch ports"));
        assert!(gone("there is no such device").ends_with("lists"));
        assert!(gone("something else").ends_with("something else"));
    }
}
