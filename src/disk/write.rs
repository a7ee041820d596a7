//! Files that a command writes: an existing file is overwritten only with `--force`, and a file gets
//! its name only when it is complete and on the disk.

use crate::disk::{Special, special_file, unwritten};
use crate::error::{Error, invalid};
use clap::Args;
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, ErrorKind, Write};
use std::path::{Path, PathBuf};

// The option that allows overwriting.
#[derive(Args, Clone, Copy, Default)]
pub(crate) struct Force {
    /// Overwrite existing files
    #[arg(long)]
    pub force: bool,
}

impl Force {
    /// Refuses an existing file, unless it may be overwritten, and a pipe, which waits for a reader.
    /// Writing to a device loses nothing.
    pub(crate) fn check(&self, path: &Path) -> Result<(), Error> {
        if special_file(path) == Some(Special::Pipe) {
            return Err(invalid!("{} is a pipe, not a file: name a file", path.display()));
        }
        if path.is_file() && !self.force { Err(exists(path)) } else { Ok(()) }
    }

    /// Creates a file that grows while a run goes on.
    pub(crate) fn create(&self, path: &Path) -> Result<File, Error> {
        self.check(path)?;
        // No file is lost in a race either.
        let may_exist = self.force || path.exists();
        let file = if may_exist { File::create(path) } else { File::create_new(path) };
        file.map_err(|error| match error.kind() {
            ErrorKind::AlreadyExists => exists(path),
            _ => unwritten(path, &error),
        })
    }
}

fn exists(path: &Path) -> Error {
    invalid!(
        "{} is there already: name another file, or overwrite it with `--force`",
        path.display()
    )
}

/// A place reserved for a file.
pub(crate) struct Place {
    path: PathBuf,
    /// What is written first, then renamed. A device has none.
    part: Option<PathBuf>,
    file: Option<File>,
    force: bool,
}

impl Place {
    /// Reserves a place where a file can be written.
    pub(crate) fn take(path: &Path, force: &Force) -> Result<Place, Error> {
        let name = path.display();
        if path.is_dir() {
            return Err(invalid!("{name} is a folder: name a file"));
        }
        if path.file_name().is_none() {
            return Err(invalid!("`{name}` names no file"));
        }
        force.check(path)?;
        let beside = || {
            let mut part = path.as_os_str().to_owned();
            part.push(format!(".{}.part", std::process::id()));
            PathBuf::from(part)
        };
        let part = (path.is_file() || !path.exists()).then(beside);
        let file = match &part {
            Some(part) => File::create(part),
            None => OpenOptions::new().write(true).open(path),
        };
        let file = file.map_err(|error| unwritten(path, &error))?;
        Ok(Place { path: path.to_path_buf(), part, file: Some(file), force: force.force })
    }

    /// Replaces a file as a whole, old or new and never a mixture; its permissions stay.
    pub(crate) fn replace(path: &Path, bytes: impl AsRef<[u8]>) -> Result<(), Error> {
        let permissions = fs::metadata(path).map(|data| data.permissions()).ok();
        let place = Place::take(path, &Force { force: true })?;
        if let (Some(file), Some(permissions)) = (&place.file, permissions) {
            file.set_permissions(permissions).map_err(|error| unwritten(path, &error))?;
        }
        place.write(bytes)
    }

    /// Writes the file and gives it its name.
    pub(crate) fn write_with(
        mut self,
        write: impl FnOnce(&mut dyn Write) -> io::Result<()>,
    ) -> Result<(), Error> {
        let Some(file) = self.file.take() else { return Ok(()) };
        let written = |file: File| {
            let mut to = BufWriter::new(file);
            write(&mut to)?;
            let file = to.into_inner()?;
            if self.part.is_some() { file.sync_all() } else { Ok(()) }
        };
        written(file).map_err(|error| unwritten(&self.path, &error))?;
        let Some(part) = &self.part else { return Ok(()) };
        if !self.force {
            // A second name, unlike a new one, never replaces a file that appeared meanwhile.
            match fs::hard_link(part, &self.path) {
                Ok(()) => return Ok(()),
                Err(error) if error.kind() == ErrorKind::AlreadyExists => {
                    return Err(exists(&self.path));
                }
                // Some file systems know one name per file only.
                Err(_) => {}
            }
        }
        fs::rename(part, &self.path).map_err(|error| unwritten(&self.path, &error))
    }

    /// Writes a file from its whole content.
    pub(crate) fn write(self, bytes: impl AsRef<[u8]>) -> Result<(), Error> {
        self.write_with(|to| to.write_all(bytes.as_ref()))
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        drop(self.file.take());
        // Once renamed there is none.
        if let Some(part) = &self.part {
            let _ = fs::remove_file(part);
        }
    }
}
