//! `wifi:wlan0`: the kernel's own signal figure of a wireless card, read five times a second.
//!
//! It is asked for by nl80211; of a kernel without it the card's row of /proc/net/wireless is read. Either is recorded as
//! it came; `wire::nl80211` and `wire::card_level` say what is in them. A card that is taken away is looked for again until
//! it is back.

use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use tokio::time::sleep;

use super::byte_stream::{Refusal, plain, reopened};
use super::endpoint::Line;
use super::netlink;

/// The kernel's table of wireless cards.
const TABLE: &str = "/proc/net/wireless";
/// Between two readings: drivers follow each beacon, ten a second.
const PERIOD: Duration = Duration::from_millis(200);

/// A card that is there, and how its level is read.
#[derive(Debug)]
pub(crate) enum Card {
    Asked(netlink::Asked),
    Row { table: PathBuf, name: String },
}

impl Card {
    /// What is known of it now; `None`: it is gone.
    fn read(&self) -> io::Result<Option<Vec<u8>>> {
        match self {
            Self::Asked(card) => card.read().map(Some),
            Self::Row { table, name } => {
                let text = std::fs::read_to_string(table)?;
                Ok(find(&text, name).map(|row| row.as_bytes().to_vec()))
            }
        }
    }
}

/// Looks for a card, or says why it is not there and what to do.
pub(crate) fn open(name: &str) -> Result<Card, Refusal> {
    netlink::Asked::open(name).map(Card::Asked).or_else(|_| open_in(Path::new(TABLE), name))
}

fn open_in(table: &Path, name: &str) -> Result<Card, Refusal> {
    let text = std::fs::read_to_string(table).map_err(|error| refusal(&error))?;
    if find(&text, name).is_some() {
        return Ok(Card::Row { table: table.to_owned(), name: name.to_owned() });
    }
    let cards: Vec<String> =
        text.lines().filter_map(|row| Some(row.split_once(':')?.0.trim().to_owned())).collect();
    let advice = if cards.is_empty() {
        "there is none now; plug it in and bring it up ('ip link' lists interfaces)".to_owned()
    } else {
        format!("the wireless cards here are: {}", cards.join(", "))
    };
    Err(Refusal { reason: "there is no such wireless card".to_owned(), advice })
}

fn refusal(error: &io::Error) -> Refusal {
    let reason = match error.kind() {
        io::ErrorKind::NotFound => "this kernel knows no wireless card of this name".to_owned(),
        _ => plain(error),
    };
    let advice = "'ip link' lists the interfaces; or hear the level another way: capture:IFACE on an interface in \
                  monitor mode, a radio's own reports";
    Refusal { reason, advice: advice.to_owned() }
}

/// The row of a card.
fn find<'a>(table: &'a str, name: &str) -> Option<&'a str> {
    table.lines().find(|row| row.trim_start().strip_prefix(name).is_some_and(|rest| rest.starts_with(':')))
}

/// Reads a card's row for the whole session; `None`: it has yet to appear.
pub(crate) async fn run(
    card: Option<Card>,
    line: Line,
    reopen: impl Fn() -> Result<Card, Refusal> + Send + Sync,
) {
    run_at(card, line, PERIOD, reopen).await;
}

async fn run_at(
    mut card: Option<Card>,
    line: Line,
    period: Duration,
    reopen: impl Fn() -> Result<Card, Refusal> + Send + Sync,
) {
    loop {
        while let Some(there) = &card {
            match there.read() {
                Ok(Some(reading)) => line.received(&reading).await,
                Ok(None) => {
                    line.down("the card is gone");
                    card = None;
                }
                Err(error) => {
                    line.down(&plain(&error));
                    card = None;
                }
            }
            sleep(period).await;
        }
        card = Some(reopened(period, &reopen).await);
        line.up();
    }
}

#[cfg(test)]
mod tests {
    use std::collections::VecDeque;

    use super::super::endpoint::Notices;
    use super::super::ingest_queue::{Intake, IntakeLimits};
    use crate::clock::SessionClock;
    use crate::record::{InterfaceId, Note, OwnedBody};
    use crate::source::wifi::*;

    const HEAD: &str = "\
Inter-| sta-|   Quality        |   Discarded packets               | Missed | WE
 face | tus | link level noise |  nwid  crypt   frag  retry   misc | beacon | 22
";
    const ROW: &str = " wlan1: 0000   54.  -56.  -256        0      0      0      4     25        0";

    #[test]
    fn what_is_not_there_says_what_to_do() {
        let folder = tempfile::tempdir().unwrap();
        let table = folder.path().join("wireless");
        let refused = |name| open_in(&table, name).unwrap_err();
        assert!(refused("wlan0").reason.contains("no wireless card of this name"));
        std::fs::write(&table, HEAD).unwrap();
        assert!(refused("wlan0").advice.contains("there is none now"));
        std::fs::write(&table, format!("{HEAD}{ROW}\n")).unwrap();
        assert_eq!(refused("wlan0").advice, "the wireless cards here are: wlan1");
        assert!(refused("wlan").reason.contains("no such wireless card"), "not by its first letters");
        assert!(open_in(&table, "wlan1").is_ok());
    }

    #[tokio::test]
    async fn rows_are_recorded_as_they_stand_and_an_outage_is_told() {
        let folder = tempfile::tempdir().unwrap();
        let table = folder.path().join("wireless");
        let there = format!("{HEAD}{ROW}\n");
        std::fs::write(&table, &there).unwrap();
        let intake = Intake::new(SessionClock::start(), IntakeLimits::default());
        let (name, notices) = ("level".to_owned(), Notices::default());
        let line =
            Line::Source { interface: InterfaceId(0), name, intake: intake.clone(), passing: None, notices };
        let card = open_in(&table, "wlan1").ok();
        let mut words: Vec<&str> = Vec::new();
        let look = async {
            let mut batch = VecDeque::new();
            while words.iter().filter(|word| **word == "up").count() < 2 || words.last() != Some(&"row") {
                intake.take(&mut batch);
                for record in batch.drain(..) {
                    words.push(match &record.body {
                        OwnedBody::Stream(bytes) if &bytes[..] == ROW.as_bytes() => "row",
                        OwnedBody::Note(Note::SourceDown { .. }) => "down",
                        OwnedBody::Note(Note::SourceUp { .. }) => "up",
                        _ => "else",
                    });
                    // The card goes when its row was read, and the table itself after that.
                    match (words.last(), words.iter().filter(|word| **word == "up").count()) {
                        (Some(&"row"), 0) => std::fs::write(&table, HEAD).unwrap(),
                        (Some(&"row"), 1) => std::fs::remove_file(&table).unwrap_or_default(),
                        (Some(&"down"), _) => std::fs::write(&table, &there).unwrap(),
                        _ => {}
                    }
                }
                tokio::task::yield_now().await;
            }
        };
        let reopen = || open_in(&table, "wlan1");
        tokio::select! { () = run_at(card, line, Duration::ZERO, reopen) => {}, () = look => {} }
        words.dedup();
        assert_eq!(words, ["row", "down", "up", "row", "down", "up", "row"]);
    }
}
