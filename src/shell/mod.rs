//! The interactive shell: a prompt at which a technician spins, inspects and trims a head. Every
//! entry is checked before it runs. Uses the session, the station and the terminal.
//!
//! The head stays on the thread that runs the shell; entries are read on another one, so that the
//! head is watched while a line is typed, and a failing reader leaves it supervised.

#![allow(clippy::disallowed_methods, reason = "the shell talks to the terminal")]

mod basic;
mod bench;
mod colour;
mod commands;
mod complete;
mod console;
mod context;
mod entries;
mod export;
mod head_watch;
mod help;
mod helper;
mod hint;
mod measured;
mod monitor;
mod outcome;
mod pauses;
mod plot;
mod printer;
mod progress;
mod prompt;
mod questions;
mod reader;
mod recorded;
mod save;
mod step;
mod topics;
mod trims;
mod values;
mod view;
mod watch;

pub(crate) use monitor::CallMonitor;
pub(crate) use recorded::SessionRecord;

use crate::error::WRONG;
use crate::shell::console::Console;
use crate::shell::context::Shared;
use crate::shell::head_watch::{HeadWatch, Heard};
use crate::shell::outcome::EntryOutcome;
use crate::shell::prompt::HeadState;
use crate::shell::questions::PromptOperator;
use crate::shell::reader::{Input, InputKind, Reader};
use crate::terminal::mode::Mode;
use crate::terminal::{complain, say, told, wrapped};
use rustyline::error::ReadlineError;
use spintrue_head::{Calls, Control, Course, SafeState, WireControl};
use spintrue_language::{Effect, Files, LiveSession, Station, StationError, Verdict};
use std::cell::RefCell;
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// What a shell works with.
pub(crate) struct Setup {
    /// The head, its calls told to `monitor`; its stop flag is set by Ctrl-C.
    pub station: Station,
    /// Hears every call of the head.
    pub monitor: Rc<RefCell<CallMonitor>>,
    /// Where scripts come from.
    pub files: Box<dyn Files>,
    /// A script whose routines, params and constants are there from the start, and how its params are
    /// set.
    pub script: Option<(String, Vec<String>)>,
    /// The effects that entries may have; none leaves it to the kind of head.
    pub allowed: Option<Vec<Effect>>,
    /// Set from outside to end the shell, such as when the terminal is closed.
    pub leave: Arc<AtomicBool>,
    /// The recording that is played back, where the head is one.
    pub replay: Option<Course>,
    /// Control of a head that several clients may reach.
    pub control: Option<WireControl>,
    /// The file of what was typed; none keeps nothing.
    pub history: Option<PathBuf>,
    /// A person is at the terminal; else plain lines are read.
    pub attended: bool,
    /// Time passes while nothing is done, so that the head is watched.
    pub time_passes: bool,
    /// Colours on standard output.
    pub colour: bool,
    /// The record of the session, where one is kept.
    pub session: Option<SessionRecord>,
    /// Printed at the start.
    pub greeting: String,
}

/// Printed where another client controls the head.
const OBSERVES: &str = "another client controls the head, so that this shell only looks. `safe` makes \
                        the head safe all the same; `take` takes control once the other client gave \
                        it back";

/// Runs a shell to its end and makes the head safe; gives the exit code.
pub(crate) fn run(mut setup: Setup) -> u8 {
    let (script, greeting) = (setup.script.take(), std::mem::take(&mut setup.greeting));
    let mut console = match console(setup) {
        Ok(console) => console,
        Err(why) => {
            complain(&format!("the terminal cannot be used: {why}\n"));
            return 2;
        }
    };
    greet(&mut console, &greeting);
    let attended = console.watch.attended;
    let mut code = 0;
    if let Some((script, settings)) = &script
        && let EntryOutcome::Failed(failed) = console.read(script, settings)
    {
        code = failed;
    }
    if attended || code == 0 {
        let ended = entries(&mut console);
        code = if attended { 0 } else { ended };
    }
    end(&mut console, code)
}

fn console(setup: Setup) -> Result<Console, ReadlineError> {
    let mut station = setup.station;
    let (attended, colour, shared) = (setup.attended, setup.colour, Shared::default());
    let reader = match attended {
        true => Reader::terminal(shared.clone(), setup.history, colour)?,
        false => Reader::lines(),
    };
    station.set_operator(Box::new(PromptOperator { reader: reader.clone(), attended, colour }));
    Ok(Console {
        station,
        watch: HeadWatch {
            state: HeadState::NoAnswer("it was not asked yet".to_string()),
            control: setup.control,
            owner: None,
            insists: false,
            replay: setup.replay,
            shared,
            reader,
            leave: setup.leave,
            time_passes: setup.time_passes,
            attended,
            colour,
        },
        monitor: setup.monitor,
        session: LiveSession::default(),
        files: setup.files,
        script: None,
        allowed: setup.allowed,
        mode: Mode::take(),
        actions: Vec::new(),
        left: None,
        saved: Vec::new(),
        checks: (0, 0),
        discarding: None,
        most: None,
        record: setup.session,
        breakpoints: BTreeSet::new(),
    })
}

/// Prints what is to know at the start.
fn greet(console: &mut Console, greeting: &str) {
    let attended = console.watch.attended;
    if attended {
        say(greeting);
    }
    // The trims in force are those that the first `undo` may lead back to.
    if console.watch.replay.is_none() {
        match console.station.trims() {
            Ok(trims) => {
                if let Some(trims) = told::trims(&trims).filter(|_| attended) {
                    say(&wrapped(&format!("trims in force: {trims}"), ""));
                }
            }
            Err(StationError::Fault(fault)) => complain(&format!(
                "the trims in force cannot be read, so `undo` begins with the first load: {fault}\n"
            )),
            Err(_) => {}
        }
    }
    console.look();
    if console.watch.owner == Some(Control::Others) {
        complain(&wrapped(OBSERVES, ""));
    }
    console.update_context();
}

/// Makes the head safe at the end and ends the record; gives the exit code.
fn end(console: &mut Console, code: u8) -> u8 {
    console.look();
    let (safe, code) = if console.leaves_to_another() {
        let seen = match &console.watch.state {
            HeadState::Known(status) => Some(&**status),
            HeadState::NoAnswer(_) => None,
        };
        (SafeState::seen(seen, true, Vec::new()), console.exit_code(code))
    } else {
        let safe = console.safe(code == 0 && !console.watch.leave.load(Ordering::SeqCst));
        // Only a request to stop ends the wait for rest without a trouble.
        let code = match safe.laser_off && safe.troubles.is_empty() {
            _ if safe.is_safe() => console.exit_code(code),
            true => Verdict::Interrupted.exit_code(),
            false => Verdict::HeadFailed.exit_code(),
        };
        (safe, code)
    };
    console.mode.set();
    let Some(record) = console.record.take() else { return code };
    let now = console.station.now();
    match record.finish(console.session.sources(), safe, now) {
        Ok(()) => code,
        Err(error) => {
            error.context("the record of the session is not finished").print();
            if code == 0 { WRONG } else { code }
        }
    }
}

/// A Ctrl-C that comes this soon behind the prompt was typed before it, for the entry that ran.
const TYPED_AHEAD: Duration = Duration::from_millis(100);

/// Reads and runs entries until the shell ends. Without a person at the terminal a failed entry ends
/// it; gives its exit code.
fn entries(console: &mut Console) -> u8 {
    let attended = console.watch.attended;
    // Without a person at the terminal, the exit code tells of a stop.
    let stopped = if attended { 0 } else { Verdict::Interrupted.exit_code() };
    loop {
        let held = console.watch.owner == Some(Control::Own);
        console.watch.print_changes(&mut console.station);
        let holds = console.watch.owner == Some(Control::Own);
        if !held && holds {
            complain("-- this shell controls the head now; `give` gives control back\n");
        }
        if held && !holds {
            // What was typed ahead counted on a head that another client has made safe since.
            console.discard_typed();
            console.forget_typed();
        }
        let asked = Instant::now();
        console.mode.set();
        console.watch.reader.ask(InputKind::Entry, &console.prompt());
        let input = loop {
            match console.watch.wait(&mut console.station) {
                Heard::Input(input) => break input,
                Heard::Leave => return stopped,
                Heard::Stop if !attended => return stopped,
                Heard::Stop => {
                    console.stop();
                    console.forget_typed();
                    if !console.watch.reader.is_waiting() {
                        console.watch.reader.ask(InputKind::Entry, &console.prompt());
                    }
                }
            }
        };
        let outcome = match input {
            Input::Entry(text) => enter_recorded(console, &text),
            Input::Dropped(false)
                if asked.elapsed() < TYPED_AHEAD && !console.watch.is_resting() =>
            {
                console.stop();
                EntryOutcome::Done
            }
            Input::Dropped(typed) => {
                if !typed {
                    complain(
                        "nothing runs. `safe` makes the head safe, `leave` or Ctrl-D ends the shell\n",
                    );
                }
                EntryOutcome::Done
            }
            Input::End => return 0,
            Input::Broken(why) => {
                complain(&format!("{why}\n"));
                return 2;
            }
        };
        console.forget_typed();
        match outcome {
            EntryOutcome::Leave => return 0,
            EntryOutcome::Failed(code) if !attended => return code,
            _ => {}
        }
        if console.watch.leave.load(Ordering::SeqCst) {
            return stopped;
        }
    }
}

/// Runs what was typed, and records that it was.
fn enter_recorded(console: &mut Console, text: &str) -> EntryOutcome {
    if let Some(record) = &console.record {
        record.begin_entry(console.station.now(), text);
    }
    let outcome = enter(console, text);
    if let Some(record) = &console.record {
        record.end_entry(console.station.now(), outcome);
    }
    outcome
}

/// Runs what was typed: a command, or an entry of the language.
fn enter(console: &mut Console, text: &str) -> EntryOutcome {
    if text.trim().is_empty() {
        return EntryOutcome::Done;
    }
    // A name of the session is not hidden by another name of a command.
    let is_own = console.watch.shared.with(|known| known.scope.values.contains_key(text.trim()));
    let command = commands::of(text).filter(|(command, _)| !is_own || command.name == text.trim());
    let Some((command, rest)) = command else {
        let outcome = console.enter(text);
        if outcome == EntryOutcome::WRONG
            && let Some(meant) = commands::meant(text)
        {
            complain(&format!("did you mean the command `{meant}`?\n"));
        }
        return outcome;
    };
    // In an emergency grammar does not matter.
    if command.takes.is_empty() && !rest.is_empty() && command.name != "safe" {
        return EntryOutcome::wrong(format!(
            "`{0}` takes nothing, so nothing was done ({0}: {1})",
            command.name, command.meaning
        ));
    }
    match command.name {
        "help" => help::help(console, rest),
        "names" => basic::names(console),
        "state" => basic::state(console),
        "watch" => watch::watch(console, rest),
        "plot" => plot::plot(console, rest),
        "trims" => trims::trims(console),
        "safe" => basic::safe(console),
        "take" => basic::take(console),
        "give" => basic::give(console),
        "undo" => basic::undo(console),
        "read" => basic::read(console, rest),
        "run" => step::run(console),
        "step" => step::step(console, rest),
        "pause" => pauses::pause(console, rest),
        "pauses" => pauses::pauses(console),
        "entries" => entries::entries(console),
        "drop" => entries::drop(console, rest),
        "save" => save::save(console, rest),
        "export" => export::export(console, rest),
        _ => EntryOutcome::Leave,
    }
}
