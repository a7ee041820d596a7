//! `head`: what concerns a head itself, without a script of one's own; one file per subcommand.

mod check;
mod describe;
mod expose;
mod new;
mod trace;

pub(super) use describe::facts;

use clap::{Args, Subcommand};

#[derive(Args)]
pub(super) struct Options {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Tries on a head what every head must hold to, harmless things first
    #[command(after_help = check::AFTER_HELP)]
    Check(check::Options),
    /// Shows what a head is: facets, geometry, limits, and how long its calls may take
    #[command(after_help = describe::AFTER_HELP)]
    Describe(describe::Options),
    /// Exposes an image on a simulated head and shows what the medium would
    #[command(after_help = expose::AFTER_HELP)]
    Expose(expose::Options),
    /// Writes a description of a simulated head to start from
    #[command(after_help = new::AFTER_HELP)]
    New(new::Options),
    /// Looks into a recording, a call a line
    #[command(after_help = trace::AFTER_HELP)]
    Trace(trace::Options),
}

pub(super) fn head(options: &Options) -> u8 {
    match &options.command {
        Command::Check(options) => check::check(options),
        Command::Describe(options) => describe::describe(options),
        Command::Expose(options) => expose::expose(options),
        Command::New(options) => new::new(options),
        Command::Trace(options) => trace::trace(options),
    }
}
