//! `simulate`: a script on many simulated heads that a seed draws, on all cores; the yield, how
//! each recorded value is spread, and which seeds to run again.
//!
//! Each head is a run of its own, so neither the order nor the number of threads changes a result.

mod report;
mod results;
mod spread;
mod tried;

use crate::cli::address::{self, Simulated};
use crate::cli::files::{Disk, digest_of};
use crate::cli::fixture::NoFixtures;
use crate::cli::output::{Force, Place};
use crate::cli::signals::stop_on_request;
use crate::cli::simulate::results::{Campaign, Results, heads_of};
use crate::cli::simulate::tried::{Tried, tried};
use crate::cli::{FAILED, WRONG};
use crate::head::station::cannot_provoke;
use crate::operator::Given;
use crate::session::{Prepared, Verdict, prepare};
use crate::terminal::told::rendered;
use crate::terminal::{complain, draws_progress, emit, say};
use crate::units::parse_quantity;
use clap::Args;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Sender, channel};

pub(super) const AFTER_HELP: &str = "\
Every head is drawn from its own seed: --seed for the first one, counted up from there. What the
description gives as a spread differs from head to head; what it gives as a value does not. A run
of one of them again: `spintrue run SCRIPT --seed SEED` with the same head and params.

With --shard 2/4 only every fourth head is run, from the second on; any machine may run any shard,
and --merge puts their files together. The result is the same as that of one run.

Exit codes: 0 all were run and the yield is not below --yield-least; 1 it is below; 2 the script,
an option or a file is wrong, or shards are missing; 130 interrupted, with what was done so far.

Examples:
  spintrue simulate scripts/bring_up.spt --heads 1000
  spintrue simulate scripts/bring_up.spt --heads 1000 --yield-least 95%
  spintrue simulate scripts/bring_up.spt --heads 1000 --shard 1/2 --out one.json
  spintrue simulate scripts/bring_up.spt --heads 1000 --shard 2/2 --out two.json
  spintrue simulate --merge one.json two.json";

/// Most heads of one campaign.
const HEADS_MOST: u64 = 1_000_000;

#[derive(Args)]
pub(super) struct Options {
    /// The script
    #[arg(required_unless_present = "merge", conflicts_with = "merge")]
    script: Option<String>,
    /// How many heads
    #[arg(long, value_name = "N", default_value_t = 100,
        value_parser = clap::value_parser!(u64).range(1..=HEADS_MOST))]
    heads: u64,
    /// Seed of the first head
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Description of the simulated heads
    #[arg(long, value_name = "ADDRESS", default_value = "sim")]
    head: String,
    #[command(flatten)]
    fixtures: NoFixtures,
    /// Gives a param a value, such as speed=5000rpm, or many from a data sheet: @FILE.toml; may be repeated
    #[arg(long = "set", value_name = "NAME=VALUE")]
    settings: Vec<String>,
    /// Answers the questions of the script, the same for every head, from lines
    /// `"question" = "answer"`
    #[arg(long, value_name = "FILE.toml")]
    answers: Option<String>,
    /// Makes every head go wrong on purpose, such as lock_lost@12s; may be repeated
    #[arg(long = "fault", value_name = "KIND@TIME")]
    faults: Vec<String>,
    /// Runs only the Kth of N shards
    #[arg(long, value_name = "K/N", value_parser = shard, default_value = "1/1")]
    shard: (u64, u64),
    /// Threads [default: as many as there are cores]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    threads: Option<u16>,
    /// Writes the result of each head to a file, for --merge or for other tools
    #[arg(long, value_name = "FILE")]
    out: Option<String>,
    #[command(flatten)]
    force: Force,
    /// Puts the files of all shards together instead of running anything
    #[arg(long, value_name = "FILE", num_args = 1..)]
    merge: Vec<String>,
    /// The share of heads that must pass, such as 95%
    #[arg(long, value_name = "SHARE", value_parser = share)]
    yield_least: Option<f64>,
    /// Prints the results for machines, in one JSON object
    #[arg(long)]
    json: bool,
}

fn shard(text: &str) -> Result<(u64, u64), String> {
    let parts = text.split_once('/').and_then(|(k, n)| Some((k.parse().ok()?, n.parse().ok()?)));
    match parts {
        Some((k, n)) if (1..=n).contains(&k) && n <= HEADS_MOST => Ok((k, n)),
        _ => Err("a shard is written K/N with K from 1 to N, such as 2/4".to_string()),
    }
}

fn share(text: &str) -> Result<f64, String> {
    match parse_quantity(text) {
        Ok((value, unit)) if unit.as_ref().is_none_or(|u| u.dimension.is_number()) => {
            let within = (0.0..=1.0).contains(&value);
            within.then_some(value).ok_or_else(|| "a share is from 0 % to 100 %".to_string())
        }
        _ => Err("a share is a plain number, such as `95%`".to_string()),
    }
}

pub(super) fn simulate(options: &Options) -> u8 {
    let taken = |path: &String| Place::take(Path::new(path), &options.force);
    let place = options.out.as_ref().map(taken).transpose();
    let done = place.map_err(|why| format!("error: {why}")).and_then(|place| {
        let merge = &options.merge;
        let done = if merge.is_empty() { campaign(options) } else { merged(merge) };
        done.map(|done| (place, done))
    });
    let (place, (results, interrupted)) = match done {
        Ok(done) => done,
        Err(why) => {
            complain(&format!("{}\n", why.trim_end()));
            return WRONG;
        }
    };
    if let Some(Err(why)) = place.map(|place| place.write(results.text())) {
        complain(&format!("error: {why}\n"));
        return WRONG;
    }
    if options.json {
        emit(&report::json(&results))
    } else {
        say(&report::text(&results))
    }
    if interrupted {
        complain("interrupted: these are the heads that were done\n");
        return Verdict::Interrupted.exit_code();
    }
    let missing = results.missing();
    if !options.merge.is_empty() && !missing.is_empty() {
        let names: Vec<String> = missing.iter().take(10).map(u64::to_string).collect();
        let more = if missing.len() > 10 { ", ..." } else { "" };
        let of = results.campaign.shards;
        complain(&format!("error: of {of} shards these are missing: {}{more}\n", names.join(", ")));
        return WRONG;
    }
    match options.yield_least {
        Some(least) if report::yielded(&results).2.0 < least => {
            complain(&format!("the yield is below {} %\n", least * 100.0));
            FAILED
        }
        _ => 0,
    }
}

fn merged(paths: &[String]) -> Result<(Results, bool), String> {
    let mut whole: Option<Results> = None;
    for path in paths {
        let results = Results::read(path).map_err(|why| format!("error: {why}"))?;
        match &mut whole {
            None => whole = Some(results),
            Some(whole) => whole.join(results, path).map_err(|why| format!("error: {why}"))?,
        }
    }
    whole.map(|whole| (whole, false)).ok_or_else(|| "error: there is nothing to merge".to_string())
}

fn campaign(options: &Options) -> Result<(Results, bool), String> {
    options.fixtures.refuse()?;
    let script = options.script.as_deref().unwrap_or_default();
    let load = || prepare(&mut Disk, script, &options.settings).map_err(String::from);
    let mut prepared = load().map_err(|why| format!("error: {why}"))?;
    complain(&rendered(&prepared.diagnostics, &prepared.sources));
    let no = || "error: the script does not run, so no head was tried".to_string();
    if prepared.program.is_none() {
        return Err(no());
    }
    let given = match &options.answers {
        Some(path) => prepared.answers(&mut Disk, path),
        None => match prepared.unanswerable("") {
            None => Ok(Given::default()),
            Some(refused) => Err(vec![refused]),
        },
    };
    let given = given.map_err(|refused| {
        complain(&rendered(&refused, &prepared.sources));
        no()
    })?;
    let heads = address::simulated(&options.head, &options.faults)?;
    if heads.memory.is_some() {
        let why = "error: many heads cannot share one memory: leave `memory=` out of the address";
        return Err(why.to_string());
    }
    if heads.seed.is_some() {
        return Err("error: the seeds of a campaign are given by --seed and --heads".to_string());
    }
    let Some(last) = options.seed.checked_add(options.heads - 1) else {
        return Err("error: --seed is too large for so many heads".to_string());
    };
    // A head that cannot be made is a mistake in its description, and is told before any is run.
    let mut first = heads.make(options.seed)?;
    let described = first.head.describe();
    let head = described.map_err(|fault| format!("error: the head does not answer: {fault}"))?;
    let refused = prepared.admit(
        &head,
        &|fault| cannot_provoke(first.provoker.as_deref(), fault),
        Vec::new(),
    );
    if let Err(refused) = refused {
        complain(&rendered(&refused, &prepared.sources));
        return Err(no());
    }
    let (part, shards) = options.shard;
    let campaign = Campaign {
        script: script.to_string(),
        digest: digest(&prepared, &heads),
        head: options.head.clone(),
        settings: options.settings.clone(),
        faults: options.faults.clone(),
        first_seed: options.seed,
        heads: options.heads,
        shards,
    };
    let seeds = Seeds { next: AtomicU64::new(part - 1), step: shards, first: options.seed, last };
    let stop = Arc::new(AtomicBool::new(false));
    let asked = stop.clone();
    stop_on_request(&[asked])
        .map_err(|error| format!("error: Ctrl-C cannot be watched for: {error}"))?;
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let threads = options.threads.map_or(cores, usize::from);
    let total = heads_of(options.heads, part, shards);
    let work = Work { heads: &heads, given: &given, stop: &stop, load: &load };
    let done = all(threads, total, &seeds, &work)?;
    let interrupted = stop.load(Ordering::SeqCst);
    Ok((Results::new(campaign, part, done), interrupted))
}

/// The seeds that are still to be tried, shared by all threads.
struct Seeds {
    /// Counted from the first seed.
    next: AtomicU64,
    step: u64,
    first: u64,
    last: u64,
}

impl Seeds {
    fn take(&self) -> Option<u64> {
        let index = self.next.fetch_add(self.step, Ordering::Relaxed);
        (index <= self.last - self.first).then(|| self.first + index)
    }
}

/// What all threads work with.
struct Work<'a> {
    heads: &'a Simulated,
    given: &'a Given,
    stop: &'a AtomicBool,
    load: &'a (dyn Fn() -> Result<Prepared, String> + Sync),
}

/// Tries all heads on so many threads; gives them in any order.
fn all(threads: usize, total: u64, seeds: &Seeds, work: &Work<'_>) -> Result<Vec<Tried>, String> {
    let (send, receive) = channel();
    std::thread::scope(|scope| {
        for _ in 0..threads {
            let send = send.clone();
            scope.spawn(move || worker(seeds, work, &send));
        }
        drop(send);
        let bar = draws_progress().then(|| bar(total));
        let mut done = Vec::new();
        for answer in receive {
            match answer {
                Ok(tried) => done.push(tried),
                Err(why) => {
                    work.stop.store(true, Ordering::SeqCst);
                    return Err(why);
                }
            }
            if let Some(bar) = &bar {
                bar.inc(1);
            }
        }
        if let Some(bar) = bar {
            bar.finish_and_clear();
        }
        Ok(done)
    })
}

/// Takes seed after seed. A program is not shared between threads, so each has its own.
fn worker(seeds: &Seeds, work: &Work<'_>, send: &Sender<Result<Tried, String>>) {
    let prepared = match (work.load)() {
        Ok(prepared) => prepared,
        Err(why) => {
            // Nobody listens any more where another thread failed first.
            let _ = send.send(Err(format!("error: {why}")));
            return;
        }
    };
    // The flag of a station is set back when its head is made safe, so each has one of its own.
    while !work.stop.load(Ordering::SeqCst)
        && let Some(seed) = seeds.take()
    {
        let own = Arc::new(AtomicBool::new(false));
        let answer = tried(&prepared, work.heads, work.given, seed, &own);
        if send.send(answer).is_err() {
            return;
        }
    }
}

fn bar(total: u64) -> ProgressBar {
    let bar = ProgressBar::with_draw_target(Some(total), ProgressDrawTarget::stderr());
    let style = ProgressStyle::with_template("{pos} of {len} heads  {wide_bar}  {eta} left");
    bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
    bar
}

/// Digest of all texts that the results depend on.
fn digest(prepared: &Prepared, heads: &Simulated) -> String {
    let texts = prepared.sources.iter().map(|(_, source)| source.text.as_ref());
    digest_of(texts.chain(heads.description.as_ref().map(|(_, text)| text.as_str())))
}
