//! Running the script that was read, and stepping through it or through an entry: what can be seen
//! at a pause, and values worked out of it.

use crate::builtins::Effect;
use crate::check::live::{Answer, Kept};
use crate::check::steps::{Place, Steps};
use crate::diagnostics::Diagnostic;
use crate::interpret::{Event, Moment, Observer, Stepper};
use crate::program::failure::Failure;
use crate::program::value::Datum;
use crate::session::live::{Entry, Given, Session};
use crate::session::{Files, RunnableEntry};
use crate::source::Span;
use crate::station::Station;
use std::collections::HashSet;

/// Is asked before each statement of what is stepped through.
pub trait Pauses {
    /// A statement is about to run. The run goes on where this gives true, and is stopped else.
    fn before(&mut self, pause: Pause<'_, '_>) -> bool;
}

/// Right before a statement.
pub struct Pause<'a, 'm> {
    /// The moment, with the head.
    pub moment: Moment<'m>,
    session: &'a mut Session,
    steps: &'a Steps,
}

/// Why a value cannot be looked at.
pub enum Unseen {
    /// It is not one, or it has an error.
    Wrong(Vec<Diagnostic>),
    /// It does more than look, by this call.
    Does(Effect, Span),
    /// It is no value.
    NoValue,
    /// It is of an open dimension, whose unit only the caller knows.
    Open,
    /// Working it out failed.
    Failed(Failure),
}

impl Pause<'_, '_> {
    /// The place of the statement.
    pub fn place(&self) -> Option<&Place> {
        self.steps.places().get(self.moment.step)
    }

    /// Every place at which the run may pause.
    pub fn steps(&self) -> &Steps {
        self.steps
    }

    /// All that is known of the session, for reports.
    pub fn session(&self) -> &Session {
        self.session
    }

    /// What can be seen here, in the order of declaration.
    pub fn seen(&self) -> Vec<Kept> {
        self.steps.seen(self.moment.step, |slot| self.moment.datum(slot))
    }

    /// Works out a value over what can be seen here. It may ask the head, where `reads`, and do
    /// nothing else to it.
    pub fn value(
        &mut self,
        files: &mut dyn Files,
        text: &str,
        reads: bool,
    ) -> Result<Vec<(Answer, Datum)>, Unseen> {
        // Routines go on to see what they saw, and the value what can be seen here.
        let mut seen = self.session.kept.clone();
        seen.retain(Kept::is_for_routines);
        let routines: HashSet<Span> = seen.iter().map(Kept::span).collect();
        let (here, open): (Vec<Kept>, Vec<Kept>) =
            self.seen().into_iter().partition(Kept::can_be_shown);
        if open.iter().any(|kept| kept.name(self.session.names()) == text) {
            return Err(Unseen::Open);
        }
        let here = here.into_iter().filter(|kept| !routines.contains(&kept.span()));
        seen.extend(here.map(Kept::own));
        let kept = std::mem::replace(&mut self.session.kept, seen);
        let entry = self.session.checked(files, Given::Entry("pause", text), false);
        self.session.kept = kept;
        let head = self.moment.station.description();
        let check_fault = |fault: &str| self.moment.station.check_can_inject(fault);
        let told = entry.diagnostics.clone();
        let entry = entry
            .admit(head, &check_fault, Vec::new())
            .map_err(|more| Unseen::Wrong(told.into_iter().chain(more).collect()))?;
        let Some(ready) = &entry.0.ready else { return Err(Unseen::NoValue) };
        let effects = entry.0.effects.last().into_iter().flat_map(|own| &own.effects);
        let beyond = |effect: Effect| effect != Effect::Reads || !reads;
        if let Some((effect, by)) = effects.into_iter().find(|(effect, _)| beyond(**effect)) {
            return Err(Unseen::Does(*effect, by.span));
        }
        if ready.left.shown.len() != 1 {
            return Err(Unseen::NoValue);
        }
        self.session.look(&entry, self.moment.station, &mut Silent).map_err(Unseen::Failed)
    }
}

struct Silent;

impl Observer for Silent {
    fn event(&mut self, _: f64, _: Event) {}
}

impl Session {
    /// Checks what the script that was read does, over what is known now; none where none was read.
    pub fn body(&mut self, files: &mut dyn Files, steps: bool) -> Option<Entry> {
        let body = self.body.clone()?;
        Some(self.checked(files, Given::Body(body), steps))
    }

    /// Checks an entry that is to be stepped through.
    pub fn stepped(&mut self, files: &mut dyn Files, text: &str) -> Entry {
        let name = self.next_entry();
        self.checked(files, Given::Entry(&name, text), true)
    }

    /// Where a run of all that is known now may pause.
    pub fn steps(&mut self, files: &mut dyn Files) -> Entry {
        match self.body(files, true) {
            Some(entry) => entry,
            None => self.checked(files, Given::Entry("nothing", ""), true),
        }
    }

    /// As [`Session::run`], for an entry that was checked for stepping.
    pub fn step(
        &mut self,
        entry: RunnableEntry,
        station: &mut Station,
        observer: &mut dyn Observer,
        pauses: &mut dyn Pauses,
    ) -> Result<Vec<(Answer, Datum)>, Failure> {
        let RunnableEntry(Entry { ready: Some(ready), steps, .. }) = entry else {
            return Ok(Vec::new());
        };
        // What is looked at meanwhile adds texts of its own.
        let sources = self.texts.sources.clone();
        let mut between = Between { session: self, steps: &steps, pauses };
        let values = ready.run(&sources, station, observer, Some(&mut between))?;
        Ok(self.keep(ready, values))
    }
}

/// Puts the session to the moments of a run.
struct Between<'a> {
    session: &'a mut Session,
    steps: &'a Steps,
    pauses: &'a mut dyn Pauses,
}

impl Stepper for Between<'_> {
    fn before(&mut self, moment: Moment<'_>) -> bool {
        let Between { session, steps, pauses } = self;
        pauses.before(Pause { moment, session, steps })
    }
}
