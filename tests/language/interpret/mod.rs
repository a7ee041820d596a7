//! Runs scripts on a head that keeps a log and fails where a test says so.

mod ask;
mod computing;
mod flow;
mod guards;
mod head;
mod hold;
mod limits;
mod values;

use crate::inside::Sources;
use head::{Log, Logged};
use spintrue_head::Rig;
use spintrue_language::{
    Event, Failure, FailureKind, Observer, Operator, Prepared, Station, prepare,
    render_diagnostics, run_program,
};
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Keeps what a run tells; the note `stop` is a request to stop.
struct Told {
    events: Vec<Event>,
    stop: Arc<AtomicBool>,
}

impl Observer for Told {
    fn event(&mut self, _: f64, event: Event) {
        match &event {
            Event::Note(text) if text == "stop" => self.stop.store(true, Ordering::Relaxed),
            _ => self.events.push(event),
        }
    }
}

/// A script that ran.
struct Ran {
    prepared: Prepared,
    result: Result<(), Failure>,
    events: Vec<Event>,
    log: Log,
}

fn run(script: &str) -> Ran {
    run_on(Log::default(), script)
}

fn run_on(log: Log, script: &str) -> Ran {
    run_asking(log, script, None)
}

fn run_asking(log: Log, script: &str, operator: Option<Box<dyn Operator>>) -> Ran {
    let prepared = prepare(&mut Sources::of(script), "script.spt", &[]).unwrap();
    let reports = render_diagnostics(&prepared.diagnostics, &prepared.sources, false, 80);
    assert_eq!(prepared.errors(), 0, "{script}\n{reports}");
    let stop = Arc::new(AtomicBool::new(false));
    let log = Rc::new(RefCell::new(log));
    let head = Logged { log: log.clone(), stop: stop.clone() };
    let mut station =
        Station::open(Box::new(Rig::new(Box::new(head), None)), stop.clone()).unwrap();
    if let Some(operator) = operator {
        station.set_operator(operator);
    }
    station.set_real_time(log.borrow().tick > 0.0);
    log.borrow_mut().lines.clear();
    let mut told = Told { events: Vec::new(), stop };
    let sources = prepared.sources.clone();
    let place = Rc::new(move |span| sources.place(span));
    let program = prepared.program.as_ref().unwrap();
    let result = run_program(program, &mut station, &mut told, place);
    let log = log.take();
    Ran { prepared, result, events: told.events, log }
}

impl Ran {
    fn notes(&self) -> Vec<&str> {
        let notes = self.events.iter().filter_map(|event| match event {
            Event::Note(text) => Some(text.as_str()),
            _ => None,
        });
        notes.collect()
    }

    /// The calls of the head, without the looks at its state.
    fn calls(&self) -> Vec<&str> {
        let calls = self.log.lines.iter().map(String::as_str);
        calls.filter(|line| !line.starts_with("look")).collect()
    }

    /// Failures behind the first one.
    fn also(&self) -> Vec<&str> {
        let also = self.events.iter().filter_map(|event| match event {
            Event::AlsoFailed(failure) => Some(failure.message.as_str()),
            _ => None,
        });
        also.collect()
    }

    fn failure(&self) -> &Failure {
        self.result.as_ref().unwrap_err()
    }

    /// Fails with these words, at the place where the script has `at`.
    #[track_caller]
    fn fails_at(&self, kind: FailureKind, message: &str, at: &str) {
        self.fails(kind, message);
        assert_eq!(self.prepared.sources.slice(self.failure().place), at);
    }

    #[track_caller]
    fn fails(&self, kind: FailureKind, message: &str) {
        let failure = self.failure();
        assert_eq!((failure.kind, failure.message.as_str()), (kind, message));
    }

    #[track_caller]
    fn says(&self, notes: &[&str]) {
        assert_eq!(self.result, Ok(()));
        assert_eq!(self.notes(), notes);
    }
}
