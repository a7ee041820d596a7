//! What a batch folder holds, to compare it with what was written.

use crate::batch::journal::{Done, JOURNAL, Journal, LOCK, RUNS};
use crate::batch::queue::QUEUE;
use crate::batch::resume::{ASIDE, sha256};
use crate::error::Error;
use std::fs;
use std::path::Path;

/// Whether a folder is that of a batch.
pub(crate) fn is_batch(folder: &Path) -> bool {
    folder.join(JOURNAL).is_file()
}

/// The content of a batch folder.
pub(crate) struct Kept {
    /// Serial number, name of the folder, and how it ended, by the name.
    pub heads: Vec<(String, String, Option<Done>)>,
    /// What is wrong besides records.
    pub wrong: Vec<String>,
}

/// Reads the journal of a batch, and looks what else is in its folder.
pub(crate) fn kept(folder: &Path) -> Result<Kept, Error> {
    let known = Journal::read(folder)?;
    let mut wrong = Vec::new();
    for (name, digest) in &known.written {
        if sha256(&folder.join(name)).as_ref() != Some(digest) {
            wrong.push(format!("{name} was changed or is missing"));
        }
    }
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
    let summary = [super::summary::TABLE, super::summary::RESULTS];
    added.retain(|name| !known.written.is_empty() || !summary.contains(&name.as_str()));
    wrong.extend(added.iter().map(|name| format!("{name} was added")));
    Ok(Kept { heads, wrong })
}

impl Done {
    /// Whether the record in a folder is the one that was finished.
    pub(crate) fn is_of(&self, folder: &Path) -> bool {
        sha256(&folder.join("record.json")).as_ref() == Some(&self.record)
    }
}
