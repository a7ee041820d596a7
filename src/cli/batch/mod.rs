//! `batch`: one script on every head of a list, one after the other, each with a record of its own;
//! what cuts it off neither repeats nor loses a head.

mod journal;
mod names;
mod one;
mod place;
mod plan;
mod resume;
mod summary;

use crate::cli::batch::journal::{Batch, Begun, Done, JOURNAL, Journal, Known, LOCK, Line, now};
use crate::cli::batch::one::{Common, Ran, Trouble};
use crate::cli::batch::plan::{Plan, Planned, answers, plan};
use crate::cli::batch::resume::{ASIDE, Left};
use crate::cli::batch::summary::Summary;
use crate::cli::files::{Disk, digest_of, read_text};
use crate::cli::fixture::Fixtures;
use crate::cli::history::{Archive, archive_name};
use crate::cli::signals::stop_on_request;
use crate::cli::{WRONG, duration};
use crate::record::hexadecimal;
use crate::session::{Series, Verdict};
use crate::terminal::complain;
use clap::{Args, ValueEnum};
use sha2::{Digest, Sha256};
use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

pub(super) const AFTER_HELP: &str = "\
The list is a CSV file whose first row names the columns: `serial`, where
wanted `head` with an address for each head and `fault` with what is to go wrong
with a simulated one, and params of the script with values as the script writes
them, such as 4800 rpm. All of it is checked before the first head moves.
docs/batch.md tells more.

The same command again goes on where a batch was cut off, however that happened.

Exit codes, the worst of all heads, from good to bad:
  0    every head passed
  4    undecided
  1    failed
  2    the script, the list, an option or a file is wrong
  3    a head failed
  130  interrupted

Examples:
  spintrue batch scripts/bring_up.spt --list heads.csv --record records/week-12
  spintrue batch scripts/accept.spt --list heads.csv --record records/week-12 \\
      --set @scripts/datasheets/ten_facet.toml --archive station.sqlite \\
      --operator night-shift";

/// Which outcome ends a batch early.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(super) enum StopAt {
    /// A head that is not passed, undecided ones among them
    Undecided,
    /// A head that fails, or a script that goes wrong on it
    Failed,
    /// A head that itself fails
    HeadFailed,
}

#[derive(Args)]
pub(super) struct Options {
    /// The script
    script: String,
    /// The heads, and what params each is given
    #[arg(long, value_name = "FILE.csv")]
    list: String,
    /// The folder that gets a record of each head, the journal and the summary; one that is not
    /// there yet, or that of the batch to go on with
    #[arg(long, value_name = "DIR")]
    record: PathBuf,
    /// Which head, where the list has no column `head`
    #[arg(long, value_name = "ADDRESS", default_value = "sim")]
    head: String,
    #[command(flatten)]
    fixtures: Fixtures,
    /// Gives a param a value on all heads, or many from a data sheet: @FILE.toml; may be repeated.
    /// A column of the list overrides a data sheet, and NAME=VALUE overrides both
    #[arg(long = "set", value_name = "NAME=VALUE")]
    settings: Vec<String>,
    /// Answers the questions of the script, the same for every head, from lines
    /// `"question" = "answer"`
    #[arg(long, value_name = "FILE.toml")]
    answers: Option<String>,
    /// Stores every run in an archive, which is made where there is none (see docs/history.md)
    #[arg(long, value_name = "ARCHIVE")]
    archive: Option<PathBuf>,
    /// Who runs it, for the records
    #[arg(long, value_name = "NAME")]
    operator: Option<String>,
    /// Has every simulated head fail, such as lock_lost@12s; may be repeated
    #[arg(long = "fault", value_name = "KIND@TIME")]
    faults: Vec<String>,
    /// All that the script may do to the heads, such as reads,spins,emits
    #[arg(long, value_name = "EFFECTS")]
    allow: Option<String>,
    /// Refuses a script that could take longer than this on a head, such as 5min
    #[arg(long, value_name = "TIME", value_parser = duration::limit)]
    at_most: Option<f64>,
    /// Ends the batch behind a head that comes to this; without it all heads are run
    #[arg(long, value_name = "OUTCOME", value_enum)]
    stop_at: Option<StopAt>,
    /// Goes on though script, settings or rows have changed since the batch was begun; what is
    /// finished stays as it is
    #[arg(long)]
    despite_changes: bool,
    /// Prints JSON Lines for machines
    #[arg(long)]
    json: bool,
}

pub(super) fn batch(options: &Options) -> u8 {
    match begun(options) {
        Ok(code) => code,
        Err(why) => {
            complain(&why);
            WRONG
        }
    }
}

/// Why a batch ends before its last head.
enum Early {
    Interrupted,
    /// What is to be told, and the exit code.
    Stopped(String, u8),
}

/// Looks at everything, and goes on with the heads; fails with what is to be printed.
fn begun(options: &Options) -> Result<u8, String> {
    let said = |why: String| format!("error: {why}\n");
    let Plan { mut series, heads, fixtures } = plan(options)?;
    let (mut journal, known) = Journal::take(&options.record).map_err(said)?;
    let archive = options.archive.as_deref().map(archive_name).transpose().map_err(said)?;
    let batch = Batch::new(&options.script, sources(options, &series)?, &options.settings, archive);
    let changes = changes(options, &batch, &known, &heads);
    if !changes.is_empty() && !options.despite_changes {
        let lines: String = changes.iter().map(|change| format!("  {change}\n")).collect();
        return Err(format!(
            "error: this is not the batch that was begun in {}:\n{lines}Name another folder for a \
             batch of its own, or go on with the heads that are\nnot finished by \
             `--despite-changes`.\n",
            options.record.display()
        ));
    }
    let fresh = known.batch.is_none();
    let archive = options.archive.as_deref().map(Archive::open).transpose();
    let written = match &archive {
        Ok(_) if fresh || !changes.is_empty() => journal.write(&Line::Batch(batch)),
        Ok(_) => Ok(()),
        Err(why) => Err(why.clone()),
    };
    if let Err(why) = written {
        if fresh {
            journal.abandon(&options.record);
        }
        return Err(said(why));
    }
    let mut archive = archive.map_err(said)?;
    let digest = digest_of(series.scripts());
    let (stop, asked) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicBool::new(false)));
    let flags = [stop.clone(), asked.clone()];
    stop_on_request(&flags)
        .map_err(|error| said(format!("Ctrl-C cannot be watched for: {error}")))?;
    let folders = folders(&heads, &known);
    let common = Common {
        options,
        script: &options.script,
        fixtures: &fixtures,
        digest,
        operator: options.operator.as_ref(),
        stop,
    };
    let mut summary = Summary::new(options, &heads, &folders);
    let mut early = None;
    let mut waiting = Vec::new();
    for (head, folder) in heads.iter().zip(&folders) {
        let done = match known.heads.get(&head.serial) {
            Some((_, Some(done))) => Some(done.clone()),
            Some((begun, None)) => {
                let path = options.archive.as_deref();
                match resume::left(&options.record, begun, path, &common.digest).map_err(said)? {
                    Left::Finished(done) => {
                        journal.write(&Line::Done((*done).clone())).map_err(said)?;
                        Some(*done)
                    }
                    Left::Again(aside) => {
                        summary.again(&head.serial, aside.as_deref());
                        None
                    }
                }
            }
            None => None,
        };
        match done {
            Some(done) => summary.known(&done),
            None => waiting.push((head, folder)),
        }
    }
    summary.begin(&waiting.iter().map(|(head, _)| head.most).collect::<Vec<_>>());
    let rows = series.list().rows.clone();
    for (head, folder) in waiting {
        if asked.load(Ordering::SeqCst) {
            early = Some(Early::Interrupted);
            break;
        }
        let Some(row) = rows.get(head.row) else { continue };
        let mut prepared = series.prepared(&mut Disk, row);
        let Ok(given) = answers(&mut prepared, options) else {
            early = Some(Early::Stopped("the answers file has changed".to_string(), WRONG));
            break;
        };
        let begun = Begun {
            serial: head.serial.clone(),
            folder: folder.clone(),
            row: head.digest.clone(),
            at: now(),
        };
        if let Err(why) = journal.write(&Line::Begun(begun)) {
            early = Some(Early::Stopped(why, WRONG));
            break;
        }
        let place = options.record.join(folder);
        let ended = match one::run(&common, head, (&prepared, given), &place, archive.as_mut()) {
            Ok(ran) => ended(options, &mut journal, &mut summary, head, folder, ran),
            Err(Trouble::NoAnswer(why)) => {
                summary.no_answer(&head.serial, &why);
                stops(options, Verdict::HeadFailed).then(|| stopped(Verdict::HeadFailed))
            }
            // A record that cannot be written stops its run as Ctrl-C does.
            Err(Trouble::Lost(why)) => {
                let what = format!(
                    "{} is not finished: {why}; what was written of it is still there",
                    head.serial
                );
                Some(Early::Stopped(what, WRONG))
            }
        };
        if ended.is_some() {
            early = ended;
            break;
        }
    }
    finished(options, &mut summary, early, asked.load(Ordering::SeqCst))
}

/// Writes down what a head came to; tells whether the batch ends here.
fn ended(
    options: &Options,
    journal: &mut Journal,
    summary: &mut Summary,
    head: &Planned,
    folder: &str,
    ran: Ran,
) -> Option<Early> {
    let record = options.record.join(folder).join("record.json");
    let done = Done {
        serial: head.serial.clone(),
        verdict: ran.verdict.text().to_lowercase(),
        exit_code: ran.verdict.exit_code(),
        unmet: ran.unmet,
        failure: ran.failure,
        took: ran.took,
        left_safe: Some(ran.safe),
        record: resume::sha256(&record).unwrap_or_default(),
        at: now(),
    };
    if ran.verdict == Verdict::Interrupted {
        // Told, and not written down as finished: it is run again.
        summary.came(&done);
        if !ran.safe {
            complain(&format!("{} was not left safe: look at it\n", head.serial));
        }
        return Some(Early::Interrupted);
    }
    let written = journal.write(&Line::Done(done.clone()));
    summary.came(&done);
    if let Err(why) = written {
        return Some(Early::Stopped(why, WRONG));
    }
    if !ran.safe {
        let what = format!("{} was not left safe, so the batch ends here: look at it", head.serial);
        return Some(Early::Stopped(what, Verdict::HeadFailed.exit_code()));
    }
    stops(options, ran.verdict).then(|| stopped(ran.verdict))
}

fn stopped(verdict: Verdict) -> Early {
    let what = "the batch ends here, as `--stop-at` asks".to_string();
    Early::Stopped(what, verdict.exit_code())
}

fn stops(options: &Options, verdict: Verdict) -> bool {
    match options.stop_at {
        None => false,
        Some(StopAt::Undecided) => verdict != Verdict::Passed,
        Some(StopAt::Failed) => !matches!(verdict, Verdict::Passed | Verdict::Undecided),
        Some(StopAt::HeadFailed) => verdict == Verdict::HeadFailed,
    }
}

/// Says and writes what the batch came to.
fn finished(
    options: &Options,
    summary: &mut Summary,
    early: Option<Early>,
    asked: bool,
) -> Result<u8, String> {
    let mut code = summary.code();
    let interrupted = matches!(early, Some(Early::Interrupted)) || asked;
    if let Some(Early::Stopped(_, worse)) = &early {
        code = summary::worse(code, *worse);
    }
    if interrupted && (early.is_some() || summary.open() > 0) {
        code = Verdict::Interrupted.exit_code();
    }
    let written = summary.write(&options.record);
    if written.is_err() {
        code = summary::worse(code, WRONG);
    }
    summary.tell(code);
    // Where nothing can be written any more, once is enough.
    let why = match (early, written) {
        (Some(Early::Stopped(why, _)), _) => Some(why),
        (_, written) => written.err(),
    };
    if let Some(why) = why {
        complain(&format!("error: {why}\n"));
    }
    if summary.open() > 0 {
        let (open, all) = (summary.open(), summary.all());
        let lead = if code == Verdict::Interrupted.exit_code() { "interrupted: " } else { "" };
        complain(&format!(
            "{lead}{open} of {all} heads are not finished; the same command again goes on with them\n"
        ));
    }
    Ok(code)
}

/// Name and SHA-256 of the script, what it uses, data sheets and answers.
fn sources(options: &Options, series: &Series) -> Result<Vec<(String, String)>, String> {
    let list = series.list_name();
    let sources = series.sources().iter().map(|(_, source)| source);
    let sources = sources.filter(|source| !source.name.starts_with("--set") && source.name != list);
    let sha256 = |text: &str| hexadecimal(&Sha256::digest(text.as_bytes()));
    let mut sources: Vec<(String, String)> =
        sources.map(|source| (source.name.clone(), sha256(&source.text))).collect();
    if let Some(path) = &options.answers {
        let text = read_text(Path::new(path)).map_err(|why| format!("error: {why}\n"))?;
        sources.push((path.clone(), sha256(&text)));
    }
    for path in options.fixtures.paths() {
        let text = read_text(path).map_err(|why| format!("error: {why}\n"))?;
        sources.push((path.display().to_string(), sha256(&text)));
    }
    Ok(sources)
}

/// What is not as it was when the batch was begun.
fn changes(options: &Options, batch: &Batch, known: &Known, heads: &[Planned]) -> Vec<String> {
    let mut changes = known.batch.as_ref().map_or_else(Vec::new, |before| batch.differs(before));
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
    let more = rows.len().saturating_sub(20);
    rows.truncate(20);
    changes.extend(rows);
    if more > 0 {
        changes.push(format!("... and {more} more"));
    }
    changes
}

/// The folder of each head, as it was given before or as it is given now.
fn folders(heads: &[Planned], known: &Known) -> Vec<String> {
    let taken: HashMap<String, String> = known
        .heads
        .iter()
        .map(|(serial, (begun, _))| (serial.clone(), begun.folder.clone()))
        .collect();
    let serials: Vec<&str> = heads.iter().map(|head| head.serial.as_str()).collect();
    names::folders(&serials, &taken, &[JOURNAL, LOCK, ASIDE, summary::TABLE, summary::RESULTS])
}
