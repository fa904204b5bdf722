//! `export`: tables, ways and cuts of recordings, for the builder's own tools.
//!
//! One pass of the core over each recording, on all cores; one that cannot be read keeps no other from being written. What
//! is written is this user's alone, and overwrites nothing unasked.

use std::collections::{BTreeMap, HashSet};
use std::io;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use anyhow::{bail, ensure};

use crate::capture::{PcapngWriter, Recording};
use crate::cli::ExportArgs;
use crate::monitor::{LinkMonitor, RecordingFacts};
use crate::profile::Profile;
use crate::record::text::is_printable;
use crate::record::{Body, Entry, InterfaceId, InterfaceInfo, InterfaceKind, Note, Record};
use crate::report::table::Table;
use crate::report::table_database::TableDatabase;
use crate::report::{session_tables, way, write_json_to};
use crate::summary::{Earlier, SecondSummary, Summary, Told};
use crate::units::Nanos;

use super::{batch, earlier_sessions, private_file, tell};

/// What one recording gives.
#[derive(Default)]
struct Exported {
    hash: String,
    summary: Summary,
    tables: Vec<Table>,
    /// All is done, and this is to be said.
    said: Option<String>,
}

/// What a pass over a recording collects beside what the core keeps.
#[derive(Default)]
struct Collected {
    /// Whole seconds, as they were told.
    seconds: Vec<SecondSummary>,
    /// When pictures were delivered.
    frames: Vec<Nanos>,
}

/// Writes what is wanted of each file.
pub(super) fn run(args: &ExportArgs) -> anyhow::Result<ExitCode> {
    let profile = super::profile(&args.common)?;
    ensure!(
        args.cut.is_none() || args.files.len() == 1,
        "--cut takes one recording, and {} were named",
        args.files.len()
    );
    if let Some(out) = &args.out {
        one_folder_each(out, &args.files)?;
    }
    let mut database = args.sqlite.as_deref().map(TableDatabase::open).transpose()?;
    let known = database.as_ref().map(TableDatabase::hashes).transpose()?.unwrap_or_default();
    let work = |file: &Path, progress: &dyn Fn(f64)| one(args, (&profile, &known), file, progress);
    let failures = batch::each(&args.files, work, &mut |failures, number, exported| {
        let file = args.files[number].display();
        let added = match (exported.said, &mut database) {
            (Some(said), _) => Ok(said),
            (None, None) => Ok(format!("exported {file}")),
            (None, Some(database)) => {
                database.add(&exported.hash, &exported.summary, &exported.tables).map(|is_new| {
                    if is_new {
                        format!("added {file}")
                    } else {
                        format!("{file} is in the database already")
                    }
                })
            }
        };
        match added {
            Ok(said) => tell(said),
            Err(error) => failures.tell(&error),
        }
        Ok(())
    })?;
    Ok(failures.code())
}

/// The folder of a recording, named after it.
fn folder_of(out: &Path, file: &Path) -> PathBuf {
    out.join(file_name(&file.file_stem().unwrap_or_default().to_string_lossy()))
}

/// Two recordings of one name would have one folder, which is an error.
fn one_folder_each(out: &Path, files: &[PathBuf]) -> anyhow::Result<()> {
    let mut named = BTreeMap::new();
    for file in files {
        if let Some(other) = named.insert(folder_of(out, file), file) {
            bail!("'{}' and '{}' have one name: export them to two folders", other.display(), file.display());
        }
    }
    Ok(())
}

fn one(
    args: &ExportArgs,
    (profile, known): (&Arc<Profile>, &HashSet<String>),
    file: &Path,
    progress: &dyn Fn(f64),
) -> anyhow::Result<Exported> {
    let folder = args.out.as_deref().map(|out| folder_of(out, file));
    let folder = folder.as_deref();
    let recording = Recording::open(file)?;
    let write = |name: &str, fill: &mut dyn FnMut(&mut dyn Write) -> io::Result<()>| match folder {
        Some(folder) => create(folder, name, args.yes, fill),
        None => Ok(()),
    };
    if let Some(span) = args.cut {
        let said = cut_out((file, &recording), profile, span, &write)?;
        if let Some(folder) = folder {
            split(folder, &write)?;
        }
        return Ok(Exported { said: Some(format!("cut {}: {said}", file.display())), ..Exported::default() });
    }
    let hash = args.sqlite.as_ref().map(|_| recording.hash()).unwrap_or_default();
    if folder.is_none() && known.contains(&hash) {
        let said = format!("{} is in the database already", file.display());
        return Ok(Exported { said: Some(said), ..Exported::default() });
    }
    let earlier = earlier_sessions::showed_before(&args.common, profile, &recording)?;
    let mut monitor = LinkMonitor::with_earlier(Arc::clone(profile), earlier).telling(1);
    let (collected, facts) = pass(&recording, &mut monitor, progress);
    let summary = monitor.summary(&facts);
    let seconds = monitor.settled(collected.seconds);
    let tables = session_tables::of(&monitor, &summary, &seconds, &collected.frames);
    if folder.is_some() {
        write_folder(args, (&summary, &tables), (&monitor, &seconds), &write)?;
    }
    Ok(Exported { hash, summary, tables, said: None })
}

/// The core over a whole recording, with what it tells on the way.
fn pass(
    recording: &Recording,
    monitor: &mut LinkMonitor,
    progress: &dyn Fn(f64),
) -> (Collected, RecordingFacts) {
    let mut collected = Collected::default();
    let mut cursor = recording.cursor();
    let frames = |monitor: &LinkMonitor, frames: &mut Vec<Nanos>| {
        let last = frames.last().copied().unwrap_or(Nanos(i64::MIN));
        frames.extend(monitor.frames_after(last));
    };
    while let Some(entry) = recording.next(&mut cursor) {
        monitor.handle(&entry);
        for told in monitor.take_told() {
            if let Told::Second(second) = told {
                progress(recording.progress(&cursor));
                collected.seconds.push(second);
                frames(monitor, &mut collected.frames);
            }
        }
    }
    frames(monitor, &mut collected.frames);
    (collected, recording.facts(&cursor))
}

type WriteFile<'a> =
    dyn Fn(&str, &mut dyn FnMut(&mut dyn Write) -> io::Result<()>) -> anyhow::Result<()> + 'a;

fn write_folder(
    args: &ExportArgs,
    (summary, tables): (&Summary, &[Table]),
    (monitor, seconds): (&LinkMonitor, &[SecondSummary]),
    write: &WriteFile<'_>,
) -> anyhow::Result<()> {
    for table in tables {
        #[cfg(feature = "parquet")]
        if args.parquet {
            write(&format!("{}.parquet", table.name), &mut |out| {
                crate::report::parquet::write_to(table, out)
            })?;
            continue;
        }
        if args.ndjson {
            write(&format!("{}.ndjson", table.name), &mut |out| table.write_ndjson_to(out))?;
        } else {
            write(&format!("{}.csv", table.name), &mut |out| table.write_csv_to(out))?;
        }
    }
    write("summary.json", &mut |out| write_json_to(out, summary))?;
    let places = monitor.places();
    if !places.is_empty() {
        write("way.geojson", &mut |out| way::write_geojson_to(out, summary, &places, seconds))?;
        write("way.gpx", &mut |out| way::write_gpx_to(out, summary, &places, seconds))?;
    }
    Ok(())
}

/// Makes a file of this user's alone; one that is there is replaced if that was asked for.
fn create(
    folder: &Path,
    name: &str,
    yes: bool,
    fill: &mut dyn FnMut(&mut dyn Write) -> io::Result<()>,
) -> anyhow::Result<()> {
    let path = folder.join(name);
    super::make_private(folder)?;
    super::may_overwrite(&path, yes)?;
    private_file::write(&path, yes, fill)
}

/// Writes the records of a span, and says how many there are; a span without any writes nothing.
fn cut_out(
    (file, recording): (&Path, &Recording),
    profile: &Arc<Profile>,
    (from_s, to_s): (f64, f64),
    write: &WriteFile<'_>,
) -> anyhow::Result<String> {
    let span = format!("from {from_s} s to {to_s} s");
    let mut cut_records = None;
    let written = write("cut.pcapng", &mut |out| {
        let records = cut(recording, profile, (from_s, to_s), out)?;
        cut_records = Some(records);
        if records > 0 { Ok(()) } else { Err(io::ErrorKind::InvalidInput.into()) }
    });
    ensure!(cut_records != Some(0), "'{}' has no record {span}", file.display());
    written?;
    Ok(format!("{} records {span}", cut_records.unwrap_or_default()))
}

/// The records between two instants of the session, with all that describes them, and the limits that it used.
fn cut(
    recording: &Recording,
    profile: &Arc<Profile>,
    (from_s, to_s): (f64, f64),
    out: &mut dyn Write,
) -> io::Result<u64> {
    // The core says which instant of the session a stamp is.
    let mut monitor = LinkMonitor::with_earlier(Arc::clone(profile), Earlier::default());
    let mut writer = PcapngWriter::new(out);
    let mut cursor = recording.cursor();
    let (mut records, mut limits) = (0, None);
    while let Some(entry) = recording.next(&mut cursor) {
        monitor.handle(&entry);
        let Entry::Record(record) = &entry else {
            writer.write(&entry)?;
            continue;
        };
        if monitor.now_s() > to_s {
            break;
        }
        if monitor.now_s() < from_s {
            if let Body::Note(note @ Note::Limits { .. }) = &record.body {
                limits = Some((record.interface, record.direction, note.clone()));
            }
            continue;
        }
        records += 1;
        writer.write(&entry)?;
        if let Some((interface, direction, note)) = limits.take() {
            let note = Record { at: record.at, interface, direction, body: Body::Note(note) };
            writer.write(&Entry::Record(note))?;
        }
    }
    writer.flush()?;
    Ok(records)
}

/// Some packet tools read files of one interface alone: a cut of several has one more file for each.
fn split(folder: &Path, write: &WriteFile<'_>) -> anyhow::Result<()> {
    let whole = Recording::open(&folder.join("cut.pcapng"))?;
    let mut interfaces: BTreeMap<u16, String> = BTreeMap::new();
    let mut cursor = whole.cursor();
    while let Some(entry) = whole.next(&mut cursor) {
        if let Entry::Interface(id, InterfaceInfo { name, kind, .. }) = entry
            && kind != InterfaceKind::Marks
        {
            interfaces.entry(id.0).or_insert_with(|| file_name(&name));
        }
    }
    for (id, name) in interfaces.iter().filter(|_| interfaces.len() > 1) {
        write(&format!("cut-{id}-{name}.pcapng"), &mut |out| only(&whole, InterfaceId(*id), out))?;
    }
    Ok(())
}

/// A text as part of a file's name.
fn file_name(text: &str) -> String {
    let is_plain = |letter: &char| is_printable(*letter) && *letter != '/';
    text.chars().take(48).map(|letter| if is_plain(&letter) { letter } else { '_' }).collect()
}

/// What came over one interface.
fn only(whole: &Recording, own: InterfaceId, out: &mut dyn Write) -> io::Result<()> {
    let mut writer = PcapngWriter::new(out);
    let mut cursor = whole.cursor();
    while let Some(entry) = whole.next(&mut cursor) {
        let is_wanted = match &entry {
            Entry::Session(_) => true,
            Entry::Interface(id, _) => *id == own,
            Entry::Record(record) => record.interface == own,
        };
        if is_wanted {
            writer.write(&entry)?;
        }
    }
    writer.flush()
}
