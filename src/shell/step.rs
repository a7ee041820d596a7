//! `run` and `step`: what the script that was read does, in one go or statement by statement, and
//! the prompt at a pause.

use crate::shell::console::Console;
use crate::shell::head_watch::{HeadWatch, Heard};
use crate::shell::outcome::{Action, Breakpoint, EntryOutcome};
use crate::shell::pauses::{PausePlaces, listed};
use crate::shell::progress::SharedLine;
use crate::shell::prompt::PAUSED;
use crate::shell::reader::{Input, InputKind};
use crate::shell::view::name_row;
use crate::shell::{commands, prompt, view};
use crate::terminal::told::{failed, rendered};
use crate::terminal::width::width;
use crate::terminal::{BOLD, DIM, complain, say, styled};
use spintrue_language::{
    Effect, Files, KeptName, LiveEntry, Pause, Pauses, SourceMap, Span, UnseenValue,
};
use std::collections::{BTreeSet, HashSet};
use std::rc::Rc;

/// Lines that `where` shows before and behind.
const AROUND: usize = 3;
/// Most characters that are shown of a source line.
const MAX_LINE: usize = 160;

/// What can be answered at a pause, and what it does.
const ANSWERS: &str = include_str!("pause.txt");

/// How far to go on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum StepMode {
    /// To the next statement anywhere.
    Into,
    /// To the next statement at this depth of calls or above.
    Over(usize),
    /// To the next line that is set, or the end.
    Go,
    /// The run is stopped.
    Ended,
}

/// `run`
pub(super) fn run(console: &mut Console) -> EntryOutcome {
    let Some(entry) = body(console, false) else { return EntryOutcome::WRONG };
    let source = entry.source;
    let outcome = console.run(entry);
    ended(console, outcome, Action::entry("run", source))
}

/// `step`
pub(super) fn step(console: &mut Console, rest: &str) -> EntryOutcome {
    let entry = match rest {
        "" => body(console, true),
        text => Some(console.session.stepped(&mut *console.files, text)),
    };
    let done = entry
        .as_ref()
        .map(|entry| Action::entry(if rest.is_empty() { "step" } else { rest }, entry.source));
    let entry = entry.and_then(|entry| console.admit(entry));
    let (Some(entry), Some(done)) = (entry, done) else { return EntryOutcome::WRONG };
    let (sources, script) = (console.session.sources(), console.session.script());
    let places = PausePlaces { steps: entry.steps(), sources, script };
    let (marked, lost) = places.marked(&console.breakpoints);
    // A line of the script is none of an entry.
    for (name, line) in lost.into_iter().filter(|_| rest.is_empty()) {
        complain(&format!(
            "nothing pauses at {name}:{line}: no statement of this run begins there\n"
        ));
    }
    let mut printer = console.begin();
    let Console { station, session, files, watch, breakpoints, allowed, monitor, record, .. } =
        console;
    let line = Rc::clone(&monitor.borrow().line);
    let mut stepper = Stepper {
        files: &mut **files,
        watch,
        breakpoints,
        marked,
        reads: allowed.as_ref().is_none_or(|allowed| allowed.contains(&Effect::Reads)),
        mode: StepMode::Into,
        calls: Vec::new(),
        explained: false,
        line,
        outcome: None,
        insists: false,
    };
    let ran = match record {
        Some(record) => {
            let sources = session.sources().clone();
            let mut recording = record.observer(&mut printer, &sources);
            session.step(entry, station, &mut recording, &mut stepper)
        }
        None => session.step(entry, station, &mut printer, &mut stepper),
    };
    let Stepper { outcome: other, insists, .. } = stepper;
    console.watch.set_insists(insists);
    let outcome = console.finish(printer, ran);
    console.watch.set_insists(false);
    ended(console, other.filter(|_| outcome != EntryOutcome::Done).unwrap_or(outcome), done)
}

/// What the script that was read does; says so where there is none.
fn body(console: &mut Console, steps: bool) -> Option<LiveEntry> {
    let entry = console.session.body(&mut *console.files, steps);
    if entry.is_none() {
        complain("no script was read yet: `read FILE`\n");
    }
    entry
}

fn ended(console: &mut Console, outcome: EntryOutcome, done: Action) -> EntryOutcome {
    if outcome == EntryOutcome::Done {
        console.actions.push(done);
        say("ran to its end\n");
    }
    outcome
}

/// Pauses a run where the operator wants it.
struct Stepper<'a> {
    files: &'a mut dyn Files,
    watch: &'a mut HeadWatch,
    breakpoints: &'a mut BTreeSet<Breakpoint>,
    /// The steps at which the breakpoints pause.
    marked: HashSet<usize>,
    /// Values that ask the head may be shown.
    reads: bool,
    mode: StepMode,
    /// The statement that runs at each depth of calls.
    calls: Vec<Span>,
    /// The operator was told how to go on.
    explained: bool,
    /// What is shown while the run goes on.
    line: SharedLine,
    /// The outcome where the run was not stopped on request.
    outcome: Option<EntryOutcome>,
    /// The head is wanted safe, no matter which client controls it.
    insists: bool,
}

impl Pauses for Stepper<'_> {
    fn before(&mut self, mut pause: Pause<'_, '_>) -> bool {
        let depth = pause.moment.depth;
        self.calls.truncate(depth);
        self.calls.resize(depth, pause.moment.span);
        self.calls.push(pause.moment.span);
        let pauses = match self.mode {
            StepMode::Into => true,
            StepMode::Over(most) => depth <= most || self.marked.contains(&pause.moment.step),
            StepMode::Go => self.marked.contains(&pause.moment.step),
            StepMode::Ended => false,
        };
        if !pauses {
            return true;
        }
        self.line.borrow_mut().set_paused(true);
        self.mode = self.asked(&mut pause);
        self.line.borrow_mut().set_paused(false);
        self.mode != StepMode::Ended
    }
}

impl Stepper<'_> {
    /// Asks how to go on.
    fn asked(&mut self, pause: &mut Pause<'_, '_>) -> StepMode {
        self.watch.print_changes(pause.moment.station);
        say(&self.here(pause));
        if self.watch.attended && !std::mem::replace(&mut self.explained, true) {
            let how = "Enter runs this and pauses again; `help` lists what else can be typed";
            complain(&format!("{}\n", styled(how, DIM, self.watch.colour)));
        }
        loop {
            let prompt = format!("{PAUSED}{}", self.watch.prompt(pause.moment.station));
            self.watch.reader.ask(InputKind::Pause, &self.watch.roomy(prompt));
            let on = match self.watch.wait(pause.moment.station) {
                Heard::Input(Input::Entry(text)) => self.answer(text.trim(), pause),
                Heard::Input(Input::Dropped(_)) | Heard::Stop | Heard::Leave => {
                    Some(StepMode::Ended)
                }
                Heard::Input(Input::End) => {
                    complain("the input ends at a pause, so the run is stopped\n");
                    Some(StepMode::Ended)
                }
                Heard::Input(Input::Broken(why)) => {
                    complain(&format!("{why}\n"));
                    self.ends(EntryOutcome::WRONG)
                }
            };
            if let Some(mode) = on {
                return mode;
            }
        }
    }

    /// Stops the run, with an outcome of its own.
    fn ends(&mut self, outcome: EntryOutcome) -> Option<StepMode> {
        self.outcome = Some(outcome);
        Some(StepMode::Ended)
    }

    /// What is typed is wrong, which was printed: the pause goes on where a person can correct it.
    fn wrong(&mut self) -> Option<StepMode> {
        if self.watch.attended { None } else { self.ends(EntryOutcome::WRONG) }
    }

    /// How an answer lets the run go on; none where the pause goes on.
    fn answer(&mut self, text: &str, pause: &mut Pause<'_, '_>) -> Option<StepMode> {
        let depth = pause.moment.depth;
        // A visible name is not hidden by another name of a command.
        let names = pause.session().names();
        let is_own = pause.seen().iter().any(|kept| kept.name(names) == text);
        match if is_own { text } else { commands::present(text) } {
            "" | "next" => return Some(StepMode::Over(depth)),
            "into" => return Some(StepMode::Into),
            "out" => return Some(depth.checked_sub(1).map_or(StepMode::Go, StepMode::Over)),
            "go" => return Some(StepMode::Go),
            "end" => return Some(StepMode::Ended),
            "safe" => {
                self.insists = true;
                return Some(StepMode::Ended);
            }
            "leave" => return self.ends(EntryOutcome::Leave),
            "help" => say(ANSWERS),
            "names" => say(&self.names(pause)),
            "where" => say(&self.around(pause)),
            "pauses" => say(&listed(self.breakpoints, pause.session().sources())),
            "state" => {
                self.watch.print_changes(pause.moment.station);
                let head = pause.moment.station.description();
                say(&prompt::rows(&self.watch.state, self.watch.owner, head));
            }
            _ => match text.split_once(char::is_whitespace) {
                Some(("pause", rest)) => return self.mark(rest, pause),
                _ => return self.value(text, pause),
            },
        }
        None
    }

    /// `pause at`, `pause off`
    fn mark(&mut self, rest: &str, pause: &Pause<'_, '_>) -> Option<StepMode> {
        let sources = pause.session().sources();
        let script = sources.get(pause.moment.span.source).map(|source| source.name.as_str());
        let places = PausePlaces { steps: pause.steps(), sources, script };
        let changed = places.change(self.breakpoints, rest);
        self.marked = places.marked(self.breakpoints).0;
        if changed == EntryOutcome::Done { None } else { self.wrong() }
    }

    /// Shows a value.
    fn value(&mut self, text: &str, pause: &mut Pause<'_, '_>) -> Option<StepMode> {
        let unseen = match pause.value(self.files, text, self.reads) {
            Ok(answers) => {
                say(&view::answers(pause.session().sources(), &answers, self.watch.colour));
                return None;
            }
            Err(unseen) => unseen,
        };
        let sources = pause.session().sources();
        complain(&match unseen {
            UnseenValue::Wrong(diagnostics) => rendered(&diagnostics, sources),
            UnseenValue::Failed(failure) => failed(&failure, sources, self.watch.colour),
            UnseenValue::Does(effect, by) => {
                let (by, does) = (sources.slice(by), effect.text());
                let why = match effect {
                    Effect::Reads => "which is not allowed in this shell",
                    _ => "and at a pause nothing but values can be shown",
                };
                format!("`{by}` {does}, {why}\n")
            }
            UnseenValue::Open => {
                format!("the unit of `{text}` is known only to the caller: `out` goes there\n")
            }
            UnseenValue::NoValue => {
                "at a pause nothing but values can be shown; `help` lists the commands\n"
                    .to_string()
            }
        });
        self.wrong()
    }

    /// The place of a pause in a line, with what stands there.
    fn here(&self, pause: &Pause<'_, '_>) -> String {
        let sources = pause.session().sources();
        let place = pause.place();
        let routine = place.and_then(|place| place.routine.as_ref());
        let routine = routine.map_or(String::new(), |routine| format!(" in {routine}"));
        let mut text = place_line(sources, pause.moment.span, &routine, self.watch.colour);
        if place.is_some_and(|place| place.arms) {
            let as_one = "  runs as one: nothing pauses while the laser is armed";
            text += &format!("{}\n", styled(as_one, DIM, self.watch.colour));
        }
        text
    }

    fn names(&self, pause: &Pause<'_, '_>) -> String {
        let names = pause.session().names();
        let seen = pause.seen();
        if seen.is_empty() {
            return "no values are visible here\n".to_string();
        }
        let width = seen.iter().map(|kept| width(kept.name(names))).max().unwrap_or(0);
        let row = |kept: &KeptName| {
            let (text, kind) = (kept.text(), kept.kind());
            let shown = kept.can_be_shown().then_some((text.as_str(), kind.as_str()));
            name_row(kept.name(names), width, shown, self.watch.colour)
        };
        seen.iter().map(row).collect()
    }

    /// The lines around, and the calls that lead here.
    fn around(&self, pause: &Pause<'_, '_>) -> String {
        let sources = pause.session().sources();
        let span = pause.moment.span;
        let (at, _) = sources.line_column(span.source, span.start);
        let first = at.saturating_sub(AROUND).max(1);
        let lines = sources.get(span.source).map(|source| source.text.lines());
        let lines = lines.into_iter().flatten().enumerate().skip(first - 1);
        let lines = lines.take(at - first + 1 + AROUND).map(|(index, line)| {
            let mark = if index + 1 == at { '>' } else { ' ' };
            let line: String = line.chars().take(MAX_LINE).collect();
            let line = format!("{:>5} {mark} {line}", index + 1);
            let style = if mark == '>' { BOLD } else { DIM };
            format!("{}\n", styled(line.trim_end(), style, self.watch.colour))
        });
        let mut text: String = lines.collect();
        for call in self.calls.iter().rev().skip(1) {
            text += &format!("called at {}", place_line(sources, *call, "", self.watch.colour));
        }
        text
    }
}

/// A place with the first source line of the statement there.
fn place_line(sources: &SourceMap, span: Span, routine: &str, colour: bool) -> String {
    let name = sources.get(span.source).map_or("", |source| source.name.as_str());
    let (line, _) = sources.line_column(span.source, span.start);
    let text = sources.slice(span).lines().next().unwrap_or("").trim_end();
    let text: String = text.chars().take(MAX_LINE).collect();
    let place = styled(&format!("{name}:{line}{routine}"), DIM, colour);
    format!("{place}  {}\n", styled(&text, BOLD, colour))
}
