//! `head new`: writes a commented description of a simulated head to start from.

use crate::disk::{Force, Place};
use crate::error::Error;
use crate::terminal::say;
use clap::Args;
use spintrue_sim::BUILT_IN_HEAD;
use std::path::PathBuf;

#[derive(Args)]
pub(crate) struct Options {
    /// The file to write; without it the standard output
    file: Option<PathBuf>,
    #[command(flatten)]
    force: Force,
}

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    match &options.file {
        None => say(BUILT_IN_HEAD),
        Some(path) => {
            let name = path.display();
            Place::take(path, &options.force)?.write(BUILT_IN_HEAD)?;
            say(&format!("wrote {name}: use it with `--head sim:{name}`\n"));
        }
    }
    Ok(0)
}
