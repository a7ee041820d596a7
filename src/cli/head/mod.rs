//! `head`: what concerns a head itself, with no script; one file per subcommand.

mod describe;
mod new;

use clap::Subcommand;

#[derive(Subcommand)]
pub(super) enum Command {
    /// Shows what a head is: facets, geometry, limits, and how long its calls may take
    #[command(after_help = describe::AFTER_HELP)]
    Describe(describe::Options),
    /// Writes a description of a simulated head to start from
    #[command(after_help = new::AFTER_HELP)]
    New(new::Options),
}

pub(super) fn head(command: &Command) -> u8 {
    match command {
        Command::Describe(options) => describe::describe(options),
        Command::New(options) => new::new(options),
    }
}
