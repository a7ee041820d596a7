//! Scripts from the disk.

use crate::session::{Files, Text};
use std::fs::File;
use std::io::Read;
use std::path::{Component, Path, PathBuf};

/// Largest script that is read, in bytes.
const LARGEST: u64 = 16 * 1024 * 1024;

/// Largest file of results that is read, in bytes.
const RESULTS_LARGEST: u64 = 1 << 30;

/// Reads scripts from the disk.
pub(super) struct Disk;

impl Files for Disk {
    fn read(&mut self, from: Option<&str>, path: &str) -> Result<Text, String> {
        if from.is_none() && path == "-" {
            let text = read_bytes(std::io::stdin(), "the standard input", LARGEST)?;
            return Ok(Text { name: "-".to_string(), text });
        }
        let whole = match from.and_then(|from| Path::new(from).parent()) {
            Some(folder) => tidy(&folder.join(path)),
            None => PathBuf::from(path),
        };
        let text = read_text(&whole)?;
        Ok(Text { name: whole.to_string_lossy().replace('\\', "/"), text })
    }
}

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
    read_bytes(open_file(path)?, &path.display().to_string(), LARGEST)
}

/// The same for a file that this program wrote, which may be larger.
pub(super) fn read_large(path: &Path) -> Result<String, String> {
    read_bytes(open_file(path)?, &path.display().to_string(), RESULTS_LARGEST)
}

fn open_file(path: &Path) -> Result<File, String> {
    let name = path.display();
    let file = File::open(path).map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound => format!("there is no file {name}"),
        std::io::ErrorKind::PermissionDenied => format!("{name} may not be read"),
        _ => format!("{name} cannot be opened: {error}"),
    })?;
    if file.metadata().is_ok_and(|data| data.is_dir()) {
        return Err(format!("{name} is a folder, not a file"));
    }
    Ok(file)
}

fn read_bytes(from: impl Read, name: &str, largest: u64) -> Result<String, String> {
    let mut bytes = Vec::new();
    from.take(largest + 1)
        .read_to_end(&mut bytes)
        .map_err(|error| format!("{name} cannot be read: {error}"))?;
    if bytes.len() as u64 > largest {
        let mib = largest >> 20;
        return Err(format!("{name} is larger than {mib} MiB, which no such file is"));
    }
    String::from_utf8(bytes).map_err(|error| {
        let good = error.utf8_error().valid_up_to();
        let line = error.as_bytes().iter().take(good).filter(|b| **b == b'\n').count() + 1;
        format!("{name} is not UTF-8 text: byte {good}, on line {line}, is none of it")
    })
}
