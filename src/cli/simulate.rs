//! `simulate`: runs a script on many simulated heads and tells the yield.

use crate::campaign;
use crate::campaign::{MAX_HEADS, Order, Results};
use crate::disk::{Force, Place};
use crate::error::{Error, FAILED, invalid};
use crate::setup::NoFixtures;
use crate::setup::options::{Answers, Faults, HeadOption, Settings};
use crate::terminal::{colour_output, complain, emit, say};
use clap::Args;
use spintrue_head::parse_quantity;
use spintrue_language::Verdict;
use std::path::PathBuf;

pub(super) const AFTER_HELP: &str = "\
Each head is drawn from its own seed, counted up from --seed. Values that the description gives with \
a spread differ from head to head; all others do not. To run one of the heads again: \
`spintrue run SCRIPT --seed SEED` with the same head and params.

With --shard 2/4 only every fourth head is run, from the second on. Any machine may run any shard, \
and --merge joins their files. The result is the same as that of one run.

Exit codes:
  0    all heads were run and the yield is not below --yield-least
  1    the yield is below it
  2    the script, an option or a file is wrong, or shards are missing
  130  interrupted; the results so far are shown

Examples:
  spintrue simulate scripts/bring_up.spt --heads 1000
  spintrue simulate scripts/bring_up.spt --heads 1000 --yield-least 95%
  spintrue simulate scripts/bring_up.spt --heads 1000 --shard 1/2 --out one.json
  spintrue simulate scripts/bring_up.spt --heads 1000 --shard 2/2 --out two.json
  spintrue simulate --merge one.json two.json";

/// Missing shards that are listed.
const MAX_LISTED: usize = 10;

#[derive(Args)]
pub(super) struct Options {
    /// The script
    #[arg(required_unless_present = "merge", conflicts_with = "merge")]
    script: Option<String>,
    /// Number of heads
    #[arg(long, value_name = "N", default_value_t = 100,
        value_parser = clap::value_parser!(u64).range(1..=MAX_HEADS))]
    heads: u64,
    /// Seed of the first head
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    #[command(flatten)]
    head: HeadOption,
    #[command(flatten)]
    fixtures: NoFixtures,
    #[command(flatten)]
    settings: Settings,
    #[command(flatten)]
    answers: Answers,
    #[command(flatten)]
    faults: Faults,
    /// Run only the Kth of N shards
    #[arg(long, value_name = "K/N", value_parser = shard, default_value = "1/1")]
    shard: (u64, u64),
    /// Number of threads [default: as many as there are cores]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    threads: Option<u16>,
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

fn shard(text: &str) -> Result<(u64, u64), Error> {
    let parts = text.split_once('/').and_then(|(k, n)| Some((k.parse().ok()?, n.parse().ok()?)));
    match parts {
        Some((k, n)) if (1..=n).contains(&k) && n <= MAX_HEADS => Ok((k, n)),
        _ => Err(invalid!("a shard is written K/N with K from 1 to N, such as 2/4")),
    }
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
        [] => campaign(options)?,
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
        Some(least) if campaign::yielded(&results).2.0 < least => {
            complain(&format!("the yield is below {} %\n", least * 100.0));
            Ok(FAILED)
        }
        _ => Ok(0),
    }
}

fn campaign(options: &Options) -> Result<(Results, bool), Error> {
    options.fixtures.check()?;
    campaign::run(&Order {
        script: options.script.as_deref().unwrap_or_default(),
        settings: &options.settings,
        answers: &options.answers,
        head: &options.head.head,
        faults: &options.faults,
        first_seed: options.seed,
        heads: options.heads,
        shard: options.shard,
        threads: options.threads,
    })
}
