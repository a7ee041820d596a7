//! Recordings of calls: one that is written while a run goes on, and one that is replayed.

use crate::disk::{Force, open_file, sha256};
use crate::error::{Error, invalid};
use crate::record::About;
use crate::setup::address::{Opened, plain};
use spintrue_head::{
    Call, CallListener, Course, Description, Dimension, Fault, Heard, Replay, Reply, TRACE_FORMAT,
    TRACE_VERSION, TraceHeader, TraceReader, TraceScript, TraceSurvey, TraceWriter, show_quantity,
    survey_trace,
};
use spintrue_language::Prepared;
use std::cell::RefCell;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// A recording that is being written.
pub(crate) struct Tracer {
    path: PathBuf,
    /// Calls before the recording was started.
    early: Vec<Heard>,
    writer: Option<TraceWriter<File>>,
    /// The first write error.
    trouble: Option<Error>,
    /// Stops the run.
    stop: Arc<AtomicBool>,
    has_gauge: bool,
    real_time: bool,
}

/// A recording that a head and a run write to.
pub(crate) type SharedTracer = Rc<RefCell<Tracer>>;

impl Tracer {
    /// Listens to a head where a file is named, and writes nothing yet. The run is stopped should writing
    /// fail.
    pub(crate) fn attach(path: Option<&Path>, opened: Opened) -> (Opened, Option<SharedTracer>) {
        let Some(path) = path else { return (opened, None) };
        let tracer = Rc::new(RefCell::new(Tracer {
            path: path.to_path_buf(),
            early: Vec::new(),
            writer: None,
            trouble: None,
            stop: opened.stop.clone(),
            has_gauge: opened.has_gauge,
            real_time: opened.is_real_time(),
        }));
        (opened.heard_by(tracer.clone()), Some(tracer))
    }

    /// Creates the file and starts.
    pub(crate) fn start(&mut self, header: &TraceHeader, force: &Force) -> Result<(), Error> {
        let (gauge, real_time) = (self.has_gauge, self.real_time);
        let header = TraceHeader { gauge, real_time, ..header.clone() };
        let name = self.path.display();
        let file = force.create(&self.path)?;
        let writer = TraceWriter::new(file, &header).map_err(|e| invalid!("{name} {e}"))?;
        self.writer = Some(writer);
        for heard in std::mem::take(&mut self.early) {
            self.heard(&heard);
        }
        self.trouble.take().map_or(Ok(()), Err)
    }

    /// Writes something, unless there was an error before.
    fn with<E: std::fmt::Display>(
        &mut self,
        work: impl FnOnce(&mut TraceWriter<File>) -> Result<(), E>,
    ) {
        if self.trouble.is_some() {
            return;
        }
        if let Some(writer) = &mut self.writer
            && let Err(why) = work(writer)
        {
            self.trouble = Some(invalid!("the recording {} {why}", self.path.display()));
            self.stop.store(true, Ordering::SeqCst);
        }
    }

    /// Ends the recording. Fails where something could not be written, now or before.
    pub(crate) fn finish(&mut self, verdict: &str) -> Result<(), Error> {
        if let Some(trouble) = self.trouble.take() {
            return Err(trouble);
        }
        let Some(writer) = self.writer.take() else { return Ok(()) };
        let written = writer.finish(verdict).and_then(|file| Ok(file.sync_all()?));
        written.map_err(|why| invalid!("the recording {} {why}", self.path.display()))
    }
}

impl CallListener for Tracer {
    fn heard(&mut self, heard: &Heard) {
        if self.writer.is_none() && self.trouble.is_none() {
            self.early.push(heard.clone());
        }
        self.with(|writer| writer.heard(heard));
    }

    fn clock(&mut self, time: f64) {
        self.with(|writer| writer.clock(time));
    }

    fn faults(&mut self, call: &Call, result: &Result<Reply, Fault>) {
        self.with(|writer| writer.faults(call, result));
    }
}

/// The header of a run's recording: no paths, no names of people, nothing about the machine.
pub(crate) fn header(about: &About, prepared: &Prepared) -> TraceHeader {
    let scripts = prepared.sources.iter().take(prepared.scripts);
    let scripts = scripts.map(|(_, source)| TraceScript {
        name: source.name.rsplit('/').next().unwrap_or_default().to_string(),
        sha256: sha256(source.text.as_bytes()),
    });
    TraceHeader {
        scripts: scripts.collect(),
        params: about.params.clone(),
        ..bare(&about.head, about.seed, &about.faults)
    }
}

/// The same where no script runs.
pub(crate) fn bare(head: &Description, seed: u64, faults: &[String]) -> TraceHeader {
    TraceHeader {
        format: TRACE_FORMAT.to_string(),
        version: TRACE_VERSION,
        spintrue: env!("CARGO_PKG_VERSION").to_string(),
        head: head.clone(),
        gauge: false,
        seed: head.simulated.then_some(seed),
        faults: faults.to_vec(),
        scripts: Vec::new(),
        params: Vec::new(),
        real_time: false,
    }
}

/// A recording that is replayed.
pub(crate) struct Recorded {
    name: String,
    survey: TraceSurvey,
    course: Course,
    listeners: u64,
}

/// Whether a param is as it was; an older version cut a long one after 57 characters.
fn same(then: &str, now: &str) -> bool {
    let words = || now.split_whitespace().collect::<Vec<_>>().join(" ");
    then == now || then.strip_suffix("...").is_some_and(|cut| words().starts_with(cut))
}

impl Recorded {
    /// How far the replay is.
    pub(crate) fn course(&self) -> Course {
        self.course.clone()
    }

    /// Time passed by itself, and the script was watched while it computed.
    pub(crate) fn was_real_time(&self) -> bool {
        self.survey.header.real_time
    }

    /// Counts a listener between the replay and the station.
    pub(super) fn add_listener(&mut self) {
        self.listeners += 1;
        self.course.listened_by(self.listeners);
    }

    /// Notes before a replay, one line each: where the recording was cut off, and what has changed
    /// since.
    pub(crate) fn notes(&self, now: &TraceHeader) -> String {
        let then = &self.survey.header;
        let mut notes = Vec::new();
        if self.survey.verdict.is_none() {
            let end = self.survey.span.map_or(0.0, |(_, end)| end);
            notes.push(format!(
                "it was cut off after call {} at {}, and is replayed up to there",
                self.survey.calls,
                show_quantity(end, Dimension::TIME, None, None)
            ));
        }
        if then.spintrue != now.spintrue {
            let (then, now) = (&then.spintrue, &now.spintrue);
            notes.push(format!("it was written by spintrue {then}, and this one is {now}"));
        }
        for script in &then.scripts {
            match now.scripts.iter().find(|other| other.name == script.name) {
                None => notes.push(format!("{} ran then and is not used now", script.name)),
                Some(other) if other != script => {
                    notes.push(format!("{} is not as it was then", script.name));
                }
                Some(_) => {}
            }
        }
        for (name, value) in &then.params {
            match now.params.iter().find(|(other, _)| other == name) {
                Some((_, other)) if same(value, other) => {}
                Some((_, other)) => notes.push(format!(
                    "param {name} was {value} then and is {other} now: `--set \"{name}={value}\"`"
                )),
                None => notes.push(format!("param {name} was {value} then and is none now")),
            }
        }
        let line = |note: String| format!("note: {}: {note}\n", self.name);
        notes.into_iter().map(line).collect()
    }

    /// Where the run left its recording, or stopped early; none where it did neither.
    pub(crate) fn outcome(&self) -> Option<String> {
        let left = match self.course.departure() {
            Some(departure) => departure,
            None if self.course.calls() < self.survey.calls => format!(
                "the run ended at call {} of the {} that are recorded",
                self.course.calls(),
                self.survey.calls
            ),
            None => return None,
        };
        Some(format!("replay: {}: {left}\n", self.name))
    }
}

/// Reads a recording from end to end.
pub(crate) fn surveyed(name: &str) -> Result<TraceSurvey, Error> {
    survey_trace(file(name)?).map_err(|why| invalid!("{name} {why}"))
}

/// Opens a recording at its second line.
pub(crate) fn reader(name: &str) -> Result<TraceReader<File>, Error> {
    TraceReader::new(file(name)?).map_err(|why| invalid!("{name} {why}"))
}

fn file(name: &str) -> Result<File, Error> {
    let path = Path::new(name);
    if path.is_dir() {
        return Err(invalid!(
            "{name} is a folder: a recording is a file, as `spintrue run SCRIPT --trace FILE` writes it"
        ));
    }
    open_file(path)
}

/// Opens the head that a recording holds.
pub(super) fn open(name: &str) -> Result<Opened, Error> {
    let survey = surveyed(name)?;
    let played = Replay::new(reader(name)?);
    let course = played.course();
    let header = &survey.header;
    let has_gauge = header.gauge;
    Ok(Opened {
        faults: header.faults.clone(),
        seed: header.seed.unwrap_or(0),
        replay: Some(Recorded { name: name.to_string(), survey, course, listeners: 0 }),
        ..plain(Box::new(played), has_gauge, true)
    })
}
