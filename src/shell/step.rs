//! `run` and `step`: what the script that was read does, in one go or statement by statement, and
//! the prompt at a pause.

use crate::builtins::Effect;
use crate::check::live::Kept;
use crate::head::control::{Control, SharedControl};
use crate::head::replay::Course;
use crate::session::Files;
use crate::session::live::Entry;
use crate::session::step::{Pause, Pauses, Unseen};
use crate::shell::bench::{Bench, Came};
use crate::shell::known::Shared;
use crate::shell::pauses::{Ground, Mark, listed};
use crate::shell::prompt::{self, Stand};
use crate::shell::reader::{Input, Reader, Typed};
use crate::shell::save::Deed;
use crate::shell::view;
use crate::shell::wait::{Heard, Watch};
use crate::source::{SourceMap, Span};
use crate::terminal::told::{failed, rendered};
use crate::terminal::{BOLD, DIM, complain, complain_over, draws_progress, say, styled, wrapped};
use std::collections::{BTreeSet, HashSet};
use std::sync::atomic::AtomicBool;

/// Lines that `where` shows before and behind.
const AROUND: usize = 3;
/// Most characters of a source line that are shown.
const LINE_MOST: usize = 160;

/// What can be answered at a pause, and what it does.
const ANSWERS: &[(&str, &str)] = &[
    ("next", "does this statement, with all that it calls; Enter alone is the same"),
    ("into", "does this statement, pausing in the routines that it calls"),
    ("out", "goes on until this routine is left"),
    ("go", "goes on to the next line set by `pause at`, or to the end"),
    ("end", "stops here and makes the head safe, as Ctrl-C does"),
    ("names", "lists the values that can be seen here"),
    ("where", "shows the lines around, and the calls that lead here"),
    ("stand", "tells how the head stands"),
    ("pause at 12", "sets a line to pause at; `pause off` takes away, `pauses` lists"),
    ("leave", "as `end`, and ends the shell"),
];

/// How far to go on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Going {
    /// To the next statement anywhere.
    Into,
    /// To the next statement with at most so many calls around it.
    Over(usize),
    /// To the next line that is set, or the end.
    Go,
    /// Nobody wants to see more.
    Ended,
}

/// `run`
pub fn run(bench: &mut Bench, _: &Reader, rest: &str) -> Came {
    if !rest.is_empty() {
        complain("`run` alone runs what was read; `read FILE` reads a script before\n");
        return Came::Ill(2);
    }
    let Some(entry) = body(bench, false) else { return Came::Ill(2) };
    let came = bench.run(entry);
    ended(bench, came)
}

/// `step`
pub fn step(bench: &mut Bench, reader: &Reader, rest: &str) -> Came {
    let entry = match rest {
        "" => match body(bench, true) {
            Some(entry) => entry,
            None => return Came::Ill(2),
        },
        text => bench.session.stepped(&mut *bench.files, text),
    };
    let Some(entry) = bench.may_run(entry) else { return Came::Ill(2) };
    let here = bench.session.script().map(str::to_string);
    let ground =
        Ground { steps: entry.steps(), sources: bench.session.sources(), here: here.as_deref() };
    let (marked, lost) = ground.marked(&bench.marks);
    // A line of the script is none of an entry.
    for (name, line) in lost.into_iter().filter(|_| rest.is_empty()) {
        complain(&format!(
            "nothing pauses at {name}:{line}: no statement of this run begins there\n"
        ));
    }
    let mut voice = bench.begin();
    let Bench {
        station, session, files, stand, known, leave, marks, replay, control, owner, ..
    } = bench;
    let mut guide = Guide {
        reader,
        files: &mut **files,
        stand,
        known,
        leave,
        replay: replay.as_ref(),
        control: control.as_deref(),
        owner,
        marks,
        marked,
        reads: bench.allowed.as_ref().is_none_or(|allowed| allowed.contains(&Effect::Reads)),
        time_passes: bench.time_passes,
        attended: bench.attended,
        colour: bench.colour,
        going: Going::Into,
        calls: Vec::new(),
        met: false,
        came: None,
        insists: false,
    };
    let ran = session.step(entry, station, &mut voice, &mut guide);
    let Guide { came: other, insists, .. } = guide;
    bench.insist(insists);
    let came = bench.finish(voice, ran);
    bench.insist(false);
    ended(bench, other.filter(|_| came != Came::Well).unwrap_or(came))
}

/// What the script that was read does; says why there is nothing.
fn body(bench: &mut Bench, steps: bool) -> Option<Entry> {
    let entry = bench.session.body(&mut *bench.files, steps);
    if entry.is_none() {
        complain("no script was read yet: `read FILE`\n");
    }
    entry
}

fn ended(bench: &mut Bench, came: Came) -> Came {
    if came == Came::Well {
        bench.deeds.push(Deed::Entry);
        say("ran to its end\n");
    }
    came
}

/// Goes through a run with whoever types.
struct Guide<'a> {
    reader: &'a Reader,
    files: &'a mut dyn Files,
    stand: &'a mut Stand,
    known: &'a Shared,
    leave: &'a AtomicBool,
    replay: Option<&'a Course>,
    control: Option<&'a dyn SharedControl>,
    owner: &'a mut Option<Control>,
    marks: &'a mut BTreeSet<Mark>,
    /// The steps at which the marks pause.
    marked: HashSet<usize>,
    /// Values that ask the head may be looked at.
    reads: bool,
    time_passes: bool,
    attended: bool,
    colour: bool,
    going: Going,
    /// The statement that runs at each depth of calls.
    calls: Vec<Span>,
    /// Somebody was told how to go on.
    met: bool,
    /// What the run comes to where it was not stopped on request.
    came: Option<Came>,
    /// The head is wanted safe, whoever controls it.
    insists: bool,
}

impl Pauses for Guide<'_> {
    fn before(&mut self, mut pause: Pause<'_, '_>) -> bool {
        let depth = pause.moment.depth;
        self.calls.truncate(depth);
        self.calls.resize(depth, pause.moment.span);
        self.calls.push(pause.moment.span);
        let pauses = match self.going {
            Going::Into => true,
            Going::Over(most) => depth <= most || self.marked.contains(&pause.moment.step),
            Going::Go => self.marked.contains(&pause.moment.step),
            Going::Ended => false,
        };
        if !pauses {
            return true;
        }
        self.going = self.asked(&mut pause).unwrap_or(Going::Ended);
        self.going != Going::Ended
    }
}

impl Guide<'_> {
    fn watch<'w>(&'w mut self, pause: &'w mut Pause<'_, '_>) -> Watch<'w> {
        Watch {
            station: &mut *pause.moment.station,
            stand: &mut *self.stand,
            known: self.known,
            leave: self.leave,
            replay: self.replay,
            control: self.control,
            owner: &mut *self.owner,
            time_passes: self.time_passes,
            attended: self.attended,
            colour: self.colour,
        }
    }

    /// Asks how to go on; none stops the run.
    fn asked(&mut self, pause: &mut Pause<'_, '_>) -> Option<Going> {
        if draws_progress() {
            // A wait may still be drawn.
            complain_over("");
        }
        let reader = self.reader;
        self.watch(pause).tell_all(reader);
        say(&self.here(pause));
        if self.attended && !std::mem::replace(&mut self.met, true) {
            let how = "Enter does this and pauses again; `help` lists what else can be typed";
            complain(&format!("{}\n", styled(how, DIM, self.colour)));
        }
        loop {
            let head = pause.moment.station.description();
            let words = prompt::prompt(self.stand, *self.owner, head);
            let mut words = format!("{}{words}", prompt::PAUSED);
            if self.time_passes {
                words = prompt::roomy(words, reader.can_draw_again());
            }
            reader.ask(Typed::Pause, &words);
            let text = match self.watch(pause).hear(reader) {
                Heard::Input(Input::Entry(text)) => text,
                Heard::Input(Input::Dropped(_)) | Heard::Stop | Heard::Leave => return None,
                Heard::Input(Input::End) => {
                    complain("nobody says how to go on, so it is stopped\n");
                    return None;
                }
                Heard::Input(Input::Broken(why)) => {
                    complain(&format!("error: nothing more can be read: {why}\n"));
                    self.came = Some(Came::Ill(2));
                    return None;
                }
            };
            match self.answer(text.trim(), pause) {
                Answered::On(going) => return Some(going),
                Answered::Stay => {}
                Answered::Stop => return None,
                Answered::Ill if self.attended => {}
                Answered::Ill => {
                    self.came = Some(Came::Ill(2));
                    return None;
                }
            }
        }
    }

    fn answer(&mut self, text: &str, pause: &mut Pause<'_, '_>) -> Answered {
        let depth = pause.moment.depth;
        match text {
            "" | "next" => return Answered::On(Going::Over(depth)),
            "into" => return Answered::On(Going::Into),
            "out" => return Answered::On(depth.checked_sub(1).map_or(Going::Go, Going::Over)),
            "go" => return Answered::On(Going::Go),
            "end" => return Answered::Stop,
            "safe" => {
                self.insists = true;
                return Answered::Stop;
            }
            "leave" => {
                self.came = Some(Came::Leave);
                return Answered::Stop;
            }
            "help" => say(&help()),
            "names" => say(&self.names(pause)),
            "where" => say(&self.around(pause)),
            "pauses" => say(&listed(self.marks, pause.session().sources())),
            "stand" => {
                let reader = self.reader;
                self.watch(pause).tell_all(reader);
                say(&prompt::told(self.stand, *self.owner, pause.moment.station.description()));
            }
            text => match text.split_once(char::is_whitespace) {
                Some(("pause", rest)) => return self.mark(rest, pause),
                _ => return self.value(text, pause),
            },
        }
        Answered::Stay
    }

    /// `pause at`, `pause off`
    fn mark(&mut self, rest: &str, pause: &Pause<'_, '_>) -> Answered {
        let sources = pause.session().sources();
        let here = sources.get(pause.moment.span.source).map(|source| source.name.as_str());
        let ground = Ground { steps: pause.steps(), sources, here };
        let changed = ground.change(self.marks, rest);
        self.marked = ground.marked(self.marks).0;
        match changed {
            Ok(text) => {
                say(&text);
                Answered::Stay
            }
            Err(why) => {
                complain(&wrapped(&why, ""));
                Answered::Ill
            }
        }
    }

    /// Shows a value.
    fn value(&mut self, text: &str, pause: &mut Pause<'_, '_>) -> Answered {
        let unseen = match pause.value(self.files, text, self.reads) {
            Ok(answers) => {
                let sources = pause.session().sources();
                for (answer, datum) in &answers {
                    say(&view::answer(sources, answer, datum, self.colour));
                }
                return Answered::Stay;
            }
            Err(unseen) => unseen,
        };
        let sources = pause.session().sources();
        complain(&match unseen {
            Unseen::Wrong(diagnostics) => rendered(&diagnostics, sources),
            Unseen::Failed(failure) => failed(&failure, sources, self.colour),
            Unseen::Does(effect, by) => {
                let (by, does) = (sources.slice(by), effect.text());
                let why = match effect {
                    Effect::Reads => "which is not allowed in this shell",
                    _ => "and at a pause values are looked at and nothing else",
                };
                format!("`{by}` {does}, {why}\n")
            }
            Unseen::Open => {
                format!("the unit of `{text}` is known only to the caller: `out` goes there\n")
            }
            Unseen::NoValue => {
                "at a pause values are looked at and nothing else; `help` lists the words\n"
                    .to_string()
            }
        });
        Answered::Ill
    }

    /// The place of a pause in a line, with what stands there.
    fn here(&self, pause: &Pause<'_, '_>) -> String {
        let sources = pause.session().sources();
        let place = pause.place();
        let routine = place.and_then(|place| place.routine.as_ref());
        let routine = routine.map_or(String::new(), |routine| format!(" in {routine}"));
        let mut text = said(sources, pause.moment.span, &routine, self.colour);
        if place.is_some_and(|place| place.arms) {
            let as_one = "  runs as one: nothing pauses while the laser is armed";
            text += &format!("{}\n", styled(as_one, DIM, self.colour));
        }
        text
    }

    fn names(&self, pause: &Pause<'_, '_>) -> String {
        let names = pause.session().names();
        let seen = pause.seen();
        if seen.is_empty() {
            return "no values can be seen here\n".to_string();
        }
        let width = seen.iter().map(|kept| kept.name(names).chars().count()).max().unwrap_or(0);
        let row = |kept: &Kept| {
            let text = match kept.can_be_shown() {
                true => {
                    let text: String = kept.text().chars().take(60).collect();
                    format!("{text}  ({})", kept.kind())
                }
                false => "(its unit is known only to the caller)".to_string(),
            };
            let name = format!("{:<width$}", kept.name(names));
            format!("  {}  {text}\n", styled(&name, BOLD, self.colour))
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
            let line: String = line.chars().take(LINE_MOST).collect();
            let line = format!("{:>5} {mark} {line}", index + 1);
            let style = if mark == '>' { BOLD } else { DIM };
            format!("{}\n", styled(line.trim_end(), style, self.colour))
        });
        let mut text: String = lines.collect();
        for call in self.calls.iter().rev().skip(1) {
            text += &format!("called at {}", said(sources, *call, "", self.colour));
        }
        text
    }
}

/// What came of an answer.
enum Answered {
    /// The run goes on.
    On(Going),
    /// The pause goes on.
    Stay,
    /// The run is stopped.
    Stop,
    /// It was not understood.
    Ill,
}

/// A place with the first line of what stands there.
fn said(sources: &SourceMap, span: Span, routine: &str, colour: bool) -> String {
    let name = sources.get(span.source).map_or("", |source| source.name.as_str());
    let (line, _) = sources.line_column(span.source, span.start);
    let text = sources.slice(span).lines().next().unwrap_or("").trim_end();
    let text: String = text.chars().take(LINE_MOST).collect();
    let place = styled(&format!("{name}:{line}{routine}"), DIM, colour);
    format!("{place}  {}\n", styled(&text, BOLD, colour))
}

fn help() -> String {
    let rows = ANSWERS.iter().map(|(word, does)| format!("  {word:<12} {does}\n"));
    let rows: String = rows.collect();
    format!("{rows}  a value      shows it, such as `speed`, `plan.dots` or `measured_speed()`\n")
}
