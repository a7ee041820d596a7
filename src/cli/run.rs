//! `run`: checks a script and runs it on a head.

use crate::archive::{Archive, Keeper, Rows};
use crate::cli::console::Console;
use crate::cli::json;
use crate::cli::json::Json;
use crate::cli::look::{Look, numbered};
use crate::cli::pages::ExposedPage;
use crate::disk::{Disk, Force, Place, digest_of};
use crate::error::{Error, WRONG, invalid};
use crate::record;
use crate::record::{About, Again, Bound, Identity, Last, PrivateKey, Recorder, Sealed};
use crate::setup::options::{
    Answers, Archiving, HeadOption, Limits, Recording, Settings, Surroundings,
};
use crate::setup::{
    Opened, PrintOptions, Recorded, Retest, SharedTracer, Stage, Tracer, header, is_elsewhere,
    load, operator,
};
use crate::terminal::{complain, progress};
use clap::Args;
use spintrue_head::stop_on_request;
use spintrue_language::{
    Finished, Given, Observer, Prepared, Runnable, SHEET_READY, SHEET_SCAN, Verdict, run_script,
};
use spintrue_sim::Sheet;
use std::cell::RefCell;
use std::path::{Path, PathBuf};
use std::rc::Rc;

/// Pages whose pictures must have a free place before anything moves.
const MAX_PLACES: usize = 100;

#[derive(Args)]
#[command(after_help = include_str!("help/run.txt"))]
pub(super) struct Options {
    /// The script; `-` reads it from the standard input
    script: String,
    #[command(flatten)]
    head: HeadOption,
    #[command(flatten)]
    settings: Settings,
    /// Fill params named `last_…` from an earlier record of this head, such as last_worst_in_scan from
    /// its value "worst in-scan"
    #[arg(long, value_name = "DIR")]
    last: Option<PathBuf>,
    #[command(flatten)]
    around: Surroundings,
    #[command(flatten)]
    limits: Limits,
    #[command(flatten)]
    answers: Answers,
    /// Print JSON Lines
    #[arg(long)]
    json: bool,
    /// Write what the medium of a simulated head shows of an exposed page, and show its banding;
    /// further pages go to FILE-2.png and so on
    #[arg(long, value_name = "FILE.png")]
    picture: Option<PathBuf>,
    #[command(flatten)]
    look: Look,
    /// Keep a record of the run in an empty or new folder: everything that head and script reported,
    /// test results, values, and a report to read
    #[arg(long, value_name = "DIR")]
    record: Option<PathBuf>,
    #[command(flatten)]
    recording: Recording,
    #[command(flatten)]
    archiving: Archiving,
    #[command(flatten)]
    print: PrintOptions,
}

impl Options {
    /// A print as the gauge needs a person, who may be asked.
    fn check_print(&self, given: Option<&Given>) -> Result<(), Error> {
        if !self.print.is_on() {
            return Ok(());
        }
        if given.is_none() && !operator::is_attended() {
            return Err(invalid!(
                "a print as the gauge needs a person with a scanner: run the script at a terminal, or give `--answers \
                 FILE.toml` with `\"{SHEET_READY}\" = \"yes\"` and `\"{SHEET_SCAN}\" = [\"scan-1.png\", ...]`"
            ));
        }
        self.print.check_allowed(&self.limits.allow)
    }
}

/// Shows a run.
pub(super) trait Printer: Observer {
    /// The exposed pages, before the end.
    fn pages(&mut self, pages: &[ExposedPage]);

    /// The end of the run.
    fn finish(&mut self, finished: &Finished, prepared: &Prepared);
}

/// For machines or for people.
pub(super) fn printer(about: &About, json: bool) -> Box<dyn Printer> {
    if json { Box::new(Json::new(about)) } else { Box::new(Console::new(about)) }
}

/// A script with a head that is ready for it, and what keeps the run.
struct Run<'a> {
    options: &'a Options,
    stage: Stage,
    /// Reserved for the picture of the first page.
    place: Option<Place>,
    archive: Option<Archive>,
    named: Vec<(String, String)>,
    /// Signs the record.
    key: Option<PrivateKey>,
    recorder: Option<(&'a Path, Rc<RefCell<Recorder>>)>,
    tracer: Option<SharedTracer>,
}

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let last = options.last.as_deref().map(Last::read).transpose()?;
    let mut settings = options.settings.settings.clone();
    settings.extend(last.as_ref().map(|last| last.setting.clone()));
    let mut prepared = load(&mut Disk, &options.script, &settings)?;
    options.print.check_needed(prepared.reads_charts())?;
    if options.print.is_on() {
        prepared.expect_sheets();
    }
    let given = options.answers.read(&mut prepared, true);
    let given = given.map_err(|refused| Error::reports(refused, &prepared.sources))?;
    let not_begun = |error: &Error| {
        if options.json {
            json::not_begun(error);
        }
    };
    options.check_print(given.as_ref())?;
    let opened = options.around.open(&options.head.head, false).inspect_err(not_begun)?;
    let mut run = Run::new(options, opened).inspect_err(|error| {
        if matches!(error, Error::HeadFailed(_)) {
            not_begun(error);
        }
    })?;
    if let Some(last) = last {
        last.check_serial(&run.stage.head.serial)?;
    }
    run.number(&prepared, &settings)?;
    let (runnable, most) = run.stage.admit(&prepared, Some(&options.limits))?;
    let about = run.about(&prepared, most);
    let is_kept = run.recorder.is_some() || run.archive.is_some();
    let identity = is_kept.then(|| record::identity(&about, Some(&prepared)));
    run.start(&about, identity.as_ref(), &prepared, given)?;
    Ok(run.finish(&about, identity.as_ref(), &prepared, runnable))
}

impl<'a> Run<'a> {
    /// Reserves the places of everything that is to be written, and puts the head behind the guard.
    fn new(options: &'a Options, opened: Opened) -> Result<Run<'a>, Error> {
        let archiving = &options.archiving;
        let (named, key) = (archiving.named(opened.gauge_file.as_ref())?, archiving.key()?);
        let place = options.picture.as_deref().map(|path| first_place(options, path, &opened));
        let place = place.transpose()?;
        let archive = archiving.archive.as_deref();
        if opened.replay.is_some() && archive.is_some() {
            return Err(invalid!(
                "a replay is no run of a head, and an archive holds runs only: leave `--archive` out"
            ));
        }
        let archive = archive.map(Archive::open).transpose()?;
        let (opened, recorder) = match &options.record {
            Some(folder) => {
                let (opened, recorder) = opened.recorded();
                (opened, Some((folder.as_path(), recorder)))
            }
            None => (opened, None),
        };
        let (opened, tracer) = Tracer::attach(options.recording.trace.as_deref(), opened);
        options.print.check_alone(&opened)?;
        let mut stage = Stage::open(opened, &options.script)?;
        let force = &options.recording.force;
        let (print, showing) = (&options.print, options.look.showing());
        stage.measure_by_prints(print, &options.script, showing, force)?;
        if let Some((_, recorder)) = &recorder {
            recorder.borrow_mut().set_looks(stage.station.looks());
        }
        Ok(Run { options, stage, place, archive, named, key, recorder, tracer })
    }

    /// Numbers the attempt, or refuses it.
    fn number(&mut self, prepared: &Prepared, settings: &[String]) -> Result<(), Error> {
        let archiving = &self.options.archiving;
        let retest = Retest::new(&prepared.sources, settings, archiving)?;
        let Some(archive) = &mut self.archive else {
            if retest.reason.is_some() || (retest.has_rules() && self.recorder.is_some()) {
                return Err(invalid!(
                    "only an archive knows which attempts there were: name it by `--archive`"
                ));
            }
            return Ok(());
        };
        let (serial, simulated) = (&self.stage.head.serial, self.stage.head.simulated);
        let earlier = archive.earlier(serial, &self.options.script, simulated)?;
        let attempt = retest.attempt(&earlier, retest.reason.as_ref());
        let attempt = attempt.map_err(|why| invalid!("{serial} is not tested: {why}"))?;
        self.named.extend(attempt.named());
        Ok(())
    }

    fn about(&self, prepared: &Prepared, at_most: Option<f64>) -> About {
        let Options { script, head, around, answers, archiving, print, .. } = self.options;
        let again = Again {
            script,
            address: &head.head,
            // Only what is simulated here has a medium.
            seed: self.stage.medium.is_some().then_some(self.stage.seed),
            faults: &around.faults.faults,
            fixtures: around.fixtures.paths().collect(),
            answers: answers.file.as_deref(),
            print: print.arguments(),
        };
        About {
            address: head.head.clone(),
            elsewhere: is_elsewhere(&head.head),
            operator: archiving.operator.clone(),
            named: self.named.clone(),
            again: again.arguments(),
            ..self.stage.about(Some(prepared), script, at_most).with_files(around.fixtures.texts())
        }
    }

    /// Starts everything that keeps the run. Nothing has moved yet.
    fn start(
        &mut self,
        about: &About,
        identity: Option<&Identity>,
        prepared: &Prepared,
        given: Option<Given>,
    ) -> Result<(), Error> {
        let header = || header(about, prepared);
        if let Some(replay) = &self.stage.replay {
            complain(&replay.notes(&header()));
        }
        stop_on_request(std::slice::from_ref(&self.stage.stop))?;
        let is_asked = prepared.questions().next().is_some() || self.options.print.is_on();
        if let Some(operator) = is_asked.then(|| operator::of(given)) {
            self.stage.station.set_operator(operator);
        }
        if let (Some((folder, recorder)), Some(identity)) = (&self.recorder, identity) {
            let started = recorder.borrow_mut().start(folder, about, identity.clone());
            started.map_err(|e| e.context("no record can be kept, so nothing is run"))?;
        }
        if let Some(tracer) = &self.tracer {
            let started = tracer.borrow_mut().start(&header(), &self.options.recording.force);
            started.map_err(|e| e.context("nothing can be recorded, so nothing is run"))?;
        }
        Ok(())
    }

    /// Runs the script and writes what is left of the run; the exit code.
    fn finish(
        mut self,
        about: &About,
        identity: Option<&Identity>,
        prepared: &Prepared,
        runnable: Runnable<'_>,
    ) -> u8 {
        let mut printer = printer(about, self.options.json);
        let recorder = self.recorder.as_ref().map(|(_, recorder)| recorder.clone());
        let mut recording = recorder.map(|recorder| record::Recording {
            inner: &mut *printer,
            recorder,
            sources: &prepared.sources,
        });
        let observer: &mut dyn Observer = match &mut recording {
            Some(recording) => recording,
            None => &mut *printer,
        };
        let mut keeper = Keeper::new(observer, self.archive.is_some());
        let finished = run_script(runnable, &mut self.stage.station, &mut keeper);
        let heard = keeper.heard();
        let sheets = self.stage.sheets();
        progress::begin();
        let (pages, picture) = pictures(self.options, &sheets, self.place.take());
        printer.pages(&pages);
        printer.finish(&finished, prepared);
        progress::begin();
        let rows = self.archive.as_ref().zip(identity).map(|(_, identity)| {
            let scripts = prepared.sources.iter().take(prepared.scripts);
            let digest = digest_of(scripts.map(|(_, source)| source.text.as_ref()));
            Rows::new(identity, &digest, heard, &finished)
        });
        let row = rows.as_ref().map(Rows::digest);
        let record = self.end_record(&finished, prepared, &sheets, row.as_deref());
        let (record, digest) = match record {
            Ok(sealed) => (Ok(()), sealed.map(|sealed| sealed.digest)),
            Err(error) => (Err(error), None),
        };
        let stored = self.archive.as_mut().zip(rows);
        let stored =
            stored.map_or(Ok(()), |(archive, rows)| archive.store(&rows, digest.as_deref()));
        let verdict = finished.verdict();
        // A run is interrupted where its record or its recording cannot be written.
        let was_interrupted = verdict == Verdict::Interrupted;
        let mut code = verdict.exit_code();
        for (done, is_stopping) in
            [(record, true), (picture, false), (stored, false), (self.end_recording(verdict), true)]
        {
            if let Err(error) = done {
                error.print();
                let overrides = code == 0 || (is_stopping && was_interrupted);
                code = if overrides { WRONG } else { code };
            }
        }
        if let Some(outcome) = self.stage.replay.as_ref().and_then(Recorded::outcome) {
            complain(&outcome);
            // A script that departs from the recording proves nothing.
            code = if code == 0 { Verdict::HeadFailed.exit_code() } else { code };
        }
        code
    }

    fn end_record(
        &self,
        finished: &Finished,
        prepared: &Prepared,
        sheets: &[Sheet],
        row: Option<&str>,
    ) -> Result<Option<Sealed>, Error> {
        let Some((folder, recorder)) = &self.recorder else { return Ok(None) };
        let pages = record::pages(sheets, &self.options.look.showing());
        let bound = Bound { row, key: self.key.as_ref() };
        recorder.borrow_mut().add_scans(self.stage.scanned.take());
        let sealed = recorder.borrow_mut().seal(finished, &prepared.sources, pages, &bound);
        let ended = sealed.and_then(|sealed| {
            sealed.iter().try_for_each(Sealed::finish)?;
            Ok(sealed)
        });
        ended.map_err(|error| {
            invalid!(
                "the record in {} is not finished, so nothing passed: {error}; what was written before \
                 is still there",
                folder.display()
            )
        })
    }

    fn end_recording(&self, verdict: Verdict) -> Result<(), Error> {
        let Some(tracer) = &self.tracer else { return Ok(()) };
        let finished = tracer.borrow_mut().finish(&verdict.kept_as());
        finished.map_err(|error| error.context("the run is not recorded, so nothing passed"))
    }
}

/// Reserves the place of the first page; those of further pages are checked as well.
fn first_place(options: &Options, path: &Path, opened: &Opened) -> Result<Place, Error> {
    let Some(medium) = &opened.medium else {
        return Err(invalid!("`--picture` needs a simulated head: no other knows its medium"));
    };
    let force: &Force = &options.recording.force;
    let free = (2..=MAX_PLACES).try_for_each(|number| force.check(&numbered(path, number)));
    let place = free.and_then(|()| Place::take(path, force));
    let place = place.map_err(|error| invalid!("the picture {error}"))?;
    medium.keep();
    Ok(place)
}

/// Writes a picture of each page: the pages that were written, and the first error.
fn pictures(
    options: &Options,
    sheets: &[Sheet],
    mut first: Option<Place>,
) -> (Vec<ExposedPage>, Result<(), Error>) {
    let mut pages = Vec::new();
    let Some(path) = &options.picture else { return (pages, Ok(())) };
    if sheets.is_empty() {
        let missing = "there is no picture, so nothing passed: the script exposed no page";
        return (pages, Err(Error::Invalid(missing.to_string())));
    }
    for (number, sheet) in (1..).zip(sheets) {
        let path = numbered(path, number);
        let place = first.take().map_or_else(|| Place::take(&path, &options.recording.force), Ok);
        let drawn = place.and_then(|place| options.look.write(sheet, place, &path));
        match drawn {
            Ok(drawn) => pages.push(ExposedPage::new(number.to_string(), sheet, Some(drawn))),
            Err(error) => return (pages, Err(error)),
        }
    }
    (pages, Ok(()))
}
