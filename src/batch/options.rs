//! The options of a batch.

use crate::setup::Fixtures;
use crate::setup::options::{Answers, Archiving, Faults, HeadOption, Limits, Settings};
use clap::{Args, ValueEnum};
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
