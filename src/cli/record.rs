//! `record`: shows or verifies the record of a run; one file per subcommand.

mod show;
mod verify;

use crate::error::Error;
use clap::{Args, Subcommand};

#[derive(Args)]
pub(super) struct Options {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Show the content of a record: verdict, identity, checks and values
    #[command(after_help = show::AFTER_HELP)]
    Show(show::Options),
    /// Verify that a record is complete and unchanged
    #[command(after_help = verify::AFTER_HELP)]
    Verify(verify::Options),
}

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    match &options.command {
        Command::Show(options) => show::run(options),
        Command::Verify(options) => verify::run(options),
    }
}
