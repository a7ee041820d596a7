//! Runs a tree and says what came of it.

use super::head::{BUILTINS, Bench, Logged};
use crate::head::station::Station;
use crate::interpret::{Event, Observer, run_with};
use crate::operator::Operator;
use crate::program::failure::{Failure, FailureKind};
use crate::program::tree::{Program, Statement};
use crate::source::Span;
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

pub struct Ran {
    pub result: Result<(), Failure>,
    pub events: Vec<Event>,
    pub bench: Bench,
}

pub struct Events(Vec<Event>);

impl Observer for Events {
    fn event(&mut self, _: f64, event: Event) {
        self.0.push(event);
    }
}

pub fn run_on(bench: Bench, program: &Program) -> Ran {
    run_asking(bench, program, None)
}

pub fn run_asking(bench: Bench, program: &Program, operator: Option<Box<dyn Operator>>) -> Ran {
    let stop = Arc::new(AtomicBool::new(false));
    let bench = Rc::new(RefCell::new(bench));
    let head = Logged { bench: bench.clone(), stop: stop.clone() };
    let mut station = Station::open(Box::new(head), None, stop).unwrap();
    if let Some(operator) = operator {
        station.attend(operator);
    }
    bench.borrow_mut().log.clear();
    let mut events = Events(Vec::new());
    let place = |span: Span| format!("place {}", span.start);
    let result = run_with(BUILTINS, program, &mut station, &mut events, &place);
    let bench = bench.take();
    Ran { result, events: events.0, bench }
}

pub fn program(body: Vec<Statement>) -> Program {
    Program { words: 30, refs: 30, body, ..Program::default() }
}

pub fn run(body: Vec<Statement>) -> Ran {
    run_on(Bench::default(), &program(body))
}

impl Ran {
    pub fn notes(&self) -> Vec<&str> {
        let notes = self.events.iter().filter_map(|event| match event {
            Event::Note(text) => Some(text.as_str()),
            _ => None,
        });
        notes.collect()
    }
    /// What the head was asked to do, without the looks at its state.
    pub fn calls(&self) -> Vec<&str> {
        let calls = self.bench.log.iter().map(String::as_str);
        calls.filter(|line| !line.starts_with("look")).collect()
    }
    pub fn also(&self) -> Vec<&str> {
        let also = self.events.iter().filter_map(|event| match event {
            Event::AlsoFailed(failure) => Some(failure.message.as_str()),
            _ => None,
        });
        also.collect()
    }
    pub fn failure(&self) -> (FailureKind, &str, u32) {
        let failure = self.result.as_ref().unwrap_err();
        (failure.kind, &failure.message, failure.place.start)
    }
    #[track_caller]
    pub fn fails(&self, kind: FailureKind, message: &str) {
        let failure = self.failure();
        assert_eq!((failure.0, failure.1), (kind, message));
    }
    #[track_caller]
    pub fn says(&self, notes: &[&str]) {
        assert_eq!(self.result, Ok(()));
        assert_eq!(self.notes(), notes);
    }
}
