//! The options of a batch.

use crate::batch::queue::QUEUE;
use crate::error::{Error, invalid};
use crate::project::named_head;
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

/// A station, and what stands around its heads.
#[derive(Clone)]
pub(crate) struct StationOption {
    pub name: String,
    pub address: String,
    fixtures: Fixtures,
}

#[derive(Args)]
#[command(after_help = include_str!("../cli/help/batch.txt"))]
pub(crate) struct Options {
    /// The script
    pub script: String,
    /// The heads, and the params of each; `-` takes serial numbers for stations from the standard input,
    /// as they are typed or scanned
    #[arg(long, value_name = "FILE.csv")]
    pub list: String,
    /// The list is a queue that is filled at the standard input
    #[arg(skip)]
    pub is_queue: bool,
    /// Folder for the record of each head, the journal and the summary: a new one, or that of a batch
    /// to go on with
    #[arg(long, value_name = "DIR")]
    pub record: PathBuf,
    #[command(flatten)]
    pub head: HeadOption,
    /// Drive a station: the heads at this address are run in processes of their own, and their records
    /// name the station. The name of a head in spintrue.toml is a station with what stands around that head.
    /// May be repeated; stations run at the same time
    #[arg(long = "station", value_name = "NAME=ADDRESS", conflicts_with = "head", value_parser = station)]
    pub stations: Vec<StationOption>,
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

impl Options {
    /// A list `-` is a queue in the folder of the batch.
    pub(super) fn with_queue(mut self) -> Options {
        self.is_queue = self.list == "-";
        if self.is_queue {
            self.list = self.record.join(QUEUE).display().to_string();
        }
        self
    }

    /// What stands around the heads of a station; options come first.
    pub(super) fn around<'a>(&'a self, station: &'a StationOption) -> &'a Fixtures {
        let is_given = self.fixtures.paths().next().is_some();
        if is_given { &self.fixtures } else { &station.fixtures }
    }

    /// What stands around all heads that are run here.
    pub(super) fn around_all(&self) -> &Fixtures {
        match self.stations.as_slice() {
            [station] => self.around(station),
            _ => &self.fixtures,
        }
    }
}

fn station(text: &str) -> Result<StationOption, Error> {
    let pair = text.split_once('=');
    let (name, place) = pair.unwrap_or((text, text));
    let head = named_head(place)?;
    if pair.is_none() && head.is_none() {
        return Err(invalid!(
            "write a name and an address, such as S3=tcp://192.168.0.13:5025, or the name of a head in \
             spintrue.toml"
        ));
    }
    named(&format!("station={name}"))?;
    let (address, fixtures) = match head {
        Some(head) => (head.address, Fixtures::of(head.fixtures, head.gauge_file)),
        None => (place.to_string(), Fixtures::default()),
    };
    Ok(StationOption { name: name.to_string(), address, fixtures })
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
