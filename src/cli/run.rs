//! `run`: checks a script and runs it on a head.

use crate::bounds;
use crate::cli::console::Console;
use crate::cli::files::{Disk, Supply, digest_of};
use crate::cli::fixture::Fixtures;
use crate::cli::history::{Archive, Keeper};
use crate::cli::json::{self, Json};
use crate::cli::output::{Force, Place};
use crate::cli::pages::{Drawn, Told};
use crate::cli::picture::{self, Look, numbered};
use crate::cli::record::{self, Again, Recorder, Recording};
use crate::cli::signals::stop_on_request;
use crate::cli::trace::{self, Replaying, Tracer};
use crate::cli::{CAUTION, WRONG, address, allow, duration, operator};
use crate::head::record::CallRecorder;
use crate::head::sim::medium::Sheet;
use crate::head::station::Station;
use crate::interpret::Observer;
use crate::session::{self, Finished, Prepared, Verdict, prepare};
use crate::terminal::complain;
use crate::terminal::told::rendered;
use clap::{ArgGroup, Args};
use std::cell::RefCell;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::sync::Arc;

pub(super) const AFTER_HELP: &str = "\
Nothing moves until the whole script is proved. Light is possible only inside an `arm` block, and
every way out of it disarms. However the run ends, the laser is switched off first, the mirror
parked and the polygon brought down; the summary says what was measured then, and how long the run
took against the longest that it could.

A script that arms the laser lets light out. Keep to the usual cautions: eyewear, enclosure,
closed covers over the rotor, nobody in the beam path. spintrue is not a safety function: the
hardware interlock chain stands on its own. IEC 60825-1, local codes and the laser safety officer
decide.

Head addresses:
  sim                      the built-in simulated head
  sim:FILE.toml            a simulated head of another description
  sim:FILE.toml?seed=7     the same with another seed
  sim?memory=FILE.json     a simulated head that keeps its stored trims
  replay:FILE              what `--trace FILE` has recorded; it says where a run leaves it
  tcp://HOST:PORT          the head that `spintrue serve`, or whatever else speaks as
                           docs/wire.md says, offers there; ?secret-file=FILE where it wants one
  serial:///dev/ttyUSB0?baud=115200
                           the same over a serial line

Examples:
  spintrue run scripts/bring_up.spt
  spintrue run scripts/bring_up.spt --set speed=3000rpm --seed 7
  spintrue run scripts/bring_up.spt --at-most 10min
  spintrue run scripts/bring_up.spt --fault lock_lost@12s
  spintrue run scripts/fit_spacer.spt --answers scripts/answers/fit_spacer.toml
  spintrue run scripts/bring_up.spt --record records/SIM-0001 --operator night-shift
  spintrue run scripts/bring_up.spt --head sim:my_head.toml --json > run.jsonl
  spintrue run scripts/bring_up.spt --fixture station.toml
  spintrue run scripts/bring_up.spt --trace run.trace
  spintrue run scripts/bring_up.spt --head replay:run.trace";

#[derive(Args)]
#[command(group(ArgGroup::new("kept").args(["record", "archive"]).multiple(true)))]
pub(super) struct Options {
    /// The script; `-` reads it from the standard input
    script: String,
    /// Which head
    #[arg(long, value_name = "ADDRESS", default_value = "sim")]
    head: String,
    /// Gives a param a value, such as speed=5000rpm, or many from a data sheet: @FILE.toml; may be repeated
    #[arg(long = "set", value_name = "NAME=VALUE")]
    settings: Vec<String>,
    /// Gives each param `last_NAME` the value NAME that an earlier record of this head holds, such
    /// as last_worst_in_scan that of "worst in-scan"
    #[arg(long, value_name = "DIR")]
    last: Option<PathBuf>,
    #[command(flatten)]
    fixtures: Fixtures,
    /// Seed of a simulated head: the same seed gives the same run [default: 1]
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
    /// Has a simulated head fail, such as lock_lost@12s or "stuck_trim(facet=3)@0s" or
    /// "interlock_opened@line 7"; without `@` from the start. May be repeated
    #[arg(long = "fault", value_name = "KIND@TIME")]
    faults: Vec<String>,
    /// All that the script may do to the head, such as reads,spins,emits; a script that needs
    /// more is refused before anything moves. Without this everything is allowed, except that
    /// on a real head with nobody at the terminal nothing is stored for good
    #[arg(long, value_name = "EFFECTS")]
    allow: Option<String>,
    /// Answers the questions of the script, from lines `"question" = "answer"`; without this they
    /// are asked at the terminal
    #[arg(long, value_name = "FILE.toml")]
    answers: Option<String>,
    /// Prints JSON Lines for machines
    #[arg(long)]
    json: bool,
    /// Writes what the medium of a simulated head shows of an exposed page, and tells its banding;
    /// further pages go to FILE-2.png and so on
    #[arg(long, value_name = "FILE.png")]
    picture: Option<PathBuf>,
    #[command(flatten)]
    look: Look,
    #[command(flatten)]
    force: Force,
    /// Keeps a record of the run in a folder that is empty or not there yet: all that head and
    /// script said, test results, values, and a report for people
    #[arg(long, value_name = "DIR")]
    record: Option<PathBuf>,
    /// Records every call of the head and its reply in a file;
    /// `--head replay:FILE` plays it back (see docs/recordings.md)
    #[arg(long, value_name = "FILE")]
    trace: Option<PathBuf>,
    /// Who runs it, for the record and the archive
    #[arg(long, value_name = "NAME", requires = "kept")]
    operator: Option<String>,
    /// Stores the run in an archive, which is made where there is none: a file, such as
    /// station.sqlite, or postgres://USER@HOST/DATABASE with the password in PGPASSWORD (see docs/history.md)
    #[arg(long, value_name = "ARCHIVE")]
    archive: Option<PathBuf>,
    /// Refuses a script that could take longer than this, such as 5min, before anything moves
    #[arg(long, value_name = "TIME", value_parser = duration::limit)]
    at_most: Option<f64>,
}

/// What stands behind the run, for whoever prints it.
pub(super) struct About<'a> {
    pub script: &'a str,
    pub head: &'a crate::head::Description,
    /// Where the head is, unless it is made or played back here.
    pub address: Option<&'a str>,
    pub seed: u64,
    /// What goes wrong with a simulated head by itself, and when.
    pub faults: Vec<String>,
    /// Who runs it.
    pub operator: Option<&'a str>,
    /// Name and value of each param.
    pub params: Vec<(String, String)>,
    /// Longest head time in s that the run can take, where a bound is known.
    pub at_most: Option<f64>,
    /// The head is a recording that is played back.
    pub replay: bool,
    /// Arguments that make the run again, but for its params and answers.
    pub again: Vec<String>,
    /// What else the run rests on: descriptions of heads and fixtures, and memories.
    pub files: Vec<(String, Vec<u8>)>,
}

/// Somebody who prints a run.
pub(super) trait Printer: Observer {
    /// The pages that were exposed, before the end.
    fn pages(&mut self, pages: &[Told]);

    /// The end of it.
    fn finish(&mut self, finished: &Finished, prepared: &Prepared);
}

/// For machines or for people.
pub(super) fn printer(about: &About<'_>, json: bool) -> Box<dyn Printer> {
    if json { Box::new(Json::new(about)) } else { Box::new(Console::new(about, CAUTION)) }
}

pub(super) fn run(options: &Options) -> u8 {
    let last = match options.last.as_deref().map(record::Last::read).transpose() {
        Ok(last) => last,
        Err(why) => {
            complain(&format!("{why}\n"));
            return WRONG;
        }
    };
    let mut settings = options.settings.clone();
    settings.extend(last.as_ref().map(|last| last.setting.clone()));
    let mut prepared = match prepare(&mut Disk, &options.script, &settings) {
        Ok(prepared) => prepared,
        Err(why) => {
            complain(&format!("error: {why}\n"));
            return WRONG;
        }
    };
    complain(&rendered(&prepared.diagnostics, &prepared.sources));
    if prepared.program.is_none() {
        return WRONG;
    }
    let answers = match operator::answers(&mut prepared, options.answers.as_deref()) {
        Ok(answers) => answers,
        Err(refused) => {
            complain(&rendered(&refused, &prepared.sources));
            return WRONG;
        }
    };
    let Some(program) = &prepared.program else { return WRONG };
    let opened = options.fixtures.read().and_then(|fixtures| {
        let opened = address::open_with(&options.head, options.seed, &options.faults)?;
        let stop = Arc::clone(&opened.stop);
        fixtures.fit(opened, false, &stop)
    });
    let opened = match opened {
        Ok(opened) => opened,
        Err(why) => {
            let why = why.trim_end();
            complain(&format!("{why}\n"));
            if options.json {
                json::not_begun(why.trim_start_matches("error: "), "not run", WRONG);
            }
            return WRONG;
        }
    };
    let place = match &options.picture {
        Some(path) => match (&opened.medium, first_place(path, &options.force)) {
            (Some(medium), Ok(place)) => {
                medium.keep();
                Some(place)
            }
            (None, _) => {
                complain("error: `--picture` needs a simulated head: no other knows its medium\n");
                return WRONG;
            }
            (_, Err(why)) => {
                complain(&format!("error: the picture {why}\n"));
                return WRONG;
            }
        },
        None => None,
    };
    if opened.replay.is_some() && options.archive.is_some() {
        complain(
            "error: a replay is no run of a head, and an archive holds runs only: leave `--archive` \
             out\n",
        );
        return WRONG;
    }
    let archive = match options.archive.as_deref().map(Archive::open).transpose() {
        Ok(archive) => archive,
        Err(why) => {
            complain(&format!("error: {why}\n"));
            return WRONG;
        }
    };
    let medium = opened.medium;
    let stop = opened.stop;
    let seed = opened.seed;
    let recorder = options.record.as_ref().map(|folder| {
        if let Some(medium) = &medium {
            medium.keep();
        }
        (folder, Rc::new(RefCell::new(Recorder::new(stop.clone()))))
    });
    let link = match &recorder {
        Some((_, recorder)) => Box::new(CallRecorder::new(opened.link, recorder.clone())),
        None => opened.link,
    };
    let (tracer, link) = match &options.trace {
        Some(path) => {
            let (tracer, link) = Tracer::listening(path, stop.clone(), (link, opened.has_gauge));
            (Some(tracer), link)
        }
        None => (None, link),
    };
    if let Some(replay) = &opened.replay {
        replay.listened_by(u64::from(recorder.is_some()) + u64::from(tracer.is_some()));
    }
    let mut station = match Station::open(link, stop.clone()) {
        Ok(station) => station,
        Err(fault) => {
            let why = format!("the head does not answer: {fault}");
            complain(&format!("error: {why}\n"));
            if options.json {
                let verdict = Verdict::HeadFailed;
                json::not_begun(&why, &verdict.text().to_lowercase(), verdict.exit_code());
            }
            return Verdict::HeadFailed.exit_code();
        }
    };
    if let Some(Err(why)) = last.map(|last| last.is_of(&station.description().serial)) {
        complain(&format!("{why}\n"));
        return WRONG;
    }
    station.set_images(Box::new(Supply::new(Disk, &options.script)));
    let allowed = match options.allow.as_deref().map(allow::parse).transpose() {
        Ok(allowed) => allowed,
        Err(why) => {
            complain(&why);
            return WRONG;
        }
    };
    let head = station.description().clone();
    let bound = bounds::bound(program, &prepared.params, &head);
    let mut limits =
        allow::refused(&prepared, allowed.as_deref(), head.simulated, opened.replay.is_some());
    limits.extend(duration::refused(&bound, options.at_most, &prepared.sources));
    let runnable = match prepared.admit(&head, &|fault| station.check_can_inject(fault), limits) {
        Ok(runnable) => runnable,
        Err(refused) => {
            complain(&rendered(&refused, &prepared.sources));
            return WRONG;
        }
    };
    let params = program.params.iter().map(|p| (p.name.to_string(), p.text.clone())).collect();
    let again = Again {
        script: &options.script,
        address: &options.head,
        // What is simulated here knows its medium.
        seed: medium.is_some().then_some(seed),
        faults: &options.faults,
        fixtures: options.fixtures.paths(),
        answers: options.answers.as_deref(),
    };
    let mut files = opened.files;
    files.extend(options.fixtures.texts());
    let about = About {
        script: &options.script,
        head: &head,
        address: address::is_elsewhere(&options.head).then_some(options.head.as_str()),
        seed,
        faults: opened.faults,
        operator: options.operator.as_deref(),
        params,
        at_most: bound.most,
        replay: opened.replay.is_some(),
        again: again.arguments(),
        files,
    };
    let header = trace::header(&about, &prepared);
    if let Some(replay) = &opened.replay {
        complain(&replay.notes(&header));
    }
    // Nothing has moved yet.
    let handler = stop_on_request(&[stop]);
    if let Err(error) = handler {
        complain(&format!("error: Ctrl-C cannot be watched for, so nothing is run: {error}\n"));
        return WRONG;
    }
    if let Some(operator) = operator::engaged(&prepared, answers) {
        station.set_operator(operator);
    }
    if let Some((folder, recorder)) = &recorder {
        let identity = record::identity(&about, &prepared);
        if let Err(why) = recorder.borrow_mut().start(folder, identity, &about) {
            complain(&format!("error: no record can be kept, so nothing is run: {why}\n"));
            return WRONG;
        }
    }
    if let Some(tracer) = &tracer
        && let Err(why) = tracer.borrow_mut().start(&header, &options.force)
    {
        complain(&format!("error: nothing can be recorded, so nothing is run: {why}\n"));
        return WRONG;
    }
    let mut printer: Box<dyn Printer + '_> = printer(&about, options.json);
    if let Some((_, recorder)) = &recorder {
        let recorder = recorder.clone();
        printer = Box::new(Recording { inner: printer, recorder, sources: &prepared.sources });
    }
    let mut keeper = Keeper::new(&mut *printer, archive.is_some());
    let finished = session::run(runnable, &mut station, &mut keeper);
    let heard = keeper.heard();
    let sheets = medium.map(|medium| medium.take()).unwrap_or_default();
    let (told, trouble) = pictures(options, &sheets, place);
    printer.pages(&told);
    printer.finish(&finished, &prepared);
    let mut code = finished.verdict().exit_code();
    if let Some((folder, recorder)) = &recorder {
        let pages = record::pages(&sheets, &options.look);
        if let Err(why) = recorder.borrow_mut().finish(&finished, &prepared, pages) {
            complain(&lost(folder, &why));
            // It was interrupted for this very reason.
            let passed = code == 0 || finished.verdict() == Verdict::Interrupted;
            code = if passed { WRONG } else { code };
        }
    }
    let stored = archive.map_or(Ok(()), |mut archive| {
        let scripts = prepared.sources.iter().take(prepared.scripts);
        let digest = digest_of(scripts.map(|(_, source)| source.text.as_ref()));
        archive.store(&about, &digest, &heard, &finished)
    });
    for why in trouble.into_iter().chain(stored.err()) {
        complain(&format!("error: {why}\n"));
        code = if code == 0 { WRONG } else { code };
    }
    if let Some(Err(why)) = tracer.map(|tracer| {
        let verdict = finished.verdict().text().to_lowercase();
        tracer.borrow_mut().finish(&verdict)
    }) {
        complain(&format!("error: the run is not recorded, so nothing passed: {why}\n"));
        let passed = code == 0 || finished.verdict() == Verdict::Interrupted;
        code = if passed { WRONG } else { code };
    }
    if let Some(told) = opened.replay.as_ref().and_then(Replaying::outcome) {
        complain(&told);
        // A script that left the recording proves nothing, however it took that.
        code = if code == 0 { Verdict::HeadFailed.exit_code() } else { code };
    }
    code
}

/// Says that a record could not be finished.
fn lost(folder: &std::path::Path, why: &str) -> String {
    format!(
        "error: the record in {} is not finished, so nothing passed: {why}; what was written before \
         is still there\n",
        folder.display()
    )
}

/// The place of the first page; those of a few more are looked at as well.
fn first_place(path: &Path, force: &Force) -> Result<Place, String> {
    (2..=PAGES_LOOKED_AT).try_for_each(|number| force.refuse(&numbered(path, number)))?;
    Place::take(path, force)
}

/// How many pages must have a free place before anything moves.
const PAGES_LOOKED_AT: usize = 100;

/// Writes a picture of each page; tells of those that came out, and what went wrong.
fn pictures(
    options: &Options,
    sheets: &[Sheet],
    place: Option<Place>,
) -> (Vec<Told>, Option<String>) {
    let (mut told, mut first) = (Vec::new(), place);
    let Some(path) = &options.picture else { return (told, None) };
    if sheets.is_empty() {
        return (
            told,
            Some("there is no picture, so nothing passed: the script exposed no page".to_string()),
        );
    }
    for (number, sheet) in (1..).zip(sheets) {
        let path = numbered(path, number);
        let drawn = options.look.of(sheet).and_then(|picture| {
            let place = first.take().map_or_else(|| Place::take(&path, &options.force), Ok)?;
            picture::write(place, &picture)?;
            Ok(Drawn::new(&path, &picture))
        });
        match drawn {
            Ok(drawn) => told.push(Told::new(number.to_string(), sheet, Some(drawn))),
            Err(why) => return (told, Some(why)),
        }
    }
    (told, None)
}
