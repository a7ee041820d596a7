//! Records of runs on the disk, and `record`, which looks at them.

mod folder;
mod identity;
mod last;
mod pages;
mod recorder;
mod verify;

pub(super) use identity::identity;
pub(super) use last::Last;
pub(super) use pages::pages;
pub(super) use recorder::{Recorder, Recording};

use clap::{Args, Subcommand};

#[derive(Args)]
pub(super) struct Options {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Finds out whether a record is whole and as it was written
    #[command(after_help = verify::AFTER_HELP)]
    Verify(verify::Options),
}

pub(super) fn record(options: &Options) -> u8 {
    match &options.command {
        Command::Verify(options) => verify::verify(options),
    }
}
