//! The summary of a batch: a line for each head as it ends, a table at the end, and files for
//! spreadsheets and build servers.

use crate::batch::journal::{Done, Journal};
use crate::batch::options::Options;
use crate::batch::page::REPORT;
use crate::batch::plan::Planned;
use crate::batch::resume::Left;
use crate::disk::{Place, read_text, sha256};
use crate::error::{Error, invalid};
use crate::record::{CaseResult, Origin, ResultCase, cases_junit, cell};
use crate::terminal;
use crate::terminal::{BOLD, complain, counted, emit, say, show, styled, verdict_style, wrapped};
use serde_json::{Map, Value, json};
use spintrue_head::{CAUTION, Dimension, show_quantity};
use spintrue_language::{Verdict, longest_text};
use std::collections::BTreeMap;
use std::path::Path;

/// The table for spreadsheets.
pub(super) const TABLE: &str = "summary.csv";
/// The results for build servers.
pub(super) const RESULTS: &str = "junit.xml";

/// Columns of the table; behind them one for each name of the identities.
const COLUMNS: &str = "serial verdict exit_code does_not_conform undecided not_reached \
    not_told_apart failure took_s finished record left_safe simulated seed faults provoked operator";

/// Widest names beside which there is room for what speaks against a head.
const MAX_BESIDE: usize = 50;

/// Rows of the table that is printed.
const MAX_ROWS: usize = 60;

/// Exit codes from good to bad.
const ORDER: [u8; 6] = [0, 4, 1, 2, 3, 130];

/// The worse of two exit codes.
pub(super) fn worse(one: u8, other: u8) -> u8 {
    let rank = |code: u8| ORDER.iter().position(|known| *known == code).unwrap_or(ORDER.len());
    if rank(other) > rank(one) { other } else { one }
}

/// How far a head is.
pub(super) enum State {
    Waiting,
    /// It did not answer, and why.
    NoAnswer(String),
    /// It may not be tested again, and why.
    Refused(String),
    /// Its run ended or was interrupted; where its numbers come from.
    Done(Box<Done>, Box<Origin>),
}

/// How an attempt ended, and where its numbers come from.
pub(super) type Attempt = (Done, Origin);

pub(super) struct Row {
    pub serial: String,
    pub folder: String,
    pub state: State,
}

pub(super) struct Summary {
    pub script: String,
    pub list: String,
    record: String,
    json: bool,
    colour: bool,
    /// In the order of the list.
    pub rows: Vec<Row>,
    /// Stations that were taken out, and why.
    pub out: Vec<(String, String)>,
    /// Heads that were shown so far.
    shown: usize,
    /// Heads that were finished before.
    earlier: usize,
}

impl Summary {
    pub(super) fn new(options: &Options, heads: &[Planned]) -> Summary {
        let rows = heads.iter().map(Row::of);
        Summary {
            script: options.script.clone(),
            list: options.list.clone(),
            record: options.record.display().to_string(),
            json: options.json,
            colour: terminal::colour_output(),
            rows: rows.collect(),
            out: Vec::new(),
            shown: 0,
            earlier: 0,
        }
    }

    /// A head joins the queue.
    pub(super) fn add_row(&mut self, head: &Planned) {
        self.rows.push(Row::of(head));
    }

    /// What becomes of a line of the queue: of its serial number, or of what stands there instead.
    pub(super) fn tell_queue(&self, serial: &str, what: &str) {
        let value = json!({"event": "queue", "serial": serial, "what": what});
        show(self.json, &value, &wrapped(&format!("{serial}: {what}"), "        "));
    }

    /// The head at an index was finished before.
    pub(super) fn add_earlier(&mut self, at: usize, done: &Done) {
        self.earlier += 1;
        self.set_done(at, done);
        if self.json {
            self.print_done(at, true);
        }
    }

    /// What is left of a head whose run was interrupted: its result, or none where it is run again.
    pub(super) fn left(&self, serial: &str, left: Left) -> Option<Done> {
        let kept = match left {
            Left::Finished(done) => return Some(*done),
            Left::Again(Some(place)) => {
                format!("; its unfinished record is kept in {}", place.display())
            }
            Left::Again(None) => String::new(),
        };
        complain(&wrapped(&format!("{serial} was not finished and is run again{kept}"), ""));
        None
    }

    /// Prints what is known before the first head moves, with the longest times of heads to run; a queue may bring more.
    pub(super) fn begin(&mut self, longest: &[Option<f64>], is_queue: bool) {
        if self.json {
            return;
        }
        let Summary { script, list, record, earlier, .. } = &*self;
        let heads = if is_queue { "the heads".to_string() } else { self.heads() };
        let mut text = format!("{script} on {heads} of {list}, records in {record}.");
        if *earlier > 0 {
            text.push_str(&format!(" {earlier} finished before, {} to go.", longest.len()));
        }
        let sum: Option<f64> = longest.iter().copied().sum();
        if let Some(sum) = sum.filter(|sum| *sum > 0.0) {
            text.push_str(&format!(" At most {} of head time.", longest_text(sum)));
        }
        say(&wrapped(&text, ""));
        if is_queue || !longest.is_empty() {
            say(&format!("{}\n", wrapped(CAUTION, "")));
        }
        self.shown = self.earlier;
    }

    /// What a station tells while no head runs at it.
    pub(super) fn tell(&self, station: &str, what: &str) {
        let value = json!({"event": "station", "station": station, "what": what});
        show(self.json, &value, &wrapped(&format!("{station}: {what}"), "        "));
    }

    /// A station is taken out.
    pub(super) fn take_out(&mut self, station: &str, why: &str) {
        self.tell(station, &format!("taken out: {why}"));
        self.out.push((station.to_string(), why.to_string()));
    }

    /// Counts the head at an index, unless another station tried it before.
    fn count(&mut self, at: usize) {
        let is_known = |row: &Row| matches!(row.state, State::NoAnswer(_));
        self.shown += usize::from(!self.rows.get(at).is_some_and(is_known));
    }

    /// The run of the head at an index has ended.
    pub(super) fn add(&mut self, at: usize, done: &Done) {
        self.count(at);
        self.set_done(at, done);
        self.print_done(at, false);
    }

    /// The head at an index did not answer.
    pub(super) fn add_no_answer(&mut self, at: usize, why: &str) {
        self.count(at);
        let Some(row) = self.rows.get_mut(at) else { return };
        row.state = State::NoAnswer(why.to_string());
        let serial = row.serial.clone();
        let value = json!({"event": "open", "serial": serial, "why": why});
        show(self.json, &value, &self.line(&serial, why));
    }

    /// The record of the head at an index is in this folder.
    pub(super) fn set_folder(&mut self, at: usize, folder: &str) {
        if let Some(row) = self.rows.get_mut(at) {
            row.folder = folder.to_string();
        }
    }

    /// The head at an index may not be tested again; what is known of it stays.
    pub(super) fn add_refused(&mut self, at: usize, why: &str) {
        self.count(at);
        let Some(row) = self.rows.get_mut(at) else { return };
        if matches!(row.state, State::Waiting) {
            row.state = State::Refused(why.to_string());
        }
        let serial = row.serial.clone();
        let value = json!({"event": "refused", "serial": serial, "why": why});
        show(self.json, &value, &self.line(&serial, &format!("not tested: {why}")));
    }

    /// How the last attempt at the head at an index ended.
    pub(super) fn set_done(&mut self, at: usize, done: &Done) {
        if let Some(row) = self.rows.get_mut(at) {
            let origin = origin(&Path::new(&self.record).join(&row.folder));
            row.state = State::Done(Box::new(done.clone()), Box::new(origin));
        }
    }

    fn print_done(&self, at: usize, is_earlier: bool) {
        let Some(Row { folder, state: State::Done(done, origin), .. }) = self.rows.get(at) else {
            return;
        };
        if self.json {
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
                "station": origin.named.get("station"),
                "took": {"value": done.took, "unit": "s"},
                "record": format!("{}/{folder}", self.record),
                "finished_before": is_earlier,
            });
            emit(&format!("{value}\n"));
            return;
        }
        if terminal::is_quiet() && done.verdict == Verdict::Passed.kept_as() {
            return;
        }
        let took = show_quantity(done.took, Dimension::TIME, None, None);
        let verdict =
            styled(&done.verdict.to_uppercase(), verdict_style(&done.verdict), self.colour);
        let station = origin.named.get("station").map(|name| format!(", station {name}"));
        let station = station.unwrap_or_default();
        say(&self.line(&done.serial, &format!("{verdict}, {took} of head time{station}")));
        let objections = brief_objections(done, origin);
        if !objections.is_empty() {
            say(&wrapped(&objections, &" ".repeat(8)));
        }
    }

    fn line(&self, serial: &str, what: &str) -> String {
        let all = self.rows.len();
        let width = all.to_string().len();
        format!("  {:>width$} of {all}  {serial}: {what}\n", self.shown)
    }

    /// Number of heads.
    pub(super) fn len(&self) -> usize {
        self.rows.len()
    }

    fn heads(&self) -> String {
        counted(self.rows.len(), "head")
    }

    /// Number of heads that are not finished.
    pub(super) fn unfinished(&self) -> usize {
        let interrupted = Verdict::Interrupted.exit_code();
        let is_finished =
            |row: &&Row| matches!(&row.state, State::Done(d, _) if d.exit_code != interrupted);
        self.rows.len() - self.rows.iter().filter(is_finished).count()
    }

    /// The worst of all outcomes.
    pub(super) fn code(&self) -> u8 {
        let begun = self.rows.iter().filter(|row| !matches!(row.state, State::Waiting));
        begun.fold(0, |code, row| worse(code, row.state.verdict().1))
    }

    /// Prints the end of the batch.
    pub(super) fn end(&self, code: u8) {
        let counts = self.counts();
        let (first, last) = self.passed();
        if self.json {
            let counts: Map<String, Value> =
                counts.into_iter().map(|(verdict, count)| (verdict, json!(count))).collect();
            let value = json!({
                "event": "end", "heads": self.rows.len(), "verdicts": counts, "exit_code": code,
                "passed": {"first_attempt": first, "last_attempt": last},
            });
            emit(&format!("{value}\n"));
            return;
        }
        let counts: Vec<String> =
            counts.iter().map(|(verdict, count)| format!("{count} {verdict}")).collect();
        let share = |count: usize| format!("{count} of {} heads", self.rows.len());
        let attempts = match self.has_retests() {
            true => format!(
                "  passed at the first attempt: {}; at the last one: {}\n",
                share(first),
                share(last)
            ),
            false => String::new(),
        };
        say(&format!(
            "\n{}\n{}\n  {}: {}{}\n{attempts}",
            styled("Summary", BOLD, self.colour),
            self.table(),
            self.heads(),
            counts.join(", "),
            self.simulated()
        ));
    }

    /// How many heads passed at their first attempt, and how many at their last one.
    pub(super) fn passed(&self) -> (usize, usize) {
        let passed = self.done().filter(|done| done.exit_code == 0);
        let passed: Vec<u32> = passed.map(|done| done.attempt).collect();
        (passed.iter().filter(|attempt| **attempt == 1).count(), passed.len())
    }

    fn has_retests(&self) -> bool {
        self.done().any(|done| done.attempt > 1)
    }

    pub(super) fn done(&self) -> impl Iterator<Item = &Done> {
        self.rows.iter().filter_map(|row| match &row.state {
            State::Done(done, _) => Some(&**done),
            _ => None,
        })
    }

    /// How many of the finished heads were simulated; empty where none was.
    pub(super) fn simulated(&self) -> String {
        let origins = self.rows.iter().filter_map(|row| match &row.state {
            State::Done(_, origin) => Some(origin.simulated),
            _ => None,
        });
        let origins: Vec<Option<bool>> = origins.collect();
        let count = |kind| origins.iter().filter(|simulated| **simulated == kind).count();
        let mut text = match count(Some(true)) {
            0 => String::new(),
            all if all == origins.len() => "; simulated, all of them".to_string(),
            some => format!("; simulated: {some}"),
        };
        if count(None) > 0 {
            text.push_str(&format!("; not known whether simulated: {}", count(None)));
        }
        text
    }

    /// How many heads have which verdict, from good to bad.
    fn counts(&self) -> Vec<(String, usize)> {
        let mut counts: Vec<(String, u8, usize)> = Vec::new();
        for row in &self.rows {
            let (verdict, code) = row.state.verdict();
            match counts.iter_mut().find(|(known, ..)| *known == verdict) {
                Some((.., count)) => *count += 1,
                None => counts.push((verdict.to_string(), code, 1)),
            }
        }
        counts.sort_by_key(|(_, code, _)| ORDER.iter().position(|known| known == code));
        counts.into_iter().map(|(verdict, _, count)| (verdict, count)).collect()
    }

    /// A line for each head; where there are many, for those that did not pass.
    fn table(&self) -> String {
        let many = self.rows.len() > MAX_ROWS;
        let listed = |row: &&Row| !many || row.state.verdict().1 != 0;
        let rows: Vec<&Row> = self.rows.iter().filter(listed).collect();
        let widest = |of: fn(&Row) -> &str| rows.iter().map(|row| of(row).chars().count()).max();
        let width = widest(|row| &row.serial).unwrap_or(0).max(6);
        let names = widest(|row| &row.folder).unwrap_or(0).max(6);
        let beside = 2 + width + 2 + 12 + 2 + names + 2;
        // Names stand whole; beside long ones there is no room for more.
        let is_below = beside > MAX_BESIDE;
        let indent = " ".repeat(if is_below { 8 } else { beside });
        let heading = if is_below { "" } else { "what speaks against it" };
        let head =
            format!("  {:<width$}  {:<12}  {:<names$}  {heading}", "serial", "verdict", "record");
        let mut text = format!("{}\n", head.trim_end());
        for row in rows.iter().take(MAX_ROWS) {
            let (verdict, _) = row.state.verdict();
            let shown = format!("{:<12}", verdict.to_uppercase());
            let (objections, record) = match &row.state {
                State::Waiting => (String::new(), ""),
                State::NoAnswer(why) | State::Refused(why) => (why.clone(), ""),
                State::Done(done, origin) => (brief_objections(done, origin), row.folder.as_str()),
            };
            let lead = format!(
                "  {:<width$}  {}  {record:<names$}  ",
                row.serial,
                styled(&shown, verdict_style(verdict), self.colour),
            );
            let lines = match objections.as_str() {
                "" => String::new(),
                objections => wrapped(objections, &indent),
            };
            if is_below {
                text.push_str(&format!("{}\n{lines}", lead.trim_end()));
            } else {
                text.push_str(format!("{lead}{}", lines.trim_start()).trim_end());
                text.push('\n');
            }
        }
        let more = rows.len().saturating_sub(MAX_ROWS);
        if more > 0 {
            text.push_str(&format!("  ... and {more} more in {}/{TABLE}\n", self.record));
        } else if many {
            text.push_str(&format!("  All heads are listed in {}/{TABLE}\n", self.record));
        }
        text
    }

    /// Writes the files of the summary; their names and SHA-256.
    pub(super) fn write(&self, folder: &Path) -> Result<BTreeMap<String, String>, Error> {
        let table = self.csv().map_err(|error| invalid!("{TABLE}: {error}"))?;
        let cases: Vec<ResultCase> = self.rows.iter().map(|row| row.case(&self.script)).collect();
        let results = cases_junit("spintrue batch", &self.script, &cases);
        let results = results.map_err(|error| invalid!("{error}"))?;
        let known = Journal::read(folder)?;
        let last = known.heads.into_values().filter_map(|(begun, done)| Some((begun, done?)));
        let attempts = known.before.into_iter().chain(last);
        let attempts = attempts.map(|(begun, done)| (done, origin(&folder.join(begun.folder))));
        let page = self.page(&attempts.collect::<Vec<_>>());
        let files = [(TABLE, table), (RESULTS, results.into()), (REPORT, page.into())];
        let written = files.into_iter().map(|(name, bytes)| {
            let digest = sha256(&bytes);
            Place::replace(&folder.join(name), bytes)?;
            Ok((name.to_string(), digest))
        });
        written.collect()
    }

    fn csv(&self) -> Result<Vec<u8>, csv::Error> {
        let terminator = csv::Terminator::CRLF;
        let mut out = csv::WriterBuilder::new().terminator(terminator).from_writer(Vec::new());
        let mut columns: Vec<&str> = COLUMNS.split_whitespace().collect();
        let own = columns.len();
        let done = self.rows.iter().filter_map(|row| match &row.state {
            State::Done(_, origin) => Some(origin),
            _ => None,
        });
        for name in done.flat_map(|origin| origin.named.keys()) {
            if !columns.contains(&name.as_str()) {
                columns.push(name);
            }
        }
        out.write_record(&columns)?;
        for row in &self.rows {
            let (verdict, code) = row.state.verdict();
            let mut cells = vec![row.serial.clone(), verdict.to_string()];
            match &row.state {
                State::Done(done, origin) => {
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
                        origin.operator.clone().unwrap_or_default(),
                    ]);
                    let named = columns.iter().skip(own);
                    let named = named.map(|name| origin.named.get(*name));
                    cells.extend(named.map(|value| value.cloned().unwrap_or_default()));
                }
                State::NoAnswer(why) | State::Refused(why) => {
                    cells.extend(["", "", "", "", "", why].map(String::from));
                }
                State::Waiting => {}
            }
            cells.resize(columns.len(), String::new());
            out.write_record(cells.iter().map(|text| cell(text).into_owned()))?;
        }
        out.into_inner().map_err(|error| error.into_error().into())
    }
}

impl Row {
    fn of(head: &Planned) -> Row {
        let (serial, folder) = (head.serial.clone(), head.folder.clone());
        Row { serial, folder, state: State::Waiting }
    }

    /// A head that was not run counts as a failure.
    fn case(&self, script: &str) -> ResultCase {
        let (verdict, code) = self.state.verdict();
        let mut facts = Vec::new();
        let (message, took) = match &self.state {
            State::Waiting => (String::new(), 0.0),
            State::NoAnswer(why) | State::Refused(why) => (why.clone(), 0.0),
            State::Done(done, origin) => {
                facts.push(("simulated", origin.simulated_text().to_string()));
                facts.extend(origin.seed.map(|seed| ("seed", seed.to_string())));
                facts.extend(origin.faults.iter().map(|fault| ("fails on purpose", fault.clone())));
                let provoked = Some(origin.provoked_text()).filter(|text| !text.is_empty());
                facts.extend(provoked.map(|text| ("provoked by the script", text)));
                for (name, labels) in done.unmet.groups() {
                    facts.extend(labels.iter().map(|label| (name, label.clone())));
                }
                (objections(done, &Origin::default()), done.took)
            }
        };
        let result = match code {
            0 => CaseResult::Passed,
            _ => CaseResult::Failed(verdict.to_string(), message),
        };
        ResultCase { name: self.serial.clone(), class: script.to_string(), result, took, facts }
    }
}

impl State {
    /// The verdict and its exit code.
    pub(super) fn verdict(&self) -> (&str, u8) {
        match self {
            State::Waiting => ("not run", 130),
            State::NoAnswer(_) => ("no answer", 3),
            State::Refused(_) => ("refused", 2),
            State::Done(done, _) => (&done.verdict, done.exit_code),
        }
    }
}

/// Where the numbers of a finished head come from, according to its record.
fn origin(folder: &Path) -> Origin {
    let text = read_text(&folder.join("record.json")).unwrap_or_default();
    let record = serde_json::from_str::<Value>(&text).unwrap_or_default();
    Origin::of(record.get("identity").unwrap_or(&Value::Null))
}

/// What speaks against a head, and the faults that were injected.
fn objections(done: &Done, origin: &Origin) -> String {
    against(done, &done.unmet.text(), origin)
}

/// The same for a screen.
pub(super) fn brief_objections(done: &Done, origin: &Origin) -> String {
    against(done, &done.unmet.brief(done.failure.is_some()), origin)
}

fn against(done: &Done, unmet: &str, origin: &Origin) -> String {
    let left = if done.left_safe == Some(false) { "NOT LEFT SAFE" } else { "" };
    let faults = origin.faults_text();
    let parts = [left, done.failure.as_deref().unwrap_or(""), unmet, &faults];
    parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join("; ")
}
