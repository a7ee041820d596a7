//! `lsp`: serves an editor over standard input and output.

use crate::disk::{Disk, resolve};
use crate::error::{Error, invalid};
use crate::lsp::{serve, transport};
use crate::setup::{Described, Fixtures, is_elsewhere};
use spintrue_head::Description;
use spintrue_language::{Diagnostic, FileError, HeadAsked, KnownHead, Prepared, Workspace};
use std::path::{Path, PathBuf};
use std::sync::mpsc::sync_channel;
use std::{fs, io, thread};

/// Messages that may wait.
const MAX_WAITING: usize = 64;

/// How deep folders are searched for scripts.
const MAX_DEPTH: usize = 16;

/// Folders that are searched for scripts.
const MAX_FOLDERS: usize = 10_000;

pub(super) fn run() -> Result<u8, Error> {
    let (sender, incoming) = sync_channel(MAX_WAITING);
    // Its input may never come, so nothing waits for this thread.
    thread::spawn(move || {
        let mut input = io::stdin().lock();
        while let Ok(Some(message)) = transport::read(&mut input) {
            if sender.send(message).is_err() {
                break;
            }
        }
    });
    serve(&incoming, &mut io::stdout().lock(), &mut Disk)
        .map_err(|error| invalid!("the editor is gone: {error}"))
}

impl Workspace for Disk {
    fn resolve(&self, from: &str, path: &str) -> String {
        resolve(Some(from), path).to_string_lossy().replace('\\', "/")
    }

    fn folder(&mut self, folder: &str) -> Vec<String> {
        let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
        let names = entries.flatten().filter_map(|entry| {
            let name = entry.file_name().to_str()?.to_string();
            let is_folder = entry.path().is_dir();
            (!name.starts_with('.')).then(|| if is_folder { format!("{name}/") } else { name })
        });
        let mut names: Vec<String> = names.collect();
        names.sort();
        names
    }

    fn scripts(&mut self, folder: &str, most: usize) -> Vec<String> {
        let mut found = Vec::new();
        let mut folders = vec![(folder.trim_end_matches('/').to_string(), 0)];
        for _ in 0..MAX_FOLDERS {
            let Some((folder, depth)) = folders.pop() else { break };
            for name in self.folder(&format!("{folder}/")) {
                let path = format!("{folder}/{name}");
                if let Some(inner) = path.strip_suffix('/') {
                    // A link could lead round in a circle.
                    if depth < MAX_DEPTH && !Path::new(inner).is_symlink() {
                        folders.push((inner.to_string(), depth + 1));
                    }
                } else if name.ends_with(".spt") {
                    found.push(path);
                }
                if found.len() >= most {
                    return found;
                }
            }
        }
        found
    }

    fn head(&mut self, asked: &HeadAsked) -> Result<Box<dyn KnownHead>, FileError> {
        let head = EditorHead::of(asked).map_err(|error| error.to_string())?;
        Ok(Box::new(head))
    }
}

/// A head that scripts are held against while they are edited.
struct EditorHead {
    name: String,
    described: Described,
    /// The editor asks for it. Nothing is reported of a head that it may have nothing to do with.
    is_named: bool,
}

impl EditorHead {
    fn of(asked: &HeadAsked) -> Result<EditorHead, Error> {
        let inside = |file: &str| match &asked.folder {
            Some(folder) => Path::new(folder).join(file),
            None => PathBuf::from(file),
        };
        let address = asked.address.as_deref().unwrap_or("sim");
        if is_elsewhere(address) {
            return Err(invalid!(
                "`{address}` is a real head, and an editor connects to none: name a description, such as \
                 `sim:FILE.toml`"
            ));
        }
        let is_file = address.ends_with(".toml") && !address.contains(':');
        let address = match address.split_once(':') {
            Some((kind @ ("sim" | "replay"), file)) => format!("{kind}:{}", inside(file).display()),
            None if is_file => format!("sim:{}", inside(address).display()),
            _ => address.to_string(),
        };
        let files: Vec<PathBuf> = asked.fixtures.iter().map(|file| inside(file)).collect();
        let described = Fixtures::of(files, None).describe(&address)?;
        let is_named = asked.address.is_some() || !asked.fixtures.is_empty();
        let name = match &asked.address {
            Some(name) => format!("`{name}`"),
            None => "the built-in simulated head".to_string(),
        };
        Ok(EditorHead { name, described, is_named })
    }
}

impl KnownHead for EditorHead {
    fn name(&self) -> &str {
        &self.name
    }

    fn description(&self) -> &Description {
        &self.described.head
    }

    fn refused(&self, prepared: &Prepared) -> Vec<Diagnostic> {
        if self.is_named { self.described.unfit(prepared) } else { Vec::new() }
    }

    fn risky(
        &self,
        prepared: &Prepared,
        go_on: &mut dyn FnMut() -> bool,
    ) -> Option<Vec<Diagnostic>> {
        if self.is_named { prepared.risky(&self.described.head, go_on) } else { Some(Vec::new()) }
    }
}
