//! The command line: one file per subcommand. Arguments in, exit code out.

#![allow(clippy::disallowed_methods, reason = "this module talks to the terminal")]

mod builtins;
mod chart;
mod check;
mod completions;
mod console;
mod docs;
mod explain;
mod fmt;
mod formats;
mod gauge;
mod head;
mod history;
mod json;
mod look;
mod lsp;
mod manual;
mod new;
mod pages;
mod record;
mod run;
mod serve;
mod shell;
mod simulate;
mod summary;
mod test;

use crate::batch;
use crate::error::{Error, WRONG};
use crate::project::completed;
use crate::terminal;
use crate::terminal::{colour_output, progress, say, units};
use clap::error::ContextKind;
use clap::{CommandFactory, Parser, Subcommand, ValueEnum};
use std::ffi::OsString;
use std::process::ExitCode;

/// Brings up polygon scan heads by script.
#[derive(Parser)]
#[command(name = "spintrue", version = env!("SPINTRUE_VERSION"), about, max_term_width = 100)]
#[command(after_help = include_str!("help/spintrue.txt"))]
struct Arguments {
    #[command(subcommand)]
    command: Command,
    /// Use colours
    #[arg(
        long,
        global = true,
        value_name = "WHEN",
        default_value = "auto",
        hide_default_value = true
    )]
    color: Colours,
    /// Print only what went wrong, and the outcome
    #[arg(long, short, global = true)]
    quiet: bool,
}

/// When colours are used.
#[derive(Clone, Copy, ValueEnum)]
enum Colours {
    Auto,
    Always,
    Never,
}

// Options, with the help behind them, are built once their command is asked for. Then a doc comment on a
// group of options would replace what stands here, so groups have plain comments.
#[derive(Subcommand)]
#[command(defer = true)]
enum Command {
    /// Check a script and run it on a head
    Run(run::Options),
    /// Run a script on every head of a list, with a record of each
    Batch(batch::options::Options),
    /// Open a prompt on a head: each entry is checked and run
    Shell(shell::Options),
    /// Run a script on many simulated heads, and show the yield
    Simulate(simulate::Options),
    /// Test scripts on simulated heads, with faults and expected verdicts
    Test(test::Options),
    /// Serve a head to other programs and machines (SCPI over TCP)
    Serve(serve::Options),
    /// List the runs of an archive, chart a value over them, or export them
    History(history::Options),
    /// Check scripts without moving anything
    Check(check::Options),
    /// Show or verify the record of a run
    #[command(subcommand)]
    Record(record::Command),
    /// Keep what is known of the gauge of a station
    #[command(subcommand)]
    Gauge(gauge::Command),
    /// Draw a chart that a head exposes, or read a scan of the print
    #[command(subcommand)]
    Chart(chart::Command),
    /// Describe or test a head, expose an image on a simulated one, or write a description
    #[command(subcommand)]
    Head(head::Command),
    /// Serve an editor (Language Server Protocol)
    #[command(after_help = include_str!("help/lsp.txt"))]
    Lsp,
    /// Format scripts
    Fmt(fmt::Options),
    /// Make a folder to start from: a project file, a script, a library and tests
    New(new::Options),
    /// List the scripts that come with the program, or write one to start from
    Example(docs::Examples),
    /// List the pages of the documentation, or print one
    Docs(docs::Pages),
    /// List the units of quantities
    Units,
    /// List the built-ins, or explain one
    Builtins(builtins::Options),
    /// Explain a code of a report, or list them all
    Explain(explain::Options),
    /// Print the completions of a shell
    Completions(completions::Options),
    /// Print the manual page of a command
    Manual(manual::Options),
}

/// The arguments, with what the project gives.
fn arguments() -> Result<Arguments, Error> {
    let typed: Vec<OsString> = std::env::args_os().collect();
    let all = completed(typed.clone(), Arguments::command)?;
    Ok(Arguments::try_parse_from(all).unwrap_or_else(|mut error| {
        // How the command is used has nothing to do with what the project gives.
        let plain = Arguments::try_parse_from(typed).err();
        if let Some(usage) = plain.as_ref().and_then(|error| error.get(ContextKind::Usage)) {
            error.insert(ContextKind::Usage, usage.clone());
        }
        error.exit()
    }))
}

/// Runs the command that the arguments ask for.
pub(crate) fn main() -> ExitCode {
    let mut code = arguments().and_then(Arguments::run).unwrap_or_else(|error| {
        error.print();
        error.exit_code()
    });
    if terminal::output_lost() {
        Error::Invalid("not all of the output could be written, so nothing passed".into()).print();
        code = if code == 0 { WRONG } else { code };
    }
    ExitCode::from(code)
}

impl Arguments {
    fn run(self) -> Result<u8, Error> {
        match self.color {
            Colours::Auto => {}
            Colours::Always => terminal::set_colours(true),
            Colours::Never => terminal::set_colours(false),
        }
        terminal::set_quiet(self.quiet);
        // An editor reads what the language server prints by itself.
        if !matches!(self.command, Command::Lsp) {
            progress::begin();
        }
        let code = self.command.run();
        progress::end();
        code
    }
}

impl Command {
    fn run(self) -> Result<u8, Error> {
        match self {
            Command::Run(options) => run::run(&options),
            Command::Batch(options) => batch::run(options),
            Command::Shell(options) => shell::run(&options),
            Command::Simulate(options) => simulate::run(&options),
            Command::Test(options) => test::run(&options),
            Command::Serve(options) => serve::run(&options),
            Command::Check(options) => check::run(&options),
            Command::Record(command) => record::run(&command),
            Command::Gauge(command) => gauge::run(&command),
            Command::Chart(command) => chart::run(&command),
            Command::Head(command) => head::run(&command),
            Command::History(options) => history::run(&options),
            Command::Lsp => lsp::run(),
            Command::Fmt(options) => Ok(fmt::run(&options)),
            Command::New(options) => new::run(&options),
            Command::Example(options) => docs::example(&options),
            Command::Docs(options) => docs::page(&options),
            Command::Units => {
                say(&units::list(colour_output()));
                Ok(0)
            }
            Command::Builtins(options) => builtins::run(&options),
            Command::Explain(options) => explain::run(&options),
            Command::Completions(options) => completions::run(&options),
            Command::Manual(options) => manual::run(&options),
        }
    }
}
