//! `head new`: writes a commented description of a simulated head to start from.

use crate::cli::WRONG;
use crate::cli::output::{Force, Place};
use crate::head::sim::BUILT_IN;
use crate::terminal::{complain, say};
use clap::Args;
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
    /// File to be written; without it the standard output
    file: Option<PathBuf>,
    #[command(flatten)]
    force: Force,
}

pub(super) fn new(options: &Options) -> u8 {
    let Some(path) = &options.file else {
        say(BUILT_IN);
        return 0;
    };
    let name = path.display();
    match Place::take(path, &options.force).and_then(|place| place.write(BUILT_IN)) {
        Ok(()) => {
            say(&format!("wrote {name}: use it with `--head sim:{name}`\n"));
            0
        }
        Err(why) => {
            complain(&format!("error: {why}\n"));
            WRONG
        }
    }
}
