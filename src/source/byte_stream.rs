//! Byte streams that can go away and come back: serial ports and TCP.
//!
//! Reading and writing run side by side, so that neither waits for the other. When
//! the stream fails, what it had delivered is kept, the outage is told, and it is
//! tried again every half second. Bytes meant for it meanwhile are thrown away, as an
//! unplugged cable would: stale commands must not reach the vehicle later.

use std::future::pending;
use std::io;
use std::os::fd::{AsRawFd, RawFd};
use std::path::Path;
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::mpsc;
use tokio::time::{sleep, timeout};
use tokio_serial::{ErrorKind, SerialStream};

use super::endpoint::{Line, Outgoing};
use super::host_drops::{each_second, serial_overruns};
use super::{SourceUrl, joined};

/// Between two tries to open a source that is away.
pub(crate) const RETRY: Duration = Duration::from_millis(500);
/// How long a connection may take.
const CONNECT: Duration = Duration::from_secs(3);
/// After a failed write, how long what the other end had sent may still be read.
const LAST_WORDS: Duration = Duration::from_secs(1);

trait Duplex: AsyncRead + AsyncWrite + Send + Unpin {}
impl<T: AsyncRead + AsyncWrite + Send + Unpin> Duplex for T {}

/// An open byte stream.
pub(crate) struct Connection {
    stream: Box<dyn Duplex>,
    /// The descriptor, where a driver may count overruns; valid as long as `stream` is.
    serial: Option<RawFd>,
}

/// Why a stream could not be opened, and what to do about it.
pub(crate) struct Refusal {
    pub(crate) reason: String,
    pub(crate) advice: String,
}

/// Opens a serial port or a TCP connection.
pub(crate) async fn connect(url: &SourceUrl) -> Result<Connection, Refusal> {
    match url {
        SourceUrl::Serial { path, baud } => open_serial(path, *baud),
        SourceUrl::Tcp { host, port } => open_tcp(host, *port).await,
        other => {
            Err(Refusal { reason: format!("'{other}' is no byte stream"), advice: "use another URL".into() })
        }
    }
}

fn open_serial(path: &Path, baud: u32) -> Result<Connection, Refusal> {
    let builder = tokio_serial::new(path.to_string_lossy(), baud);
    let stream = SerialStream::open(&builder).map_err(|error| serial_refusal(path, &error))?;
    let serial = Some(stream.as_raw_fd());
    Ok(Connection { stream: Box::new(stream), serial })
}

fn serial_refusal(path: &Path, error: &tokio_serial::Error) -> Refusal {
    let missing = !path.exists();
    let text = error.description.to_ascii_lowercase();
    let (reason, advice) = match error.kind {
        _ if missing => {
            ("there is no such device".to_owned(), "plug it in, or choose one that 'ports' lists".to_owned())
        }
        ErrorKind::Io(io::ErrorKind::PermissionDenied) => (
            "permission denied".to_owned(),
            "join the group that owns the device, then log in again".to_owned(),
        ),
        _ if text.contains("busy")
            || text.contains("exclusive")
            || text.contains("temporarily unavailable") =>
        {
            (
                "it is busy: another program holds it".to_owned(),
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
            Ok(Connection { stream: Box::new(stream), serial: None })
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
    let mut lost_before = 0;
    loop {
        if let Some(open) = connection.take() {
            let reason = serve(open, &line, &mut outgoing, &mut lost_before).await;
            line.down(&reason);
        }
        loop {
            discard(&mut outgoing, RETRY).await;
            if let Ok(open) = connect(&url).await {
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
    use crate::source::byte_stream::*;

    #[tokio::test]
    async fn a_missing_device_says_so() {
        let url = SourceUrl::Serial { path: "/dev/no-such-port".into(), baud: 115_200 };
        let refusal = connect(&url).await.err().unwrap();
        assert_eq!(refusal.reason, "there is no such device");
        assert!(refusal.advice.contains("ports"));
    }

    #[test]
    fn system_errors_read_as_plain_words() {
        let error = io::Error::from_raw_os_error(111);
        assert_eq!(plain(&error), "connection refused");
    }
}
