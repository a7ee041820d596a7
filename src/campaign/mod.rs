//! A campaign: a script on many simulated heads, each drawn from its own seed, on all cores; the
//! yield, how each recorded value is spread, and which seeds to run again.
//!
//! Each head has a run of its own, so neither order nor number of threads changes a result.

#![allow(clippy::disallowed_methods, reason = "this module starts threads")]

mod report;
mod results;
mod spread;
mod trial;

pub(crate) use report::{json, text, yielded};
pub(crate) use results::Results;

use crate::campaign::results::{Campaign, heads_of};
use crate::campaign::trial::{Trial, trial};
use crate::disk::{Disk, digest_of};
use crate::error::{Error, invalid};
use crate::setup::options::{Answers, Faults, Settings};
use crate::setup::{Described, OpenFixtures, Simulated, load, simulated};
use crate::terminal::draws_progress;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use spintrue_head::stop_on_request;
use spintrue_language::Prepared;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Sender, channel};

/// Most heads of one campaign.
pub(crate) const MAX_HEADS: u64 = 1_000_000;

/// What is run.
pub(crate) struct Order<'a> {
    pub script: &'a str,
    pub settings: &'a Settings,
    pub answers: &'a Answers,
    /// Address of the simulated heads.
    pub head: &'a str,
    pub faults: &'a Faults,
    pub first_seed: u64,
    pub heads: u64,
    /// Number of the shard, from 1, and how many there are.
    pub shard: (u64, u64),
    /// As many as there are cores where none is given.
    pub threads: Option<u16>,
}

/// Runs a campaign; also tells whether it was interrupted.
pub(crate) fn run(order: &Order<'_>) -> Result<(Results, bool), Error> {
    const CONCLUSION: &str = "the script does not run, so no head was tried";
    let Order { script, first_seed, heads: count, .. } = *order;
    let (settings, faults) = (&order.settings.settings, &order.faults.faults);
    let load = || load(&mut Disk, script, settings);
    let mut prepared = load().map_err(|error| error.concluding(CONCLUSION))?;
    let refused = |reports, prepared: &Prepared| {
        Error::reports(reports, &prepared.sources).concluding(CONCLUSION)
    };
    let given = match order.answers.read(&mut prepared, false) {
        Ok(given) => given.unwrap_or_default(),
        Err(reports) => return Err(refused(reports, &prepared)),
    };
    let heads = simulated(order.head, faults)?;
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
        head: order.head.to_string(),
        settings: settings.clone(),
        faults: faults.clone(),
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
        let bar = draws_progress().then(|| bar(total));
        let mut trials = Vec::new();
        for answer in receive {
            match answer {
                Ok(trial) => trials.push(trial),
                Err(error) => {
                    stop.store(true, Ordering::SeqCst);
                    return Err(error);
                }
            }
            bar.iter().for_each(|bar| bar.inc(1));
        }
        bar.iter().for_each(ProgressBar::finish_and_clear);
        Ok(trials)
    })
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
