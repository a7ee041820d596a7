//! `simulate`: runs a script on many simulated heads and tells the yield.

use crate::campaign;
use crate::campaign::Order;
use crate::disk::{Force, Place};
use crate::error::{Error, FAILED, invalid};
use crate::terminal::{colour_output, complain, emit, say};
use clap::Args;
use spintrue_head::parse_quantity;
use spintrue_language::Verdict;
use std::path::PathBuf;

/// Missing shards that are listed.
const MAX_LISTED: usize = 10;

#[derive(Args)]
#[command(after_help = include_str!("help/simulate.txt"))]
pub(super) struct Options {
    #[command(flatten)]
    order: Order,
    /// Write the result of each head to a file, for --merge or other programs
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    #[command(flatten)]
    force: Force,
    /// Join the files of all shards instead of running anything
    #[arg(long, value_name = "FILE", num_args = 1..)]
    merge: Vec<String>,
    /// Share of heads that must pass, such as 95%
    #[arg(long, value_name = "SHARE", value_parser = share)]
    yield_least: Option<f64>,
    /// Print the results as one JSON object
    #[arg(long)]
    json: bool,
}

fn share(text: &str) -> Result<f64, Error> {
    match parse_quantity(text) {
        Ok((value, unit)) if unit.as_ref().is_none_or(|u| u.dimension.is_number()) => {
            let within = (0.0..=1.0).contains(&value);
            within.then_some(value).ok_or_else(|| invalid!("a share is from 0 % to 100 %"))
        }
        _ => Err(invalid!("a share is a plain number, such as `95%`")),
    }
}

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let place = options.out.as_ref().map(|path| Place::take(path, &options.force)).transpose()?;
    let (results, is_interrupted) = match options.merge.as_slice() {
        [] => campaign::run(&options.order)?,
        merge => (campaign::merge(merge)?, false),
    };
    if let Some(place) = place {
        place.write(results.text())?;
    }
    if options.json {
        emit(&campaign::json(&results))
    } else {
        say(&campaign::text(&results, colour_output()))
    }
    if is_interrupted {
        complain("interrupted: these are the heads that were done\n");
        return Ok(Verdict::Interrupted.exit_code());
    }
    let missing = results.missing();
    if !options.merge.is_empty() && !missing.is_empty() {
        let names: Vec<String> = missing.iter().take(MAX_LISTED).map(u64::to_string).collect();
        let more = if missing.len() > MAX_LISTED { ", ..." } else { "" };
        let of = results.campaign.shards;
        return Err(invalid!("of {of} shards these are missing: {}{more}", names.join(", ")));
    }
    match options.yield_least {
        Some(least) if campaign::yielded(&results).2.is_some_and(|(share, ..)| share < least) => {
            complain(&format!("the yield is below {} %\n", least * 100.0));
            Ok(FAILED)
        }
        _ => Ok(0),
    }
}
