//! `history`: lists the runs of an archive, charts a value over them, counts yields and failing checks, exports
//! them, and keeps what people decide on them.

use crate::archive::trend::{self, Query};
use crate::archive::{self, Filter, Format, Grouping, Selection, Signature};
use crate::disk::{Force, Place};
use crate::error::{Error, FAILED, invalid};
use crate::terminal::{colour_output, emit, say};
use clap::{Args, Subcommand};
use std::path::{Path, PathBuf};

#[derive(Args)]
#[command(after_help = include_str!("help/history.txt"))]
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

#[derive(Args)]
struct Stored {
    /// The archive: a file, or postgres://USER@HOST/DATABASE
    #[arg(value_name = "ARCHIVE")]
    file: PathBuf,
}

// Runs that are counted in groups.
#[derive(Args)]
struct Runs {
    #[command(flatten)]
    archive: Stored,
    #[command(flatten)]
    filter: Filter,
    #[command(flatten)]
    grouping: Grouping,
    #[command(flatten)]
    page: Page,
}

// A page beside what is printed.
#[derive(Args)]
struct Page {
    /// Write the charts as a page
    #[arg(long, value_name = "OUT.html")]
    html: Option<PathBuf>,
    #[command(flatten)]
    force: Force,
}

impl Page {
    fn write(&self, page: impl FnOnce() -> String) -> Result<(), Error> {
        self.html.as_ref().map_or(Ok(()), |path| Place::take(path, &self.force)?.write(page()))
    }
}

#[derive(Subcommand)]
enum Command {
    /// Draw control charts of a value over the runs, and name what is out of control
    Trend {
        #[command(flatten)]
        archive: Stored,
        #[command(flatten)]
        query: Query,
        #[command(flatten)]
        page: Page,
    },
    /// Show how many heads passed at their first attempt, and how many at their last one
    Yield {
        #[command(flatten)]
        runs: Runs,
    },
    /// Count the checks that fail, and rank them
    Failing {
        #[command(flatten)]
        runs: Runs,
        /// Include runs on simulated heads, which are rehearsals
        #[arg(long)]
        with_simulated: bool,
    },
    /// Leave runs out of charts and capability
    Exclude {
        #[command(flatten)]
        archive: Stored,
        /// Numbers of runs, as they are listed
        #[arg(required = true, value_name = "RUN")]
        runs: Vec<i64>,
        #[command(flatten)]
        signature: Signature,
    },
    /// Keep the control limits of a value as they are now; trends then use them
    Freeze {
        #[command(flatten)]
        archive: Stored,
        #[command(flatten)]
        selection: Selection,
        #[command(flatten)]
        signature: Signature,
    },
    /// List the decisions: runs excluded and limits frozen, by whom and why
    Decisions {
        #[command(flatten)]
        archive: Stored,
    },
    /// Bring an archive of an older spintrue to the newest schema; every command does that by itself
    Upgrade {
        #[command(flatten)]
        archive: Stored,
        /// Only try it, and roll it back
        #[arg(long)]
        dry_run: bool,
    },
    /// Write runs with all that was stored of them to the standard output
    Export {
        #[command(flatten)]
        archive: Stored,
        /// `jsonl`: a JSON object for each run; `csv`: a line for each run, param, check and value
        #[arg(long, value_name = "FORMAT")]
        format: Format,
        #[command(flatten)]
        filter: Filter,
    },
}

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let colour = colour_output();
    let Some(command) = &options.command else {
        let Some(file) = &options.file else { return Err(invalid!("name an archive")) };
        say(&archive::list(file, &options.filter, colour)?);
        return Ok(0);
    };
    say(&match command {
        Command::Trend { archive, query, page } => return trends(&archive.file, query, page),
        Command::Export { archive, format, filter } => {
            archive::export(&archive.file, *format, filter, &mut emit)?;
            return Ok(0);
        }
        Command::Yield { runs: Runs { archive, filter, grouping, page } } => {
            let counts = archive::yields(&archive.file, filter, grouping)?;
            page.write(|| counts.page())?;
            counts.text(colour)
        }
        Command::Failing { runs: Runs { archive, filter, grouping, page }, with_simulated } => {
            let counts = archive::failing(&archive.file, filter, grouping, *with_simulated)?;
            page.write(|| counts.page())?;
            counts.text(colour)
        }
        Command::Exclude { archive, runs, signature } => {
            archive::exclude(&archive.file, runs, signature)?
        }
        Command::Freeze { archive, selection, signature } => {
            archive::freeze(&archive.file, selection, signature)?
        }
        Command::Decisions { archive } => archive::decisions(&archive.file, colour)?,
        Command::Upgrade { archive, dry_run } => archive::upgrade(&archive.file, !dry_run)?,
    });
    Ok(0)
}

fn trends(file: &Path, query: &Query, page: &Page) -> Result<u8, Error> {
    let trends = trend::trends(file, query)?;
    page.write(|| trend::page(&trends))?;
    say(&trend::text(&trends, colour_output()));
    Ok(if query.fails(&trends) { FAILED } else { 0 })
}
