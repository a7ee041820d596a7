//! The journal of a batch: JSON Lines, each on the disk before the batch goes on, so that an
//! interruption loses nothing that is finished. An incomplete last line does not count.

use crate::batch::queue::QUEUE;
use crate::disk::{make_folder, open_file, unwritten};
use crate::error::{Error, invalid};
use crate::record::{Unmet, sync};
use crate::terminal::{complain, wrapped};
use serde::{Deserialize, Serialize};
use spintrue_head::io_reason;
use spintrue_language::Verdict;
use std::collections::{BTreeMap, HashMap};
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

/// The journal.
pub(crate) const JOURNAL: &str = "journal.jsonl";
/// Locked while a batch is running; its content does not matter.
pub(crate) const LOCK: &str = "lock";
/// Locked by each process that runs a head at a station, until it has ended.
pub(crate) const RUNS: &str = "stations.lock";

/// Largest journal that is read, in bytes.
const MAX_BYTES: u64 = 256 << 20;

/// What the first line says that the file is.
const FORMAT: &str = "spintrue batch";
/// Version of the format.
const VERSION: u64 = 3;

/// A line of the journal.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(tag = "event", rename_all = "snake_case")]
pub(crate) enum Line {
    /// What is run: the first line, repeated where it was changed on purpose.
    Batch(Subject),
    /// The run of a head starts; its record comes next.
    Begun(Begun),
    /// A head is finished: its record is complete.
    Done(Done),
    /// The files of the summary: name and SHA-256.
    Written(Written),
}

#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct Written {
    pub files: BTreeMap<String, String>,
    pub at: String,
}

/// What is run on every head.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Subject {
    format: String,
    version: u64,
    spintrue: String,
    pub script: String,
    /// The script, what it uses and data sheets: name and SHA-256.
    pub sources: Vec<(String, String)>,
    pub settings: Vec<String>,
    pub archive: Option<String>,
    pub at: String,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct Begun {
    pub serial: String,
    pub folder: String,
    /// Digest of the head's row and of the description of the head.
    pub row: String,
    /// Why a head is tested again.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    pub at: String,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct Done {
    pub serial: String,
    pub verdict: String,
    pub exit_code: u8,
    /// Checks that do not conform, are undecided, or were not reached.
    pub unmet: Unmet,
    pub failure: Option<String>,
    /// Head time in s.
    pub took: f64,
    /// The head was left safe; unknown in older journals.
    #[serde(default)]
    pub left_safe: Option<bool>,
    /// The number of the attempt, from 1; older versions made one each.
    #[serde(default = "first")]
    pub attempt: u32,
    /// SHA-256 of `record.json`.
    pub record: String,
    pub at: String,
}

fn first() -> u32 {
    1
}

impl Done {
    pub(super) fn verdict(&self) -> Verdict {
        let mut verdicts = Verdict::ALL.into_iter();
        verdicts.find(|it| it.kept_as() == self.verdict).unwrap_or(Verdict::HeadFailed)
    }
}

/// The content of a journal.
#[derive(Default)]
pub(crate) struct Known {
    /// The last subject; none in a new batch.
    pub subject: Option<Subject>,
    /// The last attempt of each head, by serial number.
    pub heads: HashMap<String, (Begun, Option<Done>)>,
    /// Attempts before these, in their order.
    pub before: Vec<(Begun, Done)>,
    /// Files of the summary, as they were written last.
    pub written: BTreeMap<String, String>,
}

/// A journal that is locked by this batch.
pub(crate) struct Journal {
    path: PathBuf,
    file: File,
    /// Other batches are refused while this is open.
    _lock: File,
}

impl Subject {
    pub(crate) fn new(
        script: &str,
        sources: Vec<(String, String)>,
        settings: &[String],
        archive: Option<String>,
    ) -> Subject {
        Subject {
            format: FORMAT.to_string(),
            version: VERSION,
            spintrue: env!("CARGO_PKG_VERSION").to_string(),
            script: script.to_string(),
            sources,
            settings: settings.to_vec(),
            archive,
            at: now(),
        }
    }

    /// What differs from the start of the batch, in words.
    pub(crate) fn differences(&self, before: &Subject) -> Vec<String> {
        let mut changes = Vec::new();
        if self.spintrue != before.spintrue {
            let (one, other) = (&before.spintrue, &self.spintrue);
            changes.push(format!("it was begun by spintrue {one}, and this is {other}"));
        }
        let digests = |batch: &Subject| -> Vec<String> {
            batch.sources.iter().map(|(_, digest)| digest.clone()).collect()
        };
        if digests(self) != digests(before) {
            let changed = self
                .sources
                .iter()
                .filter(|(_, digest)| !before.sources.iter().any(|(_, known)| known == digest));
            let names: Vec<&str> = changed.map(|(name, _)| name.as_str()).collect();
            changes.push(match names.as_slice() {
                [] => "other files are used".to_string(),
                [name] => format!("{name} has changed"),
                names => format!("{} have changed", names.join(", ")),
            });
        }
        let settings = |of: &Subject| match of.settings.as_slice() {
            [] => "none".to_string(),
            settings => settings.join(" "),
        };
        let archive = |of: &Subject| of.archive.clone().unwrap_or("none".to_string());
        if self.settings != before.settings {
            let (one, other) = (settings(before), settings(self));
            changes.push(format!("`--set` was {one}, and is {other}"));
        }
        if self.archive != before.archive {
            let (one, other) = (archive(before), archive(self));
            changes.push(format!("the archive was {one}, and is {other}"));
        }
        changes
    }
}

/// The time of day, as the archive writes it, so that order by text is order in time.
pub(crate) fn now() -> String {
    format!("{:.3}", jiff::Timestamp::now())
}

impl Journal {
    /// Locks the folder of a batch, new or not. Writes nothing but the lock.
    pub(crate) fn take(folder: &Path) -> Result<(Journal, Known), Error> {
        let name = folder.display();
        if folder.exists() && !folder.is_dir() {
            return Err(invalid!("{name} is a file: name a folder for the records"));
        }
        make_folder(folder)?;
        let path = folder.join(JOURNAL);
        let entries =
            fs::read_dir(folder).map_err(|error| invalid!("{name}: {}", io_reason(&error)))?;
        let mut others = entries.flatten().filter(|entry| entry.file_name() != LOCK);
        if !path.exists() && others.next().is_some() {
            return Err(invalid!(
                "the folder {name} is not empty and holds no batch: name one that is not there yet"
            ));
        }
        let lock = folder.join(LOCK);
        let file = OpenOptions::new().create(true).append(true).open(&lock);
        let held = file.map_err(|error| unwritten(&lock, &error))?;
        match held.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(invalid!(
                    "another batch is running in {name}: wait for its end, or name another folder"
                ));
            }
            Err(TryLockError::Error(error)) => {
                return Err(invalid!(
                    "{name} cannot be kept from other batches ({error}): name a folder on a disk \
                     of this machine"
                ));
            }
        }
        let runs = folder.join(RUNS);
        if runs.exists() {
            let runs = open_file(&runs)?;
            if runs.try_lock().is_err() {
                let note = "heads of the batch before are still being made safe: waiting for them";
                complain(&wrapped(note, ""));
                runs.lock().map_err(|error| invalid!("{name}: {}", io_reason(&error)))?;
            }
        }
        let mut file = OpenOptions::new()
            .create(true)
            .read(true)
            .append(true)
            .open(&path)
            .map_err(|error| unwritten(&path, &error))?;
        let (known, whole, length) = content(&path, &mut file)?;
        if whole < length {
            file.set_len(whole as u64).map_err(|error| unwritten(&path, &error))?;
        }
        sync(folder)?;
        Ok((Journal { path, file, _lock: held }, known))
    }

    /// Keeps another batch from starting in a folder while the file is open.
    pub(super) fn hold(folder: &Path) -> Result<File, Error> {
        let path = folder.join(RUNS);
        let file = OpenOptions::new().create(true).append(true).open(&path);
        let file = file.and_then(|file| file.lock_shared().map(|()| file));
        file.map_err(|error| unwritten(&path, &error))
    }

    /// Reads the journal of a batch, running or not, and changes nothing.
    pub(crate) fn read(folder: &Path) -> Result<Known, Error> {
        let path = folder.join(JOURNAL);
        let (known, ..) = content(&path, &mut open_file(&path)?)?;
        Ok(known)
    }

    /// Removes a batch that did not start.
    pub(crate) fn abandon(self, folder: &Path) {
        let Journal { path, file, _lock } = self;
        drop(file);
        // What cannot be removed does no harm: it is empty.
        let _ = fs::remove_file(path);
        let _ = fs::remove_file(folder.join(QUEUE));
        drop(_lock);
        let _ = fs::remove_file(folder.join(LOCK));
        let _ = fs::remove_dir(folder);
    }

    /// Writes a line and waits until it is on the disk.
    pub(crate) fn write(&mut self, line: &Line) -> Result<(), Error> {
        let mut text = serde_json::to_string(line).map_err(|error| invalid!("{error}"))?;
        text.push('\n');
        let written = self.file.write_all(text.as_bytes()).and_then(|()| self.file.sync_data());
        written.map_err(|error| unwritten(&self.path, &error))
    }
}

/// What a journal holds, the length of its whole lines and of all of it.
fn content(path: &Path, file: &mut File) -> Result<(Known, usize, usize), Error> {
    let mut bytes = Vec::new();
    let read = file.take(MAX_BYTES).read_to_end(&mut bytes);
    read.map_err(|error| invalid!("{} cannot be read: {}", path.display(), io_reason(&error)))?;
    if bytes.len() as u64 == MAX_BYTES {
        return Err(invalid!("{} is larger than any journal", path.display()));
    }
    let whole = bytes.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
    Ok((known(path, bytes.get(..whole).unwrap_or(&[]))?, whole, bytes.len()))
}

fn known(path: &Path, bytes: &[u8]) -> Result<Known, Error> {
    let wrong = |number: usize, why: &str| {
        invalid!(
            "{}:{number}: {why}: put the journal back as it was written, or name another folder",
            path.display()
        )
    };
    let mut known = Known::default();
    for (number, line) in (1..).zip(bytes.split(|byte| *byte == b'\n')) {
        if line.is_empty() {
            continue;
        }
        let line: Line = serde_json::from_slice(line)
            .map_err(|error| wrong(number, &format!("this is no line of a batch ({error})")))?;
        match line {
            Line::Batch(batch) if batch.format != FORMAT => {
                return Err(wrong(number, "this is the journal of something else"));
            }
            Line::Batch(batch) if batch.version > VERSION => {
                let version = batch.version;
                return Err(invalid!(
                    "{} is of version {version} of the format, and this spintrue knows up to \
                     {VERSION}: use a newer spintrue, or name another folder",
                    path.display()
                ));
            }
            Line::Batch(batch) => known.subject = Some(batch),
            _ if known.subject.is_none() => {
                return Err(wrong(number, "it does not say first what is run"));
            }
            Line::Begun(begun) => {
                let before = known.heads.insert(begun.serial.clone(), (begun, None));
                known.before.extend(before.and_then(|(begun, done)| Some((begun, done?))));
            }
            Line::Done(done) => match known.heads.get_mut(&done.serial) {
                Some((_, finished)) => *finished = Some(done),
                None => return Err(wrong(number, "a head is finished that was never begun")),
            },
            Line::Written(written) => known.written = written.files,
        }
    }
    Ok(known)
}
