//! `test`: runs tests of scripts on simulated heads.

use crate::disk::{Force, Place};
use crate::error::{Error, FAILED, invalid};
use crate::record::{cases_junit, cases_tap};
use crate::suite;
use crate::suite::TestResult;
use crate::terminal::{colour_output, say};
use clap::Args;
use spintrue_head::stop_on_request;
use spintrue_language::Verdict;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

#[derive(Args)]
#[command(after_help = include_str!("help/test.txt"))]
pub(super) struct Options {
    /// Test files (NAME.test.toml), folders that hold such files, or scripts that must pass [default: this folder]
    #[arg(value_name = "PLACE", default_value = ".", hide_default_value = true)]
    places: Vec<PathBuf>,
    /// Run only tests whose file and name, as in `x.test.toml: a name`, contain this text. May be
    /// repeated
    #[arg(long, value_name = "TEXT")]
    only: Vec<String>,
    /// List the tests and run none
    #[arg(long)]
    list: bool,
    /// Number of threads [default: as many as there are cores]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    threads: Option<u16>,
    /// Write the results as JUnit XML
    #[arg(long, value_name = "FILE.xml")]
    junit: Option<PathBuf>,
    /// Write the results in the Test Anything Protocol, version 14
    #[arg(long, value_name = "FILE.tap")]
    tap: Option<PathBuf>,
    #[command(flatten)]
    force: Force,
}

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let tests = suite::tests(&options.places, &options.only)?;
    if options.list {
        let names = tests.iter().map(|test| format!("{}: {}\n", test.file, test.name));
        say(&names.collect::<String>());
        return Ok(0);
    }
    let place = |path: &PathBuf| Place::take(path, &options.force);
    let junit = options.junit.as_ref().map(place).transpose()?;
    let tap = options.tap.as_ref().map(place).transpose()?;
    let stop = Arc::new(AtomicBool::new(false));
    stop_on_request(std::slice::from_ref(&stop))?;
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let results = suite::run(tests, options.threads.map_or(cores, usize::from), &stop);
    say(&suite::text(&results, colour_output()));
    let cases = suite::cases(&results);
    if let Some(junit) = junit {
        let text = cases_junit("spintrue test", "tests", &cases);
        junit.write(text.map_err(|error| invalid!("{error}"))?)?;
    }
    tap.map(|tap| tap.write(cases_tap(&cases))).transpose()?;
    let failed = results.iter().any(|one| matches!(one.result, TestResult::Failed(_)));
    Ok(match stop.load(Ordering::SeqCst) {
        true => Verdict::Interrupted.exit_code(),
        false if failed => FAILED,
        false => 0,
    })
}
