//! The folder of a record: taken while it is empty, marked until it is whole, each file on the disk
//! before it has its name.

use crate::cli::files::unwritten;
use crate::record::{FileDigest, hexadecimal};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fs::{self, File, OpenOptions};
use std::io::Write;
use std::path::{Path, PathBuf};

/// The file that is there until the record is whole.
pub(super) const MARK: &str = "UNFINISHED";

const MARK_TEXT: &str = "\
This record is not finished. Either the run goes on, or it was cut off: then events.jsonl and
lines.csv hold what was known until then, and the last line of each may be cut short.
";

/// The manifest.
pub(super) const MANIFEST: &str = "record.json";

/// A folder that is being filled.
pub(super) struct Folder {
    path: PathBuf,
    files: BTreeMap<String, FileDigest>,
}

/// A file that is written line by line.
pub(super) struct Stream {
    name: &'static str,
    file: File,
    hash: Sha256,
    bytes: u64,
}

impl Folder {
    /// Takes a folder that is empty or not there yet.
    pub(super) fn take(path: &Path) -> Result<Folder, String> {
        let name = path.display();
        if path.exists() && !path.is_dir() {
            return Err(format!("{name} is a file: name a folder for the record"));
        }
        fs::create_dir_all(path).map_err(|error| unwritten(path, &error))?;
        let mut entries = fs::read_dir(path).map_err(|error| unwritten(path, &error))?;
        if entries.next().is_some() {
            let more = if path.join(MANIFEST).exists() || path.join(MARK).exists() {
                "holds a record already"
            } else {
                "is not empty"
            };
            return Err(format!("the folder {name} {more}: name one that is not there yet"));
        }
        let mark = path.join(MARK);
        let written =
            OpenOptions::new().write(true).create_new(true).open(&mark).and_then(|mut f| {
                f.write_all(MARK_TEXT.as_bytes())?;
                f.sync_all()
            });
        written.map_err(|error| unwritten(&mark, &error))?;
        let folder = Folder { path: path.to_path_buf(), files: BTreeMap::new() };
        folder.sync()?;
        if let Some(parent) = path.parent() {
            sync(if parent.as_os_str().is_empty() { Path::new(".") } else { parent })?;
        }
        Ok(folder)
    }

    fn sync(&self) -> Result<(), String> {
        sync(&self.path)
    }

    /// Begins a file that grows while the run goes on.
    pub(super) fn stream(&self, name: &'static str) -> Result<Stream, String> {
        let path = self.path.join(name);
        let file = OpenOptions::new().write(true).create_new(true).open(&path);
        let file = file.map_err(|error| unwritten(&path, &error))?;
        Ok(Stream { name, file, hash: Sha256::new(), bytes: 0 })
    }

    /// Ends such a file.
    pub(super) fn end(&mut self, stream: Stream) -> Result<(), String> {
        let path = self.path.join(stream.name);
        stream.file.sync_all().map_err(|error| unwritten(&path, &error))?;
        let sha256 = hexadecimal(&stream.hash.finalize());
        self.files.insert(stream.name.to_string(), FileDigest { bytes: stream.bytes, sha256 });
        Ok(())
    }

    /// Writes a whole file: under another name first, then by its own.
    pub(super) fn put(&mut self, name: &str, text: &str) -> Result<(), String> {
        self.write(name, text)?;
        let sha256 = hexadecimal(&Sha256::digest(text.as_bytes()));
        self.files.insert(name.to_string(), FileDigest { bytes: text.len() as u64, sha256 });
        Ok(())
    }

    fn write(&self, name: &str, text: &str) -> Result<(), String> {
        let (path, part) = (self.path.join(name), self.path.join(format!("{name}.part")));
        let written = File::create(&part).and_then(|mut file| {
            file.write_all(text.as_bytes())?;
            file.sync_all()?;
            fs::rename(&part, &path)
        });
        written.map_err(|error| {
            // Half a file helps nobody; the mark says that one is missing.
            let _ = fs::remove_file(&part);
            unwritten(&path, &error)
        })
    }

    /// Where it is.
    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// Digests of the files written so far.
    pub(super) fn files(&self) -> &BTreeMap<String, FileDigest> {
        &self.files
    }

    /// Writes the manifest; all is there then, but for the mark that is still to go.
    pub(super) fn seal(self, manifest: &str) -> Result<(), String> {
        self.write(MANIFEST, manifest)?;
        self.sync()
    }
}

/// Names of new files last only once their folder is on the disk too.
pub(in crate::cli) fn sync(path: &Path) -> Result<(), String> {
    if cfg!(unix) {
        let synced = File::open(path).and_then(|folder| folder.sync_all());
        synced.map_err(|error| unwritten(path, &error))?;
    }
    Ok(())
}

/// Takes the mark away from a folder that is sealed.
pub(in crate::cli) fn unmark(path: &Path) -> Result<(), String> {
    let mark = path.join(MARK);
    fs::remove_file(&mark).map_err(|error| unwritten(&mark, &error))?;
    sync(path)
}

impl Stream {
    /// Writes on; what came before stays as it is.
    pub(super) fn write(&mut self, bytes: &[u8]) -> Result<(), String> {
        let written = self.file.write_all(bytes);
        written.map_err(|error| unwritten(Path::new(self.name), &error))?;
        self.hash.update(bytes);
        self.bytes += bytes.len() as u64;
        Ok(())
    }
}
