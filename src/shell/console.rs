//! The console: one head and one session of the language; what runs an entry on both.

use crate::shell::context::PromptContext;
use crate::shell::head_watch::HeadWatch;
use crate::shell::monitor::CallMonitor;
use crate::shell::outcome::{Action, Breakpoint, EntryOutcome};
use crate::shell::printer::EntryPrinter;
use crate::shell::recorded::SessionRecord;
use crate::shell::view;
use crate::terminal::mode::Mode;
use crate::terminal::told::{failed, left_text, rendered};
use crate::terminal::{
    BOLD, DIM, RED, YELLOW, complain, counted, draws_progress, say, styled, wrapped,
};
use spintrue_head::{Control, Dimension, SafeState, show_quantity};
use spintrue_language::{
    BRIEF_TIME, Callable, CallableParameter, Datum, Diagnostic, Effect, EntryAnswer, Failure,
    FailureKind, Files, KeptName, LiveEntry, LiveSession, NameScope, NamedValue, RoutineSeen,
    RunnableEntry, Station, Verdict, allowed_effects, effect_way_out, effects_beyond,
    record_fields,
};
use std::cell::RefCell;
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::rc::Rc;
use std::sync::atomic::Ordering;
use std::thread::JoinHandle;

/// Time between two looks at the head during the waits of an entry, in s, for what is shown meanwhile.
const LOOK_INTERVAL: f64 = 0.1;

/// The shell announces entries that may take longer than this, in s of head time.
const ANNOUNCED: f64 = 10.0;

/// A routine for the line editor.
fn callable(seen: RoutineSeen) -> Callable {
    let parameters = seen.parameters.into_iter();
    let parameters =
        parameters.map(|(name, label)| CallableParameter { name, label, meaning: String::new() });
    Callable {
        name: seen.name,
        parameters: parameters.collect(),
        returns: seen.gives.map(|kind| format!(" -> {kind}")).unwrap_or_default(),
        meaning: seen.about,
        declared: None,
    }
}

/// How a saved script waits until the polygon rests.
const AT_REST: &str = "wait until at_rest() within 60 s";

/// What is left to do by hand where a head could not be made safe.
fn only_by_hand(safe: &SafeState) -> Option<&'static str> {
    let still = safe.at_rest || safe.kept_spinning;
    match (safe.laser_off, still) {
        (false, _) => Some(
            "ALARM: the laser is not known to be off. Only the interlock chain can still take its power: \
             open it, and keep clear of the beam and of the polygon.",
        ),
        (true, false) if !safe.troubles.is_empty() => Some(
            "ALARM: the polygon was not stopped. Only the power of its drive can still stop it: switch it \
             off, and keep clear until it rests.",
        ),
        (true, _) => None,
    }
}

/// A value for the line editor.
fn value(kept: &KeptName) -> NamedValue {
    NamedValue {
        kind: kept.kind(),
        text: kept.text().chars().take(BRIEF_TIME).collect(),
        fields: record_fields(kept.kind_of()),
        ..NamedValue::default()
    }
}

/// One head and one session.
pub(super) struct Console {
    /// The head with its gauge.
    pub station: Station,
    /// The head between entries.
    pub watch: HeadWatch,
    /// Hears every call of the head.
    pub monitor: Rc<RefCell<CallMonitor>>,
    /// The session of the language.
    pub session: LiveSession,
    /// Where scripts come from.
    pub files: Box<dyn Files>,
    /// The script that was read, and how its params were set.
    pub script: Option<(String, Vec<String>)>,
    /// The effects that entries may have; none leaves it to the kind of head.
    pub allowed: Option<Vec<Effect>>,
    /// The terminal while no line is edited.
    pub mode: Mode,
    /// What was done, for the saved script.
    pub actions: Vec<Action>,
    /// What was printed when the head was made safe, until an entry runs again.
    pub left: Option<String>,
    /// Files that were saved.
    pub saved: Vec<PathBuf>,
    /// Checks that do not conform, and those that are undecided.
    pub checks: (usize, usize),
    /// Discards what is typed ahead until it ends.
    pub discarding: Option<JoinHandle<()>>,
    /// Longest time of the entry that was admitted last, in s; none where no bound is known.
    pub most: Option<f64>,
    /// The record of the session, where one is kept.
    pub record: Option<SessionRecord>,
    /// Lines at which stepping pauses.
    pub breakpoints: BTreeSet<Breakpoint>,
}

impl Console {
    /// The prompt of the next entry, with room for what may become of it.
    pub(super) fn prompt(&self) -> String {
        self.watch.roomy(self.watch.prompt(&self.station))
    }

    /// Looks at the head without printing what has changed.
    pub(super) fn look(&mut self) {
        self.watch.look(&mut self.station);
    }

    /// Reads a script: its routines, params and constants replace all before.
    pub(super) fn read(&mut self, path: &str, settings: &[String]) -> EntryOutcome {
        let entry = match self.session.load(&mut *self.files, path, settings) {
            Ok(entry) => entry,
            Err(why) => return EntryOutcome::wrong(why),
        };
        let outcome = self.run(entry);
        if outcome == EntryOutcome::Done {
            self.script = Some((path.to_string(), settings.to_vec()));
            self.actions.clear();
            let routines = counted(self.session.routines().count(), "routine");
            let values = counted(self.session.values().len(), "value");
            say(&format!("read {path}: {routines}, {values}; nothing of it was run\n"));
        }
        outcome
    }

    /// Checks an entry and runs it.
    pub(super) fn enter(&mut self, text: &str) -> EntryOutcome {
        let entry = self.session.enter(&mut *self.files, text);
        let source = entry.source;
        let outcome = self.run(entry);
        if outcome == EntryOutcome::Done {
            self.actions.push(Action::entry(text, source));
        }
        outcome
    }

    /// Runs a checked entry, if it may run.
    pub(super) fn run(&mut self, entry: LiveEntry) -> EntryOutcome {
        let Some(entry) = self.admit(entry) else { return EntryOutcome::WRONG };
        let mut printer = self.begin();
        let ran = match &self.record {
            Some(record) => {
                let sources = self.session.sources().clone();
                let mut recording = record.observer(&mut printer, &sources);
                self.session.run(entry, &mut self.station, &mut recording)
            }
            None => self.session.run(entry, &mut self.station, &mut printer),
        };
        self.finish(printer, ran)
    }

    /// Prepares for a run; gives the printer of its events.
    pub(super) fn begin(&mut self) -> EntryPrinter {
        // However the terminal was left before, Ctrl-C must work.
        self.mode.keep_ends();
        self.monitor.borrow_mut().mark();
        let line = Rc::clone(&self.monitor.borrow().line);
        if self.watch.attended && self.watch.time_passes && draws_progress() {
            line.borrow_mut().begin(self.most);
            self.station.sample(Some(LOOK_INTERVAL));
        }
        self.left = None;
        EntryPrinter::new(self.watch.colour).above(line)
    }

    /// Shows on a terminal while the laser is armed, or no more.
    pub(super) fn show_armed(&self, on: bool) {
        let line = Rc::clone(&self.monitor.borrow().line);
        let can = self.watch.attended && self.watch.time_passes && draws_progress();
        if on && can { line.borrow_mut().begin(None) } else { line.borrow_mut().end() }
    }

    /// Prints the result of a run.
    pub(super) fn finish(
        &mut self,
        printer: EntryPrinter,
        ran: Result<Vec<(EntryAnswer, Datum)>, Failure>,
    ) -> EntryOutcome {
        self.monitor.borrow().line.borrow_mut().end();
        self.station.sample(None);
        let [_, failing, undecided] = printer.checks;
        self.checks.0 += failing;
        self.checks.1 += undecided;
        if let Some(record) = &mut self.record {
            record.ended(&printer, ran.as_ref().err());
        }
        let outcome = match ran {
            Ok(answers) => {
                say(&view::answers(self.session.sources(), &answers, self.watch.colour));
                EntryOutcome::Done
            }
            Err(failure) => self.stopped(&failure),
        };
        self.update_context();
        outcome
    }

    /// Admits an entry to the head; prints its reports and how long it may take.
    pub(super) fn admit(&mut self, entry: LiveEntry) -> Option<RunnableEntry> {
        let mut reports = entry.diagnostics.clone();
        let bound = entry.bound(self.station.description());
        let limits = self.beyond_allowed(&entry);
        let check_fault = |fault: &str| self.station.check_can_inject(fault);
        let admitted = entry.admit(self.station.description(), &check_fault, limits);
        let admitted = admitted.map_err(|refused| reports.extend(refused)).ok();
        self.report(&reports);
        let entry = admitted?;
        self.most = bound.as_ref().and_then(|bound| bound.most);
        if let Some(bound) = bound
            && self.watch.attended
        {
            let line = match bound.most {
                Some(most) if most < ANNOUNCED => return Some(entry),
                Some(most) => {
                    format!("takes at most {}", show_quantity(most, Dimension::TIME, None, Some(0)))
                }
                None => "no bound on its time is known".to_string(),
            };
            let line = format!("{line}; Ctrl-C stops it and makes the head safe");
            complain(&format!("{}\n", styled(&line, DIM, self.watch.colour)));
        }
        Some(entry)
    }

    fn beyond_allowed(&self, entry: &LiveEntry) -> Vec<Diagnostic> {
        let harmless = self.station.description().simulated || self.watch.replay.is_some();
        let allowed = allowed_effects(self.allowed.as_deref(), harmless, self.watch.attended);
        let out = |effect: Effect| effect_way_out(self.allowed.is_some(), effect);
        effects_beyond(&entry.effects, &allowed, &out, self.session.sources())
    }

    /// Prints reports.
    pub(super) fn report(&self, diagnostics: &[Diagnostic]) {
        let errors = diagnostics.iter().any(Diagnostic::is_error);
        if !diagnostics.is_empty() {
            complain(&rendered(diagnostics, self.session.sources()));
        }
        if errors && self.watch.attended {
            complain("nothing was run\n");
        }
    }

    /// Prints what stopped an entry and what it may have changed; makes the head safe after a stop.
    pub(super) fn stopped(&mut self, failure: &Failure) -> EntryOutcome {
        if let Some(record) = &self.record {
            let told = format!("failed: {}: {}", failure.kind.text(), failure.message);
            record.note(self.station.now(), told);
        }
        complain(&failed(failure, self.session.sources(), self.watch.colour));
        let interrupted = failure.kind == FailureKind::Interrupted;
        if self.monitor.borrow().was_armed() && !interrupted {
            // The monitor hears the present state of the laser.
            let _ = self.watch.status(&mut self.station);
        }
        let head = match self.monitor.borrow().changed() {
            Some(changed) => format!("{changed}; "),
            None if interrupted => String::new(),
            None => "nothing was changed on the head; ".to_string(),
        };
        complain(&wrapped(&format!("{head}no name of the entry was kept"), ""));
        self.outcome_of(failure)
    }

    /// The outcome of a failure; makes the head safe after a stop.
    pub(super) fn outcome_of(&mut self, failure: &Failure) -> EntryOutcome {
        if failure.kind == FailureKind::Interrupted {
            self.stop();
        }
        EntryOutcome::Failed(Verdict::of(failure.kind).exit_code())
    }

    /// Stops: discards what was typed before, and makes the head safe.
    pub(super) fn stop(&mut self) {
        self.discard_typed();
        if self.leaves_to_another() {
            self.station.stop_flag().store(false, Ordering::SeqCst);
        } else {
            let safe = self.safe(false);
            if safe.laser_off && safe.troubles.is_empty() && !self.actions.is_empty() {
                self.keep_safe();
            }
        }
    }

    /// Keeps for a saved script that the head was made safe: what follows was done at rest.
    pub(super) fn keep_safe(&mut self) {
        if self.actions.last().is_none_or(|last| last.text != AT_REST) {
            self.actions.extend(["park()", "brake()", AT_REST].map(Action::statement));
        }
    }

    /// The exit code of a shell whose entries gave `code`, checks included.
    pub(super) fn exit_code(&self, code: u8) -> u8 {
        match self.checks {
            _ if code != 0 || self.watch.attended => code,
            (0, 0) => 0,
            (0, _) => 4,
            _ => 1,
        }
    }

    /// Whether another client controls the head, to which it is left; prints so.
    pub(super) fn leaves_to_another(&self) -> bool {
        let is_anothers = self.watch.owner == Some(Control::Others) && !self.watch.insists;
        if is_anothers {
            complain("the head is left to the client that controls it\n");
        }
        is_anothers
    }

    /// Starts to discard what was typed ahead.
    pub(super) fn discard_typed(&mut self) {
        if self.watch.attended {
            self.discarding = self.mode.discard_typed();
        }
    }

    /// After a stop, sees to it that nothing typed before it is read.
    pub(super) fn forget_typed(&mut self) {
        if let Some(discarding) = self.discarding.take() {
            // It ends by itself in a moment, and cannot panic.
            let _ = discarding.join();
            self.watch.reader.forget();
        }
    }

    /// Makes the head safe, no matter which client controls it.
    pub(super) fn force_safe(&mut self) -> SafeState {
        self.watch.set_insists(true);
        let safe = self.safe(false);
        self.watch.set_insists(false);
        safe
    }

    /// Laser off, mirror parked, polygon down; prints what was measured then. `may_spin` leaves the polygon spinning where an entry asked for it.
    pub(super) fn safe(&mut self, may_spin: bool) -> SafeState {
        if self.watch.time_passes && self.watch.attended {
            let hint = "making the head safe; Ctrl-C ends the wait until the polygon rests";
            complain(&format!("{}\n", styled(hint, DIM, self.watch.colour)));
        }
        self.mode.set();
        let safe = self.station.finish(may_spin);
        // The request is done: the wait for rest is over.
        self.station.stop_flag().store(false, Ordering::SeqCst);
        let calm = safe.laser_off && safe.at_rest && safe.troubles.is_empty();
        let style = if calm || safe.kept_spinning { BOLD } else { RED };
        let line = format!("head: {}", left_text(&safe));
        if self.left.as_ref() != Some(&line) {
            say(&format!("{}\n", styled(&line, style, self.watch.colour)));
        }
        self.left = Some(line);
        for trouble in &safe.troubles {
            say(&format!("{}\n", styled(trouble, YELLOW, self.watch.colour)));
        }
        if let Some(left) = only_by_hand(&safe) {
            say(&styled(&wrapped(left, ""), &format!("{BOLD};{RED}"), self.watch.colour));
        }
        self.look();
        safe
    }

    /// Updates what the line editor knows.
    pub(super) fn update_context(&self) {
        let names = self.session.names();
        let values = self.session.values().iter().filter(|kept| !kept.name(names).is_empty());
        let values = values.map(|kept| (kept.name(names).to_string(), value(kept)));
        let routines = self.session.routines().map(|seen| (seen.name.clone(), callable(seen)));
        let folder = self.script.as_ref().and_then(|(path, _)| {
            let folder = std::path::Path::new(path).parent()?;
            Some(folder.to_string_lossy().into_owned())
        });
        let head = self.station.description();
        let (values, routines) = (values.collect(), routines.collect());
        let signals = head.signals.iter().map(|signal| signal.name.clone()).collect();
        let channels = head.channels.iter().map(|channel| channel.name.clone()).collect();
        self.watch.shared.with(|known| {
            *known = PromptContext {
                scope: NameScope { values, routines, open: Vec::new(), returns: None },
                folder: folder.unwrap_or_default(),
                signals,
                channels,
                prompt: std::mem::take(&mut known.prompt),
            };
        });
    }
}
