//! From a checked program to a verdict: runs it on a station and makes the head safe.

use crate::acceptance::decision::Outcome;
use crate::interpret;
use crate::interpret::{Event, Observer, PlaceText};
use crate::program::failure::{Failure, FailureKind};
use crate::program::tree::Planned;
use crate::session::{Runnable, SCRIPT};
use crate::source::{SourceMap, Span};
use crate::station::Station;
use spintrue_head::SafeState;
use std::rc::Rc;

/// How a run ended.
#[derive(Clone, Debug)]
pub struct Finished {
    /// What stopped it, if it did not reach its end.
    pub failure: Option<Failure>,
    /// Checks that conform.
    pub conforming: usize,
    /// Checks that do not.
    pub failing: usize,
    /// Checks that cannot be decided.
    pub undecided: usize,
    /// Planned checks that were not reached.
    pub unreached: Vec<Planned>,
    /// Faults that the script provoked, each with the head time at which it strikes.
    pub provoked: Vec<String>,
    /// Head time from start to safe, in s.
    pub took: f64,
    /// How the head was left.
    pub safe: SafeState,
}

/// The verdict of a run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Ran to its end, and every check conforms.
    Passed,
    /// A check does not conform, or the script said `fail`.
    Failed,
    /// Nothing fails, but a check cannot be decided, or a planned one was not reached.
    Undecided,
    /// A value of the script has no meaning.
    ScriptWrong,
    /// The head or its gauge failed, did not get there in time, or could not be made safe.
    HeadFailed,
    /// A question was not answered, or a scan could not be read.
    Unanswered,
    /// It was stopped on request.
    Interrupted,
}

impl Verdict {
    /// Every verdict.
    pub const ALL: [Verdict; 7] = [
        Verdict::Passed,
        Verdict::Failed,
        Verdict::Undecided,
        Verdict::ScriptWrong,
        Verdict::HeadFailed,
        Verdict::Unanswered,
        Verdict::Interrupted,
    ];

    /// Of a failure that was not caught.
    pub fn of(failure: FailureKind) -> Verdict {
        match failure {
            FailureKind::Interrupted => Verdict::Interrupted,
            FailureKind::Unanswered | FailureKind::NoScan => Verdict::Unanswered,
            FailureKind::Value | FailureKind::Limit => Verdict::ScriptWrong,
            FailureKind::Failed => Verdict::Failed,
            FailureKind::Timeout
            | FailureKind::NotLocked
            | FailureKind::InterlockOpen
            | FailureKind::NotHeld
            | FailureKind::NoAnswer
            | FailureKind::NoPulse
            | FailureKind::NoReading
            | FailureKind::Underrun
            | FailureKind::Fault => Verdict::HeadFailed,
        }
    }

    const fn row(self) -> (u8, &'static str) {
        match self {
            Verdict::Passed => (0, "PASSED"),
            Verdict::Failed => (1, "FAILED"),
            Verdict::ScriptWrong => (2, "SCRIPT WRONG"),
            Verdict::HeadFailed => (3, "HEAD FAILED"),
            Verdict::Unanswered => (3, "UNANSWERED"),
            Verdict::Undecided => (4, "UNDECIDED"),
            Verdict::Interrupted => (130, "INTERRUPTED"),
        }
    }

    /// The exit code that says so.
    pub const fn exit_code(self) -> u8 {
        self.row().0
    }

    /// In words.
    pub fn text(self) -> &'static str {
        self.row().1
    }

    /// As records, archives and lists have it: in small letters.
    pub fn kept_as(self) -> String {
        self.text().to_lowercase()
    }
}

impl Finished {
    /// What it comes to.
    pub fn verdict(&self) -> Verdict {
        match self.failure.as_ref().map(|failure| Verdict::of(failure.kind)) {
            Some(Verdict::Interrupted) => Verdict::Interrupted,
            _ if !self.safe.is_safe() => Verdict::HeadFailed,
            Some(verdict) => verdict,
            None if self.failing > 0 => Verdict::Failed,
            None if self.undecided > 0 || !self.unreached.is_empty() => Verdict::Undecided,
            None => Verdict::Passed,
        }
    }
}

/// Runs a script and makes the head safe, whatever happens.
pub fn run(
    Runnable { program, links, sources, limit }: Runnable<'_>,
    station: &mut Station,
    observer: &mut dyn Observer,
) -> Finished {
    let started = station.now();
    station.set_limit(limit);
    let mut counting = Counting {
        inner: observer,
        conforming: 0,
        failing: 0,
        undecided: 0,
        provoked: Vec::new(),
        reached: program.checks.iter().map(|check| check.optional).collect(),
    };
    let place = place_text(sources);
    let mut failure = interpret::run_linked(program, links, station, &mut counting, place).err();
    let Counting { conforming, failing, undecided, provoked, reached, .. } = counting;
    let plan = program.checks.iter().zip(reached);
    let unreached = plan.filter(|(_, reached)| !reached).map(|(check, _)| check.clone());
    let unreached = unreached.collect();
    let mut safe = station.finish(failure.is_none());
    if failure.is_none() && station.is_stopped() {
        let message = "stopped on request, while the head was made safe";
        failure = Some(Failure::new(FailureKind::Interrupted, message, last_line(sources)));
        // As after any other request: down to rest, and the next one ends the wait.
        safe = station.finish(false);
    }
    let took = station.now() - started;
    let limit = limit.filter(|_| station.is_real_time() && failure.is_none());
    if let Some(why) = limit.and_then(|limit| limit.exceeded(took)) {
        failure = Some(Failure::new(FailureKind::Timeout, why, last_line(sources)));
    }
    Finished { failure, conforming, failing, undecided, unreached, provoked, took, safe }
}

/// Names places of these texts.
pub(super) fn place_text(sources: &SourceMap) -> PlaceText {
    let sources = sources.clone();
    Rc::new(move |span| sources.place(span))
}

/// Most provoked faults that are kept.
const MAX_PROVOKED: usize = 10_000;

/// Where a script ends.
fn last_line(sources: &SourceMap) -> Span {
    let text = sources.text(SCRIPT).trim_end();
    let start = text.rfind('\n').map_or(0, |at| at + 1);
    Span::new(SCRIPT, start, text.len())
}

struct Counting<'a> {
    inner: &'a mut dyn Observer,
    conforming: usize,
    failing: usize,
    undecided: usize,
    provoked: Vec<String>,
    /// By the plan's places: the check was made, or need not be.
    reached: Vec<bool>,
}

impl Observer for Counting<'_> {
    fn event(&mut self, time: f64, event: Event) {
        if let Event::Provoked(fault) = &event {
            match self.provoked.len() {
                MAX_PROVOKED => self.provoked.push("and more, which the events tell".to_string()),
                count if count < MAX_PROVOKED => self.provoked.push(fault.clone()),
                _ => {}
            }
        }
        if let Event::Check(check) = &event {
            if let Some(reached) = self.reached.get_mut(check.number) {
                *reached = true;
            }
            match check.outcome {
                Outcome::Conforms => self.conforming += 1,
                Outcome::Fails => self.failing += 1,
                Outcome::Undecided => self.undecided += 1,
            }
        }
        self.inner.event(time, event);
    }

    fn is_brief(&self) -> bool {
        self.inner.is_brief()
    }
}
