//! A Linux joystick as the handset: the kernel's events as they are, and what its axes range over.
//!
//! Only read, never grabbed: the handset's own software goes on getting every event. The device
//! is asked for its axes when it is opened, and again where the kernel had to drop events
//! (SYN_DROPPED), which counts as lost by this computer. A device that is unplugged is tried
//! again every half second. Interface: linux/input.h, Documentation/input/event-codes.rst.

use std::fs::{File, OpenOptions};
use std::io;
use std::io::Read;
use std::os::fd::{AsRawFd, RawFd};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;
use std::time::Duration;

use tokio::io::unix::AsyncFd;

use crate::record::joystick_layout::JoystickLayout;

use super::byte_stream::{Refusal, plain, reopened};
use super::endpoint::Line;
use super::{readiness, rights};

/// Events taken at once.
const EVENTS: usize = 64;
/// EV_SYN and SYN_DROPPED.
const DROPPED: (u16, u16) = (0, 3);
/// What to do about one that is no joystick.
const GIVE_ANOTHER: &str = "give the event device of a joystick; 'ports' lists those that are there";

/// How a device is asked what it is.
pub(crate) type Ask = fn(RawFd) -> io::Result<JoystickLayout>;

/// An open device.
pub(crate) struct Device {
    file: AsyncFd<File>,
    layout: JoystickLayout,
    ask: Ask,
}

/// Opens a joystick, or says why not and what to do.
pub(crate) fn open(path: &Path) -> Result<Device, Refusal> {
    let file = OpenOptions::new()
        .read(true)
        .custom_flags(nix::libc::O_NONBLOCK | nix::libc::O_CLOEXEC)
        .open(path)
        .map_err(|error| refusal(path, &error))?;
    Device::new(path, file, kernel::describe)
}

fn refusal(path: &Path, error: &io::Error) -> Refusal {
    let (reason, advice) = match error.kind() {
        io::ErrorKind::NotFound => (
            "there is no such device".to_owned(),
            "plug it in; 'fadewatch ports' lists the joysticks that are there".to_owned(),
        ),
        io::ErrorKind::PermissionDenied => {
            ("permission denied".to_owned(), rights::advice(path, rights::READ))
        }
        _ => (plain(error), GIVE_ANOTHER.to_owned()),
    };
    Refusal { reason, advice }
}

impl Device {
    /// Around an open file that reads without waiting.
    pub(crate) fn new(path: &Path, file: File, ask: Ask) -> Result<Self, Refusal> {
        let layout = ask(file.as_raw_fd()).map_err(|error| match error.raw_os_error() {
            Some(nix::libc::ENOTTY | nix::libc::EINVAL) => {
                Refusal { reason: "it is no input device".to_owned(), advice: GIVE_ANOTHER.to_owned() }
            }
            _ => refusal(path, &error),
        })?;
        if layout.axes.is_empty() {
            let reason = "it has no stick axes".to_owned();
            return Err(Refusal { reason, advice: GIVE_ANOTHER.to_owned() });
        }
        let file = readiness::watch(file).map_err(|error| refusal(path, &error))?;
        Ok(Self { file, layout, ask })
    }

    /// Reads until the device fails; gives the reason.
    async fn serve(mut self, line: &Line, dropped: &mut u64) -> String {
        line.joystick(self.layout.clone());
        line.host_drops(*dropped);
        let mut buffer = vec![0; EVENTS * usize::from(self.layout.event_bytes)];
        loop {
            let mut ready = match self.file.readable_mut().await {
                Ok(ready) => ready,
                Err(error) => return plain(&error),
            };
            let length = match ready.try_io(|file| file.get_mut().read(&mut buffer)) {
                Ok(Ok(0)) => return "closed".to_owned(),
                Ok(Ok(length)) => length,
                Ok(Err(error)) if error.kind() == io::ErrorKind::Interrupted => continue,
                Ok(Err(error)) if error.raw_os_error() == Some(nix::libc::ENODEV) => {
                    return "unplugged".to_owned();
                }
                Ok(Err(error)) => return plain(&error),
                Err(_would_wait) => continue,
            };
            line.received(&buffer[..length]).await;
            let more = count_dropped(&buffer[..length], usize::from(self.layout.event_bytes));
            if more > 0 {
                *dropped += more;
                line.host_drops(*dropped);
                // The next report ends what cannot be trusted; where the axes stand has to be asked.
                match (self.ask)(self.file.as_raw_fd()) {
                    Ok(layout) => line.joystick(layout),
                    Err(error) => return plain(&error),
                }
            }
        }
    }
}

fn count_dropped(bytes: &[u8], event_bytes: usize) -> u64 {
    let dropped = |event: &&[u8]| {
        let tail = event.last_chunk::<8>();
        tail.is_some_and(|[a, b, c, d, ..]| {
            (u16::from_ne_bytes([*a, *b]), u16::from_ne_bytes([*c, *d])) == DROPPED
        })
    };
    bytes.chunks_exact(event_bytes).filter(dropped).count() as u64
}

/// Serves a joystick for the whole session; `None`: it has yet to be opened.
pub(crate) async fn run(
    mut device: Option<Device>,
    line: Line,
    retry: Duration,
    reopen: impl Fn() -> Result<Device, Refusal> + Send + Sync,
) {
    let mut dropped = 0;
    loop {
        if let Some(open) = device.take() {
            let reason = open.serve(&line, &mut dropped).await;
            line.down(&reason);
        }
        device = Some(reopened(retry, &reopen).await);
        line.up();
    }
}

#[cfg(target_os = "linux")]
mod kernel {
    use std::io;
    use std::os::fd::RawFd;

    use nix::libc;

    use crate::record::joystick_layout::{JoystickAxis, JoystickLayout, MOST_AXES};

    /// EV_ABS.
    const ABSOLUTE: u8 = 3;
    /// Codes of absolute axes: ABS_CNT.
    const CODES: usize = 0x40;

    nix::ioctl_read_buf!(read_name, b'E', 0x06, u8);
    nix::ioctl_read_buf!(read_axes, b'E', 0x20 + ABSOLUTE, u8);

    /// Asks a device for its name, its stick axes, their ranges and where they stand.
    #[expect(unsafe_code, reason = "an input device tells what it is by ioctl alone")]
    pub(super) fn describe(device: RawFd) -> io::Result<JoystickLayout> {
        let (mut bits, mut name) = ([0_u8; CODES / 8], [0_u8; 128]);
        // SAFETY: the kernel writes at most the buffer's length, which is part of the request; a
        // descriptor that is no input device only gives an error.
        unsafe { read_axes(device, &mut bits) }?;
        // SAFETY: as above. A device without a name is none the worse for it.
        let _ = unsafe { read_name(device, &mut name[..127]) };
        let mut axes = Vec::new();
        for code in (0..CODES as u16).filter(|code| JoystickLayout::is_stick(*code)) {
            if bits[usize::from(code / 8)] & 1 << (code % 8) != 0 && axes.len() < MOST_AXES {
                axes.push(axis(device, code)?);
            }
        }
        let name = name.split(|byte| *byte == 0).next().unwrap_or_default();
        Ok(JoystickLayout {
            event_bytes: size_of::<libc::input_event>() as u8,
            big_endian: cfg!(target_endian = "big"),
            axes,
            name: String::from_utf8_lossy(name).replace(char::is_control, " "),
        })
    }

    #[expect(unsafe_code, reason = "an axis tells its range by ioctl alone")]
    fn axis(device: RawFd, code: u16) -> io::Result<JoystickAxis> {
        let mut info: libc::input_absinfo =
            libc::input_absinfo { value: 0, minimum: 0, maximum: 0, fuzz: 0, flat: 0, resolution: 0 };
        let request = nix::request_code_read!(b'E', 0x40 + code, size_of::<libc::input_absinfo>());
        // SAFETY: EVIOCGABS writes one `input_absinfo` to the pointer, which is valid for that.
        let result = unsafe { libc::ioctl(device, request, &raw mut info) };
        nix::errno::Errno::result(result)?;
        Ok(JoystickAxis { code, minimum: info.minimum, maximum: info.maximum, value: info.value })
    }
}

#[cfg(not(target_os = "linux"))]
mod kernel {
    use std::io;
    use std::os::fd::RawFd;

    use crate::record::joystick_layout::JoystickLayout;

    pub(super) fn describe(_device: RawFd) -> io::Result<JoystickLayout> {
        Err(io::Error::other("joysticks are read on Linux only"))
    }
}

#[cfg(test)]
mod tests {
    use std::collections::VecDeque;
    use std::io::Write;
    use std::os::fd::OwnedFd;
    use std::os::unix::net::UnixStream;
    use std::sync::Mutex;

    use super::super::endpoint::Notices;
    use super::super::ingest_queue::{Intake, IntakeLimits};
    use crate::capture::{PcapngWriter, Recording};
    use crate::clock::SessionClock;
    use crate::monitor::LinkMonitor;
    use crate::record::joystick_layout::JoystickAxis;
    use crate::record::{
        Entry, InterfaceId, InterfaceInfo, InterfaceKind, Note, OwnedBody, OwnedRecord, SessionInfo,
    };
    use crate::source::evdev::*;
    use crate::summary::Event;

    /// Stands for the ioctls of a device with one axis.
    #[expect(clippy::unnecessary_wraps, reason = "it stands for one that can fail")]
    fn ask(_device: RawFd) -> io::Result<JoystickLayout> {
        let axes = vec![JoystickAxis { code: 0, minimum: 0, maximum: 255, value: 128 }];
        Ok(JoystickLayout { event_bytes: 24, big_endian: false, axes, name: "bench sticks".to_owned() })
    }

    /// linux/input.h on a 64-bit computer.
    fn events(list: &[(u16, u16, i32)]) -> Vec<u8> {
        let one = |(kind, code, value): &(u16, u16, i32)| {
            let stamp = [0_u8; 16];
            [&stamp[..], &kind.to_le_bytes(), &code.to_le_bytes(), &value.to_le_bytes()].concat()
        };
        list.iter().flat_map(one).collect()
    }

    fn pair() -> (UnixStream, File) {
        let (ours, theirs) = UnixStream::pair().unwrap();
        theirs.set_nonblocking(true).unwrap();
        (ours, File::from(OwnedFd::from(theirs)))
    }

    fn line(intake: &Intake) -> Line {
        let (name, notices) = ("handset".to_owned(), Notices::default());
        Line::Source { interface: InterfaceId(0), name, intake: intake.clone(), passing: None, notices }
    }

    /// Unplugged after a drop by the kernel, and plugged in again.
    async fn session() -> Vec<OwnedRecord> {
        let intake = Intake::new(SessionClock::start(), IntakeLimits::default());
        let (mut first, device) = pair();
        let (mut second, again) = pair();
        first.write_all(&events(&[(3, 0, 200), (0, 0, 0), (0, 3, 0), (3, 0, 9), (0, 0, 0)])).unwrap();
        drop(first);
        second.write_all(&events(&[(3, 0, 255), (0, 0, 0)])).unwrap();
        let again = Mutex::new(Some(again));
        let reopen = || {
            let gone = Refusal { reason: "gone".to_owned(), advice: String::new() };
            Device::new(Path::new("again"), again.lock().unwrap().take().ok_or(gone)?, ask)
        };
        let device = Device::new(Path::new("first"), device, ask).ok();
        assert!(device.is_some());
        let mut records = Vec::new();
        let serve = run(device, line(&intake), Duration::ZERO, reopen);
        let look = async {
            let mut batch = VecDeque::new();
            while records.len() < 9 {
                intake.take(&mut batch);
                records.extend(batch.drain(..));
                tokio::task::yield_now().await;
            }
        };
        tokio::select! { () = serve => {}, () = look => {} }
        intake.close(InterfaceId(0));
        let mut batch = VecDeque::new();
        intake.take(&mut batch);
        records.extend(batch);
        records
    }

    #[tokio::test]
    async fn what_happens_to_a_joystick_is_recorded_and_replays_the_same() {
        let records = session().await;
        let words: Vec<&str> = records
            .iter()
            .map(|record| match &record.body {
                OwnedBody::Note(Note::Joystick { .. }) => "layout",
                OwnedBody::Note(Note::HostDrops { total: 0, .. }) => "none dropped",
                OwnedBody::Note(Note::HostDrops { total: 1, .. }) => "one dropped",
                OwnedBody::Note(Note::SourceDown { .. }) => "down",
                OwnedBody::Note(Note::SourceUp { .. }) => "up",
                OwnedBody::Stream(bytes) if bytes.len().is_multiple_of(24) => "events",
                _ => "else",
            })
            .collect();
        let expected =
            ["layout", "none dropped", "events", "one dropped", "layout", "down", "up", "layout", "events"];
        assert_eq!(words.get(..9), Some(&expected[..]), "{words:?}");

        let info =
            InterfaceInfo { name: "handset".to_owned(), kind: InterfaceKind::Joystick, description: None };
        let opening = [
            Entry::Session(SessionInfo { has_wall_clock: true, ..SessionInfo::default() }),
            Entry::Interface(InterfaceId(0), info),
        ];
        let entries = opening.into_iter().chain(records.iter().map(|one| Entry::Record(one.as_record())));
        let mut live = LinkMonitor::default();
        let mut writer = PcapngWriter::new(Vec::new());
        for entry in entries {
            writer.write(&entry).unwrap();
            live.handle(&entry);
        }
        let recording = Recording::read("a", &writer.into_inner()[..]).unwrap();
        let (mut cursor, mut replayed) = (recording.cursor(), LinkMonitor::default());
        while let Some(entry) = recording.next(&mut cursor) {
            replayed.handle(&entry);
        }
        let facts = recording.facts(&cursor);
        assert_eq!(live.summary(&facts), replayed.summary(&facts));
        let summary = live.summary(&facts);
        assert_eq!((summary.recording.host_drops, summary.framing.skipped_bytes), (Some(1), 0));
        assert!(summary.events.iter().any(
            |event| matches!(&event.event, Event::Joystick { axes: 1, name, .. } if name == "bench sticks")
        ));
    }

    #[test]
    fn what_is_no_joystick_says_what_to_do() {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_io().build().unwrap();
        let _guard = runtime.enter();
        let missing = open(Path::new("/dev/input/no-such-event")).err().unwrap();
        assert!(missing.reason.contains("no such device") && missing.advice.contains("ports"));
        let other = open(Path::new("/dev/null")).err().unwrap();
        assert_eq!(other.reason, "it is no input device");
        let denied = refusal(Path::new("/dev/null"), &io::ErrorKind::PermissionDenied.into());
        assert_eq!(denied.advice, rights::advice(Path::new("/dev/null"), rights::READ));
        let none = |_: RawFd| Ok(JoystickLayout { axes: Vec::new(), ..ask(0)? });
        assert_eq!(
            Device::new(Path::new("none"), pair().1, none).err().unwrap().reason,
            "it has no stick axes"
        );
    }
}
