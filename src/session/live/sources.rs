//! The tasks of a live session: opened before it starts, stopped at its end.

use std::path::PathBuf;
use std::sync::mpsc::SyncSender;
use std::time::Duration;

use tokio::runtime::{Builder, Handle};
use tokio::sync::{mpsc, oneshot, watch};
use tokio::task::JoinHandle;
use tokio::time::{Instant, MissedTickBehavior, interval_at, timeout};

use crate::clock::StepWatch;
use crate::record::packet::LinkType;
use crate::record::{ASKS_FOR_RATES, ASKS_FOR_TIME, IN_THE_PATH, InterfaceId, Note};
use crate::source::byte_stream::{Connection, Refusal};
use crate::source::endpoint::{Line, Notices, Outgoing, Passing};
use crate::source::health_files;
use crate::source::host_drops::SocketDrops;
use crate::source::ingest_queue::Intake;
use crate::source::packet_socket;
use crate::source::packet_socket::PacketDrops;
use crate::source::stall_watch;
use crate::source::stall_watch::Watched;
use crate::source::{OpenError, SourceUrl, byte_stream, evdev, reader, transmit, udp, wifi};

use super::LiveConfig;
use crate::session::Request;

/// Chunks on their way from the vehicle to the other program: about 4 MB of the largest.
const TO_PEER: usize = 1024;
/// Chunks on their way to the vehicle; the other program waits for more room.
const TO_VEHICLE: usize = 64;
/// How long what waits in sockets may take to be read at the end.
const LAST_READ: Duration = Duration::from_secs(2);
/// How long tasks may take to end.
const STOPPING: Duration = Duration::from_millis(300);

/// How often messages are asked for where nothing else was said.
const RATES_HZ: f64 = 25.0;
const CANNOT_SEND: &str =
    "nothing can be sent to this vehicle source: use serial:, udp:// or tcp://, with --forward udp:// alone";

/// Why a source is not there yet.
type Away = String;

enum Opened {
    Stream(Result<Connection, Away>),
    Udp(udp::Socket),
    Joystick(Result<evdev::Device, Away>, PathBuf),
    Capture(Result<packet_socket::Socket, Away>, LinkType),
    Wifi(Result<wifi::Card, Away>, String),
    Reader(Box<dyn std::io::Read + Send>),
}

/// A counter of what this computer lost itself.
#[derive(Debug)]
enum Counter {
    Udp(SocketDrops),
    Packets(PacketDrops),
}

impl Counter {
    fn read(&self) -> Option<u64> {
        match self {
            Self::Udp(socket) => socket.read(),
            Self::Packets(socket) => Some(socket.read()),
        }
    }
}

/// Runs all tasks on one thread of its own: to hand them to a pool of one costs a tenth more a datagram.
#[derive(Debug)]
struct Driver {
    handle: Handle,
    /// Told when the thread shall end.
    stop: oneshot::Sender<()>,
}

impl Driver {
    fn start() -> std::io::Result<Self> {
        let runtime = Builder::new_current_thread().enable_all().build()?;
        let handle = runtime.handle().clone();
        let (stop, stopped) = oneshot::channel();
        std::thread::Builder::new().name("sources".to_owned()).spawn(move || {
            let _ = runtime.block_on(stopped);
            // Reads of a pipe that never ends are left behind.
            runtime.shutdown_background();
        })?;
        Ok(Self { handle, stop })
    }
}

/// All running tasks.
#[derive(Debug)]
pub(super) struct Sources {
    runtime: Option<Driver>,
    stop: watch::Sender<bool>,
    tasks: Vec<JoinHandle<()>>,
    /// Counters that are read once more as the session stops.
    drops: Vec<(InterfaceId, Counter)>,
    /// Sockets whose datagrams the kernel stamps.
    watched: Vec<(InterfaceId, Watched)>,
    /// Of the sources that capture packets.
    links: Vec<(&'static str, LinkType)>,
    intake: Intake,
    vehicle: watch::Sender<Option<u8>>,
    /// What this program sends itself, and how often it asks for.
    own: transmit::Own,
    rates_hz: Option<f64>,
    /// The way to the vehicle; `None`: nothing can be sent.
    to_vehicle: Option<mpsc::Sender<Outgoing>>,
    /// What is sent already.
    sent: Vec<Request>,
    notices: Notices,
    /// The thread that reads how this computer does goes on until it is dropped.
    health: Option<SyncSender<()>>,
}

impl Sources {
    /// Opens everything, or says what could not be opened.
    pub(super) fn open(config: &LiveConfig, intake: &Intake, marks: InterfaceId) -> anyhow::Result<Self> {
        let runtime = Driver::start()?;
        let mut opened = Vec::new();
        for (index, (name, url)) in config.sources().into_iter().enumerate() {
            let what = format!("{name} source");
            let end = runtime.handle.block_on(open(url, false, config.wait_for_sources));
            let end = end.map_err(|refusal| open_error(&what, url, refusal))?;
            opened.push((InterfaceId(index as u16), name, url.clone(), end));
        }
        let peer = match &config.forward {
            None => None,
            Some(url) => {
                let end = runtime.handle.block_on(open(url, true, config.wait_for_sources));
                Some((url.clone(), end.map_err(|refusal| open_error("--forward", url, refusal))?))
            }
        };
        let mut sources = Self {
            runtime: Some(runtime),
            stop: watch::Sender::new(false),
            tasks: Vec::new(),
            drops: Vec::new(),
            watched: Vec::new(),
            links: Vec::new(),
            intake: intake.clone(),
            vehicle: watch::Sender::new(config.profile.vehicle.system),
            own: transmit::Own::new(config.own_system, config.own_component),
            rates_hz: config.request_rates_hz,
            to_vehicle: None,
            sent: Vec::new(),
            notices: Notices::default(),
            health: None,
        };
        sources.start(config, opened, peer, marks)?;
        Ok(sources)
    }

    fn start(
        &mut self,
        config: &LiveConfig,
        opened: Vec<(InterfaceId, &'static str, SourceUrl, Opened)>,
        peer: Option<(SourceUrl, Opened)>,
        marks: InterfaceId,
    ) -> anyhow::Result<()> {
        let (to_vehicle, from_here) = mpsc::channel(TO_VEHICLE);
        let mut from_here = Some(from_here);
        let mut passing = None;
        if let Some((url, end)) = peer {
            let (to_peer, passed) = mpsc::channel(TO_PEER);
            passing = Some(Passing::new(to_peer, self.notices.clone()));
            let line = Line::Peer {
                name: format!("the other program at {url}"),
                to_vehicle: to_vehicle.clone(),
                clock: *self.intake.clock(),
                notices: self.notices.clone(),
            };
            self.announce(marks, in_the_path(config, &url));
            self.serve(url, end, line, passed)?;
        }
        for (interface, name, url, end) in opened {
            if url.is_open_to_all() {
                let text = format!(
                    "{name}: {url} hears all addresses of this computer: whoever reaches one can send; from=ADDRESS takes one sender alone"
                );
                self.intake.note(marks, Note::Foreign { text });
            }
            if matches!(&end, Opened::Udp(socket) if socket.is_early()) {
                let text = format!("{name}: {url} is no address of this computer yet");
                self.intake.note(marks, Note::Foreign { text });
            }
            let is_vehicle = name == "vehicle";
            let outgoing = from_here.take_if(|_| is_vehicle).unwrap_or_else(|| mpsc::channel(1).1);
            let line = Line::Source {
                interface,
                name: name.to_owned(),
                intake: self.intake.clone(),
                passing: passing.take_if(|_| is_vehicle),
                notices: self.notices.clone(),
            };
            if let Opened::Udp(socket) = &end {
                self.drops.extend(socket.drops().map(|counter| (interface, Counter::Udp(counter))));
                self.watched.extend(socket.watched().map(|socket| (interface, Watched::Socket(socket))));
            }
            if let Opened::Capture(_, link) = &end {
                self.links.push((name, *link));
            }
            self.serve(url, end, line, outgoing)?;
        }
        if config.vehicle_takes_bytes() && !config.cuts_into_others() {
            self.to_vehicle = Some(to_vehicle);
        }
        let asked = [(config.timesync, Request::Time), (config.request_rates_hz.is_some(), Request::Rates)];
        for (_, request) in asked.into_iter().filter(|(is_asked, _)| *is_asked) {
            self.transmit(request, marks).map_err(anyhow::Error::msg)?;
        }
        self.health = Some(health_files::spawn(config.kernel_files.clone(), self.intake.clone(), marks)?);
        self.spawn(each_second(self.intake.clone(), marks));
        let watched = std::mem::take(&mut self.watched);
        self.spawn(stall_watch::run(self.intake.clone(), marks, watched));
        Ok(())
    }

    fn serve(
        &mut self,
        url: SourceUrl,
        end: Opened,
        line: Line,
        outgoing: mpsc::Receiver<Outgoing>,
    ) -> std::io::Result<()> {
        let (Opened::Joystick(Err(away), _)
        | Opened::Capture(Err(away), _)
        | Opened::Wifi(Err(away), _)
        | Opened::Stream(Err(away))) = &end
        else {
            return self.run(url, end, line, outgoing);
        };
        line.down(away);
        self.run(url, end, line, outgoing)
    }

    fn run(
        &mut self,
        url: SourceUrl,
        end: Opened,
        line: Line,
        outgoing: mpsc::Receiver<Outgoing>,
    ) -> std::io::Result<()> {
        match (end, line) {
            (Opened::Reader(from), Line::Source { interface, name, intake, notices, .. }) => {
                return reader::spawn(from, interface, name, intake, notices);
            }
            (Opened::Reader(_), Line::Peer { .. }) => {}
            (Opened::Udp(socket), line) => {
                self.spawn(socket.run(line, outgoing, self.vehicle.subscribe()));
            }
            (Opened::Joystick(device, path), line) => {
                self.spawn(evdev::run(device.ok(), line, byte_stream::RETRY, move || evdev::open(&path)));
            }
            (Opened::Capture(socket, link), line) => {
                let drops = PacketDrops::default();
                if let Line::Source { interface, .. } = &line {
                    self.drops.push((*interface, Counter::Packets(drops.clone())));
                    self.watched.push((*interface, Watched::Packets(drops.clone())));
                }
                let SourceUrl::Capture { interface, ports } = url else { return Ok(()) };
                let reopen = move || packet_socket::open_again(&interface, &ports, link);
                self.spawn(packet_socket::run(socket.ok(), line, drops, reopen));
            }
            (Opened::Wifi(card, name), line) => {
                self.spawn(wifi::run(card.ok(), line, move || wifi::open(&name)));
            }
            (Opened::Stream(connection), line) => {
                self.spawn(byte_stream::run(url, connection.ok(), line, outgoing));
            }
        }
        Ok(())
    }

    /// Sends from now on what was asked for; what is sent already changes nothing.
    pub(super) fn transmit(&mut self, request: Request, marks: InterfaceId) -> Result<(), &'static str> {
        let to_vehicle = self.to_vehicle.clone().ok_or(CANNOT_SEND)?;
        if self.sent.contains(&request) {
            return Ok(());
        }
        self.sent.push(request);
        match request {
            Request::Time => {
                self.announce(marks, format!("transmits: {ASKS_FOR_TIME} once a second"));
                self.spawn(transmit::timesync(to_vehicle, self.own.clone()));
            }
            Request::Rates => {
                let hz = self.rates_hz.unwrap_or(RATES_HZ);
                let what = format!("transmits: {ASKS_FOR_RATES} and SERVO_OUTPUT_RAW {hz} times a second");
                self.announce(marks, what);
                let vehicle = self.vehicle.subscribe();
                self.spawn(transmit::request_rates(to_vehicle, self.own.clone(), hz, vehicle));
            }
        }
        Ok(())
    }

    fn announce(&self, marks: InterfaceId, what: String) {
        self.intake.note(marks, Note::Transmits { what });
    }

    fn spawn(&mut self, task: impl Future<Output = ()> + Send + 'static) {
        let mut stop = self.stop.subscribe();
        let task = async move {
            tokio::select! {
                () = task => {}
                _ = stop.wait_for(|stop| *stop) => {}
            }
        };
        if let Some(runtime) = &self.runtime {
            self.tasks.push(runtime.handle.spawn(task));
        }
    }

    /// The vehicle's system id, once it is known.
    pub(super) fn vehicle_is(&self, system: Option<u8>) {
        if system.is_some() {
            self.vehicle.send_if_modified(|known| std::mem::replace(known, system) != system);
        }
    }

    /// One line for the pilot, if there is a new one.
    pub(super) fn notice(&self) -> Option<String> {
        self.notices.take()
    }

    /// What the packets of a source begin with, if it captures packets.
    pub(super) fn link(&self, name: &str) -> Option<LinkType> {
        self.links.iter().find(|(each, _)| *each == name).map(|(_, link)| *link)
    }

    /// Ends all tasks, once what waits in sockets was read, and reads the counters for the last time.
    pub(super) fn stop(&mut self) {
        self.health = None;
        if self.runtime.is_some() {
            self.intake.await_read(LAST_READ);
        }
        for (interface, counter) in &self.drops {
            if let Some(total) = counter.read() {
                self.intake.host_drops(*interface, total);
            }
        }
        let Some(runtime) = self.runtime.take() else { return };
        let _ = self.stop.send(true);
        let tasks = std::mem::take(&mut self.tasks);
        let ended = async {
            for task in tasks {
                let _ = task.await;
            }
        };
        // What hangs is left behind; it cannot reach the closed intake.
        let _ = runtime.handle.block_on(async { timeout(STOPPING, ended).await });
        let _ = runtime.stop.send(());
    }
}

fn in_the_path(config: &LiveConfig, peer: &SourceUrl) -> String {
    let vehicle = config.vehicle.as_ref().map(ToString::to_string).unwrap_or_default();
    format!("{IN_THE_PATH}: forwards every byte between {vehicle} and {peer}")
}

async fn open(url: &SourceUrl, is_peer: bool, may_wait: bool) -> Result<Opened, Refusal> {
    match url {
        SourceUrl::Udp { host, port, .. } if is_peer => udp::talk(host, *port).map(Opened::Udp),
        SourceUrl::Udp { host, port, from } => udp::listen(host, *port, *from, may_wait).map(Opened::Udp),
        SourceUrl::Stdin => Ok(Opened::Reader(Box::new(std::io::stdin()))),
        SourceUrl::File(path) => reader::open(path).map(Opened::Reader),
        SourceUrl::Wifi(name) => Ok(Opened::Wifi(or_later(wifi::open(name), may_wait)?, name.clone())),
        SourceUrl::Capture { interface, ports } => {
            let opened = or_later(packet_socket::open(interface, ports), may_wait)?;
            let link = opened
                .as_ref()
                .map_or_else(|_| packet_socket::link_to_come(ports), packet_socket::Socket::link);
            Ok(Opened::Capture(opened, link))
        }
        SourceUrl::Joystick(path) => {
            Ok(Opened::Joystick(or_later(evdev::open(path), may_wait)?, path.clone()))
        }
        SourceUrl::Serial { .. } | SourceUrl::Tcp { .. } => {
            Ok(Opened::Stream(or_later(byte_stream::connect_at_start(url).await, may_wait)?))
        }
    }
}

/// What was opened, or why it is away, where it may come later.
fn or_later<T>(opened: Result<T, Refusal>, may_wait: bool) -> Result<Result<T, Away>, Refusal> {
    match opened {
        Err(refusal) if may_wait => Ok(Err(refusal.reason)),
        opened => opened.map(Ok),
    }
}

fn open_error(what: &str, url: &SourceUrl, refusal: Refusal) -> OpenError {
    let Refusal { reason, advice } = refusal;
    OpenError { what: what.to_owned(), url: url.to_string(), reason, advice }
}

/// A tick a second, and a look at the wall clock. The tick before them is the session's first record:
/// [`Intake::begin`] makes it.
async fn each_second(intake: Intake, marks: InterfaceId) {
    const SECOND: Duration = Duration::from_secs(1);
    let mut steps = StepWatch::default();
    let mut seconds = interval_at(Instant::now() + SECOND, SECOND);
    seconds.set_missed_tick_behavior(MissedTickBehavior::Skip);
    loop {
        seconds.tick().await;
        intake.note(marks, Note::Tick);
        if let Some(by) = steps.look(intake.clock().wall_ahead()) {
            intake.note(marks, Note::WallClockStep { by });
        }
    }
}
