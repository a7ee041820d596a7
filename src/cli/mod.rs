//! The command line: one file per subcommand. Arguments in, exit code out.

#![allow(clippy::disallowed_methods, reason = "this module talks to the terminal")]

mod batch;
mod builtins;
mod check;
mod console;
mod explain;
mod fmt;
mod formats;
mod head;
mod history;
mod json;
mod look;
mod lsp;
mod pages;
mod record;
mod run;
mod serve;
mod shell;
mod simulate;
mod summary;
mod units;

use crate::error::{Error, WRONG};
use crate::terminal;
use clap::{Parser, Subcommand};
use std::process::ExitCode;

const EXAMPLES: &str = "\
Examples:
  spintrue check scripts/bring_up.spt    check a script without moving anything
  spintrue run scripts/bring_up.spt      bring up the built-in simulated head
  spintrue run scripts/bring_up.spt --set speed=3000rpm
                                         the same at another speed
  spintrue run scripts/bring_up.spt --fault lock_lost@12s
                                         what happens if lock is lost
  spintrue head describe sim             what a head is
  spintrue builtins test_line            what a built-in does

Exit codes:
  0    passed
  1    a check does not conform, or the script said `fail`
  2    the script, an option or a file is wrong
  3    the head failed, was too slow, or could not be made safe; or a question
       of the script was not answered
  4    nothing fails, but a check is undecided or a planned one was not reached
  130  interrupted

Lasers and rotors hurt people. spintrue is not a safety function: the hardware interlock chain \
stands on its own. IEC 60825-1, local codes and the laser safety officer decide.";

/// Brings up polygon scan heads by script.
#[derive(Parser)]
#[command(name = "spintrue", version, about, after_help = EXAMPLES, max_term_width = 100)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Check a script and run it on a head
    #[command(after_help = run::AFTER_HELP)]
    Run(run::Options),
    /// Run a script on every head of a list, with a record of each
    #[command(after_help = batch::AFTER_HELP)]
    Batch(batch::Options),
    /// Open a prompt on a head: each entry is checked and run
    #[command(after_help = shell::AFTER_HELP)]
    Shell(shell::Options),
    /// Run a script on many simulated heads, and show the yield
    #[command(after_help = simulate::AFTER_HELP)]
    Simulate(simulate::Options),
    /// Serve a head to other programs and machines (SCPI over TCP)
    #[command(after_help = serve::AFTER_HELP)]
    Serve(serve::Options),
    /// List the runs of an archive, chart a value over them, or export them
    #[command(after_help = history::AFTER_HELP)]
    History(history::Options),
    /// Check scripts without moving anything
    #[command(after_help = check::AFTER_HELP)]
    Check(check::Options),
    /// Show or verify the record of a run
    Record(record::Options),
    /// Describe or test a head, expose an image on a simulated one, or write a description
    Head(head::Options),
    /// Serve an editor (Language Server Protocol)
    #[command(after_help = lsp::AFTER_HELP)]
    Lsp,
    /// Format scripts
    #[command(after_help = fmt::AFTER_HELP)]
    Fmt(fmt::Options),
    /// List the units of quantities
    Units,
    /// List the built-ins, or explain one
    #[command(after_help = builtins::AFTER_HELP)]
    Builtins(builtins::Options),
    /// Explain a code of a report, or list them all
    #[command(after_help = explain::AFTER_HELP)]
    Explain(explain::Options),
}

/// Runs the command that the arguments ask for.
pub(crate) fn main() -> ExitCode {
    let mut code = Arguments::parse().command.run().unwrap_or_else(|error| {
        error.print();
        error.exit_code()
    });
    if terminal::output_lost() {
        Error::Invalid("not all of the output could be written, so nothing passed".into()).print();
        code = if code == 0 { WRONG } else { code };
    }
    ExitCode::from(code)
}

impl Command {
    fn run(self) -> Result<u8, Error> {
        match self {
            Command::Run(options) => run::run(&options),
            Command::Batch(options) => batch::run(&options),
            Command::Shell(options) => shell::run(&options),
            Command::Simulate(options) => simulate::run(&options),
            Command::Serve(options) => serve::run(&options),
            Command::Check(options) => check::run(&options),
            Command::Record(options) => record::run(&options),
            Command::Head(options) => head::run(&options),
            Command::History(options) => history::run(&options),
            Command::Lsp => lsp::run(),
            Command::Fmt(options) => Ok(fmt::run(&options)),
            Command::Units => Ok(units::run()),
            Command::Builtins(options) => builtins::run(&options),
            Command::Explain(options) => explain::run(&options),
        }
    }
}
