//! A batch: one script on every head of a list, one after the other or at several stations at once, each
//! with a record of its own. An interrupted batch goes on without repeating or losing a head.

#![allow(clippy::disallowed_methods, reason = "this module writes records of batches")]

mod child;
mod journal;
mod kept;
mod names;
mod one;
pub(crate) mod options;
mod page;
mod place;
mod plan;
mod queue;
mod resume;
mod scanned;
mod sheets;
mod stations;
mod summary;

pub(crate) use kept::{is_batch, is_set_aside, kept};

use crate::archive::is_missing;
use crate::batch::journal::{
    Begun, Done, JOURNAL, Journal, Known, LOCK, Line, RUNS, Subject, Written, now,
};
use crate::batch::one::{Lost, Runner};
use crate::batch::options::Options;
use crate::batch::plan::{Planned, plan};
use crate::batch::queue::{QUEUE, Queue};
use crate::batch::resume::ASIDE;
use crate::batch::summary::Summary;
use crate::error::{Error, WRONG, invalid};
use crate::terminal::{complain, progress};
use spintrue_head::stop_on_request;
use spintrue_language::Verdict;
use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Changes of rows that are listed.
const MAX_CHANGES: usize = 20;

/// Names in the folder of a batch that are those of no head.
const OWN: [&str; 8] =
    [JOURNAL, LOCK, RUNS, QUEUE, ASIDE, summary::TABLE, summary::RESULTS, page::REPORT];

/// Why a batch ends before its last head.
enum Early {
    Interrupted,
    /// The head with this serial number was not left safe.
    Unsafe(String),
    /// A message and its exit code.
    Stopped(String, u8),
}

/// A batch that is running.
struct Batch<'a> {
    options: &'a Options,
    heads: Vec<Planned>,
    runner: Runner<'a>,
    journal: Journal,
    /// Set by a stop request and never cleared.
    interrupted: Arc<AtomicBool>,
    summary: Summary,
    /// Files of the summary as they were before, with their SHA-256.
    written: BTreeMap<String, String>,
}

/// Runs a batch, or goes on with one; or runs one head for a batch with stations.
pub(crate) fn run(options: Options) -> Result<u8, Error> {
    let options = options.with_queue();
    if options.one_head {
        return child::run(options);
    }
    stations::check(&options)?;
    // A queue is read under the lock of its batch.
    let taken = options.is_queue.then(|| Journal::take(&options.record)).transpose()?;
    let queue = taken.as_ref().map(|_| Queue::open(&options.record)).transpose()?;
    let checked = plan(&options, None)
        .and_then(|it| Ok((Runner::new(&options, it.scripts, it.fixtures)?, it.heads)));
    let (runner, heads) = match (checked, taken.as_ref()) {
        (Ok(checked), _) => checked,
        (Err(error), known) => {
            if known.is_some_and(|(_, known)| known.subject.is_none()) {
                taken.into_iter().for_each(|(journal, _)| journal.abandon(&options.record));
            }
            return Err(error);
        }
    };
    let (journal, known) = taken.map_or_else(|| Journal::take(&options.record), Ok)?;
    let mut batch = Batch::start(&options, runner, heads, journal, &known)?;
    let waiting = batch.waiting(&known)?;
    batch.summary.begin(
        &waiting.iter().filter_map(|at| Some(batch.heads.get(*at)?.most)).collect::<Vec<_>>(),
        options.is_queue,
    );
    let early = match options.stations.is_empty() {
        true => waiting.into_iter().find_map(|at| {
            if batch.interrupted.load(Ordering::SeqCst) {
                return Some(Early::Interrupted);
            }
            batch.head(at)
        }),
        false => stations::drive(&mut batch, waiting, queue),
    };
    Ok(batch.finish(early))
}

impl<'a> Batch<'a> {
    /// Checks what has changed since the batch was started, and opens the archive.
    fn start(
        options: &'a Options,
        mut runner: Runner<'a>,
        mut heads: Vec<Planned>,
        mut journal: Journal,
        known: &Known,
    ) -> Result<Batch<'a>, Error> {
        let changes = changes(options, &runner.subject, known, &heads);
        if !changes.is_empty() && !options.despite_changes {
            let lines: String = changes.iter().map(|change| format!("  {change}\n")).collect();
            return Err(invalid!(
                "this is not the batch that was begun in {}:\n{lines}Name another folder for a batch of \
                 its own, or go on with the heads that are\nnot finished by `--despite-changes`.",
                options.record.display()
            ));
        }
        let is_new = known.subject.is_none();
        let opened = runner.open_archive().and_then(|()| match is_new || !changes.is_empty() {
            true => journal.write(&Line::Batch(runner.subject.clone())),
            false => Ok(()),
        });
        if let Err(error) = opened {
            if is_new {
                journal.abandon(&options.record);
            }
            return Err(error);
        }
        let interrupted = Arc::default();
        stop_on_request(&[Arc::clone(&runner.stop), Arc::clone(&interrupted)])?;
        name_folders(&mut heads, known);
        let summary = Summary::new(options, &heads);
        let written = known.written.clone();
        Ok(Batch { options, heads, runner, journal, interrupted, summary, written })
    }

    /// The heads that are to be run, by their index. What an interrupted batch left of others is put in
    /// order.
    fn waiting(&mut self, known: &Known) -> Result<Vec<usize>, Error> {
        let archive = self.options.archiving.archive.as_deref();
        let mut waiting = Vec::new();
        for (at, head) in self.heads.iter_mut().enumerate() {
            let before = known.before.iter().filter(|(begun, _)| begun.serial == head.serial);
            head.earlier = before.map(|(_, done)| done.verdict.clone()).collect();
            let done = match known.heads.get(&head.serial) {
                Some((_, Some(done))) => Some(done.clone()),
                Some((begun, None)) => {
                    let left =
                        resume::left(&self.options.record, begun, archive, &self.runner.digest)?;
                    let done = self.summary.left(&head.serial, left);
                    match &done {
                        Some(done) => self.journal.write(&Line::Done(done.clone()))?,
                        None => head.reason.clone_from(&begun.reason),
                    }
                    done
                }
                None => None,
            };
            let Some(done) = done else {
                waiting.push(at);
                continue;
            };
            if self.options.archiving.retest.is_none() || done.verdict == Verdict::Passed.kept_as()
            {
                self.summary.add_earlier(at, &done);
                continue;
            }
            self.summary.set_done(at, &done);
            head.earlier.push(done.verdict);
            let first = known.before.iter().find(|(begun, _)| begun.serial == head.serial);
            let first = first.map_or(&head.folder, |(begun, _)| &begun.folder).clone();
            let names = (head.earlier.len() + 1..).map(|number| format!("{first}.{number}"));
            let free = |name: &String| !self.options.record.join(name).exists();
            head.folder = names.into_iter().find(free).unwrap_or_default();
            waiting.push(at);
        }
        Ok(waiting)
    }

    /// Adds a head of the queue; its index.
    fn add(&mut self, mut head: Planned) -> usize {
        let known = self.heads.iter().map(|it| (it.serial.clone(), it.folder.clone())).collect();
        let serials = self.heads.iter().chain([&head]).map(|it| it.serial.as_str());
        let folders = names::folders(&serials.collect::<Vec<_>>(), &known, &OWN);
        head.folder = folders.into_iter().next_back().unwrap_or_default();
        self.summary.add_row(&head);
        self.heads.push(head);
        self.heads.len() - 1
    }

    /// The line of the journal that says that the run of the head at an index begins.
    fn begun(&self, at: usize) -> Option<Begun> {
        let head = self.heads.get(at)?;
        let reason = head.reason.as_ref().or(self.options.archiving.retest.as_ref());
        Some(Begun {
            serial: head.serial.clone(),
            folder: head.folder.clone(),
            row: head.digest.clone(),
            reason: reason.filter(|_| !head.earlier.is_empty()).cloned(),
            at: now(),
        })
    }

    /// Runs the head at an index; tells whether the batch ends here.
    fn head(&mut self, at: usize) -> Option<Early> {
        let line = Line::Begun(self.begun(at)?);
        let (head, journal) = (self.heads.get(at)?, &mut self.journal);
        progress::begin();
        let ended = self.runner.on(head, &mut || journal.write(&line));
        self.ended(at, ended)
    }

    /// Notes how the run of the head at an index ended; tells whether the batch ends here.
    fn ended(&mut self, at: usize, ended: Result<Done, Lost>) -> Option<Early> {
        match ended {
            Ok(done) => self.done(at, &done),
            Err(Lost::NoAnswer(why)) => {
                self.summary.add_no_answer(at, &why);
                self.stops(Verdict::HeadFailed)
            }
            Err(Lost::Refused(why)) => {
                self.summary.add_refused(at, &why);
                None
            }
            // A record that cannot be written stops its run as Ctrl-C does.
            Err(Lost::Batch(why)) => {
                let serial = self.heads.get(at).map_or("", |head| head.serial.as_str());
                Some(Early::Stopped(format!("{serial} is not finished: {why}"), WRONG))
            }
        }
    }

    /// Writes down what the run of a head gave; tells whether the batch ends here.
    fn done(&mut self, at: usize, done: &Done) -> Option<Early> {
        if let Some(head) = self.heads.get(at) {
            self.summary.set_folder(at, &head.folder);
        }
        let (verdict, is_safe) = (done.verdict(), done.left_safe == Some(true));
        if verdict == Verdict::Interrupted {
            // Shown, and not written down as finished: it is run again.
            self.summary.add(at, done);
            if !is_safe {
                complain(&format!("{} was not left safe: look at it\n", done.serial));
            }
            return Some(Early::Interrupted);
        }
        let written = self.journal.write(&Line::Done(done.clone()));
        self.summary.add(at, done);
        if let Err(error) = written {
            return Some(Early::Stopped(error.to_string(), WRONG));
        }
        if !is_safe {
            return Some(Early::Unsafe(done.serial.clone()));
        }
        self.stops(verdict)
    }

    /// Whether a verdict ends the batch early.
    fn stops(&self, verdict: Verdict) -> Option<Early> {
        let what = "the batch ends here, as `--stop-at` asks".to_string();
        let is_reached = self.options.stop_at.is_some_and(|at| at.is_reached(verdict));
        is_reached.then(|| Early::Stopped(what, verdict.exit_code()))
    }

    /// Prints and writes the summary; the exit code of the batch.
    fn finish(mut self, early: Option<Early>) -> u8 {
        let summary = &self.summary;
        let interrupted = Verdict::Interrupted.exit_code();
        let early = match early {
            Some(Early::Unsafe(serial)) => Some(Early::Stopped(
                format!("{serial} was not left safe, so the batch ends here: look at it"),
                Verdict::HeadFailed.exit_code(),
            )),
            other => other,
        };
        let mut code = summary.code();
        if let Some(Early::Stopped(_, worse)) = &early {
            code = summary::worse(code, *worse);
        }
        let asked = self.interrupted.load(Ordering::SeqCst);
        if matches!(early, Some(Early::Interrupted))
            || (asked && (early.is_some() || summary.unfinished() > 0))
        {
            code = interrupted;
        }
        let written =
            summary.write(&self.options.record).and_then(|files| match files == self.written {
                true => Ok(()),
                false => self.journal.write(&Line::Written(Written { files, at: now() })),
            });
        if written.is_err() {
            code = summary::worse(code, WRONG);
        }
        summary.end(code);
        // Where nothing can be written any more, one message is enough.
        match (early, written) {
            (Some(Early::Stopped(why, _)), _) => Error::Invalid(why).print(),
            (_, Err(error)) => error.print(),
            _ => {}
        }
        if summary.unfinished() > 0 {
            let (unfinished, all) = (summary.unfinished(), summary.len());
            let lead = if code == interrupted { "interrupted: " } else { "" };
            complain(&format!(
                "{lead}{unfinished} of {all} heads are not finished; the same command again goes on with them\n"
            ));
        }
        code
    }
}

/// What has changed since the batch was started.
fn changes(options: &Options, subject: &Subject, known: &Known, heads: &[Planned]) -> Vec<String> {
    let before = known.subject.as_ref();
    let mut changes = before.map_or_else(Vec::new, |before| subject.differences(before));
    let archive = options.archiving.archive.as_deref().filter(|place| is_missing(place));
    let is_done = known.heads.values().any(|(_, done)| done.is_some());
    if let (Some(archive), true) = (archive, is_done) {
        changes.push(format!("the archive {} is gone with what it holds", archive.display()));
    }
    let mut rows: Vec<String> = Vec::new();
    let heads: HashMap<&str, &Planned> = heads.iter().map(|h| (h.serial.as_str(), h)).collect();
    for (begun, done) in known.heads.values() {
        match (heads.get(begun.serial.as_str()), done) {
            (None, _) => rows.push(format!("{} is not in the list any more", begun.serial)),
            (Some(head), _) if head.digest != begun.row => {
                rows.push(format!("the row of {} or its head has changed", begun.serial));
            }
            (_, Some(done)) => rows.extend(resume::gone(&options.record, begun, done)),
            _ => {}
        }
    }
    rows.sort();
    let more = rows.len().saturating_sub(MAX_CHANGES);
    rows.truncate(MAX_CHANGES);
    changes.extend(rows);
    if more > 0 {
        changes.push(format!("... and {more} more"));
    }
    changes
}

/// Names the folder of each head, as it was named before or as it is now.
fn name_folders(heads: &mut [Planned], known: &Known) {
    let before = known.heads.iter();
    let mut taken: HashMap<String, String> =
        before.map(|(serial, (begun, _))| (serial.clone(), begun.folder.clone())).collect();
    // Earlier attempts keep their folders, too; no serial number has a NUL.
    let earlier = known.before.iter().map(|(begun, _)| begun.folder.clone());
    taken.extend(earlier.map(|folder| (format!("\0{folder}"), folder)));
    let serials: Vec<&str> = heads.iter().map(|head| head.serial.as_str()).collect();
    let folders = names::folders(&serials, &taken, &OWN);
    heads.iter_mut().zip(folders).for_each(|(head, folder)| head.folder = folder);
}
