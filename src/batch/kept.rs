//! What a batch folder holds, to compare it with what was written.

use crate::batch::journal::{Done, JOURNAL, Journal, LOCK, RUNS};
use crate::batch::queue::QUEUE;
use crate::batch::resume::{ASIDE, file_sha256};
use crate::batch::summary::{RESULTS, TABLE};
use crate::error::Error;
use crate::record::cell;
use std::collections::HashSet;
use std::fs;
use std::path::Path;

/// Heads that are named where the summary does not have them.
const MAX_NAMED: usize = 5;

/// Whether a folder is that of a batch.
pub(crate) fn is_batch(folder: &Path) -> bool {
    folder.join(JOURNAL).is_file()
}

/// Whether a folder holds what was set aside of a run that was cut off.
pub(crate) fn is_set_aside(folder: &Path) -> bool {
    let aside = folder.parent().filter(|above| above.ends_with(ASIDE));
    aside.and_then(Path::parent).is_some_and(is_batch)
}

/// The content of a batch folder.
pub(crate) struct Kept {
    /// Serial number, name of the folder, and how it ended, by the name.
    pub heads: Vec<(String, String, Option<Done>)>,
    /// What is wrong besides records.
    pub wrong: Vec<String>,
    /// How the files of the summary are of before, if they are.
    pub stale: Option<String>,
}

/// Reads the journal of a batch, and looks what else is in its folder.
pub(crate) fn kept(folder: &Path) -> Result<Kept, Error> {
    let known = Journal::read(folder)?;
    let mut wrong = Vec::new();
    for (name, digest) in &known.written {
        if file_sha256(&folder.join(name)).as_ref() != Some(digest) {
            wrong.push(format!("{name} was changed or is missing"));
        }
    }
    let done = known.heads.values().filter_map(|(_, done)| done.as_ref());
    // A table that was changed tells nothing.
    let stale = wrong.is_empty().then(|| stale(folder, done)).flatten();
    let before = known.before.into_iter().map(|(begun, done)| (begun, Some(done)));
    let heads = known.heads.into_values().chain(before);
    let heads = heads.map(|(begun, done)| (begun.serial, begun.folder, done));
    let mut heads: Vec<(String, String, Option<Done>)> = heads.collect();
    heads.sort_by(|one, other| one.1.cmp(&other.1));
    let own = [JOURNAL, LOCK, RUNS, QUEUE, ASIDE];
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    let names = entries.map(|entry| entry.file_name().to_string_lossy().into_owned());
    let is_known = |name: &String| {
        own.contains(&name.as_str())
            || known.written.contains_key(name)
            || heads.iter().any(|(_, folder, _)| folder == name)
    };
    let mut added: Vec<String> = names.filter(|name| !is_known(name)).collect();
    added.sort();
    // Older journals do not name the files of the summary.
    added.retain(|name| !known.written.is_empty() || ![TABLE, RESULTS].contains(&name.as_str()));
    wrong.extend(added.iter().map(|name| format!("{name} was added")));
    Ok(Kept { heads, wrong, stale })
}

/// How the table of a batch differs from what its journal has of finished heads, if it does.
fn stale<'a>(folder: &Path, done: impl Iterator<Item = &'a Done>) -> Option<String> {
    let rows = table(folder).unwrap_or_default();
    let row = |done: &Done| [&done.serial, &done.verdict, &done.at].map(|it| cell(it).into_owned());
    let missing = done.filter(|done| !rows.contains(&row(done)));
    let mut missing: Vec<&str> = missing.map(|done| done.serial.as_str()).collect();
    missing.sort_unstable();
    let more = match missing.len().saturating_sub(MAX_NAMED) {
        0 => String::new(),
        more => format!(" and {more} more"),
    };
    let named = missing.iter().take(MAX_NAMED).copied().collect::<Vec<_>>().join(", ");
    (!missing.is_empty()).then(|| {
        format!("the summary does not have how {named}{more} ended; it is written when the batch command ends")
    })
}

/// Serial number, verdict and time of completion in each row of the table of a batch.
fn table(folder: &Path) -> Result<HashSet<[String; 3]>, csv::Error> {
    let mut table = csv::Reader::from_path(folder.join(TABLE))?;
    let columns = table.headers()?.clone();
    let rows = table.records().map(|row| {
        let row = row?;
        let cell = |name| {
            let at = columns.iter().position(|column| column == name);
            at.and_then(|at| row.get(at)).unwrap_or_default().to_string()
        };
        Ok(["serial", "verdict", "finished"].map(cell))
    });
    rows.collect()
}

impl Done {
    /// Whether the record in a folder is the one that was finished.
    pub(crate) fn is_of(&self, folder: &Path) -> bool {
        file_sha256(&folder.join("record.json")).as_ref() == Some(&self.record)
    }
}
