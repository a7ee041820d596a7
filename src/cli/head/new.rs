//! `head new`: writes a commented description of a simulated head to start from.

use crate::cli::WRONG;
use crate::head::sim::BUILT_IN;
use crate::terminal::{complain, say};
use clap::Args;
use std::fs::OpenOptions;
use std::io::Write;
use std::path::PathBuf;

pub(crate) const AFTER_HELP: &str = "\
The description holds every key with the value of the built-in head and what it means. Keep what
differs and delete the rest: what a description leaves out stays as in the built-in head.

Examples:
  spintrue head new my_head.toml
  spintrue head new > my_head.toml
  spintrue run scripts/bring_up.spt --head sim:my_head.toml";

#[derive(Args)]
pub(crate) struct Options {
    /// File to be written, which must not be there yet; without it the standard output
    file: Option<PathBuf>,
}

pub(super) fn new(options: &Options) -> u8 {
    let Some(path) = &options.file else {
        say(BUILT_IN);
        return 0;
    };
    let name = path.display();
    // Only a file that is not there yet is opened, so that nobody loses one, not even in a race.
    let opened = OpenOptions::new().write(true).create_new(true).open(path);
    let why = match opened.and_then(|mut file| file.write_all(BUILT_IN.as_bytes())) {
        Ok(()) => {
            say(&format!("wrote {name}: use it with `--head sim:{name}`\n"));
            return 0;
        }
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {
            "it is there already, and is not overwritten: name another file".to_string()
        }
        Err(error) => error.to_string(),
    };
    complain(&format!("error: `{name}` cannot be written: {why}\n"));
    WRONG
}
