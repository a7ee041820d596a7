//! What is left of a head whose run started and was not written down as finished.

use crate::archive::Archive;
use crate::batch::journal::{Begun, Done, now};
use crate::disk::{read_text, sha256};
use crate::error::{Error, invalid};
use crate::record::read::read;
use crate::record::{MARK, Manifest, held, sync, unmark};
use serde_json::Value;
use spintrue_head::{SafeState, io_reason};
use spintrue_language::Verdict;
use std::fs;
use std::path::{Path, PathBuf};

/// Folder for records of interrupted runs.
pub(crate) const ASIDE: &str = "unfinished";

/// What to do with such a head.
pub(crate) enum Left {
    /// Its record is complete, and only the line in the journal is missing.
    Finished(Box<Done>),
    /// It is run again; where its unfinished record was moved to.
    Again(Option<PathBuf>),
}

/// SHA-256 of a file; none where it cannot be read.
pub(crate) fn file_sha256(path: &Path) -> Option<String> {
    fs::read(path).ok().map(sha256)
}

/// Examines what a head's run left, and moves an unfinished record aside. With an archive, a record
/// counts as finished only if the archive has the run too.
pub(crate) fn left(
    batch: &Path,
    begun: &Begun,
    archive: Option<&Path>,
    digest: &str,
) -> Result<Left, Error> {
    let folder = batch.join(&begun.folder);
    if !folder.exists() {
        return Ok(Left::Again(None));
    }
    if let Ok(manifest) = held(&folder)
        && manifest.verdict != Verdict::Interrupted.kept_as()
    {
        let marked = folder.join(MARK).exists();
        // The run was stored before the mark was removed.
        let counts = match archive.filter(|_| marked) {
            Some(archive) => Archive::holds(archive, &begun.serial, digest, &begun.at)?,
            None => true,
        };
        if counts {
            if marked {
                unmark(&folder)?;
            }
            let done = done(&folder, &begun.serial, &manifest)?;
            return Ok(Left::Finished(Box::new(done)));
        }
    }
    let empty = fs::read_dir(&folder).is_ok_and(|mut entries| entries.next().is_none());
    if empty {
        return Ok(Left::Again(None));
    }
    aside(batch, &begun.folder).map(|place| Left::Again(Some(place)))
}

fn done(folder: &Path, serial: &str, manifest: &Manifest) -> Result<Done, Error> {
    let kept = read(folder)?;
    let code = kept.end.get("exit_code").and_then(Value::as_u64);
    let failure = kept.end.pointer("/failure/message").and_then(Value::as_str);
    let text = read_text(&folder.join("record.json")).unwrap_or_default();
    let record = serde_json::from_str::<Value>(&text).unwrap_or_default();
    let attempt = record.pointer("/identity/named/attempt").and_then(Value::as_str);
    Ok(Done {
        serial: serial.to_string(),
        verdict: manifest.verdict.clone(),
        exit_code: code.and_then(|code| u8::try_from(code).ok()).unwrap_or(2),
        unmet: kept.unmet(),
        failure: failure.map(str::to_string),
        took: kept.end.pointer("/took/value").and_then(Value::as_f64).unwrap_or(0.0),
        left_safe: left_as(&kept.end).map(|left| left.is_safe()),
        attempt: attempt.and_then(|number| number.parse().ok()).unwrap_or(1),
        record: file_sha256(&folder.join("record.json")).unwrap_or_default(),
        at: now(),
    })
}

/// The state in which the head was left; none where the record does not have it.
fn left_as(end: &Value) -> Option<SafeState> {
    let head = end.get("head")?;
    let is = |key: &str| head.get(key)?.as_bool();
    let troubles = head.get("troubles")?.as_array()?.iter();
    Some(SafeState {
        laser_off: is("laser_off")?,
        parked: is("parked")?,
        speed: head.pointer("/speed/value").and_then(Value::as_f64).unwrap_or(f64::NAN),
        at_rest: is("at_rest")?,
        kept_spinning: is("kept_spinning")?,
        troubles: troubles.filter_map(|text| text.as_str().map(str::to_string)).collect(),
    })
}

/// Moves an unfinished record to a free place.
fn aside(batch: &Path, name: &str) -> Result<PathBuf, Error> {
    let folder = batch.join(ASIDE);
    let failed = |error: std::io::Error| {
        let from = batch.join(name);
        invalid!(
            "{} cannot be put into {}: {}; make both writable, and run the same command again",
            from.display(),
            folder.display(),
            io_reason(&error)
        )
    };
    fs::create_dir_all(&folder).map_err(failed)?;
    let places = (1_u32..).map(|number| folder.join(format!("{name}.{number}")));
    let place = places.into_iter().find(|place| !place.exists());
    let place = place.unwrap_or_else(|| folder.join(name));
    fs::rename(batch.join(name), &place).map_err(failed)?;
    sync(&folder)?;
    sync(batch)?;
    Ok(place)
}

/// Why the record of a finished head cannot be relied on; none where it is unchanged.
pub(crate) fn gone(batch: &Path, begun: &Begun, done: &Done) -> Option<String> {
    let path = batch.join(&begun.folder).join("record.json");
    match read_text(&path) {
        Err(why) => Some(format!("{} is finished, but {why}", begun.serial)),
        Ok(_) if file_sha256(&path).as_ref() != Some(&done.record) => {
            Some(format!("{} is finished, but {} was changed", begun.serial, path.display()))
        }
        Ok(_) => None,
    }
}
