//! Files that scripts and options name, each with a limit on its size.

#![allow(clippy::disallowed_methods, reason = "this module reads and writes files")]

mod write;

pub(crate) use write::{Force, Place};

use crate::error::{Error, invalid};
use crate::project::library_file;
use crate::shipped::{STANDARD, library};
use sha2::{Digest, Sha256};
use spintrue_chart::read_chart;
use spintrue_head::io_reason;
use spintrue_language::{ChartFacts, FileError, Files, SourceText};
use std::fs::File;
use std::io::{self, ErrorKind, Read};
use std::path::{Component, Path, PathBuf};

/// Largest script in bytes.
const MAX_SCRIPT: u64 = 16 << 20;

/// Largest image in bytes: 400 million dots and a header.
const MAX_IMAGE: u64 = 64 << 20;

/// Largest file of results in bytes.
const MAX_RESULTS: u64 = 1 << 30;

/// Reads scripts from the disk.
pub(crate) struct Disk;

impl Files for Disk {
    fn read(&mut self, from: Option<&str>, path: &str) -> Result<SourceText, FileError> {
        if from.is_none() && path == "-" {
            let text = read_stdin().map_err(|error| error.to_string())?;
            return Ok(SourceText { name: "-".to_string(), text });
        }
        if let Some(file) = from.and_then(|from| standard(from, path)) {
            let name = format!("{STANDARD}{file}");
            let text = library().find(|(known, _)| *known == file).map(|(_, text)| text);
            let text = text.ok_or_else(|| {
                let known: Vec<&str> = library().map(|(known, _)| known).collect();
                format!("there is no {name}; {STANDARD} has {}", known.join(", "))
            })?;
            return Ok(SourceText { name, text: text.to_string() });
        }
        let beside = resolve(from, path);
        let elsewhere = from.filter(|_| !beside.exists()).and_then(|_| library_file(path));
        let whole = elsewhere.unwrap_or(beside);
        let text = read_text(&whole).map_err(|error| error.to_string())?;
        Ok(SourceText { name: whole.to_string_lossy().replace('\\', "/"), text })
    }

    fn bytes(&mut self, from: &str, path: &str) -> Result<Vec<u8>, FileError> {
        let bytes = open_file(&resolve(Some(from), path))
            .and_then(|file| read_bytes(file, path, MAX_IMAGE, ": expose it in parts"))
            .map_err(|error| error.to_string())?;
        Ok(bytes)
    }

    fn chart(&mut self, from: &str, path: &str) -> Result<ChartFacts, FileError> {
        let layout =
            read_chart(&self.bytes(from, path)?).map_err(|why| format!("{path}: {why}"))?;
        let spec = layout.spec();
        Ok(ChartFacts {
            model: spec.model.clone(),
            serial: spec.serial.clone(),
            facets: spec.facets,
            speed: spec.speed,
            dots: spec.dots,
            length: spec.length(),
            pitch: spec.cross_scan_pitch,
        })
    }
}

/// The file of the program's own library that a path means, in a script or in the library itself.
fn standard<'a>(from: &str, path: &'a str) -> Option<&'a str> {
    path.strip_prefix(STANDARD).or_else(|| from.starts_with(STANDARD).then_some(path))
}

/// The path of a file that is named in another one; `.` and inner `..` are taken out, so that one
/// file has one name.
pub(crate) fn resolve(from: Option<&str>, path: &str) -> PathBuf {
    let Some(folder) = from.and_then(|from| Path::new(from).parent()) else {
        return PathBuf::from(path);
    };
    let mut resolved = PathBuf::new();
    for part in folder.join(path).components() {
        match part {
            Component::CurDir => {}
            Component::ParentDir
                if matches!(resolved.components().next_back(), Some(Component::Normal(_))) =>
            {
                resolved.pop();
            }
            other => resolved.push(other),
        }
    }
    resolved
}

/// Reads a one-bit image.
pub(crate) fn read_image_bytes(path: &Path) -> Result<Vec<u8>, Error> {
    read_bytes(open_file(path)?, &path.display().to_string(), MAX_IMAGE, "")
}

/// Reads a text file.
pub(crate) fn read_text(path: &Path) -> Result<String, Error> {
    read_utf8(open_file(path)?, &path.display().to_string(), MAX_SCRIPT)
}

/// Reads a file of results, which may be larger.
pub(crate) fn read_results(path: &Path) -> Result<String, Error> {
    read_utf8(open_file(path)?, &path.display().to_string(), MAX_RESULTS)
}

/// Reads the standard input to its end.
pub(crate) fn read_stdin() -> Result<String, Error> {
    read_utf8(io::stdin(), "the standard input", MAX_SCRIPT)
}

/// SHA-256 over texts, each preceded by its length in eight bytes, least significant first.
pub(crate) fn digest_of<'a>(texts: impl Iterator<Item = &'a str>) -> String {
    let mut hash = Sha256::new();
    for text in texts {
        hash.update((text.len() as u64).to_le_bytes());
        hash.update(text.as_bytes());
    }
    hexadecimal(&hash.finalize())
}

/// Bytes in hexadecimal.
pub(crate) fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// SHA-256 in hexadecimal.
pub(crate) fn sha256(bytes: impl AsRef<[u8]>) -> String {
    hexadecimal(&Sha256::digest(bytes))
}

/// Makes a folder, and those above it, where there is none.
pub(crate) fn make_folder(folder: &Path) -> Result<(), Error> {
    std::fs::create_dir_all(folder).map_err(|error| unwritten(folder, &error))
}

/// Refuses a folder that holds anything, or a file in its place.
pub(crate) fn check_empty(folder: &Path) -> Result<(), Error> {
    if std::fs::read_dir(folder).map_or(folder.exists(), |mut all| all.next().is_some()) {
        return Err(invalid!(
            "{} is not empty: name a folder that is not there yet",
            folder.display()
        ));
    }
    Ok(())
}

/// Why a file or folder cannot be written, and a way out where one is known.
pub(crate) fn unwritten(path: &Path, error: &io::Error) -> Error {
    let leads_nowhere = path.is_symlink() && !path.exists();
    let reason = match error.kind() {
        _ if leads_nowhere => "it is a link that leads nowhere".to_string(),
        ErrorKind::PermissionDenied => "that may not be written: choose another place".to_string(),
        ErrorKind::ReadOnlyFilesystem => {
            "that disk may only be read: choose another place".to_string()
        }
        ErrorKind::NotFound => "there is no folder for it: make it first".to_string(),
        _ => io_reason(error),
    };
    invalid!("{} cannot be written: {reason}", path.display())
}

/// Opens a plain file to read it.
pub(crate) fn open_file(path: &Path) -> Result<File, Error> {
    let name = path.display();
    let failed = |error: io::Error| match error.kind() {
        ErrorKind::NotFound => invalid!("there is no file {name}"),
        ErrorKind::PermissionDenied => invalid!("{name} may not be read"),
        _ => invalid!("{name} cannot be opened: {}", io_reason(&error)),
    };
    if std::fs::metadata(path).map_err(failed)?.is_dir() {
        return Err(invalid!("{name} is a folder, not a file"));
    }
    refuse_pipe(path)?;
    File::open(path).map_err(failed)
}

/// Folders in a folder, itself included, that hold a file with one of these names; no link is followed.
pub(crate) fn folders_with(top: &Path, names: &[&str]) -> Result<Vec<PathBuf>, Error> {
    let mut found = Vec::new();
    let mut waiting = vec![top.to_path_buf()];
    while let Some(folder) = waiting.pop() {
        let failed = |error: io::Error| {
            invalid!("{} cannot be read: {}", folder.display(), io_reason(&error))
        };
        if names.iter().any(|name| folder.join(name).exists()) {
            found.push(folder.clone());
        }
        for entry in std::fs::read_dir(&folder).map_err(failed)? {
            let entry = entry.map_err(failed)?;
            if entry.file_type().map_err(failed)?.is_dir() {
                waiting.push(entry.path());
            }
        }
    }
    found.sort();
    Ok(found)
}

/// Refuses a pipe, which waits for its other end, and a device, which may never end.
pub(crate) fn refuse_pipe(path: &Path) -> Result<(), Error> {
    match special_file(path) {
        Some(_) => Err(invalid!(
            "{} is a pipe or a device, not a file: copy what it gives to one",
            path.display()
        )),
        None => Ok(()),
    }
}

/// What is neither a file nor a folder.
#[derive(PartialEq)]
enum Special {
    Pipe,
    Device,
}

fn special_file(path: &Path) -> Option<Special> {
    let kind = std::fs::metadata(path).ok()?.file_type();
    #[cfg(unix)]
    if std::os::unix::fs::FileTypeExt::is_fifo(&kind) {
        return Some(Special::Pipe);
    }
    (!kind.is_file() && !kind.is_dir()).then_some(Special::Device)
}

/// Reads at most `largest` bytes; `way_out` ends the message where there are more.
fn read_bytes(from: impl Read, name: &str, largest: u64, way_out: &str) -> Result<Vec<u8>, Error> {
    let mut bytes = Vec::new();
    from.take(largest + 1)
        .read_to_end(&mut bytes)
        .map_err(|error| invalid!("{name} cannot be read: {}", io_reason(&error)))?;
    if bytes.len() as u64 > largest {
        return Err(invalid!("{name} is larger than {} MiB{way_out}", largest >> 20));
    }
    Ok(bytes)
}

fn read_utf8(from: impl Read, name: &str, largest: u64) -> Result<String, Error> {
    let bytes = read_bytes(from, name, largest, ", which no such file is")?;
    String::from_utf8(bytes).map_err(|error| {
        let good = error.utf8_error().valid_up_to();
        let line = error.as_bytes().iter().take(good).filter(|b| **b == b'\n').count() + 1;
        let save = match error.as_bytes() {
            [0xff, 0xfe, ..] | [0xfe, 0xff, ..] => "it is UTF-16: save it as UTF-8",
            _ => "save it as UTF-8",
        };
        invalid!("{name} is not UTF-8 text: byte {good}, on line {line}, is none of it; {save}")
    })
}
