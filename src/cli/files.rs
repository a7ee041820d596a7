//! Scripts from the disk.

use crate::head::Images;
use crate::head::system::why;
use crate::image::Bitmap;
use crate::session::{FileError, Files, Text, read_image};
use sha2::{Digest, Sha256};
use std::collections::HashMap;
use std::fs::File;
use std::io::{Error, ErrorKind, Read};
use std::path::{Component, Path, PathBuf};
use std::sync::Arc;

/// Largest script that is read, in bytes.
const LARGEST: u64 = 16 * 1024 * 1024;

/// Largest image that is read, in bytes: what 400 million dots take, and its header.
const LARGEST_IMAGE: u64 = 64 * 1024 * 1024;

/// Largest file of results that is read, in bytes.
const RESULTS_LARGEST: u64 = 1 << 30;

/// Reads scripts from the disk.
pub(super) struct Disk;

impl Files for Disk {
    fn read(&mut self, from: Option<&str>, path: &str) -> Result<Text, FileError> {
        if from.is_none() && path == "-" {
            let text = read_utf8(std::io::stdin(), "the standard input", LARGEST)?;
            return Ok(Text { name: "-".to_string(), text });
        }
        let whole = beside(from, path);
        let text = read_text(&whole)?;
        Ok(Text { name: whole.to_string_lossy().replace('\\', "/"), text })
    }

    fn bytes(&mut self, from: &str, path: &str) -> Result<Vec<u8>, FileError> {
        let file = open_file(&beside(Some(from), path))?;
        Ok(read_bytes(file, path, LARGEST_IMAGE, ": expose it in parts")?)
    }
}

impl Disk {
    /// What a file that another one names is called.
    pub(super) fn name_of(from: &str, path: &str) -> String {
        beside(Some(from), path).to_string_lossy().replace('\\', "/")
    }
}

/// The path of a file that is named in another one.
fn beside(from: Option<&str>, path: &str) -> PathBuf {
    match from.and_then(|from| Path::new(from).parent()) {
        Some(folder) => tidy(&folder.join(path)),
        None => PathBuf::from(path),
    }
}

/// Images for a script that runs, each read once.
pub(super) struct Supply<F> {
    files: F,
    script: String,
    known: HashMap<String, Arc<Bitmap>>,
}

impl<F: Files> Supply<F> {
    pub(super) fn new(files: F, script: &str) -> Self {
        Supply { files, script: script.to_string(), known: HashMap::new() }
    }
}

impl<F: Files> Images for Supply<F> {
    fn image(&mut self, name: &str) -> Result<Arc<Bitmap>, String> {
        if let Some(known) = self.known.get(name) {
            return Ok(Arc::clone(known));
        }
        let image = Arc::new(read_image(&mut self.files, &self.script, name)?);
        if self.known.len() >= IMAGES_MOST {
            self.known.clear();
        }
        self.known.insert(name.to_string(), Arc::clone(&image));
        Ok(image)
    }
}

/// Most images that are kept for another time.
const IMAGES_MOST: usize = 4;

/// Takes `.` and inner `..` out of a path, so that one file has one name.
pub(super) fn tidy(path: &Path) -> PathBuf {
    let mut tidied = PathBuf::new();
    for part in path.components() {
        match part {
            Component::CurDir => {}
            Component::ParentDir
                if matches!(tidied.components().next_back(), Some(Component::Normal(_))) =>
            {
                tidied.pop();
            }
            other => tidied.push(other),
        }
    }
    tidied
}

/// Reads a text file; says in plain words why it cannot.
pub(super) fn read_text(path: &Path) -> Result<String, String> {
    read_utf8(open_file(path)?, &path.display().to_string(), LARGEST)
}

/// The same for a file that this program wrote, which may be larger.
pub(super) fn read_large(path: &Path) -> Result<String, String> {
    read_utf8(open_file(path)?, &path.display().to_string(), RESULTS_LARGEST)
}

/// SHA-256 over texts, each behind its length in eight bytes, the lowest first.
pub(super) fn digest_of<'a>(texts: impl Iterator<Item = &'a str>) -> String {
    let mut hash = Sha256::new();
    for text in texts {
        hash.update((text.len() as u64).to_le_bytes());
        hash.update(text.as_bytes());
    }
    hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Why a file or folder cannot be written, and a way out where one is known.
pub(super) fn unwritten(path: &Path, error: &Error) -> String {
    let leads_nowhere = path.is_symlink() && !path.exists();
    let reason = match error.kind() {
        _ if leads_nowhere => "it is a link that leads nowhere".to_string(),
        ErrorKind::PermissionDenied => "that may not be written: choose another place".to_string(),
        ErrorKind::ReadOnlyFilesystem => {
            "that disk may only be read: choose another place".to_string()
        }
        ErrorKind::NotFound => "there is no folder for it: make it first".to_string(),
        _ => why(error),
    };
    format!("{} cannot be written: {reason}", path.display())
}

pub(super) fn open_file(path: &Path) -> Result<File, String> {
    let name = path.display();
    let failed = |error: Error| match error.kind() {
        ErrorKind::NotFound => format!("there is no file {name}"),
        ErrorKind::PermissionDenied => format!("{name} may not be read"),
        _ => format!("{name} cannot be opened: {}", why(&error)),
    };
    if std::fs::metadata(path).map_err(failed)?.is_dir() {
        return Err(format!("{name} is a folder, not a file"));
    }
    refuse_pipe(path)?;
    File::open(path).map_err(failed)
}

/// Opening a pipe waits for whoever writes into it, and a device may never end.
pub(super) fn refuse_pipe(path: &Path) -> Result<(), String> {
    let other = std::fs::metadata(path).is_ok_and(|kind| !kind.is_file() && !kind.is_dir());
    let name = path.display();
    let why = || format!("{name} is a pipe or a device, not a file: copy what it gives to one");
    if other { Err(why()) } else { Ok(()) }
}

/// Reads at most `largest` bytes; `way_out` ends the report on more.
fn read_bytes(from: impl Read, name: &str, largest: u64, way_out: &str) -> Result<Vec<u8>, String> {
    let mut bytes = Vec::new();
    from.take(largest + 1)
        .read_to_end(&mut bytes)
        .map_err(|error| format!("{name} cannot be read: {}", why(&error)))?;
    if bytes.len() as u64 > largest {
        return Err(format!("{name} is larger than {} MiB{way_out}", largest >> 20));
    }
    Ok(bytes)
}

fn read_utf8(from: impl Read, name: &str, largest: u64) -> Result<String, String> {
    let bytes = read_bytes(from, name, largest, ", which no such file is")?;
    String::from_utf8(bytes).map_err(|error| {
        let good = error.utf8_error().valid_up_to();
        let line = error.as_bytes().iter().take(good).filter(|b| **b == b'\n').count() + 1;
        format!("{name} is not UTF-8 text: byte {good}, on line {line}, is none of it")
    })
}
