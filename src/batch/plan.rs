//! The heads of a batch: every row of the list with its head and its params, all checked before anything
//! moves.

use crate::batch::options::{Options, StationOption};
use crate::batch::place::Place;
use crate::batch::sheets::{self, Script, Scripts};
use crate::disk::{Disk, digest_of};
use crate::error::{Error, invalid};
use crate::setup::{Described, OpenFixtures, Simulated, is_elsewhere, simulated};
use crate::terminal::told::rendered;
use crate::terminal::{complain, wrapped};
use spintrue_head::{Description, is_hidden};
use spintrue_language::{
    BAD_HEAD_LIST, Diagnostic, ListRow, Prepared, Series, SourceId, SourceMap, Span,
};
use std::collections::{HashMap, HashSet};
use std::path::PathBuf;
use std::sync::Arc;

/// Longest serial number in characters.
const MAX_SERIAL: usize = 200;

/// A head of the list that may be run.
pub(crate) struct Planned {
    /// Which row it is.
    pub row: usize,
    pub serial: String,
    /// Its data sheet, where heads have sheets of their own.
    pub sheet: Option<String>,
    /// Verdicts of its attempts in this batch so far.
    pub earlier: Vec<String>,
    /// Why it is tested again.
    pub reason: Option<String>,
    /// The name of its folder, given once the whole list is known.
    pub folder: String,
    /// Where it is; with stations, the first of them.
    pub place: Place,
    /// Of its row and of the description of the head.
    pub digest: String,
    /// The longest head time in s that its run can take, where a bound is known.
    pub most: Option<f64>,
}

/// A batch that was checked.
pub(crate) struct Plan {
    pub scripts: Scripts,
    pub heads: Vec<Planned>,
    pub fixtures: OpenFixtures,
}

/// Reports, each once however many rows it comes from.
#[derive(Default)]
struct Reports {
    sources: SourceMap,
    diagnostics: Vec<Diagnostic>,
    seen: HashSet<(&'static str, Span, String)>,
    /// Texts among the sources, but those of rows.
    known: HashMap<(String, Arc<str>), SourceId>,
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
                let (name, text) = (source.name.clone(), Arc::clone(&source.text));
                let all = &mut self.sources;
                label.span.source = if label.span.source == row_source {
                    *own.get_or_insert_with(|| all.add(name, text))
                } else {
                    let key = (name.clone(), Arc::clone(&text));
                    *self.known.entry(key).or_insert_with(|| all.add(name, text))
                };
            }
            let key = (diagnostic.code, diagnostic.span(), diagnostic.headline.clone());
            if of_row || self.seen.insert(key) {
                self.diagnostics.push(diagnostic);
            }
        }
    }

    fn are_wrong(&self) -> bool {
        self.diagnostics.iter().any(Diagnostic::is_error)
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

/// Checks everything; or reads only the row with a number, which was checked before.
pub(crate) fn plan(options: &Options, only: Option<usize>) -> Result<Plan, Error> {
    let fixtures = options.around_all().read()?;
    let (base, mut problems) = Script::read(options, None)?;
    let list = base.series.list();
    if options.is_queue && list.rows.is_empty() {
        // It is filled later.
        problems.clear();
    }
    let mut reports = Reports { sources: base.series.sources().clone(), ..Reports::default() };
    if list.columns.is_empty() {
        // Rows cannot be checked without known columns.
        problems.extend(base.series.diagnostics().iter().cloned());
        return Err(Error::reports(problems, &reports.sources));
    }
    if !options.stations.is_empty() && list.columns.iter().any(|column| column.text == "head") {
        return Err(invalid!(
            "{} has a column `head`, but with `--station` a head is where it is mounted: take the \
             column out",
            options.list
        ));
    }
    let sources = reports.sources.iter();
    let named = sources.map(|(id, source)| ((source.name.clone(), Arc::clone(&source.text)), id));
    reports.known = named.collect();
    reports.diagnostics = problems;
    let mut checker = Checker::new(options, &fixtures, only.is_none())?;
    let rows = list.rows.clone();
    let mut scripts = Scripts::from([(None, base)]);
    let mut heads = Vec::new();
    for (number, row) in rows.iter().enumerate() {
        if only.is_some_and(|only| only != number) {
            continue;
        }
        let (sheet, problem) = checker.sheet(&mut scripts, row);
        let Some(Script { series, .. }) = scripts.get_mut(&sheet) else { continue };
        let mut prepared = series.prepared(&mut Disk, row);
        if let Some(problem) = problem {
            reports.take(vec![problem], series, &prepared.sources);
            continue;
        }
        let Some(script) = scripts.get(&sheet) else { continue };
        let (mut planned, found) = checker.row(script, number, row, &mut prepared)?;
        reports.take(found, &script.series, &prepared.sources);
        planned.iter_mut().for_each(|planned| planned.sheet.clone_from(&sheet));
        heads.extend(planned);
    }
    if options.is_queue && only.is_none() {
        checker.specimen(&mut scripts, &mut reports)?;
    }
    if reports.are_wrong() {
        let error = Error::reports(reports.diagnostics, &reports.sources);
        let what = if heads.is_empty() && options.is_queue {
            ""
        } else {
            ": every row of the list must be right"
        };
        return Err(error.concluding(format!("nothing was run{what}")));
    }
    if only.is_none() {
        complain(&rendered(&reports.diagnostics, &reports.sources));
    }
    Ok(Plan { scripts, heads, fixtures })
}

/// Why a text is no serial number, and what helps.
pub(super) fn unfit_serial(serial: &str) -> Option<(String, &'static str)> {
    if serial.is_empty() {
        let what = "this row has no serial number";
        Some((what.to_string(), "write the serial number of its head"))
    } else if serial.chars().count() > MAX_SERIAL {
        let what = format!("a serial number of more than {MAX_SERIAL} characters");
        Some((what, "look whether quotes are missing"))
    } else if serial.contains(is_hidden) || serial.trim() != serial {
        let what = "this serial number has blanks around it, or invisible characters";
        Some((what.to_string(), "write it as it stands on the head"))
    } else {
        None
    }
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
    /// Stations with heads that differ by more than their serial numbers, and what stands around these.
    stations: Vec<(Place, OpenFixtures)>,
    /// Whether rows are checked against their heads.
    against_heads: bool,
}

impl<'a> Checker<'a> {
    fn new(
        options: &'a Options,
        fixtures: &'a OpenFixtures,
        against_heads: bool,
    ) -> Result<Self, Error> {
        let mut checker = Checker {
            options,
            fixtures,
            simulated: HashMap::new(),
            described: HashMap::new(),
            serials: HashMap::new(),
            memories: HashMap::new(),
            printed: HashSet::new(),
            stations: Vec::new(),
            against_heads,
        };
        let mut known: Vec<Description> = Vec::new();
        for station in &options.stations {
            let StationOption { name, address, .. } = station;
            let wrong = |error: Error| error.context(format!("station {name}"));
            let around = options.around(station).read().map_err(wrong)?;
            if against_heads {
                // The process of a head finds its station in the identity.
                options.archiving.named_at(Some(name), around.gauge()).map_err(wrong)?;
            }
            if !is_elsewhere(address) {
                let head = simulated(address, &[]).map_err(wrong)?;
                checker.stations.push((Place::Simulated(head), around));
                continue;
            }
            let described = match against_heads {
                true => checker.described(address, &around).map_err(wrong)?,
                false => None,
            };
            let alike = described.map(|it| Description { serial: String::new(), ..it.head });
            if !alike.as_ref().is_some_and(|alike| known.contains(alike)) {
                checker.stations.push((Place::Address(address.clone()), around));
            }
            known.extend(alike);
        }
        Ok(checker)
    }

    /// The data sheet of a row, read; or what is wrong with it.
    fn sheet(&self, scripts: &mut Scripts, row: &ListRow) -> (Option<String>, Option<Diagnostic>) {
        let Some(Script { series, .. }) = scripts.get(&None) else { return (None, None) };
        let way = "name a data sheet in the column `sheet`, or by `--sheet 'PATTERN=FILE.toml'`";
        let unread = match sheets::of_row(self.options, series, row) {
            Ok(sheet) if scripts.contains_key(&sheet) => return (sheet, None),
            Ok(sheet) => match Script::read(self.options, sheet.as_deref()) {
                Ok((script, _)) => {
                    scripts.insert(sheet.clone(), script);
                    return (sheet, None);
                }
                Err(error) => wrong(series, row, "sheet", error.to_string(), way),
            },
            Err(column) => wrong(series, row, column, "this head has no data sheet", way),
        };
        (None, Some(unread))
    }

    /// Checks the script against heads before a queue has a serial number, with each data sheet.
    fn specimen(&mut self, scripts: &mut Scripts, reports: &mut Reports) -> Result<(), Error> {
        let sheets = self.options.sheets.iter().map(|(_, file)| Some(file.clone()));
        let mut sheets: Vec<Option<String>> = sheets.collect();
        if sheets.is_empty() {
            sheets.push(None);
        }
        for sheet in sheets {
            if !scripts.contains_key(&sheet) {
                scripts.insert(sheet.clone(), Script::read(self.options, sheet.as_deref())?.0);
            }
            let Some(Script { series, .. }) = scripts.get_mut(&sheet) else { continue };
            let row = ListRow { line: 1, range: 0..0, cells: Vec::new() };
            let mut prepared = series.prepared(&mut Disk, &row);
            let Some(script) = scripts.get(&sheet) else { continue };
            let (_, found) = self.row(script, 0, &row, &mut prepared)?;
            reports.take(found, &script.series, &prepared.sources);
        }
        Ok(())
    }

    /// Checks a row. Fails where the same error would be reported for every row.
    fn row(
        &mut self,
        script: &Script,
        number: usize,
        row: &ListRow,
        prepared: &mut Prepared,
    ) -> Result<(Option<Planned>, Vec<Diagnostic>), Error> {
        let series = &script.series;
        let mut found = prepared.diagnostics.clone();
        if let Err(refused) = self.options.answers.read(prepared, false) {
            found.extend(refused);
        }
        let serial = self.serial(series, row, &mut found);
        let mut places = self.places(series, row, &mut found)?;
        let mut most: Option<f64> = None;
        for (number, place) in places.iter_mut().enumerate() {
            if let Place::Simulated(head) = place {
                head.serial = Some(serial.clone());
            }
            if self.against_heads {
                let longest =
                    self.fits((number, place), series, row, &serial, prepared, &mut found)?;
                most = if longest > most { longest } else { most };
            }
        }
        let wrong = found.iter().any(Diagnostic::is_error);
        let Some(place) = places.into_iter().next().filter(|_| !wrong) else {
            return Ok((None, found));
        };
        let digest = self.digest(script, row, &place);
        let planned = Planned {
            row: number,
            serial,
            sheet: None,
            earlier: Vec::new(),
            reason: None,
            folder: String::new(),
            place,
            digest,
            most,
        };
        Ok((Some(planned), found))
    }

    /// Checks a row against the head at a place; the longest head time in s that its run can take.
    fn fits(
        &mut self,
        (number, place): (usize, &Place),
        series: &Series,
        row: &ListRow,
        serial: &str,
        prepared: &Prepared,
        found: &mut Vec<Diagnostic>,
    ) -> Result<Option<f64>, Error> {
        let described = match place {
            Place::Address(address) => match self.described(address, self.fixtures)? {
                Some(described) => described,
                None => return Ok(None),
            },
            Place::Simulated(_) => {
                let around = self.stations.get(number).map_or(self.fixtures, |(_, around)| around);
                let opened = place.open_bare(Arc::default());
                match opened.and_then(|opened| Described::of(opened, around)) {
                    Ok(described) => described,
                    Err(error) => {
                        found.push(self.cannot_be_made(&error, series, row));
                        return Ok(None);
                    }
                }
            }
        };
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
        Ok(longest.and_then(|bound| bound.most))
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
    fn described(
        &mut self,
        address: &str,
        around: &OpenFixtures,
    ) -> Result<Option<Described>, Error> {
        if let Some(known) = self.described.get(address) {
            return Ok(known.clone().map(Described::from));
        }
        let place = Place::Address(address.to_string());
        let described = match place.open_bare(Arc::default()) {
            Ok(opened) => Some(Described::of(opened, around)?.head),
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
        // A specimen has no cells.
        let Some(cell) = series.cell(row, "serial") else { return String::new() };
        let serial = cell.text.as_str();
        let mut wrong = |what: &str, help| found.push(wrong(series, row, "serial", what, help));
        if let Some((what, help)) = unfit_serial(serial) {
            wrong(&what, help);
        } else if let Some(first) = self.serials.insert(serial.to_string(), row.line) {
            let what = format!("the serial number {serial} stands on line {first} already");
            wrong(&what, "each head is run once: take one of the rows out");
        }
        serial.to_string()
    }

    /// Where the head of a row may be: at the address that the row or `--head` names, or at each station. Fails
    /// where one that all rows share cannot be opened.
    fn places(
        &mut self,
        series: &Series,
        row: &ListRow,
        found: &mut Vec<Diagnostic>,
    ) -> Result<Vec<Place>, Error> {
        let faults = series.cell(row, "fault").map_or("", |cell| cell.text.as_str());
        let faults = faults.split(';').map(str::trim).filter(|fault| !fault.is_empty());
        let faults = self.options.faults.faults.iter().cloned().chain(faults.map(str::to_string));
        let faults: Vec<String> = faults.collect();
        let mut places: Vec<Place> = match self.stations.is_empty() {
            true => self.place(series, row, found)?.into_iter().collect(),
            false => self.stations.iter().map(|(place, _)| place.clone()).collect(),
        };
        for place in &mut places {
            match place {
                Place::Simulated(head) => head.faults.clone_from(&faults),
                Place::Address(_) if faults.is_empty() => {}
                Place::Address(_) => {
                    let column =
                        if series.cell(row, "fault").is_some() { "fault" } else { "serial" };
                    let what = "this head is not made here, so that it cannot be made to fail here";
                    let way = "give faults to the server of the head";
                    found.push(wrong(series, row, column, what, way));
                    return Ok(Vec::new());
                }
            }
        }
        Ok(places)
    }

    /// The place that a row or `--head` names.
    fn place(
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
        if is_elsewhere(address) {
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
        Ok(Some(Place::Simulated(known)))
    }

    /// Digest of all that makes a head of the list what it is. Stations may change meanwhile.
    fn digest(&self, script: &Script, row: &ListRow, place: &Place) -> String {
        let mut parts = if self.stations.is_empty() { place.parts() } else { Vec::new() };
        parts.extend(script.sheet_text());
        for (column, cell) in script.series.list().columns.iter().zip(&row.cells) {
            parts.extend([column.text.clone(), cell.text.clone()]);
        }
        digest_of(parts.iter().map(String::as_str))
    }
}
