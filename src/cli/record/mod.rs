//! Records of runs on the disk, and `record`, which looks at them.

mod folder;
mod identity;
mod last;
mod pages;
mod read;
mod recorder;
mod show;
mod verify;

pub(super) use folder::{sync, unmark};
pub(super) use identity::{Again, identity};
pub(super) use last::Last;
pub(super) use pages::pages;
pub(super) use read::{NOT_REACHED, Unmet, kept};
pub(super) use recorder::{Recorder, Recording};
pub(super) use verify::held;

use clap::{Args, Subcommand};

#[derive(Args)]
pub(super) struct Options {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Prints what a record holds: verdict, identity, checks and values
    #[command(after_help = show::AFTER_HELP)]
    Show(show::Options),
    /// Finds out whether a record is whole and as it was written
    #[command(after_help = verify::AFTER_HELP)]
    Verify(verify::Options),
}

pub(super) fn record(options: &Options) -> u8 {
    match &options.command {
        Command::Show(options) => show::show(options),
        Command::Verify(options) => verify::verify(options),
    }
}
