//! The record of a session: what was typed, what head and entries reported, and how it ended.

use crate::error::Error;
use crate::record::{Bound, Recorder, Recording, Sealed, pages};
use crate::shell::outcome::EntryOutcome;
use crate::shell::printer::EntryPrinter;
use spintrue_head::SafeState;
use spintrue_language::{Failure, Finished, Observer, SourceMap};
use spintrue_sim::{Medium, Showing};
use std::cell::RefCell;
use std::rc::Rc;

/// A record that is kept of a session.
pub(crate) struct SessionRecord {
    recorder: Rc<RefCell<Recorder>>,
    /// Holds the pages that were exposed on a simulated head.
    medium: Option<Medium>,
    /// Head time in s at which the session began.
    begun: f64,
    /// What stopped an entry first.
    failure: Option<Failure>,
    /// Checks that conform, that do not, and that are undecided.
    checks: [usize; 3],
    provoked: Vec<String>,
}

impl SessionRecord {
    /// Of a record that was started at a head time `begun` in s.
    pub(crate) fn new(
        recorder: Rc<RefCell<Recorder>>,
        medium: Option<Medium>,
        begun: f64,
    ) -> SessionRecord {
        recorder.borrow_mut().set_idle(true);
        let (failure, checks, provoked) = (None, [0; 3], Vec::new());
        SessionRecord { recorder, medium, begun, failure, checks, provoked }
    }

    /// Notes something beside the events of entries.
    pub(super) fn note(&self, time: f64, text: String) {
        self.recorder.borrow_mut().note(time, text);
    }

    /// Something was typed and is about to be run.
    pub(super) fn begin_entry(&self, time: f64, text: &str) {
        self.recorder.borrow_mut().set_idle(false);
        self.note(time, format!("> {}", text.trim_end()));
    }

    /// It was run, or refused.
    pub(super) fn end_entry(&self, time: f64, outcome: EntryOutcome) {
        if outcome == EntryOutcome::WRONG {
            self.note(time, "it was refused".to_string());
        }
        self.recorder.borrow_mut().set_idle(true);
    }

    /// Passes on the events of an entry, and records them.
    pub(super) fn observer<'o>(
        &self,
        inner: &'o mut dyn Observer,
        sources: &'o SourceMap,
    ) -> Recording<'o> {
        Recording { inner, recorder: Rc::clone(&self.recorder), sources }
    }

    /// An entry has ended.
    pub(super) fn ended(&mut self, printer: &EntryPrinter, failure: Option<&Failure>) {
        for (all, of) in self.checks.iter_mut().zip(printer.checks) {
            *all += of;
        }
        self.provoked.extend(printer.provoked.iter().cloned());
        if self.failure.is_none() {
            self.failure = failure.cloned();
        }
    }

    /// Writes what is left of the record; fails where something could not be written.
    pub(super) fn finish(
        self,
        sources: &SourceMap,
        safe: SafeState,
        now: f64,
    ) -> Result<(), Error> {
        let [conforming, failing, undecided] = self.checks;
        let finished = Finished {
            failure: self.failure,
            conforming,
            failing,
            undecided,
            unreached: Vec::new(),
            provoked: self.provoked,
            took: now - self.begun,
            safe,
        };
        let sheets = self.medium.as_ref().map(Medium::take).unwrap_or_default();
        let pages = pages(&sheets, &Showing { scale: 1, spot: None });
        let mut recorder = self.recorder.borrow_mut();
        recorder.add_texts(sources);
        let sealed = recorder.seal(&finished, sources, pages, &Bound::default())?;
        sealed.iter().try_for_each(Sealed::finish)
    }
}
