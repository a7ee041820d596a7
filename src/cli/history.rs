//! `history`: lists the runs of an archive, charts a value over them, or exports them.

use crate::archive;
use crate::archive::trend::Query;
use crate::archive::{Filter, Format, trend};
use crate::disk::{Force, Place};
use crate::error::{Error, invalid};
use crate::terminal::{colour_output, emit, say};
use clap::{Args, Subcommand};
use std::path::PathBuf;

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
    /// Draw control charts of a value over the runs, and name what is out of control
    Trend {
        /// The archive: a file, or postgres://USER@HOST/DATABASE
        #[arg(value_name = "ARCHIVE")]
        file: PathBuf,
        #[command(flatten)]
        query: Query,
        /// Write the charts as a page
        #[arg(long, value_name = "OUT.html")]
        html: Option<PathBuf>,
        #[command(flatten)]
        force: Force,
    },
    /// Show how many heads passed at their first attempt, and how many at their last one
    Yield {
        /// The archive: a file, or postgres://USER@HOST/DATABASE
        #[arg(value_name = "ARCHIVE")]
        file: PathBuf,
        #[command(flatten)]
        filter: Filter,
    },
    /// Write runs with all that was stored of them to the standard output
    Export {
        /// The archive: a file, or postgres://USER@HOST/DATABASE
        #[arg(value_name = "ARCHIVE")]
        file: PathBuf,
        /// `jsonl`: a JSON object for each run; `csv`: a line for each run, param, check and value
        #[arg(long, value_name = "FORMAT")]
        format: Format,
        #[command(flatten)]
        filter: Filter,
    },
}

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    match (&options.command, &options.file) {
        (Some(Command::Trend { file, query, html, force }), _) => {
            let trend = trend::trend(file, query)?;
            if let Some(path) = html {
                Place::take(path, force)?.write(trend::page(&trend))?;
            }
            say(&trend::text(&trend, colour_output()));
        }
        (Some(Command::Export { file, format, filter }), _) => {
            archive::export(file, *format, filter, &mut emit)?;
        }
        (Some(Command::Yield { file, filter }), _) => {
            say(&archive::yields(file, filter, colour_output())?);
        }
        (None, Some(file)) => say(&archive::list(file, &options.filter, colour_output())?),
        (None, None) => return Err(invalid!("name an archive")),
    }
    Ok(0)
}
