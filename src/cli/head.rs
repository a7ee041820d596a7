//! `head`: what concerns a head itself, without a script; one file per subcommand.

mod describe;
mod expose;
mod list;
mod new;
mod test;
mod trace;

use crate::error::{Error, invalid};
use clap::Subcommand;

#[derive(Subcommand)]
pub(super) enum Command {
    /// Show what a head is: facets, geometry, limits, and how long its calls may take
    #[command(after_help = include_str!("help/head_describe.txt"))]
    Describe(describe::Options),
    /// Expose an image on a simulated head and show the result on the medium
    #[command(after_help = include_str!("help/head_expose.txt"))]
    Expose(expose::Options),
    /// List the heads that the project names, and the serial lines of this machine
    List,
    /// Write a description of a simulated head to start from
    #[command(after_help = include_str!("help/head_new.txt"))]
    New(new::Options),
    /// Test a head against the head contract, harmless tests first
    #[command(after_help = include_str!("help/head_test.txt"))]
    Test(test::Options),
    /// Show a recording, one call per line
    #[command(after_help = include_str!("help/head_trace.txt"))]
    Trace(trace::Options),
    /// The former name of `test`
    #[command(hide = true)]
    Check {
        #[arg(trailing_var_arg = true, allow_hyphen_values = true)]
        rest: Vec<String>,
    },
}

pub(super) fn run(command: &Command) -> Result<u8, Error> {
    match command {
        Command::Describe(options) => describe::run(options),
        Command::Expose(options) => expose::run(options),
        Command::List => list::run(),
        Command::New(options) => new::run(options),
        Command::Test(options) => test::run(options),
        Command::Trace(options) => trace::run(options),
        Command::Check { rest } => {
            Err(invalid!("the command is now called `test`: spintrue head test {}", rest.join(" ")))
        }
    }
}
