//! `record`: shows or verifies the record of a run; one file per subcommand.

mod show;
mod verify;

use crate::error::Error;
use clap::Subcommand;

#[derive(Subcommand)]
pub(super) enum Command {
    /// Show the content of a record: verdict, identity, checks and values
    #[command(after_help = include_str!("help/record_show.txt"))]
    Show(show::Options),
    /// Verify that a record, a batch or an archive is complete and unchanged
    #[command(after_help = include_str!("help/record_verify.txt"))]
    Verify(verify::Options),
}

pub(super) fn run(command: &Command) -> Result<u8, Error> {
    match command {
        Command::Show(options) => show::run(options),
        Command::Verify(options) => verify::run(options),
    }
}
