//! A campaign: a script on many simulated heads, each drawn from its own seed, on all cores; the
//! yield, how each recorded value is spread, and which seeds to run again.
//!
//! Each head has a run of its own, so neither order nor number of threads changes a result.

#![allow(clippy::disallowed_methods, reason = "this module starts threads")]

mod report;
mod results;
mod share;
mod spread;
mod trial;

pub(crate) use report::{json, text, yielded};
pub(crate) use results::Results;

use crate::campaign::results::{Campaign, heads_of};
use crate::campaign::share::share;
use crate::campaign::trial::{Trial, trial};
use crate::disk::{Disk, digest_of};
use crate::error::{Error, invalid};
use crate::setup::options::{Answers, Faults, HeadOption, Settings};
use crate::setup::{Described, NoFixtures, OpenFixtures, Simulated, load, simulated};
use crate::terminal::progress;
use clap::Args;
use spintrue_head::stop_on_request;
use spintrue_language::Prepared;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Sender, channel};

/// Most heads of one campaign.
const MAX_HEADS: u64 = 1_000_000;

// What is run.
#[derive(Args)]
pub(crate) struct Order {
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
    /// Run only the Kth of N shards; auto/N takes K from the job array
    #[arg(long, value_name = "K/N", value_parser = share, default_value = "1/1")]
    shard: (u64, u64),
    /// Number of threads [default: as many as there are cores]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    threads: Option<u16>,
}

/// Runs a campaign; also tells whether it was interrupted.
pub(crate) fn run(order: &Order) -> Result<(Results, bool), Error> {
    const CONCLUSION: &str = "the script does not run, so no head was tried";
    order.fixtures.check()?;
    let Order { settings, heads: count, seed: first_seed, .. } = order;
    let (count, first_seed) = (*count, *first_seed);
    let script = order.script.as_deref().unwrap_or_default();
    let load = || load(&mut Disk, script, &settings.settings);
    let mut prepared = load().map_err(|error| error.concluding(CONCLUSION))?;
    let refused = |reports, prepared: &Prepared| {
        Error::reports(reports, &prepared.sources).concluding(CONCLUSION)
    };
    let given = match order.answers.read(&mut prepared, false) {
        Ok(given) => given.unwrap_or_default(),
        Err(reports) => return Err(refused(reports, &prepared)),
    };
    let heads = simulated(&order.head.head, &order.faults.faults)?;
    if heads.memory.is_some() {
        return Err(invalid!(
            "many heads cannot share one memory: leave `memory=` out of the address"
        ));
    }
    if heads.seed.is_some() {
        return Err(invalid!("the seeds of a campaign are given by --seed and --heads"));
    }
    if first_seed.checked_add(count - 1).is_none() {
        return Err(invalid!("--seed is too large for this number of heads"));
    }
    // A mistake in the description is reported before any head is run.
    let first = Described::of(heads.make(first_seed)?, &OpenFixtures::default())?;
    if let Err(reports) = first.admit(&prepared) {
        return Err(refused(reports, &prepared));
    }
    let (part, shards) = order.shard;
    let campaign = Campaign {
        script: script.to_string(),
        digest: digest(&prepared, &heads),
        head: order.head.head.clone(),
        settings: settings.settings.clone(),
        faults: order.faults.faults.clone(),
        first_seed,
        heads: count,
        shards,
    };
    let stop = Arc::new(AtomicBool::new(false));
    stop_on_request(std::slice::from_ref(&stop))?;
    // The seeds that are left, counted from the first, are shared by all threads.
    let next = AtomicU64::new(part - 1);
    // Takes seed after seed. Threads cannot share a program, so each has its own.
    let worker = |send: &Sender<Result<Trial, Error>>| match load() {
        Ok(prepared) => {
            // Making a head safe clears the flag of its station, so each has its own.
            while !stop.load(Ordering::SeqCst) {
                let index = next.fetch_add(shards, Ordering::Relaxed);
                if index >= count {
                    return;
                }
                let trial = trial(&prepared, &heads, &given, first_seed + index);
                if send.send(trial).is_err() {
                    return;
                }
            }
        }
        // The receiver is gone where another thread failed first.
        Err(error) => drop(send.send(Err(error))),
    };
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let threads = order.threads.map_or(cores, usize::from);
    let trials = all(threads, heads_of(count, part, shards), &stop, &worker)?;
    Ok((Results::new(campaign, part, trials), stop.load(Ordering::SeqCst)))
}

/// Joins the files of shards.
pub(crate) fn merge(paths: &[String]) -> Result<Results, Error> {
    let mut whole: Option<Results> = None;
    for path in paths {
        let results = Results::read(path)?;
        match &mut whole {
            None => whole = Some(results),
            Some(whole) => whole.join(results, path)?,
        }
    }
    whole.ok_or_else(|| invalid!("there is nothing to merge"))
}

/// Tries all heads on several threads; the order of the results is random.
fn all(
    threads: usize,
    total: u64,
    stop: &AtomicBool,
    worker: &(impl Fn(&Sender<Result<Trial, Error>>) + Sync),
) -> Result<Vec<Trial>, Error> {
    let (send, receive) = channel();
    std::thread::scope(|scope| {
        for _ in 0..threads {
            let send = send.clone();
            scope.spawn(move || worker(&send));
        }
        drop(send);
        progress::begin_counting(total as usize, "heads");
        let mut trials = Vec::new();
        for answer in receive {
            match answer {
                Ok(trial) => trials.push(trial),
                Err(error) => {
                    stop.store(true, Ordering::SeqCst);
                    return Err(error);
                }
            }
            progress::step();
        }
        Ok(trials)
    })
}

/// Digest of all texts that the results depend on.
fn digest(prepared: &Prepared, heads: &Simulated) -> String {
    let texts = prepared.sources.iter().map(|(_, source)| source.text.as_ref());
    digest_of(texts.chain(heads.description.as_ref().map(|(_, text)| text.as_str())))
}
