//! Recordings on the disk: one that is written while a run goes on, and one that is replayed.

use crate::cli::address::{self, Opened};
use crate::cli::files::open_file;
use crate::cli::output::Force;
use crate::cli::run::About;
use crate::head::call::{Call, Reply};
use crate::head::record::{CallRecorder, Heard, Listener};
use crate::head::replay::{Course, Replay};
use crate::head::trace::{
    FORMAT, Header, Script, Survey, TraceReader, TraceWriter, VERSION, survey,
};
use crate::head::{Fault, Link};
use crate::record::hexadecimal;
use crate::session::Prepared;
use crate::units::{Dimension, show};
use sha2::{Digest, Sha256};
use std::cell::RefCell;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// A recording that is being written.
pub(super) struct Tracer {
    path: PathBuf,
    /// What was heard before the recording was begun.
    early: Vec<Heard>,
    writer: Option<TraceWriter<File>>,
    /// The first thing that could not be written.
    trouble: Option<String>,
    /// Asks the run to stop.
    stop: Arc<AtomicBool>,
    /// There is a gauge.
    gauge: bool,
}

impl Tracer {
    /// Listens to a head, and writes nothing yet. `stop` ends the run should writing fail.
    pub(super) fn listening(
        path: &Path,
        stop: Arc<AtomicBool>,
        (link, gauge): (Box<dyn Link>, bool),
    ) -> (Rc<RefCell<Tracer>>, Box<dyn Link>) {
        let tracer = Rc::new(RefCell::new(Tracer {
            path: path.to_path_buf(),
            early: Vec::new(),
            writer: None,
            trouble: None,
            stop,
            gauge,
        }));
        let link = Box::new(CallRecorder::new(link, tracer.clone()));
        (tracer, link)
    }

    /// Makes the file and begins. Fails with what is to be told.
    pub(super) fn start(&mut self, header: &Header, force: &Force) -> Result<(), String> {
        let header = Header { gauge: self.gauge, ..header.clone() };
        let name = self.path.display();
        let file = force.create(&self.path)?;
        let writer = TraceWriter::new(file, &header).map_err(|e| format!("{name} {e}"))?;
        self.writer = Some(writer);
        for heard in std::mem::take(&mut self.early) {
            self.heard(&heard);
        }
        self.trouble.clone().map_or(Ok(()), Err)
    }

    /// Writes something, unless something went wrong before.
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
            self.trouble = Some(format!("the recording {} {why}", self.path.display()));
            self.stop.store(true, Ordering::SeqCst);
        }
    }

    /// Ends the recording. Fails with what could not be written, now or before.
    pub(super) fn finish(&mut self, verdict: &str) -> Result<(), String> {
        if let Some(trouble) = self.trouble.take() {
            return Err(trouble);
        }
        let Some(writer) = self.writer.take() else { return Ok(()) };
        let written = writer.finish(verdict).and_then(|file| Ok(file.sync_all()?));
        written.map_err(|why| format!("the recording {} {why}", self.path.display()))
    }
}

impl Listener for Tracer {
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

/// What stands behind a run, for its recording: no paths, no names of people, nothing of the machine.
pub(super) fn header(about: &About<'_>, prepared: &Prepared) -> Header {
    let scripts = prepared.sources.iter().take(prepared.scripts);
    let scripts = scripts.map(|(_, source)| Script {
        name: source.name.rsplit('/').next().unwrap_or_default().to_string(),
        sha256: hexadecimal(&Sha256::digest(source.text.as_bytes())),
    });
    Header {
        scripts: scripts.collect(),
        params: about.params.clone(),
        ..bare(about.head, about.seed, &about.faults)
    }
}

/// The same where no script runs.
pub(super) fn bare(head: &crate::head::Description, seed: u64, faults: &[String]) -> Header {
    Header {
        format: FORMAT.to_string(),
        version: VERSION,
        spintrue: env!("CARGO_PKG_VERSION").to_string(),
        head: head.clone(),
        gauge: false,
        seed: head.simulated.then_some(seed),
        faults: faults.to_vec(),
        scripts: Vec::new(),
        params: Vec::new(),
    }
}

/// A recording that is replayed.
pub(super) struct Replaying {
    name: String,
    survey: Survey,
    course: Course,
}

/// Whether a param is as it was; an older version cut a long one after 57 characters.
fn same(then: &str, now: &str) -> bool {
    let words = || now.split_whitespace().collect::<Vec<_>>().join(" ");
    then == now || then.strip_suffix("...").is_some_and(|cut| words().starts_with(cut))
}

impl Replaying {
    /// How far it is.
    pub(super) fn course(&self) -> Course {
        self.course.clone()
    }

    /// So many listeners stand between it and the station.
    pub(super) fn listened_by(&self, listeners: u64) {
        self.course.listened_by(listeners);
    }

    /// What should be known before it is replayed, one line each: where the recording was cut off,
    /// and what is not as it was then.
    pub(super) fn notes(&self, now: &Header) -> String {
        let then = &self.survey.header;
        let mut notes = Vec::new();
        if self.survey.verdict.is_none() {
            let end = self.survey.span.map_or(0.0, |(_, end)| end);
            notes.push(format!(
                "it was cut off after call {} at {}, and is replayed up to there",
                self.survey.calls,
                show(end, Dimension::TIME, None, None)
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

    /// What is to be told behind the run: where it left its recording, or that it stopped early.
    pub(super) fn outcome(&self) -> Option<String> {
        let left = match self.course.departure() {
            Some(departure) => departure.to_string(),
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

/// Reads a recording from end to end. Fails with what is to be printed.
pub(super) fn surveyed(name: &str) -> Result<Survey, String> {
    let found = file(name).and_then(|file| survey(file).map_err(|why| format!("{name} {why}")));
    found.map_err(|why| format!("error: {why}"))
}

/// Opens a recording at its second line.
pub(super) fn reader(name: &str) -> Result<TraceReader<File>, String> {
    let read = file(name).and_then(|f| TraceReader::new(f).map_err(|why| format!("{name} {why}")));
    read.map_err(|why| format!("error: {why}"))
}

fn file(name: &str) -> Result<File, String> {
    let path = Path::new(name);
    if path.is_dir() {
        return Err(format!(
            "{name} is a folder: a recording is a file, which `spintrue run SCRIPT --trace FILE` makes"
        ));
    }
    let file = open_file(path)?;
    if file.metadata().is_ok_and(|data| !data.is_file()) {
        return Err(format!("{name} is no file that can be read twice: copy it into one"));
    }
    Ok(file)
}

/// Opens the head that a recording holds. Fails with what is to be printed.
pub(super) fn open(name: &str) -> Result<Opened, String> {
    let survey = surveyed(name)?;
    let played = Replay::new(reader(name)?);
    let course = played.course();
    let header = &survey.header;
    let (faults, seed, gauge) = (header.faults.clone(), header.seed.unwrap_or(0), header.gauge);
    let replay = Some(Replaying { name: name.to_string(), survey, course });
    Ok(Opened { faults, seed, replay, ..address::plain(Box::new(played), gauge, true) })
}
