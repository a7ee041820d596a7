//! The secret that a server makes up for itself at each start, in a file that only its user can read, and
//! where clients of that user find it by the port. Uses nothing.

#![allow(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "a server's own secret is a file of its user"
)]

use crate::system::io_reason;
use std::fs::{self, DirBuilder, OpenOptions};
use std::io::{self, Write};
use std::net::ToSocketAddrs;
use std::path::{Path, PathBuf};

/// Random bytes of a secret.
const BYTES: usize = 24;

/// A secret that lasts as long as its server.
pub(crate) struct Token {
    /// What clients must know.
    pub secret: String,
    files: Vec<PathBuf>,
}

impl Token {
    /// Makes up a secret and writes it to a file for each port.
    pub(crate) fn new(ports: &[u16]) -> io::Result<Token> {
        let mut bytes = [0; BYTES];
        getrandom::fill(&mut bytes).map_err(io::Error::other)?;
        let secret: String = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
        let mut token = Token { secret, files: Vec::new() };
        for port in ports {
            let file = file_of(*port).ok_or_else(|| io::Error::other("no folder of the user"))?;
            write(&file, &token.secret).map_err(|error| {
                io::Error::other(format!("{}: {}", file.display(), io_reason(&error)))
            })?;
            token.files.push(file);
        }
        Ok(token)
    }

    /// Where it is.
    pub(crate) fn files(&self) -> impl Iterator<Item = std::path::Display<'_>> {
        self.files.iter().map(|file| file.display())
    }
}

impl Drop for Token {
    fn drop(&mut self) {
        for file in &self.files {
            // Another server may have written its own since.
            if fs::read_to_string(file).is_ok_and(|text| text.trim() == self.secret) {
                let _ = fs::remove_file(file);
            }
        }
    }
}

/// The file where a server of this user on this machine keeps the secret of a port; none where `place`,
/// a `HOST:PORT`, is not this machine.
pub(crate) fn file_at(place: &str) -> Option<PathBuf> {
    let address = place.to_socket_addrs().ok()?.find(|address| address.ip().is_loopback())?;
    file_of(address.port())
}

/// The secret in that file.
pub(crate) fn read(file: &Path) -> Option<String> {
    let secret = fs::read_to_string(file).ok()?.trim().to_string();
    (!secret.is_empty()).then_some(secret)
}

/// In the place for state of programs (XDG Base Directory Specification).
fn file_of(port: u16) -> Option<PathBuf> {
    let set = |name| std::env::var_os(name).map(PathBuf::from).filter(|path| path.is_absolute());
    let state = if cfg!(windows) {
        set("LOCALAPPDATA")
    } else {
        set("XDG_STATE_HOME").or_else(|| Some(set("HOME")?.join(".local/state")))
    };
    Some(state?.join("spintrue").join(format!("secret-{port}")))
}

/// Writes a file that only this user can read, whatever was there before.
fn write(file: &Path, secret: &str) -> io::Result<()> {
    let mut folder = DirBuilder::new();
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
        folder.mode(0o700);
        options.mode(0o600);
    }
    if let Some(parent) = file.parent() {
        folder.recursive(true).create(parent)?;
    }
    match fs::remove_file(file) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    options.open(file)?.write_all(format!("{secret}\n").as_bytes())
}
