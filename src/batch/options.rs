//! The options of a batch.

use crate::error::{Error, invalid};
use crate::setup::Fixtures;
use crate::setup::options::named;
use crate::setup::options::{Answers, Archiving, Faults, HeadOption, Limits, Settings};
use clap::{Args, ValueEnum, value_parser};
use spintrue_language::Verdict;
use std::path::PathBuf;

/// Which outcome ends a batch early.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum StopAt {
    /// A head that did not pass, undecided ones included
    Undecided,
    /// A head that does not conform, or a script that fails on it
    Failed,
    /// A head that itself fails
    HeadFailed,
}

#[derive(Args)]
pub(crate) struct Options {
    /// The script
    pub script: String,
    /// The heads, and the params of each
    #[arg(long, value_name = "FILE.csv")]
    pub list: String,
    /// Folder for the record of each head, the journal and the summary: a new one, or that of a batch
    /// to go on with
    #[arg(long, value_name = "DIR")]
    pub record: PathBuf,
    #[command(flatten)]
    pub head: HeadOption,
    /// Drive a station: the heads at this address are run in processes of their own, and their records
    /// name the station. May be repeated; stations run at the same time
    #[arg(long = "station", value_name = "NAME=ADDRESS", conflicts_with = "head", value_parser = station)]
    pub stations: Vec<(String, String)>,
    /// Take a station out after this many heads in a row that did not pass there
    #[arg(long, value_name = "N", requires = "stations", value_parser = value_parser!(u32).range(1..))]
    pub failures_in_a_row: Option<u32>,
    /// Use this data sheet for heads whose serial number has this pattern, with `*` for any letters and
    /// `?` for one. May be repeated; the first that fits holds
    #[arg(long = "sheet", value_name = "PATTERN=FILE.toml", value_parser = sheet)]
    pub sheets: Vec<(String, String)>,
    /// Run one head for a batch with stations, which says on the standard input which one
    #[arg(long, hide = true)]
    pub one_head: bool,
    #[command(flatten)]
    pub fixtures: Fixtures,
    #[command(flatten)]
    pub settings: Settings,
    #[command(flatten)]
    pub answers: Answers,
    #[command(flatten)]
    pub archiving: Archiving,
    #[command(flatten)]
    pub faults: Faults,
    #[command(flatten)]
    pub limits: Limits,
    /// End the batch after a head with this outcome; without it all heads are run
    #[arg(long, value_name = "OUTCOME", value_enum)]
    pub stop_at: Option<StopAt>,
    /// Go on although script, settings or rows have changed since the batch was started; finished heads
    /// stay as they are
    #[arg(long)]
    pub despite_changes: bool,
    /// Print JSON Lines
    #[arg(long)]
    pub json: bool,
}

fn station(text: &str) -> Result<(String, String), Error> {
    let Some((name, address)) = text.split_once('=') else {
        return Err(invalid!("write a name and an address, such as S3=tcp://192.168.0.13:5025"));
    };
    named(&format!("station={name}"))?;
    Ok((name.to_string(), address.to_string()))
}

fn sheet(text: &str) -> Result<(String, String), Error> {
    let pair =
        text.split_once('=').filter(|(pattern, file)| !pattern.is_empty() && !file.is_empty());
    let Some((pattern, file)) = pair else {
        return Err(invalid!("write a pattern and a file, such as 'TEN-*=ten_facet.toml'"));
    };
    Ok((pattern.to_string(), file.to_string()))
}

impl StopAt {
    /// Whether a verdict ends the batch.
    pub(crate) fn is_reached(self, verdict: Verdict) -> bool {
        match self {
            StopAt::Undecided => verdict != Verdict::Passed,
            StopAt::Failed => !matches!(verdict, Verdict::Passed | Verdict::Undecided),
            StopAt::HeadFailed => verdict == Verdict::HeadFailed,
        }
    }
}
