//! What a batch came to: a line for each head as it ends, a table at the end, and the same as files
//! for spreadsheets and build servers.

use crate::batch::Options;
use crate::batch::journal::Done;
use crate::batch::plan::Planned;
use crate::disk::{Place, read_text};
use crate::error::{Error, invalid};
use crate::record::{HeadCase, Origin, cell, heads_junit};
use crate::session::Verdict;
use crate::terminal::CAUTION;
use crate::terminal::duration;
use crate::terminal::{self, BOLD, GREEN, RED, YELLOW, complain, emit, say, styled, wrapped};
use crate::units::{Dimension, show};
use serde_json::{Value, json};
use std::collections::HashMap;
use std::path::Path;

/// The table for spreadsheets.
pub(crate) const TABLE: &str = "summary.csv";
/// The results for build servers.
pub(crate) const RESULTS: &str = "junit.xml";

/// Its columns.
const COLUMNS: [&str; 16] = [
    "serial",
    "verdict",
    "exit_code",
    "does_not_conform",
    "undecided",
    "not_reached",
    "not_told_apart",
    "failure",
    "took_s",
    "finished",
    "record",
    "left_safe",
    "simulated",
    "seed",
    "faults",
    "provoked",
];

/// Rows of the table that is printed.
const SHOWN_MOST: usize = 60;

/// Exit codes from good to bad.
const ORDER: [u8; 6] = [0, 4, 1, 2, 3, 130];

/// The worse of two exit codes.
pub(crate) fn worse(one: u8, other: u8) -> u8 {
    let rank = |code: u8| ORDER.iter().position(|known| *known == code).unwrap_or(ORDER.len());
    if rank(other) > rank(one) { other } else { one }
}

/// How far a head came.
enum Came {
    /// Its turn did not come yet.
    NotYet,
    /// It did not answer: why, and the exit code of that.
    Open(String, u8),
    /// It was run to its end, or interrupted.
    Done(Box<Done>),
}

struct Row {
    serial: String,
    folder: String,
    came: Came,
    /// As its record says; of a head that is finished.
    origin: Origin,
}

pub(crate) struct Summary {
    script: String,
    list: String,
    record: String,
    json: bool,
    colour: bool,
    rows: Vec<Row>,
    places: HashMap<String, usize>,
    /// Heads told of so far.
    told: usize,
    earlier: usize,
}

impl Summary {
    pub(crate) fn new(options: &Options, heads: &[Planned], folders: &[String]) -> Summary {
        let rows = heads.iter().zip(folders).map(|(head, folder)| Row {
            serial: head.serial.clone(),
            folder: folder.clone(),
            came: Came::NotYet,
            origin: Origin::default(),
        });
        let places = heads.iter().enumerate().map(|(at, head)| (head.serial.clone(), at));
        Summary {
            script: options.script.clone(),
            list: options.list.clone(),
            record: options.record.display().to_string(),
            json: options.json,
            colour: terminal::colour_output(),
            rows: rows.collect(),
            places: places.collect(),
            told: 0,
            earlier: 0,
        }
    }

    fn set(&mut self, serial: &str, came: Came) {
        let folder = Path::new(&self.record);
        if let Some(row) = self.places.get(serial).and_then(|at| self.rows.get_mut(*at)) {
            if matches!(came, Came::Done(_)) {
                row.origin = origin(&folder.join(&row.folder));
            }
            row.came = came;
        }
    }

    /// A head that was finished before.
    pub(crate) fn known(&mut self, done: &Done) {
        self.earlier += 1;
        self.set(&done.serial, Came::Done(Box::new(done.clone())));
        if self.json {
            self.line(done, true);
        }
    }

    /// A head whose run was cut off.
    pub(crate) fn again(&mut self, serial: &str, aside: Option<&Path>) {
        let kept = match aside {
            Some(place) => format!("; its unfinished record is kept in {}", place.display()),
            None => String::new(),
        };
        complain(&wrapped(&format!("{serial} was not finished and is run again{kept}"), ""));
    }

    /// All that is known before the first head moves; `most` are the longest times.
    pub(crate) fn begin(&mut self, most: &[Option<f64>]) {
        if self.json {
            return;
        }
        let all = self.rows.len();
        let (script, list, record) = (&self.script, &self.list, &self.record);
        let heads = if all == 1 { "1 head" } else { &format!("{all} heads") };
        let mut text = format!("{script} on {heads} of {list}, records in {record}.");
        if self.earlier > 0 {
            let (earlier, open) = (self.earlier, most.len());
            text.push_str(&format!(" {earlier} finished before, {open} to go."));
        }
        let sum: Option<f64> = most.iter().copied().sum();
        match sum {
            Some(sum) if sum > 0.0 => {
                text.push_str(&format!(" At most {} of head time.", duration::text(sum)));
            }
            _ => {}
        }
        let caution = match most {
            [] => String::new(),
            _ => format!("{}\n", wrapped(CAUTION, "")),
        };
        say(&format!("{}{caution}", wrapped(&text, "")));
        self.told = self.earlier;
    }

    /// A head that has come to its end.
    pub(crate) fn came(&mut self, done: &Done) {
        self.set(&done.serial, Came::Done(Box::new(done.clone())));
        self.line(done, false);
    }

    fn line(&mut self, done: &Done, before: bool) {
        self.told += 1;
        if self.json {
            let folder = self.folder(&done.serial);
            let origin = self.origin(&done.serial);
            let value = json!({
                "event": "head",
                "serial": done.serial,
                "verdict": done.verdict,
                "exit_code": done.exit_code,
                "does_not_conform": done.unmet.does_not_conform,
                "undecided": done.unmet.undecided,
                "not_reached": done.unmet.not_reached,
                "not_told_apart": done.unmet.not_told_apart,
                "failure": done.failure,
                "left_safe": done.left_safe,
                "simulated": origin.simulated,
                "seed": origin.seed,
                "faults": origin.faults,
                "provoked": origin.provoked,
                "took": {"value": done.took, "unit": "s"},
                "record": folder,
                "finished_before": before,
            });
            emit(&format!("{value}\n"));
            return;
        }
        let took = show(done.took, Dimension::TIME, None, None);
        let what = format!("{}, {took} of head time", self.verdict(&done.verdict));
        self.progress(&done.serial, &what);
        let said = said(done, &self.origin(&done.serial));
        if !said.is_empty() {
            say(&wrapped(&said, &" ".repeat(8)));
        }
    }

    fn progress(&self, serial: &str, what: &str) {
        let all = self.rows.len();
        let width = all.to_string().len();
        say(&format!("  {:>width$} of {all}  {serial}: {what}\n", self.told));
    }

    fn verdict(&self, verdict: &str) -> String {
        styled(&verdict.to_uppercase(), style(verdict), self.colour)
    }

    fn folder(&self, serial: &str) -> String {
        let row = self.places.get(serial).and_then(|at| self.rows.get(*at));
        row.map_or_else(String::new, |row| format!("{}/{}", self.record, row.folder))
    }

    fn origin(&self, serial: &str) -> Origin {
        let row = self.places.get(serial).and_then(|at| self.rows.get(*at));
        row.map_or_else(Origin::default, |row| row.origin.clone())
    }

    fn opened(&mut self, serial: &str, what: &str, code: u8) {
        self.set(serial, Came::Open(what.to_string(), code));
        self.told += 1;
        if self.json {
            let value = json!({"event": "open", "serial": serial, "why": what});
            emit(&format!("{value}\n"));
        } else {
            self.progress(serial, what);
        }
    }

    /// A head that could not be begun with.
    pub(crate) fn no_answer(&mut self, serial: &str, why: &str) {
        self.opened(serial, why, 3);
    }

    /// How many heads there are.
    pub(crate) fn all(&self) -> usize {
        self.rows.len()
    }

    /// How many are not finished.
    pub(crate) fn open(&self) -> usize {
        self.rows.iter().filter(|row| !row.came.is_finished()).count()
    }

    /// The worst of all outcomes.
    pub(crate) fn code(&self) -> u8 {
        self.rows.iter().fold(0, |code, row| match &row.came {
            Came::NotYet => code,
            Came::Open(_, other) => worse(code, *other),
            Came::Done(done) => worse(code, done.exit_code),
        })
    }

    /// The end of it.
    pub(crate) fn tell(&self, code: u8) {
        let counts = self.counts();
        if self.json {
            let counted: serde_json::Map<String, serde_json::Value> =
                counts.iter().map(|(what, count)| (what.clone(), json!(count))).collect();
            let value = json!({
                "event": "end", "heads": self.rows.len(), "verdicts": counted, "exit_code": code,
            });
            emit(&format!("{value}\n"));
            return;
        }
        let mut text = format!("\n{}\n", styled("Summary", BOLD, self.colour));
        text.push_str(&self.table());
        let counted: Vec<String> =
            counts.iter().map(|(what, count)| format!("{count} {what}")).collect();
        let all = self.rows.len();
        let heads = if all == 1 { "1 head".to_string() } else { format!("{all} heads") };
        text.push_str(&format!("\n  {heads}: {}{}\n", counted.join(", "), self.simulated()));
        say(&text);
    }

    /// How many of those that are finished were simulated, in words; empty where none was.
    fn simulated(&self) -> String {
        let done = self.rows.iter().filter(|row| matches!(row.came, Came::Done(_)));
        let of = |kind| done.clone().filter(|row| row.origin.simulated == kind).count();
        let (simulated, unknown) = (of(Some(true)), of(None));
        let mut text = match simulated {
            0 => String::new(),
            count if count == done.clone().count() => "; simulated, all of them".to_string(),
            count => format!("; simulated: {count}"),
        };
        if unknown > 0 {
            text.push_str(&format!("; not known whether simulated: {unknown}"));
        }
        text
    }

    /// How many came to what, in the order of verdicts.
    fn counts(&self) -> Vec<(String, usize)> {
        let mut counts: Vec<(String, u8, usize)> = Vec::new();
        for row in &self.rows {
            let (what, code) = row.came.word();
            match counts.iter_mut().find(|(known, ..)| *known == what) {
                Some((.., count)) => *count += 1,
                None => counts.push((what.to_string(), code, 1)),
            }
        }
        counts.sort_by_key(|(_, code, _)| ORDER.iter().position(|known| known == code));
        counts.into_iter().map(|(what, _, count)| (what, count)).collect()
    }

    /// A line for each head; where there are many, for those that did not pass.
    fn table(&self) -> String {
        let many = self.rows.len() > SHOWN_MOST;
        let chosen: Vec<&Row> =
            self.rows.iter().filter(|row| !many || row.came.word().1 != 0).collect();
        let length = |row: &&Row| row.serial.chars().count();
        let width = chosen.iter().map(length).max().unwrap_or(0).clamp(6, 24);
        let folder = |row: &&Row| row.folder.chars().count();
        let names = chosen.iter().map(folder).max().unwrap_or(0).clamp(6, 21);
        let indent = 2 + width + 2 + 12 + 2 + names + 2;
        let head = format!(
            "  {:<width$}  {:<12}  {:<names$}  what speaks against it\n",
            "serial", "verdict", "record"
        );
        let mut text = head;
        for row in chosen.iter().take(SHOWN_MOST) {
            let (word, _) = row.came.word();
            let verdict = styled(&format!("{:<12}", word.to_uppercase()), style(word), self.colour);
            let said = match &row.came {
                Came::NotYet => String::new(),
                Came::Open(why, _) => why.clone(),
                Came::Done(done) => said(done, &row.origin),
            };
            let record = if matches!(row.came, Came::Done(_)) { row.folder.as_str() } else { "" };
            let lead = format!(
                "  {:<width$}  {verdict}  {:<names$}  ",
                cut(&row.serial, width),
                cut(record, names)
            );
            let lines = wrapped(&said, &" ".repeat(indent));
            text.push_str(format!("{lead}{}", lines.trim_start()).trim_end());
            text.push('\n');
        }
        let more = chosen.len().saturating_sub(SHOWN_MOST);
        if more > 0 {
            text.push_str(&format!("  ... and {more} more in {}/{TABLE}\n", self.record));
        } else if many {
            text.push_str(&format!("  All heads stand in {}/{TABLE}\n", self.record));
        }
        text
    }

    /// Writes the files of the summary.
    pub(crate) fn write(&self, folder: &Path) -> Result<(), Error> {
        let table = self.csv().map_err(|error| invalid!("{TABLE}: {error}"))?;
        Place::replace(&folder.join(TABLE), table)?;
        let cases: Vec<HeadCase> = self.rows.iter().map(Row::case).collect();
        let results = heads_junit(&self.script, &cases).map_err(|error| invalid!("{error}"))?;
        Place::replace(&folder.join(RESULTS), results)
    }

    fn csv(&self) -> Result<Vec<u8>, csv::Error> {
        let mut out =
            csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
        out.write_record(COLUMNS)?;
        for row in &self.rows {
            let (word, code) = row.came.word();
            let mut cells = vec![row.serial.clone(), word.to_string()];
            match &row.came {
                Came::Done(done) => {
                    let origin = &row.origin;
                    cells.push(code.to_string());
                    cells.extend(done.unmet.groups().map(|(_, labels)| labels.join("; ")));
                    cells.extend([
                        done.failure.clone().unwrap_or_default(),
                        done.took.to_string(),
                        done.at.clone(),
                        row.folder.clone(),
                        done.left_safe.map_or("", |safe| if safe { "yes" } else { "no" }).into(),
                        origin.simulated_text().to_string(),
                        origin.seed.map_or_else(String::new, |seed| seed.to_string()),
                        origin.faults.join("; "),
                        origin.provoked_text(),
                    ]);
                }
                Came::Open(why, _) => cells.extend(["", "", "", "", "", why].map(String::from)),
                Came::NotYet => {}
            }
            cells.resize(COLUMNS.len(), String::new());
            out.write_record(cells.iter().map(|text| cell(text).into_owned()))?;
        }
        out.into_inner().map_err(|error| error.into_error().into())
    }
}

impl Row {
    fn case(&self) -> HeadCase {
        let (verdict, code) = self.came.word();
        let (message, took) = match &self.came {
            Came::NotYet => (String::new(), 0.0),
            Came::Open(why, _) => (why.clone(), 0.0),
            Came::Done(done) => (said(done, &Origin::default()), done.took),
        };
        let facts = match &self.came {
            Came::Done(done) => {
                let origin = &self.origin;
                let mut facts = vec![("simulated", origin.simulated_text().to_string())];
                facts.extend(origin.seed.map(|seed| ("seed", seed.to_string())));
                facts.extend(origin.faults.iter().map(|fault| ("fails on purpose", fault.clone())));
                facts.extend(
                    Some(("provoked by the script", origin.provoked_text()))
                        .filter(|(_, text)| !text.is_empty()),
                );
                let groups = done.unmet.groups().into_iter();
                facts.extend(groups.flat_map(|(name, labels)| {
                    labels.iter().map(move |label| (name, label.clone()))
                }));
                facts
            }
            _ => Vec::new(),
        };
        let verdict = verdict.to_string();
        HeadCase { serial: self.serial.clone(), verdict, passed: code == 0, message, took, facts }
    }
}

impl Came {
    /// In a word or two, with its exit code.
    /// Not to be run again.
    fn is_finished(&self) -> bool {
        matches!(self, Came::Done(done) if done.exit_code != Verdict::Interrupted.exit_code())
    }

    fn word(&self) -> (&str, u8) {
        match self {
            Came::NotYet => ("not run", 130),
            Came::Open(..) => ("no answer", 3),
            Came::Done(done) => (&done.verdict, done.exit_code),
        }
    }
}

/// Where the numbers of a finished head come from, as its record says.
fn origin(folder: &Path) -> Origin {
    let text = read_text(&folder.join("record.json")).unwrap_or_default();
    let record = serde_json::from_str::<Value>(&text).unwrap_or_default();
    Origin::of(record.get("identity").unwrap_or(&Value::Null))
}

/// What speaks against a head, and what was made to go wrong with it.
fn said(done: &Done, origin: &Origin) -> String {
    let left = if done.left_safe == Some(false) { "NOT LEFT SAFE" } else { "" };
    let (unmet, faults) = (done.unmet.text(), origin.faults_text());
    let parts = [left, done.failure.as_deref().unwrap_or(""), &unmet, &faults];
    parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join("; ")
}

fn style(verdict: &str) -> &'static str {
    match verdict {
        "passed" => GREEN,
        "undecided" | "interrupted" | "not run" => YELLOW,
        _ => RED,
    }
}

fn cut(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_string();
    }
    text.chars().take(most.saturating_sub(1)).chain(['…']).collect()
}
