//! Byte streams that can go away and come back: serial ports and TCP.
//!
//! Reading and writing run side by side, so that neither waits for the other. When
//! the stream fails, what it had delivered is kept, the outage is told, and it is
//! tried again every half second. Bytes meant for it meanwhile are thrown away, as an
//! unplugged cable would: stale commands must not reach the vehicle later.

mod baud_search;

use std::future::pending;
use std::io;
use std::os::fd::{AsRawFd, RawFd};
use std::path::Path;
use std::time::Duration;

use baud_search::{BaudSearch, Next};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::mpsc;
use tokio::task::spawn_blocking;
use tokio::time::{sleep, timeout};
use tokio_serial::{ErrorKind, SerialPort, SerialStream};

use super::endpoint::{Line, Outgoing};
use super::host_drops::{each_second, serial_overruns};
use super::{SourceUrl, holders, joined, rights, serial_ports};

/// Between two tries to open a source that is away.
pub(crate) const RETRY: Duration = Duration::from_millis(500);
/// How long a connection may take.
const CONNECT: Duration = Duration::from_secs(3);
/// How long a device may take to open as the session starts.
const OPEN: Duration = Duration::from_secs(5);
/// After a failed write, how long what the other end had sent may still be read.
const LAST_WORDS: Duration = Duration::from_secs(1);

trait Duplex: AsyncRead + AsyncWrite + Send + Unpin {
    /// Changes the rate of a serial port; anything else has none.
    fn set_baud(&mut self, baud: u32) -> Result<(), String>;
}

impl Duplex for SerialStream {
    fn set_baud(&mut self, baud: u32) -> Result<(), String> {
        self.set_baud_rate(baud).map_err(|error| error.description)
    }
}

impl Duplex for TcpStream {
    fn set_baud(&mut self, _baud: u32) -> Result<(), String> {
        Ok(())
    }
}

/// An open byte stream.
pub(crate) struct Connection {
    stream: Box<dyn Duplex>,
    /// The descriptor, where a driver may count overruns; valid as long as `stream` is.
    serial: Option<RawFd>,
    /// The rate has yet to be found.
    search: Option<BaudSearch>,
}

/// Why a stream could not be opened, and what to do about it.
pub(crate) struct Refusal {
    pub(crate) reason: String,
    pub(crate) advice: String,
}

/// Opens a serial port or a TCP connection. Where the rate has to be found, it may be the one that was right before.
pub(crate) async fn connect(url: &SourceUrl, rate_before: Option<u32>) -> Result<Connection, Refusal> {
    match url {
        SourceUrl::Serial { path, baud: Some(baud) } => open_aside(path, *baud, None).await,
        SourceUrl::Serial { path, baud: None } => {
            let search = BaudSearch::new(rate_before);
            open_aside(path, search.rate(), Some(search)).await
        }
        SourceUrl::Tcp { host, port } => open_tcp(host, *port).await,
        other => {
            Err(Refusal { reason: format!("'{other}' is no byte stream"), advice: "use another URL".into() })
        }
    }
}

/// The same as the session starts: a device whose driver does not answer holds it up for a few seconds only.
pub(crate) async fn connect_at_start(url: &SourceUrl) -> Result<Connection, Refusal> {
    timeout(OPEN, connect(url, None)).await.unwrap_or_else(|_| {
        Err(Refusal {
            reason: "it does not open: its driver gave no answer within 5 s".to_owned(),
            advice: "unplug it and plug it in again".to_owned(),
        })
    })
}

/// A driver may take its time, or never answer: that holds up no other source.
async fn open_aside(path: &Path, baud: u32, search: Option<BaudSearch>) -> Result<Connection, Refusal> {
    let path = path.to_owned();
    let opened = spawn_blocking(move || open_serial(&path, baud, search)).await;
    opened.unwrap_or_else(|error| Err(Refusal { reason: error.to_string(), advice: "try again".to_owned() }))
}

fn open_serial(path: &Path, baud: u32, search: Option<BaudSearch>) -> Result<Connection, Refusal> {
    let builder = tokio_serial::new(path.to_string_lossy(), baud);
    let stream = SerialStream::open(&builder).map_err(|error| serial_refusal(path, &error))?;
    let serial = Some(stream.as_raw_fd());
    Ok(Connection { stream: Box::new(stream), serial, search })
}

fn serial_refusal(path: &Path, error: &tokio_serial::Error) -> Refusal {
    let missing = !path.exists();
    let text = error.description.to_ascii_lowercase();
    let (reason, advice) = match error.kind {
        _ if missing => {
            let there: Vec<String> =
                serial_ports().iter().take(3).map(|port| port.stable.display().to_string()).collect();
            let there = if there.is_empty() { String::new() } else { format!(": {}", there.join(", ")) };
            let advice = format!("plug it in, or choose one that 'fadewatch ports' lists{there}");
            ("there is no such device".to_owned(), advice)
        }
        ErrorKind::Io(io::ErrorKind::PermissionDenied) => {
            ("permission denied".to_owned(), rights::advice(path, rights::READ_AND_WRITE))
        }
        _ if text.contains("busy")
            || text.contains("exclusive")
            || text.contains("temporarily unavailable") =>
        {
            let held = holders(path).seen.into_iter().next();
            let holder = held.map_or_else(
                || "another program".to_owned(),
                |held| format!("{} (process {})", held.name, held.process),
            );
            (
                format!("it is busy: {holder} holds it"),
                "close that program, or stand between it and the port with --forward".to_owned(),
            )
        }
        _ => (error.description.clone(), "check that it is a serial port and free".to_owned()),
    };
    Refusal { reason, advice }
}

async fn open_tcp(host: &str, port: u16) -> Result<Connection, Refusal> {
    let advice = || "check that its sender listens there".to_owned();
    match timeout(CONNECT, TcpStream::connect(joined(host, port))).await {
        Ok(Ok(stream)) => {
            let _ = stream.set_nodelay(true);
            Ok(Connection { stream: Box::new(stream), serial: None, search: None })
        }
        Ok(Err(error)) => Err(Refusal { reason: plain(&error), advice: advice() }),
        Err(_) => Err(Refusal { reason: "no answer within 3 s".to_owned(), advice: advice() }),
    }
}

/// An error of the system without its number.
pub(crate) fn plain(error: &io::Error) -> String {
    let text = error.to_string();
    let text = text.split(" (os error").next().unwrap_or(&text);
    let mut letters = text.chars();
    let second_is_capital = text.chars().nth(1).is_some_and(char::is_uppercase);
    match letters.next() {
        Some(first) if !second_is_capital => first.to_lowercase().chain(letters).collect(),
        _ => text.to_owned(),
    }
}

/// Tries to open what is away, every so often, until it is back.
pub(crate) async fn reopened<T>(every: Duration, open: &(impl Fn() -> Result<T, Refusal> + Sync)) -> T {
    loop {
        sleep(every).await;
        if let Ok(opened) = open() {
            return opened;
        }
    }
}

/// Serves a stream for the whole session; `None`: it has yet to be opened.
pub(crate) async fn run(
    url: SourceUrl,
    mut connection: Option<Connection>,
    line: Line,
    mut outgoing: mpsc::Receiver<Outgoing>,
) {
    let (mut lost_before, mut rate) = (0, None);
    loop {
        if let Some(mut open) = connection.take() {
            let found = find_rate(&mut open, &line, &mut outgoing).await;
            rate = found.as_ref().ok().copied().flatten().or(rate);
            let reason = match found {
                Ok(_) => serve(open, &line, &mut outgoing, &mut lost_before).await,
                Err(reason) => reason,
            };
            line.down(&reason);
        }
        loop {
            discard(&mut outgoing, RETRY).await;
            if let Ok(open) = connect(&url, rate).await {
                connection = Some(open);
                break;
            }
        }
        line.up();
    }
}

/// Throws away what should be sent, for a while.
async fn discard(outgoing: &mut mpsc::Receiver<Outgoing>, during: Duration) {
    let drain = async {
        while outgoing.recv().await.is_some() {}
        pending::<()>().await;
    };
    tokio::select! {
        () = drain => {}
        () = sleep(during) => {}
    }
}

/// Reads until the rate is found, where it has to be; what was read is handed on, and nothing is sent meanwhile: it
/// would be noise at the other end.
async fn find_rate(
    connection: &mut Connection,
    line: &Line,
    outgoing: &mut mpsc::Receiver<Outgoing>,
) -> Result<Option<u32>, String> {
    let Some(mut search) = connection.search.take() else { return Ok(None) };
    let mut buffer = vec![0; 4096];
    loop {
        let read = tokio::select! {
            read = connection.stream.read(&mut buffer) => read,
            Some(_) = outgoing.recv() => continue,
        };
        let length = match read {
            Ok(0) => return Err("closed by the other end".to_owned()),
            Ok(length) => length,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            Err(error) => return Err(plain(&error)),
        };
        line.received(&buffer[..length]).await;
        match search.take(line.clock().now(), &buffer[..length]) {
            Next::Stay => {}
            Next::Try(rate) => {
                connection.stream.set_baud(rate)?;
                line.tries_rate(rate);
            }
            Next::Found(rate) => {
                line.found_rate(rate);
                return Ok(Some(rate));
            }
        }
    }
}

/// Reads and writes until the stream fails; gives the reason.
async fn serve(
    connection: Connection,
    line: &Line,
    outgoing: &mut mpsc::Receiver<Outgoing>,
    lost_before: &mut u64,
) -> String {
    let serial = connection.serial;
    let (mut reader, mut writer) = tokio::io::split(connection.stream);
    let read = async {
        let mut buffer = vec![0; 4096];
        loop {
            match reader.read(&mut buffer).await {
                Ok(0) => return "closed by the other end".to_owned(),
                Ok(length) => line.received(&buffer[..length]).await,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return plain(&error),
            }
        }
    };
    let write = async {
        while let Some(next) = outgoing.recv().await {
            let bytes = next.bytes(line.clock().now());
            let mut rest = &bytes[..];
            while !rest.is_empty() {
                let failure = match writer.write(rest).await {
                    Ok(0) => "takes no more bytes".to_owned(),
                    Ok(length) => {
                        line.sent(&rest[..length]);
                        rest = &rest[length..];
                        continue;
                    }
                    Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                    Err(error) => plain(&error),
                };
                sleep(LAST_WORDS).await;
                return failure;
            }
        }
        pending().await
    };
    let count = async {
        let Some(base) = serial.and_then(serial_overruns) else { return pending().await };
        let already = *lost_before;
        let mut seconds = each_second();
        loop {
            seconds.tick().await;
            if let Some(now) = serial.and_then(serial_overruns) {
                *lost_before = already + now.saturating_sub(base);
                line.host_drops(*lost_before);
            }
        }
    };
    tokio::select! {
        reason = read => reason,
        reason = write => reason,
        reason = count => reason,
    }
}

#[cfg(test)]
mod tests {
    use std::collections::VecDeque;
    use std::pin::Pin;
    use std::sync::{Arc, Mutex};
    use std::task::{Context, Poll};

    use tokio::io::ReadBuf;

    use super::super::endpoint::Notices;
    use super::super::ingest_queue::{Intake, IntakeLimits};
    use crate::clock::SessionClock;
    use crate::record::{InterfaceId, Note, OwnedBody};
    use crate::source::byte_stream::*;
    use crate::wire::checksum;

    #[tokio::test]
    async fn a_missing_device_says_so() {
        let url = SourceUrl::Serial { path: "/dev/no-such-port".into(), baud: Some(115_200) };
        let refusal = connect(&url, None).await.err().unwrap();
        assert_eq!(refusal.reason, "there is no such device");
        assert!(refusal.advice.contains("ports"));
    }

    /// A pseudo-terminal whose speed is read back after each change.
    struct ReadBack(SerialStream, Arc<Mutex<Vec<u32>>>);

    impl Duplex for ReadBack {
        fn set_baud(&mut self, baud: u32) -> Result<(), String> {
            Duplex::set_baud(&mut self.0, baud)?;
            self.1.lock().unwrap().push(self.0.baud_rate().unwrap());
            Ok(())
        }
    }

    impl AsyncRead for ReadBack {
        fn poll_read(
            self: Pin<&mut Self>,
            context: &mut Context<'_>,
            buffer: &mut ReadBuf<'_>,
        ) -> Poll<io::Result<()>> {
            Pin::new(&mut self.get_mut().0).poll_read(context, buffer)
        }
    }

    impl AsyncWrite for ReadBack {
        fn poll_write(
            self: Pin<&mut Self>,
            context: &mut Context<'_>,
            bytes: &[u8],
        ) -> Poll<io::Result<usize>> {
            Pin::new(&mut self.get_mut().0).poll_write(context, bytes)
        }
        fn poll_flush(self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
            Pin::new(&mut self.get_mut().0).poll_flush(context)
        }
        fn poll_shutdown(self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
            Pin::new(&mut self.get_mut().0).poll_shutdown(context)
        }
    }

    /// Noise until the third rate is set, then frames: the port has each rate in turn, and the bytes are handed on.
    #[cfg(target_os = "linux")]
    #[tokio::test]
    async fn the_ports_speed_is_set_until_frames_are_whole() {
        let (mut far, near) = SerialStream::pair().unwrap();
        let speeds = Arc::new(Mutex::new(Vec::new()));
        let search = Some(BaudSearch::new(None));
        let stream = Box::new(ReadBack(near, Arc::clone(&speeds)));
        let mut connection = Connection { stream, serial: None, search };
        let intake = Intake::new(SessionClock::start(), IntakeLimits::default());
        let line = Line::Source {
            interface: InterfaceId(0),
            name: "vehicle".to_owned(),
            intake: intake.clone(),
            passing: None,
            notices: Notices::default(),
        };
        let (_sender, mut outgoing) = mpsc::channel(1);
        let heartbeat = [0xFE, 9, 0, 1, 1, 0, 0, 0, 0, 0, 2, 3, 0, 4, 3];
        let sum = checksum::step(checksum::update(checksum::INITIAL, &heartbeat[1..]), 50);
        let frame = [&heartbeat[..], &sum.to_le_bytes()].concat();
        let send = async {
            loop {
                let at_third = speeds.lock().unwrap().len() >= 2;
                // A terminal that is full makes it wait.
                far.write_all(if at_third { &frame } else { &[0x55; 64] }).await.unwrap();
            }
        };
        let found = tokio::select! {
            found = find_rate(&mut connection, &line, &mut outgoing) => found,
            () = send => unreachable!("it sends for ever"),
        };
        assert_eq!(found, Ok(Some(9_600)));
        assert_eq!(*speeds.lock().unwrap(), [115_200, 9_600]);
        assert!(connection.search.is_none());
        let mut taken = VecDeque::new();
        intake.take(&mut taken);
        let bytes = taken.iter().map(|record| match &record.body {
            OwnedBody::Stream(bytes) => bytes.len(),
            _ => 0,
        });
        assert!(bytes.sum::<usize>() >= 2_400, "what was read at other rates is kept");
        let notes: Vec<_> = taken
            .iter()
            .filter(|record| matches!(&record.body, OwnedBody::Note(Note::Foreign { .. })))
            .collect();
        assert_eq!(notes.len(), 1);
    }

    #[test]
    fn system_errors_read_as_plain_words() {
        let error = io::Error::from_raw_os_error(111);
        assert_eq!(plain(&error), "connection refused");
    }
}
