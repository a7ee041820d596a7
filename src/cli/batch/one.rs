//! One head of a batch: a run with its record, stored in the archive before the record counts as
//! finished, so that neither is ever there twice.

use crate::bounds::bound;
use crate::cli::batch::Options;
use crate::cli::batch::place::Place;
use crate::cli::batch::plan::Planned;
use crate::cli::files::{Disk, Supply};
use crate::cli::fixture::Ready;
use crate::cli::history::{Archive, Keeper};
use crate::cli::pages::Told;
use crate::cli::picture::Look;
use crate::cli::record::{self, Again, Recorder, Recording, Unmet};
use crate::cli::run::{About, Printer};
use crate::head::record::CallRecorder;
use crate::head::station::Station;
use crate::interpret::{Event, Observer};
use crate::operator::Given;
use crate::session::{self, Finished, Prepared, Verdict};
use crate::terminal::complain;
use std::cell::RefCell;
use std::path::Path;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// What stands behind every run of the batch.
pub(super) struct Common<'a> {
    pub options: &'a Options,
    pub script: &'a str,
    pub fixtures: &'a Ready,
    /// Of the script and what it uses.
    pub digest: String,
    pub operator: Option<&'a String>,
    /// Asks the run that goes on to stop.
    pub stop: Arc<AtomicBool>,
}

/// What a run came to.
pub(super) struct Ran {
    pub verdict: Verdict,
    pub unmet: Unmet,
    pub failure: Option<String>,
    pub took: f64,
    /// Whether the head was left safe.
    pub safe: bool,
}

/// Why no run came to its end, or nothing of it was kept.
pub(super) enum Trouble {
    /// The head did not answer at all; nothing was begun.
    NoAnswer(String),
    /// Record or archive cannot be written, so that the batch cannot go on.
    Lost(String),
}

/// Hears which checks are not met.
#[derive(Default)]
struct Listener {
    unmet: Rc<RefCell<Unmet>>,
}

impl Observer for Listener {
    fn event(&mut self, _: f64, event: Event) {
        if let Event::Check(check) = event {
            self.unmet.borrow_mut().take(&check);
        }
    }
}

impl Printer for Listener {
    fn pages(&mut self, _: &[Told]) {}

    fn finish(&mut self, _: &Finished, _: &Prepared) {}
}

/// Runs the script on a head and keeps all of it.
pub(super) fn run(
    common: &Common<'_>,
    planned: &Planned,
    (prepared, given): (&Prepared, Given),
    folder: &Path,
    archive: Option<&mut Archive>,
) -> Result<Ran, Trouble> {
    let Some(program) = &prepared.program else {
        return Err(Trouble::NoAnswer("the script does not run".to_string()));
    };
    let opened = planned.place.open(common.fixtures, &common.stop).map_err(|why| {
        let why = why.trim_end().trim_start_matches("error: ");
        Trouble::NoAnswer(why.to_string())
    })?;
    if let Some(medium) = &opened.medium {
        medium.keep();
    }
    let recorder = Rc::new(RefCell::new(Recorder::new(common.stop.clone())));
    let link = Box::new(CallRecorder::new(opened.link, recorder.clone()));
    let mut station = Station::open(link, common.stop.clone())
        .map_err(|fault| Trouble::NoAnswer(format!("the head does not answer: {fault}")))?;
    station.set_images(Box::new(Supply::new(Disk, common.script)));
    station.set_operator(Box::new(given));
    let description = station.description().clone();
    if description.serial != planned.serial {
        let other = &description.serial;
        return Err(Trouble::NoAnswer(format!("the head says that it is {other}")));
    }
    let check_fault = |fault: &str| station.check_can_inject(fault);
    let admitted = planned.admit(prepared, &description, &check_fault, common.options);
    let runnable = admitted.map_err(|why| {
        complain(&why);
        let why = "the script cannot be run on this head, for the reasons above";
        Trouble::NoAnswer(why.to_string())
    })?;
    let params = program.params.iter().map(|p| (p.name.to_string(), p.text.clone())).collect();
    let (address, faults) = match &planned.place {
        Place::Made(head) => (head.address(), head.faults.as_slice()),
        Place::There(address) => (address.clone(), &[][..]),
    };
    let again = Again {
        script: common.script,
        address: &address,
        seed: opened.medium.is_some().then_some(opened.seed),
        faults,
        fixtures: common.options.fixtures.paths(),
        answers: common.options.answers.as_deref(),
    };
    let mut files = opened.files;
    files.extend(common.options.fixtures.texts());
    let about = About {
        script: common.script,
        head: &description,
        address: None,
        seed: opened.seed,
        faults: opened.faults,
        params,
        operator: common.operator.map(String::as_str),
        at_most: bound(program, &prepared.params, &description).most,
        replay: false,
        again: again.arguments(),
        files,
    };
    let identity = record::identity(&about, prepared);
    recorder.borrow_mut().start(folder, identity, &about).map_err(Trouble::Lost)?;
    let listener = Listener::default();
    let unmet = listener.unmet.clone();
    let mut recording = Recording {
        inner: Box::new(listener),
        recorder: recorder.clone(),
        sources: &prepared.sources,
    };
    let mut keeper = Keeper::new(&mut recording, archive.is_some());
    let finished = session::run(runnable, &mut station, &mut keeper);
    let heard = keeper.heard();
    let sheets = opened.medium.map(|medium| medium.take()).unwrap_or_default();
    let pages = record::pages(&sheets, &Look::default());
    let sealed = recorder.borrow_mut().seal(&finished, prepared, pages).map_err(Trouble::Lost)?;
    let verdict = finished.verdict();
    // An interrupted run is made again; the archive holds none twice.
    if let Some(archive) = archive.filter(|_| verdict != Verdict::Interrupted) {
        if let Some(path) = &sealed {
            record::sync(path).map_err(Trouble::Lost)?;
        }
        let stored = archive.store(&about, &common.digest, &heard, &finished);
        stored.map_err(Trouble::Lost)?;
    }
    if let Some(path) = sealed {
        record::unmark(&path).map_err(Trouble::Lost)?;
    }
    let mut unmet = unmet.take();
    unmet.not_reached = finished.unreached.iter().map(|check| check.label.to_string()).collect();
    Ok(Ran {
        verdict,
        unmet,
        failure: finished
            .failure
            .map(|failure| failure.message)
            .or_else(|| finished.safe.trouble()),
        took: finished.took,
        safe: finished.safe.is_safe(),
    })
}
