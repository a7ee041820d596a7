//! The heads of a batch: every row of the list with its head and its params, all looked at before
//! anything moves.

use crate::builtins::Effect;
use crate::cli::address::{self, Simulated};
use crate::cli::batch::Options;
use crate::cli::batch::place::{self, Place};
use crate::cli::files::{Disk, digest_of};
use crate::cli::fixture::Ready;
use crate::cli::{allow, duration};
use crate::diagnostics::{Diagnostic, Severity, codes};
use crate::head::Calls;
use crate::head::Description;
use crate::head::link::not_simulated;
use crate::operator::Given;
use crate::session::{CheckFault, Prepared, Row, Runnable, Series};
use crate::source::{SourceId, SourceMap, Span};
use crate::terminal::told::rendered;
use crate::terminal::{complain, wrapped};
use crate::visible::is_hidden;
use std::cell::RefCell;
use std::collections::{HashMap, HashSet};
use std::path::PathBuf;
use std::sync::Arc;

/// Columns of a list that are no params.
const OWN: &[&str] = &["serial", "head", "fault"];

/// Longest serial number in characters.
const SERIAL_MOST: usize = 200;

/// A head of the list that may be run.
pub(super) struct Planned {
    /// Which row it is.
    pub row: usize,
    pub serial: String,
    pub place: Place,
    /// Of its row and of the description of the head.
    pub digest: String,
    /// The longest head time in s that its run can take, where a bound is known.
    pub most: Option<f64>,
}

impl Planned {
    /// Looks once more at all that depends on the head, now that it is there. Fails with what is to
    /// be printed.
    pub(super) fn admit<'p>(
        &self,
        prepared: &'p Prepared,
        head: &Description,
        check_fault: CheckFault<'_>,
        options: &Options,
    ) -> Result<Runnable<'p>, String> {
        let allowed = options.allow.as_deref().map(allow::parse).transpose()?;
        let (limits, _) = limits(prepared, head, options, allowed.as_deref());
        let admitted = prepared.admit(head, check_fault, limits);
        admitted.map_err(|refused| rendered(&refused, &prepared.sources))
    }
}

/// What `--at-most` and `--allow` say of a head; and the longest time of the run on it.
fn limits(
    prepared: &Prepared,
    head: &Description,
    options: &Options,
    allowed: Option<&[Effect]>,
) -> (Vec<Diagnostic>, Option<f64>) {
    let Some(bound) = prepared.bound(head) else { return (Vec::new(), None) };
    let mut found = Vec::from_iter(duration::refused(&bound, options.at_most, &prepared.sources));
    found.extend(allow::refused(prepared, allowed, head.simulated, false));
    (found, bound.most)
}

/// A batch of which everything was looked at.
pub(super) struct Plan {
    pub series: Series,
    pub heads: Vec<Planned>,
    pub fixtures: Ready,
}

/// What is to be told, each thing once however many rows it comes from.
#[derive(Default)]
struct Reports {
    sources: SourceMap,
    diagnostics: Vec<Diagnostic>,
    seen: HashSet<(&'static str, Span, String)>,
    answers: Option<SourceId>,
}

impl Reports {
    /// Takes what was found in a row, whose text has an id that every row uses.
    fn take(&mut self, found: Vec<Diagnostic>, series: &Series, sources: &SourceMap) {
        let row_source = series.row_source();
        let mut own: Option<SourceId> = None;
        for mut diagnostic in found {
            let of_row = diagnostic.labels.iter().any(|label| label.span.source == row_source);
            for label in &mut diagnostic.labels {
                let Some(source) = sources.get(label.span.source) else { continue };
                let add = || (source.name.clone(), Arc::clone(&source.text));
                if label.span.source == row_source {
                    label.span.source = *own.get_or_insert_with(|| {
                        let (name, text) = add();
                        self.sources.add(name, text)
                    });
                } else if label.span.source > row_source {
                    // The answers file is read for each row behind the row itself.
                    let known = self.answers.get_or_insert_with(|| {
                        let (name, text) = add();
                        self.sources.add(name, text)
                    });
                    label.span.source = *known;
                }
            }
            let key = (diagnostic.code, diagnostic.span(), diagnostic.headline.clone());
            if of_row || self.seen.insert(key) {
                self.diagnostics.push(diagnostic);
            }
        }
    }

    fn wrong(&self) -> bool {
        self.diagnostics.iter().any(|d| d.severity == Severity::Error)
    }
}

/// The answers to the questions of the script, the same for every head. Nobody is asked at the
/// terminal, for nobody is to answer for a head that is not the next one.
pub(super) fn answers(
    prepared: &mut Prepared,
    options: &Options,
) -> Result<Given, Vec<Diagnostic>> {
    match &options.answers {
        Some(path) => prepared.answers(&mut Disk, path),
        None => match prepared.unanswerable("") {
            None => Ok(Given::default()),
            Some(refused) => Err(vec![refused]),
        },
    }
}

/// Looks at everything; fails with what is to be printed.
pub(super) fn plan(options: &Options) -> Result<Plan, String> {
    let allowed = options.allow.as_deref().map(allow::parse).transpose()?;
    let fixtures = options.fixtures.read()?;
    let (mut series, mut problems) =
        Series::read(&mut Disk, &options.script, &options.settings, &options.list, OWN)
            .map_err(|why| format!("error: {why}\n"))?;
    let mut reports = Reports { sources: series.sources().clone(), ..Reports::default() };
    if series.list().columns.is_empty() {
        // Nothing can be said of rows whose columns are not known.
        problems.extend(series.diagnostics().iter().cloned());
        return Err(rendered(&problems, &reports.sources));
    }
    reports.diagnostics = problems;
    let mut looking = Looking {
        options,
        allowed,
        fixtures: &fixtures,
        made: HashMap::new(),
        there: HashMap::new(),
        serials: HashMap::new(),
        memories: HashMap::new(),
        printed: HashSet::new(),
    };
    let rows = series.list().rows.clone();
    let mut heads = Vec::new();
    for (number, row) in rows.iter().enumerate() {
        let mut prepared = series.prepared(&mut Disk, row);
        let (planned, found) = looking.row(&series, number, row, &mut prepared)?;
        reports.take(found, &series, &prepared.sources);
        heads.extend(planned);
    }
    let told = rendered(&reports.diagnostics, &reports.sources);
    if reports.wrong() {
        return Err(format!("{told}error: nothing was run: every row of the list must be right\n"));
    }
    complain(&told);
    Ok(Plan { series, heads, fixtures })
}

struct Looking<'a> {
    options: &'a Options,
    allowed: Option<Vec<Effect>>,
    fixtures: &'a Ready,
    /// Simulated heads by their addresses.
    made: HashMap<String, Result<Place, String>>,
    /// What heads that stand somewhere say that they are, by their addresses; none where they do not
    /// answer now.
    there: HashMap<String, Option<Description>>,
    /// The line of each serial number.
    serials: HashMap<String, usize>,
    /// The line of each memory of a simulated head.
    memories: HashMap<PathBuf, usize>,
    /// Reports on descriptions of heads, which have places of their own.
    printed: HashSet<String>,
}

impl Looking<'_> {
    /// Looks at a row. Fails where the same would be said of every row.
    fn row(
        &mut self,
        series: &Series,
        number: usize,
        row: &Row,
        prepared: &mut Prepared,
    ) -> Result<(Option<Planned>, Vec<Diagnostic>), String> {
        let mut found = prepared.diagnostics.clone();
        if let Err(refused) = answers(prepared, self.options) {
            found.extend(refused);
        }
        let serial = self.serial(series, row, &mut found);
        let head = self.head(series, row, &mut found)?;
        let Some(mut place) = head else { return Ok((None, found)) };
        let (description, link) = match &mut place {
            Place::There(address) => (self.there(address)?, None),
            Place::Made(head) => {
                head.serial = Some(serial.clone());
                let opened = place.plain(Arc::default());
                match opened.and_then(|opened| place::described(opened, self.fixtures)) {
                    Ok((description, link)) => (Some(description), Some(RefCell::new(link))),
                    Err(why) => {
                        found.push(self.unmade(&why, series, row));
                        return Ok((None, found));
                    }
                }
            }
        };
        let mut most = None;
        if let Some(head) = &description {
            if matches!(place, Place::Made(_)) && head.serial != serial && !serial.is_empty() {
                let what = format!("the head of this row says that it is {}", head.serial);
                let report =
                    Diagnostic::error(codes::BAD_HEAD_LIST, what, series.cell_span(row, "serial"));
                let report = report.here("this is another serial number");
                found.push(report.help("correct the serial number or the address"));
            }
            let check_fault = |fault: &str| match &link {
                Some(link) => link.borrow_mut().check_can_inject(fault),
                None => Err(not_simulated()),
            };
            found.extend(prepared.unfit(head, &check_fault));
            let (more, longest) = limits(prepared, head, self.options, self.allowed.as_deref());
            found.extend(more);
            most = longest;
        }
        if found.iter().any(|d| d.severity == Severity::Error) {
            return Ok((None, found));
        }
        let digest = digest(series, row, &place);
        Ok((Some(Planned { row: number, serial, place, digest, most }), found))
    }

    /// The head of a row cannot be made.
    fn unmade(&mut self, why: &str, series: &Series, row: &Row) -> Diagnostic {
        if self.printed.insert(why.to_string()) {
            complain(&format!("{}\n\n", why.trim_end()));
        }
        let column = if series.cell(row, "fault").is_some() { "fault" } else { "head" };
        let what = "the head of this row cannot be made";
        let report = Diagnostic::error(codes::BAD_HEAD_LIST, what, series.cell_span(row, column));
        report.help("the report above says why")
    }

    /// What the head that stands at an address now says that it is. Rows of other heads at the same
    /// place, and of heads that do not answer yet, are looked at when their turn comes. Fails where
    /// fixtures do not fit it.
    fn there(&mut self, address: &str) -> Result<Option<Description>, String> {
        if let Some(known) = self.there.get(address) {
            return Ok(known.clone());
        }
        let place = Place::There(address.to_string());
        let described = match place.plain(Arc::default()) {
            Ok(opened) => Some(place::described(opened, self.fixtures)?.0),
            Err(why) => {
                let why = why.trim_end().trim_start_matches("error: ");
                let note = format!("note: {address}: {why}; it is looked at when its turn comes");
                complain(&wrapped(&note, ""));
                None
            }
        };
        self.there.insert(address.to_string(), described.clone());
        Ok(described)
    }

    fn serial(&mut self, series: &Series, row: &Row, found: &mut Vec<Diagnostic>) -> String {
        let serial = series.cell(row, "serial").map_or("", |cell| cell.text.as_str());
        let place = series.cell_span(row, "serial");
        let mut wrong = |what: &str, help: &str| {
            found.push(Diagnostic::error(codes::BAD_HEAD_LIST, what, place).help(help.to_string()));
        };
        if serial.is_empty() {
            wrong("this row has no serial number", "write the serial number of its head");
        } else if serial.chars().count() > SERIAL_MOST {
            let what = format!("a serial number of more than {SERIAL_MOST} characters");
            wrong(&what, "look whether quotes are missing");
        } else if serial.contains(is_hidden) || serial.trim() != serial {
            let what = "this serial number has blanks around it, or signs that nobody sees";
            wrong(what, "write it as it stands on the head");
        } else if let Some(first) = self.serials.insert(serial.to_string(), row.line) {
            let what = format!("the serial number {serial} stands on line {first} already");
            wrong(&what, "each head is run once: take one of the rows out");
        }
        serial.to_string()
    }

    /// The head that a row names. Fails where the one of `--head` cannot be opened.
    fn head(
        &mut self,
        series: &Series,
        row: &Row,
        found: &mut Vec<Diagnostic>,
    ) -> Result<Option<Place>, String> {
        let cell = series.cell(row, "head").map(|cell| cell.text.clone());
        let place = series.cell_span(row, "head");
        if cell.as_ref().is_some_and(String::is_empty) {
            let report = Diagnostic::error(codes::BAD_HEAD_LIST, "this row has no address", place);
            found.push(report.help("write the address of its head, such as `sim:FILE.toml`"));
            return Ok(None);
        }
        let address = cell.as_ref().unwrap_or(&self.options.head);
        let faults = series.cell(row, "fault").map_or("", |cell| cell.text.as_str());
        let faults = faults.split(';').map(str::trim).filter(|fault| !fault.is_empty());
        let faults = self.options.faults.iter().cloned().chain(faults.map(str::to_string));
        let faults: Vec<String> = faults.collect();
        if address::is_elsewhere(address) {
            if !faults.is_empty() {
                let column = if series.cell(row, "fault").is_some() { "fault" } else { "serial" };
                let what = "this head is not made here, so that it cannot be made to fail here";
                let report =
                    Diagnostic::error(codes::BAD_HEAD_LIST, what, series.cell_span(row, column));
                found.push(report.help("give faults to the server of the head"));
                return Ok(None);
            }
            return Ok(Some(Place::There(address.clone())));
        }
        let made = self.made.entry(address.clone());
        let made = made.or_insert_with(|| address::simulated(address, &[]).map(Place::Made));
        match (made, &cell) {
            (Ok(Place::Made(known)), _) => {
                if let Some(memory) = &known.memory
                    && let Some(first) = self.memories.insert(memory.clone(), row.line)
                {
                    let what = format!("the head on line {first} keeps its trims in that memory");
                    let report = Diagnostic::error(codes::BAD_HEAD_LIST, what, place);
                    found.push(report.help("give each head a memory of its own"));
                }
                Ok(Some(Place::Made(Simulated { faults, serial: None, ..known.clone() })))
            }
            (Ok(there), _) => Ok(Some(there.clone())),
            (Err(why), None) => Err(format!("{}\n", why.trim_end())),
            (Err(why), Some(_)) => {
                let why = why.trim_end().trim_start_matches("error: ").to_string();
                found.push(Diagnostic::error(codes::BAD_HEAD_LIST, why, place).help(
                    "an address is `sim`, `sim:FILE.toml` with the path from here, `tcp://HOST:PORT` \
                     or `serial://DEVICE`",
                ));
                Ok(None)
            }
        }
    }
}

/// Digest of all that makes a head of the list what it is.
fn digest(series: &Series, row: &Row, place: &Place) -> String {
    let mut parts = place.parts();
    for (column, cell) in series.list().columns.iter().zip(&row.cells) {
        parts.extend([column.text.clone(), cell.text.clone()]);
    }
    digest_of(parts.iter().map(String::as_str))
}
