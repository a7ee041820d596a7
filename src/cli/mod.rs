//! The command line: one file per subcommand. Picks the head; may use everything.

#![allow(clippy::disallowed_methods, reason = "this room talks to files and the terminal")]

mod address;
mod allow;
mod batch;
mod builtins;
mod check;
mod console;
mod duration;
mod explain;
mod files;
mod fixture;
mod fmt;
mod formats;
mod head;
mod history;
mod json;
mod lsp;
mod memory;
mod operator;
mod output;
mod own;
mod pages;
mod picture;
mod record;
mod run;
mod serve;
mod shell;
mod signals;
mod simulate;
mod summary;
mod trace;
mod units;

pub use own::{HeadAndGauge, OwnHead};

use crate::terminal;
use clap::{Parser, Subcommand};
use std::process::ExitCode;

/// Exit code where a check does not conform, or a script is not formatted.
const FAILED: u8 = 1;
/// Exit code where the script, an option or a file is wrong.
const WRONG: u8 = 2;

const CAUTION: &str = "\
Lasers and rotors hurt people. spintrue is not a safety function: the hardware interlock chain
stands on its own. IEC 60825-1, local codes and the laser safety officer decide.";

const EXAMPLES: &str = "\
Examples:
  spintrue run scripts/bring_up.spt                     bring up the built-in simulated head
  spintrue run scripts/bring_up.spt --set speed=3000rpm the same with another speed
  spintrue check scripts/bring_up.spt                   prove it without moving anything
  spintrue run scripts/bring_up.spt --fault lock_lost@12s what if lock is lost
  spintrue head describe sim                            what a head is
  spintrue builtins test_line                           what a built-in does

Exit codes:
  0    passed
  1    a check does not conform, or the script said `fail`
  2    the script, an option or a file is wrong
  3    the head failed, did not get there in time, or could not be made safe; or nobody was there to
       answer a question of the script
  4    nothing fails, but a check is undecided or a planned one was not reached
  130  interrupted

Lasers and rotors hurt people. spintrue is not a safety function: the hardware interlock chain
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
    /// Checks a script and runs it on a head
    #[command(after_help = run::AFTER_HELP)]
    Run(run::Options),
    /// Runs a script on every head of a list, with a record of each
    #[command(after_help = batch::AFTER_HELP)]
    Batch(batch::Options),
    /// Opens a prompt on a head: each entry is checked and run
    #[command(after_help = shell::AFTER_HELP)]
    Shell(shell::Options),
    /// Runs a script on many simulated heads, and tells the yield
    #[command(after_help = simulate::AFTER_HELP)]
    Simulate(simulate::Options),
    /// Offers a head to other programs and machines (SCPI over TCP)
    #[command(after_help = serve::AFTER_HELP)]
    Serve(serve::Options),
    /// Lists the runs of an archive, draws how a value went, or exports them
    #[command(after_help = history::AFTER_HELP)]
    History(history::Options),
    /// Checks scripts without moving anything
    #[command(after_help = check::AFTER_HELP)]
    Check(check::Options),
    /// Looks at the record of a run
    Record(record::Options),
    /// Describes a head, exposes an image on a simulated one, or writes a description
    Head(head::Options),
    /// Serves an editor (Language Server Protocol)
    #[command(after_help = lsp::AFTER_HELP)]
    Lsp,
    /// Writes scripts in the house style
    #[command(after_help = fmt::AFTER_HELP)]
    Fmt(fmt::Options),
    /// Lists the units that quantities are written in
    Units,
    /// Lists the built-ins, or explains one
    #[command(after_help = builtins::AFTER_HELP)]
    Builtins(builtins::Options),
    /// Explains a code of a report, or lists them all
    #[command(after_help = explain::AFTER_HELP)]
    Explain(explain::Options),
}

/// Runs the command that the arguments ask for, with heads of one's own beside those known here:
/// each has the address of its name, and whatever takes a head takes it.
///
/// ```no_run
/// use spintrue::cli::{OwnHead, main_with};
/// use spintrue::head::sim;
///
/// // In place of a simulated head, one of your own.
/// let bench = OwnHead {
///     name: "bench",
///     open: |_| {
///         let (head, gauge) = sim::open(None, 1).map_err(|why| format!("{why:?}"))?;
///         Ok((Box::new(head), Some(Box::new(gauge))))
///     },
/// };
/// // What `main` returns: `run script.spt --head bench` and all else work.
/// let code = main_with(&[bench]);
/// ```
pub fn main_with(heads: &[OwnHead]) -> ExitCode {
    match own::know(heads) {
        Ok(()) => main(),
        Err(why) => {
            terminal::complain(&format!("{why}\n"));
            ExitCode::from(WRONG)
        }
    }
}

/// Runs the command that the arguments ask for.
pub fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let code = match arguments.command {
        Command::Run(options) => run::run(&options),
        Command::Batch(options) => batch::batch(&options),
        Command::Shell(options) => shell::shell(&options),
        Command::Simulate(options) => simulate::simulate(&options),
        Command::Serve(options) => serve::serve(&options),
        Command::Check(options) => check::check(&options),
        Command::Record(options) => record::record(&options),
        Command::Head(options) => head::head(&options),
        Command::History(options) => history::history(&options),
        Command::Lsp => lsp::lsp(),
        Command::Fmt(options) => fmt::fmt(&options),
        Command::Units => units::list(),
        Command::Builtins(options) => builtins::list(&options),
        Command::Explain(options) => explain::explain(&options),
    };
    if terminal::output_lost() {
        terminal::complain("error: not all of the output could be written, so nothing passed\n");
        return ExitCode::from(if code == 0 { WRONG } else { code });
    }
    ExitCode::from(code)
}
