//! `history`: an archive of runs: what `run --archive` stores, and what is read from it.

mod archive;
mod export;
mod filter;
mod html;
mod list;
mod series;
#[cfg(test)]
mod speed;
mod store;
mod text;
mod trend;

pub(super) use archive::name as archive_name;
pub(super) use store::{Archive, Keeper};

use crate::cli::WRONG;
use crate::cli::history::filter::Filter;
use crate::terminal::complain;
use clap::{Args, Subcommand};
use std::path::PathBuf;

pub(super) const AFTER_HELP: &str = "\
`spintrue run SCRIPT --archive FILE.sqlite` stores each run in an archive, an SQLite file that any
number of stations on one machine may write to at once. Stations on several machines share one on a
PostgreSQL server, postgres://USER@HOST/DATABASE with the password in PGPASSWORD. docs/history.md
has the tables of both.

Examples:
  spintrue history station.sqlite
  spintrue history station.sqlite --serial SIM-0001 --verdict failed --since 2026-03-01
  spintrue history postgres://station@archive.example/runs --operator night-shift
  spintrue history trend station.sqlite \"worst in-scan\" --high 6um --html trend.html
  spintrue history export station.sqlite --format csv > runs.csv";

#[derive(Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub(super) struct Options {
    #[command(subcommand)]
    command: Option<Command>,
    /// The archive whose runs are listed: a file, or postgres://USER@HOST/DATABASE
    #[arg(required = true, value_name = "ARCHIVE")]
    file: Option<PathBuf>,
    #[command(flatten)]
    filter: Filter,
}

#[derive(Subcommand)]
enum Command {
    /// Draws control charts of a value over the runs, and names what is out of control
    Trend(trend::Options),
    /// Writes runs with all that was stored of them to the standard output
    Export(export::Options),
}

pub(super) fn history(options: &Options) -> u8 {
    let done = match (&options.command, &options.file) {
        (Some(Command::Trend(options)), _) => trend::trend(options),
        (Some(Command::Export(options)), _) => export::export(options),
        (None, Some(file)) => list::list(file, &options.filter),
        (None, None) => Err("name an archive".to_string()),
    };
    match done {
        Ok(()) => 0,
        Err(why) => {
            complain(&format!("error: {why}\n"));
            WRONG
        }
    }
}
