//! How this computer does: the kernel's open files, read once a second by a thread of its own.
//!
//! Reading a sensor may take long, or hang: nothing waits for this thread, and at the end it is left behind. What there is
//! is looked up at the start and once a minute; critical values are read then too. What is not there, or is no
//! number, is absent. Sources: see `record::health_reading`.
//!
//! Of the thermal zones: temperature, and the lower of the trip points `critical` and `hot`. Of hardware monitors:
//! temperatures with their critical values, low-voltage alarms, and the voltages of what measures a current or a power
//! too, over 2 V (a power monitor on a supply, and not on its shunt: common practice, no source). Zones and supplies
//! show themselves as hardware monitors once more, which are passed over. Of supplies: all but those of other devices.

use std::collections::BTreeSet;
use std::io;
use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{RecvTimeoutError, SyncSender, sync_channel};
use std::time::Duration;

use crate::record::health_reading::{HealthPart, HealthRow, MOST_ROWS};
use crate::record::{InterfaceId, Note};

use super::ingest_queue::Intake;

const SECOND: Duration = Duration::from_secs(1);
/// Readings after which it is looked again what there is.
const LOOK_AGAIN: u32 = 60;
/// The longest file that is read, bytes.
const LONGEST: u64 = 4096;
/// The longest name, in characters.
const LONGEST_NAME: usize = 40;
/// Entries of a folder that are looked at.
const MOST_ENTRIES: usize = 256;
/// What a power monitor measures below this is a shunt, thousandths of a volt.
const LEAST_SUPPLY_MV: i64 = 2_000;
/// The words of a supply's `status`, in the order of their numbers.
const STATUS: [&str; 5] = ["Unknown", "Charging", "Discharging", "Not charging", "Full"];

/// Reads until the sender that it gives is dropped.
pub(crate) fn spawn(root: PathBuf, intake: Intake, marks: InterfaceId) -> io::Result<SyncSender<()>> {
    let (stop, stopped) = sync_channel(0);
    std::thread::Builder::new().name("health".to_owned()).spawn(move || {
        let mut files = HealthFiles::new(root);
        loop {
            let rows = files.read();
            if !rows.is_empty() {
                intake.note(marks, Note::Health { rows });
            }
            if stopped.recv_timeout(SECOND) != Err(RecvTimeoutError::Timeout) {
                return;
            }
        }
    })?;
    Ok(stop)
}

/// Where a value comes from.
#[derive(Debug)]
enum Value {
    Absent,
    /// Read as it was looked up.
    Fixed(i64),
    Number(PathBuf),
    Status(PathBuf),
    /// In thousandths of what the row is in.
    Thousands(PathBuf),
}

impl Value {
    fn of(path: PathBuf) -> Self {
        if path.exists() { Self::Number(path) } else { Self::Absent }
    }

    fn read(&self) -> Option<i64> {
        match self {
            Self::Absent => None,
            Self::Fixed(value) => Some(*value),
            Self::Number(path) => number(path),
            Self::Status(path) => status(&text(path)?),
            Self::Thousands(path) => number(path)?.checked_mul(1_000),
        }
    }
}

/// A part and its files.
#[derive(Debug)]
struct Watched {
    part: HealthPart,
    name: String,
    values: [Value; 3],
}

/// All parts of this computer that say something.
#[derive(Debug)]
pub(crate) struct HealthFiles {
    root: PathBuf,
    watched: Vec<Watched>,
    processors: Option<i64>,
    readings: u32,
}

impl HealthFiles {
    /// `root`: the folder in which `sys` and `proc` lie.
    pub(crate) fn new(root: PathBuf) -> Self {
        Self { root, watched: Vec::new(), processors: None, readings: 0 }
    }

    /// One reading; empty where nothing can be read.
    pub(crate) fn read(&mut self) -> Vec<HealthRow> {
        if self.readings.is_multiple_of(LOOK_AGAIN) {
            self.look();
        }
        self.readings = self.readings.wrapping_add(1);
        let rows = self.watched.iter().map(|Watched { part, name, values }| HealthRow {
            part: *part,
            name: name.clone(),
            values: values.each_ref().map(Value::read),
        });
        // A critical value alone says nothing.
        let mut rows: Vec<HealthRow> = rows.filter(says_something).collect();
        rows.extend(self.of_whole());
        rows
    }

    /// What is of the computer as a whole.
    fn of_whole(&self) -> Vec<HealthRow> {
        let proc = self.root.join("proc");
        let mut rows = Vec::new();
        let mut add = |part, name: &str, values: [Option<i64>; 3]| {
            rows.push(HealthRow { part, name: name.to_owned(), values });
        };
        for what in ["cpu", "memory", "io"] {
            if let Some(text) = text(&proc.join("pressure").join(what)) {
                add(HealthPart::Pressure, what, [waited(&text, "some"), waited(&text, "full"), None]);
            }
        }
        if let Some(text) = text(&proc.join("loadavg")) {
            add(HealthPart::Load, "1min", [hundredths(&text), self.processors, None]);
        }
        if let Some(text) = text(&proc.join("meminfo")) {
            let values = [in_table(&text, "MemAvailable:"), in_table(&text, "MemTotal:"), None];
            add(HealthPart::Memory, "ram", values);
        }
        rows.retain(says_something);
        rows
    }

    /// Looks up what there is.
    fn look(&mut self) {
        let class = self.root.join("sys/class");
        let mut found = Vec::new();
        for zone in folders(&class.join("thermal"), "thermal_zone") {
            found.push(zone_of(&zone));
        }
        for device in folders(&class.join("thermal"), "cooling_device") {
            let name = word(&device.join("type")).unwrap_or_default();
            if slows_processor(&name) {
                found.push(of_one(HealthPart::Cooling, name, Value::of(device.join("cur_state"))));
            }
        }
        for monitor in folders(&class.join("hwmon"), "hwmon") {
            found.extend(monitor_of(&monitor));
        }
        for supply in folders(&class.join("power_supply"), "") {
            found.extend(supply_of(&supply));
        }
        let cpu = self.root.join("sys/devices/system/cpu");
        for policy in folders(&cpu.join("cpufreq"), "policy") {
            let values = [Value::Absent, Value::of(policy.join("scaling_max_freq")), Value::Absent];
            found.push(Watched { part: HealthPart::Clock, name: file_name(&policy), values });
        }
        self.processors = text(&cpu.join("online")).and_then(|text| listed(&text));
        // What is of the whole has its place too.
        found.truncate(MOST_ROWS - 5);
        make_unique(&mut found);
        self.watched = found;
    }
}

fn of_one(part: HealthPart, name: String, value: Value) -> Watched {
    Watched { part, name, values: [value, Value::Absent, Value::Absent] }
}

fn says_something(row: &HealthRow) -> bool {
    let [first, second, _] = row.values;
    first.is_some() || row.part != HealthPart::Temperature && second.is_some()
}

/// The kernel names the processor's cooling devices `Processor` (ACPI), `cpufreq-cpu0` or `thermal-cpufreq-0`, and `idle-cpu0`
/// or `thermal-idle-0` (names from memory; driver-api/thermal/cpu-cooling-api.rst and cpu-idle-cooling.rst).
fn slows_processor(name: &str) -> bool {
    let name = name.strip_prefix("thermal-").unwrap_or(name);
    name == "Processor" || name.starts_with("cpufreq-") || name.starts_with("idle-")
}

fn zone_of(zone: &Path) -> Watched {
    let limits = entries(zone).into_iter().filter_map(|file| {
        let trip = file.strip_suffix("_type").filter(|trip| trip.starts_with("trip_point_"))?;
        let kind = word(&zone.join(&file))?;
        matches!(kind.as_str(), "critical" | "hot").then(|| number(&zone.join(format!("{trip}_temp"))))?
    });
    let limit = limits.filter(|limit| *limit > 0).min().map_or(Value::Absent, Value::Fixed);
    let name = word(&zone.join("type")).unwrap_or_else(|| file_name(zone));
    let now = Value::of(zone.join("temp"));
    Watched { part: HealthPart::Temperature, name, values: [now, limit, Value::Absent] }
}

fn monitor_of(monitor: &Path) -> Vec<Watched> {
    let own = monitor.canonicalize().unwrap_or_default();
    let is_twin = |part: &str| part.starts_with("thermal_zone") || part == "power_supply";
    if own.components().any(|part| part.as_os_str().to_str().is_some_and(is_twin)) {
        return Vec::new();
    }
    let device = word(&monitor.join("name")).unwrap_or_else(|| file_name(monitor));
    let files = entries(monitor);
    let is_input = |file: &String, kind: &str| file.starts_with(kind) && file.ends_with("_input");
    let measures_supply = files.iter().any(|file| is_input(file, "curr") || is_input(file, "power"));
    let mut found = Vec::new();
    for file in &files {
        let Some((channel, what)) = file.split_once('_') else { continue };
        let label = || word(&monitor.join(format!("{channel}_label"))).unwrap_or_else(|| channel.to_owned());
        let path = monitor.join(file);
        let kind = channel.trim_end_matches(|letter: char| letter.is_ascii_digit());
        let name = || format!("{device} {}", label());
        match (kind, what) {
            ("temp", "input") => {
                let limit =
                    number(&monitor.join(format!("{channel}_crit"))).map_or(Value::Absent, Value::Fixed);
                let values = [Value::Number(path), limit, Value::Absent];
                found.push(Watched { part: HealthPart::Temperature, name: name(), values });
            }
            ("in", "input") if measures_supply && number(&path) >= Some(LEAST_SUPPLY_MV) => {
                found.push(of_one(HealthPart::Supply, name(), Value::Thousands(path)));
            }
            ("in", "lcrit_alarm") => found.push(of_one(HealthPart::LowSupply, name(), Value::Number(path))),
            _ => {}
        }
    }
    found
}

/// A battery or another supply of this computer; `None`: of a mouse, a gamepad.
fn supply_of(supply: &Path) -> Option<Watched> {
    if word(&supply.join("scope")).as_deref() == Some("Device") {
        return None;
    }
    let values = [
        Value::of(supply.join("voltage_now")),
        Value::of(supply.join("capacity")),
        Value::Status(supply.join("status")),
    ];
    Some(Watched { part: HealthPart::Supply, name: file_name(supply), values })
}

/// Names that stand twice get a number.
fn make_unique(found: &mut [Watched]) {
    let mut taken = BTreeSet::new();
    for Watched { part, name, .. } in found {
        *name = name.chars().take(LONGEST_NAME).collect();
        let alone = name.clone();
        let mut number = 1;
        while !taken.insert((*part, name.clone())) {
            number += 1;
            *name = format!("{alone} {number}");
        }
    }
}

/// Folders of a class, by their numbers.
fn folders(class: &Path, prefix: &str) -> Vec<PathBuf> {
    entries(class).into_iter().filter(|name| name.starts_with(prefix)).map(|name| class.join(name)).collect()
}

/// Names in a folder, in the order of their lengths, then of their letters, so that 2 comes before 10.
fn entries(folder: &Path) -> Vec<String> {
    let Ok(found) = std::fs::read_dir(folder) else { return Vec::new() };
    let names = found.filter_map(|entry| entry.ok()?.file_name().into_string().ok());
    let mut names: Vec<String> = names.take(MOST_ENTRIES).collect();
    names.sort_by(|one, other| one.len().cmp(&other.len()).then_with(|| one.cmp(other)));
    names
}

fn file_name(path: &Path) -> String {
    path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

fn text(path: &Path) -> Option<String> {
    let mut bytes = Vec::new();
    std::fs::File::open(path).ok()?.take(LONGEST).read_to_end(&mut bytes).ok()?;
    Some(String::from_utf8_lossy(&bytes).into_owned())
}

/// A name that the kernel tells.
pub(super) fn word(path: &Path) -> Option<String> {
    let word = crate::record::text::clean(text(path)?.trim());
    (!word.is_empty()).then_some(word)
}

fn number(path: &Path) -> Option<i64> {
    text(path)?.trim().parse().ok()
}

fn status(text: &str) -> Option<i64> {
    Some(STATUS.iter().position(|word| *word == text.trim())? as i64)
}

/// `some avg10=0.00 avg60=0.00 avg300=0.00 total=31154072`: the total, microseconds.
fn waited(text: &str, who: &str) -> Option<i64> {
    let line = text.lines().find(|line| line.split(' ').next() == Some(who))?;
    line.rsplit_once("total=")?.1.trim().parse().ok()
}

/// `0.52 0.58 0.59 1/174 21232`: the first number.
fn hundredths(text: &str) -> Option<i64> {
    let load: f64 = text.split(' ').next()?.parse().ok()?;
    (0.0..1e9).contains(&load).then(|| (load * 100.0).round() as i64)
}

/// `MemAvailable:   1234 kB`.
fn in_table(text: &str, name: &str) -> Option<i64> {
    text.lines().find_map(|line| line.strip_prefix(name)?.split_ascii_whitespace().next()?.parse().ok())
}

/// How many a list such as `0-3,5` holds.
fn listed(text: &str) -> Option<i64> {
    let count = |range: &str| {
        let (first, last) = range.split_once('-').unwrap_or((range, range));
        let (first, last): (i64, i64) = (first.parse().ok()?, last.parse().ok()?);
        (0..4096).contains(&(last - first)).then_some(last - first + 1)
    };
    text.trim().split(',').map(count).sum()
}

#[cfg(test)]
mod tests;
