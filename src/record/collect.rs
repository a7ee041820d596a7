//! Collects the record of a run from its events and the calls of the head.

use crate::record::checks::CheckRow;
use crate::record::curve::StatusPoint;
use crate::record::data::{Answer, Identity, LogLine, Page, Record, Recorded, SourceDigest};
use crate::record::lines::{Cells, Lines};
use crate::record::scans::ScannedSheet;
use spintrue_head::{Call, Halt, Heard, Reply, Status, Trim, call_words};
use spintrue_language::{
    Event, Finished, Shown, SourceMap, Span, answer_line, number_text, time_text,
};
use std::f64::consts::TAU;
use std::rc::Rc;

/// Most quantities, flags and texts in recorded values.
const MAX_PARTS: usize = 200_000;

/// Longest line of the log, in characters.
const MAX_TEXT: usize = 2_000;

/// Collects the record of a run.
#[derive(Debug, Default)]
pub(crate) struct Collector {
    record: Record,
    parts: usize,
    lines: Lines,
    /// Speed asked for in rad/s, and focal length of the lens in m.
    planned: (f64, f64),
    trims: Option<Vec<Trim>>,
    /// The current wait, logged once.
    waiting: Option<Rc<str>>,
}

impl Collector {
    /// Sets the identity of the run.
    pub(crate) fn start(&mut self, identity: Identity) {
        self.record.identity = identity;
    }

    /// Adds texts of the run.
    pub(crate) fn add_sources(&mut self, sources: Vec<SourceDigest>) {
        self.record.identity.sources.extend(sources);
    }

    /// Adds the sheets that were scanned.
    pub(crate) fn add_scans(&mut self, scans: Vec<ScannedSheet>) {
        self.record.scans = scans;
    }

    /// What was collected so far.
    pub(crate) fn record(&self) -> &Record {
        &self.record
    }

    fn log(&mut self, time: f64, text: &str) {
        self.entry(time, text, false);
    }

    fn entry(&mut self, time: f64, text: &str, is_note: bool) {
        let mut short: String = text.chars().take(MAX_TEXT).collect();
        if short.len() < text.len() {
            short.push_str("… (whole in events.jsonl.gz)");
        }
        self.record.log.push(LogLine { is_note, time, text: short });
    }

    /// Takes an event of the script; `place` names places of the script.
    pub(crate) fn event(&mut self, time: f64, event: &Event, place: &dyn Fn(Span) -> String) {
        if !matches!(event, Event::Progress { .. }) {
            self.waiting = None;
        }
        match event {
            Event::Params(params) => self.record.params.clone_from(params),
            Event::Note(text) => self.entry(time, text, true),
            Event::Recorded { label, shown, plot, text, .. } => {
                let parts = parts(shown);
                if self.parts + parts > MAX_PARTS {
                    self.record.recorded.left_out += 1;
                    return;
                }
                self.parts += parts;
                let (label, shown, text) = (label.clone(), shown.clone(), text.clone());
                self.record.recorded.push(Recorded { time, label, shown, plot: *plot, text });
            }
            Event::Check(check) => {
                let row = CheckRow::of(time, check, place(check.span));
                self.log(time, &format!("check {}: {}", row.label, row.outcome_text()));
                self.record.checks.push(row);
            }
            Event::Progress { text, .. } => {
                if self.waiting.as_ref() != Some(text) {
                    self.waiting = Some(Rc::clone(text));
                    self.log(time, &format!("waiting until {text}"));
                }
            }
            Event::Asked { question, wanted, .. } => {
                self.log(time, &format!("asked: {question} ({wanted})"));
            }
            Event::Answered { question, shown, who, .. } => {
                self.log(time, &answer_line(question, shown, who));
                let (question, shown, who) = (question.clone(), shown.clone(), who.clone());
                self.record.answers.push(Answer { time, question, shown, who });
            }
            Event::Held(block) => {
                if block.conditions.iter().any(|held| held.breaks.is_some()) {
                    let all = block.conditions.iter().map(|held| format!("`{}`", held.text));
                    let (all, lasted) =
                        (all.collect::<Vec<_>>(), time_text(block.ended - block.began));
                    self.log(time, &format!("broke after {lasted}: {}", all.join(", ")));
                }
                for seen in &block.conditions {
                    self.record.holds.add(block, seen, &place(seen.span));
                }
            }
            Event::Provoked(fault) => {
                self.log(time, &format!("the script provoked {fault}"));
            }
            Event::AlsoFailed(failure) => {
                self.log(time, &format!("also failed on the way out: {}", failure.message));
            }
        }
    }

    /// Takes a call of the head or its gauge; gives what lines.csv has of it.
    pub(crate) fn heard(&mut self, heard: &Heard) -> Cells {
        let time = heard.time;
        match (&heard.call, &heard.reply) {
            (_, Reply::Status(status)) => {
                let Status { time, speed, locked, temperature, .. } = *status;
                self.record.curve.push(StatusPoint { time, speed, locked, temperature });
            }
            (Call::LoadTrims { trims }, Reply::Done) => {
                self.trims = Some(trims.clone());
                self.record.rounds.trimmed();
            }
            (Call::Trims, Reply::Trims(trims)) => self.trims = Some(trims.clone()),
            (Call::Describe, Reply::Description(head)) => self.planned.1 = head.focal_length,
            (Call::Expose { line }, Reply::Exposed(exposed)) => {
                let trims = self.trims.as_ref();
                let trim = trims.and_then(|trims| trims.get(exposed.facet as usize));
                return self.lines.drawn(line, exposed, trim, self.planned);
            }
            (Call::ExposePage { .. } | Call::DrawSteadily { .. }, _) => {
                return Cells { text: self.lines.end(), is_whole: false };
            }
            (Call::Measure, Reply::Reading(reading)) => {
                if let Some((facet, [along, across])) = self.lines.shift(reading) {
                    let round = self.record.rounds.push(time, facet, along, across);
                    return self.lines.read(time, round, reading);
                }
            }
            (_, Reply::Turns(turns))
                if self.planned.0 > 0.0 && turns.len() > self.record.turns.len() =>
            {
                let errors = turns.iter().map(|turn| turn.period * self.planned.0 / TAU - 1.0);
                self.record.turns = errors.collect();
            }
            (Call::Spin { speed }, Reply::Done) => {
                self.planned.0 = *speed;
                let rpm = speed * 30.0 / std::f64::consts::PI;
                self.log(time, &format!("the polygon was set to {rpm:.0} rpm"));
            }
            (Call::Halt { how }, Reply::Done) => {
                let how = if *how == Halt::Brake { "brake" } else { "coast" };
                self.log(time, &format!("the polygon was told to {how}"));
            }
            (Call::Arm { power }, Reply::Done) => {
                let share = number_text(power * 100.0);
                self.log(time, &format!("the laser was armed at {share} % of full power"));
            }
            (Call::Disarm, Reply::Done) => self.log(time, "the laser was disarmed"),
            (Call::Switch { .. } | Call::SetChannel { .. }, Reply::Done) => {
                self.log(time, &call_words(&heard.call));
            }
            (Call::StoreTrims { .. }, Reply::Done) => {
                self.log(time, "the trims were stored in the head");
            }
            (_, Reply::Fault(fault)) => self.log(time, &format!("the head reports: {fault}")),
            _ => {}
        }
        Cells::default()
    }

    /// Ends lines.csv.
    pub(crate) fn end_lines(&mut self) -> String {
        self.lines.end()
    }

    /// Ends the record with the exposed pages.
    pub(crate) fn end(&mut self, finished: &Finished, sources: &SourceMap, pages: Vec<Page>) {
        for check in &finished.unreached {
            let place = sources.place(check.span);
            self.record.checks.push(CheckRow::unreached(finished.took, check, place));
        }
        self.record.identity.provoked.clone_from(&finished.provoked);
        self.record.pages = pages;
    }
}

/// How many quantities, flags and texts a value has.
fn parts(shown: &Shown) -> usize {
    match shown {
        Shown::List(items) => items.iter().map(parts).sum(),
        Shown::Record(fields) => fields.iter().map(|(_, field)| parts(field)).sum(),
        _ => 1,
    }
}
