//! The heads of a batch: every row of the list with its head and its params, all checked before anything
//! moves.

use crate::batch::options::Options;
use crate::batch::place::Place;
use crate::disk::{Disk, digest_of};
use crate::error::Error;
use crate::setup::{Described, OpenFixtures, Simulated, is_elsewhere, simulated};
use crate::terminal::told::rendered;
use crate::terminal::{complain, wrapped};
use spintrue_head::{Description, is_hidden};
use spintrue_language::{
    BAD_HEAD_LIST, Diagnostic, ListRow, Prepared, Series, Severity, SourceId, SourceMap, Span,
};
use std::collections::{HashMap, HashSet};
use std::path::PathBuf;
use std::sync::Arc;

/// Columns of a list that are no params.
const OWN_COLUMNS: &[&str] = &["serial", "head", "fault"];

/// Longest serial number in characters.
const MAX_SERIAL: usize = 200;

/// A head of the list that may be run.
pub(crate) struct Planned {
    /// Which row it is.
    pub row: usize,
    pub serial: String,
    /// Verdicts of its attempts in this batch so far.
    pub earlier: Vec<String>,
    /// Why it is tested again.
    pub reason: Option<String>,
    /// The name of its folder, given once the whole list is known.
    pub folder: String,
    pub place: Place,
    /// Of its row and of the description of the head.
    pub digest: String,
    /// The longest head time in s that its run can take, where a bound is known.
    pub most: Option<f64>,
}

/// A batch that was checked.
pub(crate) struct Plan {
    pub series: Series,
    pub heads: Vec<Planned>,
    pub fixtures: OpenFixtures,
}

/// Reports, each once however many rows it comes from.
#[derive(Default)]
struct Reports {
    sources: SourceMap,
    diagnostics: Vec<Diagnostic>,
    seen: HashSet<(&'static str, Span, String)>,
    answers: Option<SourceId>,
}

impl Reports {
    /// Adds the reports of a row, whose text has an id that every row uses.
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
                    // The answers file is read for each row, after the row itself.
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

    fn are_wrong(&self) -> bool {
        self.diagnostics.iter().any(|d| d.severity == Severity::Error)
    }
}

/// The error on a cell of a row, or on the whole row where there is no such column.
fn wrong(
    series: &Series,
    row: &ListRow,
    column: &str,
    what: impl Into<String>,
    help: &str,
) -> Diagnostic {
    Diagnostic::error(BAD_HEAD_LIST, what, series.cell_span(row, column)).help(help)
}

/// Checks everything.
pub(crate) fn plan(options: &Options) -> Result<Plan, Error> {
    let fixtures = options.fixtures.read()?;
    let (mut series, mut problems) = Series::read(
        &mut Disk,
        &options.script,
        &options.settings.settings,
        &options.list,
        OWN_COLUMNS,
    )?;
    let mut reports = Reports { sources: series.sources().clone(), ..Reports::default() };
    if series.list().columns.is_empty() {
        // Rows cannot be checked without known columns.
        problems.extend(series.diagnostics().iter().cloned());
        return Err(Error::reports(problems, &reports.sources));
    }
    reports.diagnostics = problems;
    let mut checker = Checker {
        options,
        fixtures: &fixtures,
        simulated: HashMap::new(),
        described: HashMap::new(),
        serials: HashMap::new(),
        memories: HashMap::new(),
        printed: HashSet::new(),
    };
    let rows = series.list().rows.clone();
    let mut heads = Vec::new();
    for (number, row) in rows.iter().enumerate() {
        let mut prepared = series.prepared(&mut Disk, row);
        let (planned, found) = checker.row(&series, number, row, &mut prepared)?;
        reports.take(found, &series, &prepared.sources);
        heads.extend(planned);
    }
    if reports.are_wrong() {
        let error = Error::reports(reports.diagnostics, &reports.sources);
        return Err(error.concluding("nothing was run: every row of the list must be right"));
    }
    complain(&rendered(&reports.diagnostics, &reports.sources));
    Ok(Plan { series, heads, fixtures })
}

struct Checker<'a> {
    options: &'a Options,
    fixtures: &'a OpenFixtures,
    /// Simulated heads by their addresses.
    simulated: HashMap<String, Simulated>,
    /// Descriptions of other heads by their addresses; none where they do not answer now.
    described: HashMap<String, Option<Description>>,
    /// The line of each serial number.
    serials: HashMap<String, usize>,
    /// The line of each memory of a simulated head.
    memories: HashMap<PathBuf, usize>,
    /// Reports on descriptions of heads that were printed already.
    printed: HashSet<String>,
}

impl Checker<'_> {
    /// Checks a row. Fails where the same error would be reported for every row.
    fn row(
        &mut self,
        series: &Series,
        number: usize,
        row: &ListRow,
        prepared: &mut Prepared,
    ) -> Result<(Option<Planned>, Vec<Diagnostic>), Error> {
        let mut found = prepared.diagnostics.clone();
        if let Err(refused) = self.options.answers.read(prepared, false) {
            found.extend(refused);
        }
        let serial = self.serial(series, row, &mut found);
        let head = self.head(series, row, &mut found)?;
        let Some(mut place) = head else { return Ok((None, found)) };
        let described = match &mut place {
            Place::Address(address) => self.described(address)?,
            Place::Simulated(head) => {
                head.serial = Some(serial.clone());
                let opened = place.open_bare(Arc::default());
                match opened.and_then(|opened| Described::of(opened, self.fixtures)) {
                    Ok(described) => Some(described),
                    Err(error) => {
                        found.push(self.cannot_be_made(&error, series, row));
                        return Ok((None, found));
                    }
                }
            }
        };
        let mut most = None;
        if let Some(described) = &described {
            let head = &described.head;
            if matches!(place, Place::Simulated(_)) && head.serial != serial && !serial.is_empty() {
                let what = format!("the head of this row says that it is {}", head.serial);
                let way = "correct the serial number or the address";
                let report = wrong(series, row, "serial", what, way);
                found.push(report.here("this is another serial number"));
            }
            found.extend(described.unfit(prepared));
            let (beyond, longest) = self.options.limits.check(prepared, head, false);
            found.extend(beyond);
            most = longest.and_then(|bound| bound.most);
        }
        if found.iter().any(|d| d.severity == Severity::Error) {
            return Ok((None, found));
        }
        let digest = digest(series, row, &place);
        Ok((
            Some(Planned {
                row: number,
                serial,
                earlier: Vec::new(),
                reason: None,
                folder: String::new(),
                place,
                digest,
                most,
            }),
            found,
        ))
    }

    /// The head of a row cannot be made.
    fn cannot_be_made(&mut self, error: &Error, series: &Series, row: &ListRow) -> Diagnostic {
        if self.printed.insert(error.rendered()) {
            error.print();
        }
        let column = if series.cell(row, "fault").is_some() { "fault" } else { "head" };
        let what = "the head of this row cannot be made";
        wrong(series, row, column, what, "the report above says why")
    }

    /// What the head that is at an address now says of itself. Rows of other heads at the same address,
    /// and of heads that do not answer yet, are checked when their turn comes. Fails where fixtures do
    /// not fit it.
    fn described(&mut self, address: &str) -> Result<Option<Described>, Error> {
        if let Some(known) = self.described.get(address) {
            return Ok(known.clone().map(Described::from));
        }
        let place = Place::Address(address.to_string());
        let described = match place.open_bare(Arc::default()) {
            Ok(opened) => Some(Described::of(opened, self.fixtures)?.head),
            Err(error) => {
                let note = format!("note: {address}: {error}; it is looked at when its turn comes");
                complain(&wrapped(&note, ""));
                None
            }
        };
        self.described.insert(address.to_string(), described.clone());
        Ok(described.map(Described::from))
    }

    fn serial(&mut self, series: &Series, row: &ListRow, found: &mut Vec<Diagnostic>) -> String {
        let serial = series.cell(row, "serial").map_or("", |cell| cell.text.as_str());
        let mut wrong = |what: &str, help| found.push(wrong(series, row, "serial", what, help));
        if serial.is_empty() {
            wrong("this row has no serial number", "write the serial number of its head");
        } else if serial.chars().count() > MAX_SERIAL {
            let what = format!("a serial number of more than {MAX_SERIAL} characters");
            wrong(&what, "look whether quotes are missing");
        } else if serial.contains(is_hidden) || serial.trim() != serial {
            let what = "this serial number has blanks around it, or invisible characters";
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
        row: &ListRow,
        found: &mut Vec<Diagnostic>,
    ) -> Result<Option<Place>, Error> {
        let cell = series.cell(row, "head").map(|cell| cell.text.clone());
        if cell.as_ref().is_some_and(String::is_empty) {
            let way = "write the address of its head, such as `sim:FILE.toml`";
            found.push(wrong(series, row, "head", "this row has no address", way));
            return Ok(None);
        }
        let address = cell.as_ref().unwrap_or(&self.options.head.head);
        let faults = series.cell(row, "fault").map_or("", |cell| cell.text.as_str());
        let faults = faults.split(';').map(str::trim).filter(|fault| !fault.is_empty());
        let faults = self.options.faults.faults.iter().cloned().chain(faults.map(str::to_string));
        let faults: Vec<String> = faults.collect();
        if is_elsewhere(address) {
            if !faults.is_empty() {
                let column = if series.cell(row, "fault").is_some() { "fault" } else { "serial" };
                let what = "this head is not made here, so that it cannot be made to fail here";
                let way = "give faults to the server of the head";
                found.push(wrong(series, row, column, what, way));
                return Ok(None);
            }
            return Ok(Some(Place::Address(address.clone())));
        }
        let known = match self.simulated.get(address) {
            Some(known) => known.clone(),
            None => match simulated(address, &[]) {
                Ok(head) => head,
                Err(error) if cell.is_none() => return Err(error),
                Err(error) => {
                    let way = "an address is `sim`, `sim:FILE.toml` with the path from here, \
                               `tcp://HOST:PORT` or `serial://DEVICE`";
                    found.push(wrong(series, row, "head", error.to_string(), way));
                    return Ok(None);
                }
            },
        };
        self.simulated.entry(address.clone()).or_insert_with(|| known.clone());
        if let Some(memory) = &known.memory
            && let Some(first) = self.memories.insert(memory.clone(), row.line)
        {
            let what = format!("the head on line {first} keeps its trims in that memory");
            found.push(wrong(series, row, "head", what, "give each head a memory of its own"));
        }
        Ok(Some(Place::Simulated(Simulated { faults, serial: None, ..known })))
    }
}

/// Digest of all that makes a head of the list what it is.
fn digest(series: &Series, row: &ListRow, place: &Place) -> String {
    let mut parts = place.parts();
    for (column, cell) in series.list().columns.iter().zip(&row.cells) {
        parts.extend([column.text.clone(), cell.text.clone()]);
    }
    digest_of(parts.iter().map(String::as_str))
}
