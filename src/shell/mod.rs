//! The interactive shell: a prompt in which a technician spins, looks, trims and traces a head.
//! Every entry is checked before it runs. Uses the session, the station and the terminal.
//!
//! The head stays on the thread that runs the shell; entries are read on another one, so that the
//! head is watched while somebody types, and a reader that breaks down leaves it in good hands.

#![allow(clippy::disallowed_methods, reason = "this room talks to the terminal")]

mod bench;
mod colour;
mod complete;
mod facets;
mod help;
mod hint;
mod history;
mod known;
mod line;
mod measured;
mod pauses;
mod plot;
mod poke;
mod prompt;
mod questions;
mod reader;
mod save;
mod step;
mod tap;
mod view;
mod voice;
mod wait;
mod watch;
mod words;

pub use tap::Tap;

use crate::builtins::Effect;
use crate::head::Calls;
use crate::head::Fault;
use crate::head::control::{Control, SharedControl};
use crate::head::replay::Course;
use crate::head::station::{Station, StationError};
use crate::session::live::Session;
use crate::session::{Files, Verdict};
use crate::shell::bench::{Bench, Came};
use crate::shell::history::History;
use crate::shell::known::Shared;
use crate::shell::prompt::Stand;
use crate::shell::questions::AtPrompt;
use crate::shell::reader::{Input, Reader, Typed};
use crate::shell::wait::Heard;
use crate::terminal::mode::Mode;
use crate::terminal::{complain, say};
use crate::terminal::{told, wrapped};
use std::cell::RefCell;
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// What a shell works with.
pub struct Setup {
    /// The head, its calls told to `tap`; its stop flag is set by Ctrl-C.
    pub station: Station,
    /// Hears every call of the head.
    pub tap: Rc<RefCell<Tap>>,
    /// Where scripts come from.
    pub files: Box<dyn Files>,
    /// A script whose routines, params and constants are there from the start.
    pub script: Option<String>,
    /// How its params are set.
    pub settings: Vec<String>,
    /// What may be done to the head; none leaves it to the kind of head.
    pub allowed: Option<Vec<Effect>>,
    /// Set from outside to end the shell, such as when the terminal is closed.
    pub leave: Arc<AtomicBool>,
    /// The recording that is played back, where the head is one.
    pub replay: Option<Course>,
    /// Control of a head that several clients may reach.
    pub control: Option<Box<dyn SharedControl>>,
    /// Keeps what was typed; none keeps nothing.
    pub history: Option<PathBuf>,
    /// Somebody is at the terminal; else plain lines are read.
    pub attended: bool,
    /// Time passes while nothing is done, so that the head is watched.
    pub time_passes: bool,
    /// Colours on standard output.
    pub colour: bool,
    /// Said at the beginning.
    pub greeting: String,
}

/// Runs a shell to its end and makes the head safe; gives the exit code.
pub fn run(setup: Setup) -> u8 {
    let mode = Mode::take();
    let known = Shared::default();
    let reader = if setup.attended {
        Reader::terminal(known.clone(), History(setup.history), setup.colour)
    } else {
        Ok(Reader::lines())
    };
    let reader = match reader {
        Ok(reader) => reader,
        Err(why) => {
            complain(&format!("error: the terminal cannot be used: {why}\n"));
            return 2;
        }
    };
    let mut bench = Bench {
        station: setup.station,
        tap: setup.tap,
        session: Session::default(),
        files: setup.files,
        script: None,
        allowed: setup.allowed,
        time_passes: setup.time_passes,
        attended: setup.attended,
        mode,
        colour: setup.colour,
        known,
        stand: Stand::Silent("it was not asked yet".to_string()),
        deeds: Vec::new(),
        left: None,
        saved: Vec::new(),
        checks: (0, 0),
        dropping: None,
        marks: BTreeSet::new(),
        leave: setup.leave,
        replay: setup.replay,
        control: setup.control,
        owner: None,
        insists: false,
    };
    let operator =
        AtPrompt { reader: reader.clone(), attended: setup.attended, colour: setup.colour };
    bench.station.set_operator(Box::new(operator));
    if setup.attended {
        say(&setup.greeting);
    }
    // The trims in force are those that the first `undo` may lead back to.
    if bench.replay.is_none() {
        match bench.station.trims() {
            Ok(trims) => {
                let told = told::trims(&trims).filter(|_| setup.attended);
                told.iter().for_each(|told| say(&wrapped(&format!("trims in force: {told}"), "")));
            }
            Err(StationError::Fault(fault)) => complain(&trims_unknown(&fault)),
            Err(_) => {}
        }
    }
    bench.look();
    if bench.owner == Some(Control::Others) {
        complain(&wrapped(OBSERVES, ""));
    }
    bench.tell();
    let mut code = 0;
    if let Some(script) = &setup.script
        && let Came::Ill(ill) = bench.read(script, &setup.settings)
    {
        code = ill;
    }
    if setup.attended || code == 0 {
        let ended = entries(&mut bench, &reader);
        code = if setup.attended { 0 } else { ended };
    }
    drop(reader);
    bench.look();
    if bench.leaves_to_another() {
        return bench.exit_code(code);
    }
    let safe = bench.safe(code == 0 && !bench.leave.load(Ordering::SeqCst));
    if !safe.is_safe() {
        // Only a request ends the wait for rest without a trouble.
        let asked = safe.laser_off && safe.troubles.is_empty();
        let verdict = if asked { Verdict::Interrupted } else { Verdict::HeadFailed };
        return verdict.exit_code();
    }
    bench.exit_code(code)
}

/// Said where another client controls the head.
const OBSERVES: &str = "another client controls the head, so that this shell only looks. `safe` makes \
                        the head safe all the same; `take` takes control once the other client gave \
                        it back";

fn trims_unknown(fault: &Fault) -> String {
    format!("the trims in force cannot be read, so `undo` begins with the first load: {fault}\n")
}

/// A Ctrl-C that comes this soon behind the prompt was typed before it, for the entry that ran.
const TYPED_AHEAD: Duration = Duration::from_millis(100);

/// Reads and runs entries until somebody leaves; gives the exit code of the one that went ill
/// where nobody is there to go on.
fn entries(bench: &mut Bench, reader: &Reader) -> u8 {
    // Where nobody is there, a stop is told to whoever started the shell.
    let stopped = if bench.attended { 0 } else { Verdict::Interrupted.exit_code() };
    loop {
        let held = bench.owner == Some(Control::Own);
        bench.watch().tell_all(reader);
        if held && bench.owner != Some(Control::Own) {
            // What was typed ahead counted on a head that another client has made safe since.
            bench.drop_typed();
            bench.forget_typed(reader);
        }
        let asked = Instant::now();
        reader.ask(Typed::Entry, &bench.roomy_prompt(reader));
        let input = loop {
            match bench.watch().hear(reader) {
                Heard::Input(input) => break input,
                Heard::Leave => return stopped,
                Heard::Stop if !bench.attended => return stopped,
                Heard::Stop => {
                    bench.stop();
                    bench.forget_typed(reader);
                    if !reader.is_waiting() {
                        reader.ask(Typed::Entry, &bench.roomy_prompt(reader));
                    }
                }
            }
        };
        let came = match input {
            Input::Entry(text) => entered(bench, reader, &text),
            Input::Dropped(false) if asked.elapsed() < TYPED_AHEAD && !bench.is_resting() => {
                bench.stop();
                Came::Well
            }
            Input::Dropped(typed) => {
                dropped(typed);
                Came::Well
            }
            Input::End => return 0,
            Input::Broken(why) => {
                complain(&format!("error: nothing more can be read: {why}\n"));
                return 2;
            }
        };
        bench.forget_typed(reader);
        match came {
            Came::Leave => return 0,
            Came::Ill(code) if !bench.attended => return code,
            _ => {}
        }
        if bench.leave.load(Ordering::SeqCst) {
            return stopped;
        }
    }
}

fn entered(bench: &mut Bench, reader: &Reader, text: &str) -> Came {
    if text.trim().is_empty() {
        return Came::Well;
    }
    match words::of(text) {
        // Somebody who wants the head safe has no time for grammar.
        Some((word, rest)) if word.takes.is_empty() && !rest.is_empty() && word.name != "safe" => {
            let said = format!(
                "`{0}` takes nothing, so nothing was done ({0}: {1})",
                word.name, word.meaning
            );
            complain(&wrapped(&said, ""));
            Came::Ill(Verdict::ScriptWrong.exit_code())
        }
        Some((word, rest)) => (word.run)(bench, reader, rest),
        None => {
            let came = bench.enter(text);
            if came == Came::Ill(Verdict::ScriptWrong.exit_code())
                && let Some(meant) = words::meant(text)
            {
                complain(&format!("did you mean the shell's word `{meant}`?\n"));
            }
            came
        }
    }
}

/// Ctrl-C at the prompt.
fn dropped(typed: bool) {
    if !typed {
        complain("nothing runs. `safe` makes the head safe, `leave` or Ctrl-D ends the shell\n");
    }
}
