//! Files that options name and a command writes: what is there is not overwritten unasked, and a
//! file gets its name only when it is whole.

use crate::cli::files::unwritten;
use clap::Args;
use std::fs::{File, OpenOptions};
use std::io::{BufWriter, ErrorKind, Write};
use std::path::{Path, PathBuf};

/// The option that allows to overwrite.
#[derive(Args)]
pub(super) struct Force {
    /// Overwrites files that are there already
    #[arg(long)]
    pub force: bool,
}

impl Force {
    /// Refuses a file that is there, unless it may be overwritten, and a pipe, which would wait for a
    /// reader. A device loses nothing.
    pub(super) fn refuse(&self, path: &Path) -> Result<(), String> {
        if is_pipe(path) {
            return Err(format!("{} is a pipe, not a file: name a file", path.display()));
        }
        if path.is_file() && !self.force { Err(taken(path)) } else { Ok(()) }
    }

    /// Makes a file that is written bit by bit.
    pub(super) fn create(&self, path: &Path) -> Result<File, String> {
        self.refuse(path)?;
        let mut options = OpenOptions::new();
        options.write(true);
        // Not even in a race is a file lost.
        if self.force || path.exists() {
            options.create(true).truncate(true);
        } else {
            options.create_new(true);
        }
        options.open(path).map_err(|error| match error.kind() {
            ErrorKind::AlreadyExists => taken(path),
            _ => unwritten(path, &error),
        })
    }
}

#[cfg(unix)]
fn is_pipe(path: &Path) -> bool {
    use std::os::unix::fs::FileTypeExt;
    std::fs::metadata(path).is_ok_and(|kind| kind.file_type().is_fifo())
}

#[cfg(not(unix))]
fn is_pipe(_: &Path) -> bool {
    false
}

fn taken(path: &Path) -> String {
    format!(
        "{} is there already: name another file, or overwrite it with `--force`",
        path.display()
    )
}

/// A place that is kept for a file.
pub(super) struct Place {
    path: PathBuf,
    /// What is written first; gone or renamed in the end. A device has none.
    part: Option<PathBuf>,
    file: Option<File>,
    force: bool,
}

impl Place {
    /// Takes a place; fails in plain words where no file can be written there.
    pub(super) fn take(path: &Path, force: &Force) -> Result<Place, String> {
        let name = path.display();
        if path.is_dir() {
            return Err(format!("{name} is a folder: name a file"));
        }
        if path.file_name().is_none() {
            return Err(format!("`{name}` names no file"));
        }
        force.refuse(path)?;
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

    /// Has the file written and gives it its name.
    pub(super) fn write_with(
        mut self,
        write: impl FnOnce(&mut dyn Write) -> std::io::Result<()>,
    ) -> Result<(), String> {
        let Some(file) = self.file.take() else { return Ok(()) };
        let mut to = BufWriter::new(file);
        let written = write(&mut to).and_then(|()| to.flush());
        written.map_err(|error| unwritten(&self.path, &error))?;
        let Some(part) = &self.part else { return Ok(()) };
        if !self.force {
            // Unlike a new name, a second one takes the place of no file that came meanwhile.
            match std::fs::hard_link(part, &self.path) {
                Ok(()) => return Ok(()),
                Err(error) if error.kind() == ErrorKind::AlreadyExists => {
                    return Err(taken(&self.path));
                }
                // Some disks know one name for a file only.
                Err(_) => {}
            }
        }
        std::fs::rename(part, &self.path).map_err(|error| unwritten(&self.path, &error))
    }

    /// Writes a file that is known as a whole.
    pub(super) fn write(self, bytes: impl AsRef<[u8]>) -> Result<(), String> {
        self.write_with(|to| to.write_all(bytes.as_ref()))
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        // Once renamed there is none.
        drop(self.file.take());
        if let Some(part) = &self.part {
            let _ = std::fs::remove_file(part);
        }
    }
}
