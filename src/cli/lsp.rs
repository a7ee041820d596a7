//! `lsp`: serves an editor over standard input and output.

use crate::disk::{Disk, resolve};
use crate::error::{Error, invalid};
use crate::lsp::{serve, transport};
use spintrue_language::Workspace;
use std::path::Path;
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
}
