//! `lsp`: serves an editor over standard input and output.

use crate::cli::WRONG;
use crate::cli::files::{Disk, tidy};
use crate::ide::Workspace;
use crate::lsp::{serve, transport};
use crate::session::{Files, Text};
use crate::terminal::complain;
use std::fs;
use std::io;
use std::path::Path;
use std::sync::mpsc::sync_channel;
use std::thread;

pub(super) const AFTER_HELP: &str = "\
Speaks the Language Server Protocol on standard input and output; an editor starts it by itself.
Standard output carries nothing but the protocol. Nothing is opened and nothing moves.";

/// Messages that may wait to be dealt with.
const WAITING_MOST: usize = 64;

/// How deep folders are looked through for scripts.
const DEPTH_MOST: usize = 16;

/// Folders that are looked through for scripts.
const FOLDERS_MOST: usize = 10_000;

pub(super) fn lsp() -> u8 {
    let (sender, incoming) = sync_channel(WAITING_MOST);
    // It waits for input that may never come, so nothing waits for it in turn.
    thread::spawn(move || {
        let mut input = io::stdin().lock();
        while let Ok(Some(message)) = transport::read(&mut input) {
            if sender.send(message).is_err() {
                break;
            }
        }
    });
    match serve(&incoming, &mut io::stdout().lock(), &mut Around) {
        Ok(code) => code,
        Err(error) => {
            complain(&format!("error: the editor is gone: {error}\n"));
            WRONG
        }
    }
}

/// The files on the disk.
struct Around;

impl Files for Around {
    fn read(&mut self, from: Option<&str>, path: &str) -> Result<Text, String> {
        Disk.read(from, path)
    }
}

impl Workspace for Around {
    fn resolve(&self, from: &str, path: &str) -> String {
        let folder = Path::new(from).parent().unwrap_or(Path::new(""));
        tidy(&folder.join(path)).to_string_lossy().replace('\\', "/")
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
        let mut looked = 0;
        while let Some((folder, depth)) = folders.pop() {
            looked += 1;
            if looked > FOLDERS_MOST {
                break;
            }
            for name in self.folder(&format!("{folder}/")) {
                let path = format!("{folder}/{name}");
                match name.strip_suffix('/') {
                    // A link could lead round in a circle.
                    Some(_)
                        if depth < DEPTH_MOST
                            && !Path::new(path.trim_end_matches('/')).is_symlink() =>
                    {
                        folders.push((path.trim_end_matches('/').to_string(), depth + 1));
                    }
                    Some(_) => {}
                    None if name.ends_with(".spt") => found.push(path),
                    None => {}
                }
                if found.len() >= most {
                    return found;
                }
            }
        }
        found
    }
}
