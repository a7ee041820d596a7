//! Compares every file of a record with its digest.

use crate::disk::read_text;
use crate::error::{Error, invalid};
use crate::record::folder::{Digesting, MANIFEST, MARK, SIGNATURE};
use crate::record::manifest::{FileDigest, Manifest, ManifestError};
use crate::record::read::read;
use crate::record::signature::SIGNATURE_BYTES;
use spintrue_head::io_reason;
use std::fs::{self, File};
use std::io;
use std::path::Path;

/// The state of a record.
pub(crate) enum State {
    /// There is no record.
    None(Error),
    /// It was never finished; what there is of it.
    Unfinished(String),
    /// It was changed; how.
    Changed(Vec<String>),
    /// It is complete and unchanged.
    Whole(Box<Manifest>),
}

/// Compares every file of a record with its digest.
pub(crate) fn examine(folder: &Path) -> State {
    let name = folder.display();
    if !folder.is_dir() {
        return State::None(if folder.exists() {
            invalid!("{name} is a file: name the folder of a record")
        } else {
            invalid!("there is no folder {name}")
        });
    }
    let unfinished = folder.join(MARK).exists();
    let manifest = folder.join(MANIFEST);
    if unfinished && !manifest.exists() {
        let events = read(folder).map_or("no events.jsonl can be read".to_string(), |events| {
            format!("events.jsonl holds {} whole lines", events.lines)
        });
        return State::Unfinished(format!("the run goes on or was cut off; {events}"));
    }
    if !manifest.exists() && read(folder).is_ok() {
        return State::Changed(vec![format!("{MANIFEST} is missing")]);
    }
    if !manifest.exists() {
        return State::None(invalid!("{name} is no record: there is no {MANIFEST} in it"));
    }
    match held(folder) {
        Ok(_) if unfinished => {
            let why = format!("{MARK} is there: the record was never finished");
            State::Changed(vec![why])
        }
        Ok(manifest) => State::Whole(Box::new(manifest)),
        Err(State::Changed(mut wrong)) if unfinished => {
            wrong.push(format!("{MARK} is there: the record was never finished"));
            State::Changed(wrong)
        }
        Err(state) => state,
    }
}

/// Compares every file with its digest, with the mark or without.
pub(crate) fn held(folder: &Path) -> Result<Manifest, State> {
    let path = folder.join(MANIFEST);
    // Anything but a plain file, such as a pipe, could block for ever.
    if !fs::symlink_metadata(&path).is_ok_and(|data| data.is_file()) {
        return Err(State::Changed(vec![format!("{MANIFEST} is no plain file any more")]));
    }
    let text = read_text(&path).map_err(|error| State::Changed(vec![error.to_string()]))?;
    let manifest = Manifest::read(&text).map_err(|error| match error {
        ManifestError::Newer(why) => State::None(invalid!(
            "{} cannot be verified: {why}; use a newer spintrue",
            folder.display()
        )),
        ManifestError::Changed(why) => State::Changed(vec![why]),
    })?;
    let mut wrong: Vec<String> = Vec::new();
    for (file, known) in &manifest.files {
        wrong.extend(differs(&folder.join(file), known).map(|why| format!("{file} {why}")));
    }
    if let Some(key) = &manifest.signed_by
        && !signature(&folder.join(SIGNATURE)).is_some_and(|s| key.verifies(text.as_bytes(), &s))
    {
        wrong.push(format!("{SIGNATURE} is no signature of {MANIFEST} by the key named there"));
    }
    match added(folder, &manifest) {
        Ok(added) => wrong.extend(added),
        Err(error) => wrong.push(format!("the folder cannot be read: {}", io_reason(&error))),
    }
    if wrong.is_empty() { Ok(manifest) } else { Err(State::Changed(wrong)) }
}

/// The bytes of a signature; none where there is no such file.
fn signature(path: &Path) -> Option<Vec<u8>> {
    let data = fs::symlink_metadata(path).ok()?;
    let is_one = data.is_file() && data.len() == SIGNATURE_BYTES as u64;
    is_one.then(|| fs::read(path).ok()).flatten()
}

/// How a file differs from the one that was written, if it does.
fn differs(path: &Path, known: &FileDigest) -> Option<String> {
    let plain = fs::symlink_metadata(path);
    match &plain {
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            return Some("is missing".to_string());
        }
        Err(error) => return Some(format!("cannot be read: {}", io_reason(error))),
        Ok(data) if !data.is_file() => return Some("is no plain file any more".to_string()),
        Ok(data) if data.len() != known.bytes => {
            return Some(format!("was changed: {} bytes instead of {}", data.len(), known.bytes));
        }
        Ok(_) => {}
    }
    let mut to = Digesting::new(io::sink());
    let read = File::open(path).and_then(|mut file| io::copy(&mut file, &mut to));
    match read {
        Err(error) => Some(format!("cannot be read: {}", io_reason(&error))),
        Ok(_) if to.end().1.sha256 != known.sha256 => {
            Some("was changed: its SHA-256 differs".to_string())
        }
        Ok(_) => None,
    }
}

/// Files in the folder that are not part of the record.
fn added(folder: &Path, manifest: &Manifest) -> io::Result<Vec<String>> {
    let mut added = Vec::new();
    for entry in fs::read_dir(folder)? {
        let name = entry?.file_name().to_string_lossy().into_owned();
        let is_signature = name == SIGNATURE && manifest.signed_by.is_some();
        if !manifest.files.contains_key(&name) && name != MANIFEST && name != MARK && !is_signature
        {
            added.push(format!("{name} was added"));
        }
    }
    added.sort();
    Ok(added)
}
