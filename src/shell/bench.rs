//! The bench: one head, one session of the language, and what an entry comes to on both.

use crate::builtins::Effect;
use crate::check::limit::{beyond, leave, way_out};
use crate::check::live::Answer;
use crate::diagnostics::{Diagnostic, Severity};
use crate::head::control::{Control, SharedControl};
use crate::head::replay::Course;
use crate::head::station::Station;
use crate::head::{Laser, SafeState};
use crate::lsp::describe::{Callable, Taken};
use crate::program::failure::{Failure, FailureKind};
use crate::program::value::Datum;
use crate::session::live::{Entry, RoutineSeen, Session};
use crate::session::{Files, RunnableEntry, Verdict};
use crate::shell::known::{Known, Name, Shared};
use crate::shell::pauses::Mark;
use crate::shell::prompt::{self, Stand, prompt};
use crate::shell::reader::Reader;
use crate::shell::save::Deed;
use crate::shell::tap::Tap;
use crate::shell::view;
use crate::shell::voice::Voice;
use crate::shell::wait::Watch;
use crate::terminal::draws_progress;
use crate::terminal::mode::Mode;
use crate::terminal::told::{failed, left, rendered};
use crate::terminal::{BOLD, DIM, RED, YELLOW, complain, say, styled, wrapped};
use crate::units::{Dimension, show};
use std::cell::RefCell;
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;

/// An entry that may take longer than this, in s of head time, says so before it runs.
const LONG: f64 = 10.0;

/// What an entry came to, for whoever has no terminal to read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Came {
    /// It ran to its end.
    Well,
    /// It was refused, or stopped by a failure, and the exit code that says so.
    Ill(u8),
    /// Enough.
    Leave,
}

/// A routine for the line editor.
fn callable(seen: RoutineSeen) -> Callable {
    let taken = seen.parameters.into_iter();
    let taken = taken.map(|(name, label)| Taken { name, label, meaning: String::new() });
    Callable {
        name: seen.name,
        parameters: taken.collect(),
        gives: seen.gives.map(|kind| format!(" -> {kind}")).unwrap_or_default(),
        meaning: seen.about,
    }
}

/// One head and one session.
pub struct Bench {
    /// The head with its gauge.
    pub station: Station,
    /// What the head was told.
    pub tap: Rc<RefCell<Tap>>,
    /// The language's side.
    pub session: Session,
    /// Where scripts come from.
    pub files: Box<dyn Files>,
    /// The script that was read, and how its params were set.
    pub script: Option<(String, Vec<String>)>,
    /// What may be done to the head; none leaves it to the kind of head.
    pub allowed: Option<Vec<Effect>>,
    /// Time passes while nothing is done.
    pub time_passes: bool,
    /// Somebody is at the terminal.
    pub attended: bool,
    /// How the terminal is while no line is edited.
    pub mode: Mode,
    /// Colours.
    pub colour: bool,
    /// Told to the line editor.
    pub known: Shared,
    /// How the head stood last.
    pub stand: Stand,
    /// What was done, for the saved script.
    pub deeds: Vec<Deed>,
    /// What was said of the head when it was made safe, until something runs again.
    pub left: Option<String>,
    /// Files that were saved.
    pub saved: Vec<PathBuf>,
    /// Checks that do not conform, and those that could not be decided.
    pub checks: (usize, usize),
    /// What was typed ahead is being thrown away until this ends.
    pub dropping: Option<JoinHandle<()>>,
    /// Lines at which stepping pauses.
    pub marks: BTreeSet<Mark>,
    /// Set from outside to end the shell.
    pub leave: Arc<AtomicBool>,
    /// The recording that is played back, where the head is one.
    pub replay: Option<Course>,
    /// Control of a head that several clients may reach.
    pub control: Option<Box<dyn SharedControl>>,
    /// Who had it last.
    pub owner: Option<Control>,
    /// The head is wanted safe, whoever controls it.
    pub insists: bool,
}

impl Bench {
    /// The words before the next entry.
    pub fn prompt(&self) -> String {
        prompt(&self.stand, self.owner, self.station.description())
    }

    /// The same with room for how the head may stand before the entry is finished.
    pub fn roomy_prompt(&self, reader: &Reader) -> String {
        match self.time_passes {
            true => prompt::roomy(self.prompt(), reader.can_draw_again()),
            false => self.prompt(),
        }
    }

    /// Looks how the head stands; gives what has changed.
    pub fn look(&mut self) -> Vec<String> {
        self.watch().look()
    }

    /// The head while somebody types.
    pub fn watch(&mut self) -> Watch<'_> {
        Watch {
            station: &mut self.station,
            stand: &mut self.stand,
            known: &self.known,
            leave: &self.leave,
            replay: self.replay.as_ref(),
            control: self.control.as_deref(),
            owner: &mut self.owner,
            time_passes: self.time_passes,
            attended: self.attended,
            colour: self.colour,
        }
    }

    /// Reads a script anew: its routines, params and constants take the place of all before.
    pub fn read(&mut self, path: &str, settings: &[String]) -> Came {
        match self.session.load(&mut *self.files, path, settings) {
            Ok(entry) => {
                let came = self.run(entry);
                if came == Came::Well {
                    self.script = Some((path.to_string(), settings.to_vec()));
                    self.deeds.clear();
                    let (values, routines) =
                        (self.session.values().len(), self.session.routines().count());
                    let many = |n: usize, what: &str| match n {
                        1 => format!("1 {what}"),
                        n => format!("{n} {what}s"),
                    };
                    say(&format!(
                        "read {path}: {}, {}; nothing of it was run\n",
                        many(routines, "routine"),
                        many(values, "value")
                    ));
                }
                came
            }
            Err(why) => {
                complain(&format!("error: {why}\n"));
                Came::Ill(2)
            }
        }
    }

    /// Checks an entry and runs it.
    pub fn enter(&mut self, text: &str) -> Came {
        let entry = self.session.enter(&mut *self.files, text);
        let came = self.run(entry);
        if came == Came::Well {
            self.deeds.push(Deed::Entry);
        }
        came
    }

    /// Runs a checked entry, if it may run.
    pub fn run(&mut self, entry: Entry) -> Came {
        let Some(entry) = self.may_run(entry) else { return Came::Ill(2) };
        let mut voice = self.begin();
        let ran = self.session.run(entry, &mut self.station, &mut voice);
        self.finish(voice, ran)
    }

    /// Something is about to run; gives who tells of it.
    pub fn begin(&mut self) -> Voice {
        // Whatever the terminal was left like before, Ctrl-C must be heard.
        self.mode.set();
        self.tap.borrow_mut().mark();
        self.tap.borrow_mut().shows_armed = self.attended && self.time_passes && draws_progress();
        self.left = None;
        Voice::new(self.colour)
    }

    /// Says what a run came to.
    pub fn finish(&mut self, mut voice: Voice, ran: Result<Vec<(Answer, Datum)>, Failure>) -> Came {
        voice.clear();
        self.tap.borrow_mut().shows_armed = false;
        self.checks.0 += voice.failing;
        self.checks.1 += voice.undecided;
        let came = match ran {
            Ok(answers) => {
                for (answer, datum) in &answers {
                    say(&view::answer(self.session.sources(), answer, datum, self.colour));
                }
                Came::Well
            }
            Err(failure) => self.stopped(&failure),
        };
        self.tell();
        came
    }

    /// Reports what is wrong with an entry before anything moves, and how long it may take.
    pub fn may_run(&mut self, entry: Entry) -> Option<RunnableEntry> {
        let mut told = entry.diagnostics.clone();
        let bound = entry.bound(self.station.description());
        let limits = self.beyond_allowed(&entry);
        let check_fault = |fault: &str| self.station.check_can_inject(fault);
        let admitted = entry.admit(self.station.description(), &check_fault, limits);
        let admitted = admitted.map_err(|refused| told.extend(refused)).ok();
        self.report(&told);
        let entry = admitted?;
        if let Some(bound) = bound
            && self.attended
        {
            let line = match bound.most {
                Some(most) if most < LONG => return Some(entry),
                Some(most) => {
                    format!("takes at most {}", show(most, Dimension::TIME, None, Some(0)))
                }
                None => "no bound on its time is known".to_string(),
            };
            let line = format!("{line}; Ctrl-C stops it and makes the head safe");
            complain(&format!("{}\n", styled(&line, DIM, self.colour)));
        }
        Some(entry)
    }

    fn beyond_allowed(&self, entry: &Entry) -> Vec<Diagnostic> {
        let harmless = self.station.description().simulated || self.replay.is_some();
        let allowed = leave(self.allowed.as_deref(), harmless, self.attended);
        let out = |effect: Effect| way_out(self.allowed.is_some(), effect);
        beyond(&entry.effects, &allowed, &out, self.session.sources())
    }

    pub fn report(&self, diagnostics: &[Diagnostic]) {
        let errors = diagnostics.iter().any(|d| d.severity == Severity::Error);
        if !diagnostics.is_empty() {
            complain(&rendered(diagnostics, self.session.sources()));
        }
        if errors && self.attended {
            complain("nothing was run\n");
        }
    }

    /// Says what stopped an entry and what it may have changed; on request makes the head safe.
    fn stopped(&mut self, failure: &Failure) -> Came {
        complain(&failed(failure, self.session.sources(), self.colour));
        let interrupted = failure.kind == FailureKind::Interrupted;
        if self.tap.borrow().was_armed() && !interrupted {
            // The tap hears how the laser stands now.
            let _ = self.watch().status();
        }
        let head = match self.tap.borrow().changed() {
            Some(changed) => format!("{changed}; "),
            None if interrupted => String::new(),
            None => "nothing was changed on the head; ".to_string(),
        };
        complain(&wrapped(&format!("{head}no name of the entry was kept"), ""));
        self.ill(failure)
    }

    /// The exit code of a failure; on request the head is made safe.
    pub fn ill(&mut self, failure: &Failure) -> Came {
        if failure.kind == FailureKind::Interrupted {
            self.stop();
        }
        Came::Ill(Verdict::of(failure.kind).exit_code())
    }

    /// Somebody asked to stop: what was typed before is thrown away, and the head is made safe.
    pub fn stop(&mut self) {
        self.drop_typed();
        if self.leaves_to_another() {
            self.station.stop_flag().store(false, Ordering::SeqCst);
        } else {
            self.make_safe();
        }
    }

    /// The exit code of a shell whose entries gave `code`, its checks counted in.
    pub fn exit_code(&self, code: u8) -> u8 {
        match self.checks {
            _ if code != 0 || self.attended => code,
            (0, 0) => 0,
            (0, _) => 4,
            _ => 1,
        }
    }

    /// Another client controls the head: it is left to that one, which is told here.
    pub fn leaves_to_another(&self) -> bool {
        let is_anothers = self.owner == Some(Control::Others) && !self.insists;
        if is_anothers {
            complain("the head is left to the client that controls it\n");
        }
        is_anothers
    }

    /// The head was seen dark and at rest when it was looked at last.
    pub fn is_resting(&self) -> bool {
        matches!(&self.stand, Stand::Known(now) if now.at_rest && now.laser == Laser::Off)
    }

    /// Begins to throw away what was typed before.
    pub fn drop_typed(&mut self) {
        if self.attended {
            self.dropping = self.mode.drop_typed();
        }
    }

    /// Where somebody asked to stop: nothing that was typed before is read any more.
    pub fn forget_typed(&mut self, reader: &Reader) {
        if let Some(dropping) = self.dropping.take() {
            // It ends by itself in a moment, and cannot panic.
            let _ = dropping.join();
            reader.forget();
        }
    }

    /// Laser off, mirror parked, polygon down, and says what was measured then.
    pub fn make_safe(&mut self) -> SafeState {
        self.safe(false)
    }

    /// The same, whoever controls the head.
    pub fn make_safe_surely(&mut self) -> SafeState {
        self.insist(true);
        let safe = self.make_safe();
        self.insist(false);
        safe
    }

    /// Has all that makes safe act on a head that another client controls, or leave it to that one.
    pub fn insist(&mut self, on: bool) {
        self.insists = on;
        self.control.iter().for_each(|control| control.insist(on));
    }

    /// The end of the shell; `well` keeps the polygon spinning where an entry asked for it.
    pub fn safe(&mut self, well: bool) -> SafeState {
        if self.time_passes && self.attended {
            let hint = "making the head safe; Ctrl-C ends the wait until the polygon rests";
            complain(&format!("{}\n", styled(hint, DIM, self.colour)));
        }
        self.mode.set();
        let safe = self.station.finish(well);
        // It was heard: the wait for rest is over.
        self.station.stop_flag().store(false, Ordering::SeqCst);
        let calm = safe.laser_off && safe.at_rest && safe.troubles.is_empty();
        let style = if calm || safe.kept_spinning { BOLD } else { RED };
        let line = format!("head: {}", left(&safe));
        if self.left.as_ref() != Some(&line) {
            say(&format!("{}\n", styled(&line, style, self.colour)));
        }
        self.left = Some(line);
        for trouble in &safe.troubles {
            say(&format!("{}\n", styled(trouble, YELLOW, self.colour)));
        }
        self.look();
        safe
    }

    /// Tells the line editor what is known now.
    pub fn tell(&self) {
        let names = self.session.names();
        let values = self.session.values().iter().filter(|kept| !kept.name(names).is_empty());
        let values = values.map(|kept| (kept.name(names).to_string(), Name::value(kept)));
        let routines = self.session.routines().map(|seen| (seen.name.clone(), callable(seen)));
        let folder = self.script.as_ref().and_then(|(path, _)| {
            let folder = std::path::Path::new(path).parent()?;
            Some(folder.to_string_lossy().into_owned())
        });
        let head = self.station.description();
        self.known.set(Known {
            values: values.collect(),
            routines: routines.collect(),
            folder: folder.unwrap_or_default(),
            signals: head.signals.iter().map(|signal| signal.name.clone()).collect(),
            channels: head.channels.iter().map(|channel| channel.name.clone()).collect(),
        });
    }
}
