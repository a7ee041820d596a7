//! `head`: what is done with a head without a script of one's own, one file per command.

mod expose;

use clap::{Args, Subcommand};

#[derive(Args)]
pub(super) struct Options {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Exposes an image on a simulated head and shows what the medium would
    #[command(after_help = expose::AFTER_HELP)]
    Expose(expose::Options),
}

pub(super) fn head(options: &Options) -> u8 {
    match &options.command {
        Command::Expose(options) => expose::expose(options),
    }
}
