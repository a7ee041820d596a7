//! A table: a CSV file whose first row names the columns with their units, as in `at [mm],height [um]`.
//! Every cell is checked, and what is wrong with it is reported in its place.

use crate::check::advice::count;
use crate::diagnostics::{Diagnostic, Help, codes};
use crate::program::table::Table;
use crate::program::types::{RecordType, Type};
use crate::program::value::{Object, Value};
use crate::session::cells::{Cell, Reading, Row};
use crate::source::{SourceId, Span, shortened};
use core::ops::Range;
use spintrue_head::{Dimension, UnitError, UnitText, cell_number, parse_unit};
use std::rc::Rc;
use std::sync::Arc;

/// Most cells of a table.
const MAX_CELLS: usize = 1_000_000;

/// Most reports on one table.
const MAX_REPORTS: usize = 20;

const HEADER: &str = "the first row names each column with its unit, as in `at [mm],height [um]`; \
                      `[1]` is a plain number, `[text]` a text, `[flag]` true or false";

/// What the cells of a column hold.
#[derive(Clone, Debug)]
enum Holds {
    Number(Option<Rc<UnitText>>),
    /// Numbers, parted by blanks.
    List(Option<Rc<UnitText>>),
    Flag,
    Text,
}

struct Column {
    /// Its name, and behind points the fields inside it.
    path: Vec<Arc<str>>,
    holds: Holds,
    range: Range<usize>,
    /// The header says what it holds.
    is_said: bool,
}

/// Reads a table that is named at `used`: its rows, as far as its columns can be made out, and everything
/// wrong with it.
pub(super) fn read(source: SourceId, text: &str, used: Span) -> (Option<Table>, Vec<Diagnostic>) {
    let first = text.lines().find(|line| !line.is_empty()).unwrap_or("");
    let separators = [',', ';', '\t'];
    let separator = separators.into_iter().find(|one| first.contains(*one)).unwrap_or(',');
    let (code, problems) = (codes::BAD_TABLE, Vec::new());
    let mut reading = Reading { source, text, separator, code, problems };
    let table = table(&mut reading);
    let mut problems = reading.problems;
    let more = problems.len().saturating_sub(MAX_REPORTS);
    problems.truncate(MAX_REPORTS);
    if let (Some(last), true) = (problems.last_mut(), more > 0) {
        last.help.push(Help::new(format!("{more} more places of this table are wrong")));
    }
    if let Some(first) = problems.first_mut() {
        *first = first.clone().label(used, "read here");
    }
    (table, problems)
}

fn table(reading: &mut Reading<'_>) -> Option<Table> {
    let mut rows = reading.rows(MAX_CELLS + 1).into_iter();
    let Some(header) = rows.next() else {
        if reading.problems.is_empty() {
            reading.wrong(0..0, "this table is empty", HEADER);
        }
        return None;
    };
    let rows: Vec<Row> = rows.collect();
    // A broken first row tells nothing of the columns.
    if rows.is_empty() && !reading.problems.is_empty() {
        return None;
    }
    let mut columns = columns(reading, header, &rows)?;
    if rows.iter().map(|row| row.cells.len()).sum::<usize>() > MAX_CELLS {
        let help = "take a part of it, or fewer columns";
        reading.wrong(0..0, format!("this table has more than {MAX_CELLS} cells"), help);
        return None;
    }
    let written = names(&columns, 0);
    let mut order: Vec<usize> = (0..columns.len()).collect();
    let path = |at: &usize| columns.get(*at).map(|column| &column.path);
    order.sort_by(|a, b| path(a).cmp(&path(b)));
    let mut object = Object::default();
    for row in &rows {
        if fits(reading, row, columns.len()) {
            for at in &order {
                let (Some(column), Some(cell)) = (columns.get(*at), row.cells.get(*at)) else {
                    continue;
                };
                value(reading, column, cell, &mut object);
            }
        }
    }
    let units = columns.iter().filter(|column| column.path.len() == 1).filter_map(|column| {
        let (Holds::Number(Some(unit)) | Holds::List(Some(unit))) = &column.holds else {
            return None;
        };
        Some((column.path.first()?.clone(), unit.clone()))
    });
    let units = Rc::new(units.collect());
    columns.sort_by(|a, b| a.path.cmp(&b.path));
    let kind = Type::Record(Rc::new(record(&columns, 0, written))).list();
    Some(Table { kind, rows: Value::Object(Rc::new(object)), units })
}

/// The names at a depth of their paths, in the order of the file.
fn names(columns: &[Column], depth: usize) -> Vec<Arc<str>> {
    let mut names: Vec<Arc<str>> = Vec::new();
    for name in columns.iter().filter_map(|column| column.path.get(depth)) {
        if !names.contains(name) {
            names.push(name.clone());
        }
    }
    names
}

/// The record of columns that are sorted by their paths and alike up to a depth.
fn record(columns: &[Column], depth: usize, written: Vec<Arc<str>>) -> RecordType {
    let name = |column: &Column| column.path.get(depth).cloned();
    let fields = columns.chunk_by(|a, b| name(a) == name(b)).filter_map(|group| {
        let first = group.first()?;
        let inner = || Type::Record(Rc::new(record(group, depth + 1, names(group, depth + 1))));
        let kind = if first.path.len() == depth + 1 { first.holds.kind() } else { inner() };
        Some((name(first)?, kind))
    });
    RecordType { name: None, fields: fields.collect(), written }
}

impl Holds {
    fn kind(&self) -> Type {
        match self {
            Holds::Number(Some(unit)) => Type::in_unit(unit),
            Holds::Number(None) => Type::NUMBER,
            Holds::List(unit) => Holds::Number(unit.clone()).kind().list(),
            Holds::Flag => Type::Flag,
            Holds::Text => Type::Text,
        }
    }
}

/// The columns; none where one of them cannot be made out.
fn columns(reading: &mut Reading<'_>, header: Row, rows: &[Row]) -> Option<Vec<Column>> {
    let first = header.cells.first().map_or("", |cell| cell.text.as_str());
    let is_remark = first.starts_with('#') || first.starts_with("sep=");
    let help = match is_remark {
        true => "leave this line out: a table has neither comments nor settings",
        false => "put a row with the names of the columns above it",
    };
    let is_data = header.cells.iter().all(|cell| number(&cell.text, None).is_some());
    if is_data || is_remark {
        let headline = "the first row does not name the columns";
        reading.wrong(header.range, headline, &format!("{help}; {HEADER}"));
        return None;
    }
    let before = reading.problems.len();
    let mut columns: Vec<Column> = Vec::new();
    for (at, cell) in header.cells.iter().enumerate() {
        // An empty cell tells nothing, where another one of the column does.
        let mut cells = rows.iter().filter_map(|row| row.cells.get(at));
        let first = cells.clone().next();
        let below = cells.find(|cell| !cell.text.is_empty()).or(first);
        let Some(column) = column(reading, cell, below) else { continue };
        let is_within = |one: &[Arc<str>], other: &[Arc<str>]| one.starts_with(other);
        let twice = columns.iter().find(|known| {
            is_within(&known.path, &column.path) || is_within(&column.path, &known.path)
        });
        if let Some(twice) = twice {
            let (one, other) = (twice.path.join("."), column.path.join("."));
            let headline = match one == other {
                true => format!("there are two columns `{one}`"),
                false => format!(
                    "`{one}` and `{other}` cannot both be columns: one is a part of the other"
                ),
            };
            let (first, again) = (twice.range.clone(), column.range.clone());
            reading.twice(first, again, headline, "give one of them another name, or take it out");
        }
        columns.push(column);
    }
    (reading.problems.len() == before).then_some(columns)
}

fn column(reading: &mut Reading<'_>, cell: &Cell, below: Option<&Cell>) -> Option<Column> {
    let range = cell.range.clone();
    if cell.text.is_empty() {
        reading.wrong(range, "this column has no name", HEADER);
        return None;
    }
    let inside = cell.text.strip_suffix(']').and_then(|text| text.split_once('['));
    let (name, unit) = match inside {
        Some((name, unit)) => (name.trim(), Some(unit.trim())),
        None => (cell.text.as_str(), None),
    };
    let path: Vec<Arc<str>> = name.split('.').map(Arc::from).collect();
    if !path.iter().all(|part| is_name(part)) {
        let headline = format!("`{name}` is no name of a field");
        reading.wrong(range, headline, &format!("write {}; {HEADER}", better(&cell.text)));
        return None;
    }
    let holds = match unit {
        Some("text") => Holds::Text,
        Some("flag") => Holds::Flag,
        Some(said) => match of_unit(said) {
            Ok(holds) => holds,
            Err(error) => {
                let help = match &error {
                    UnitError::Unknown { near: Some(near), .. } => {
                        format!("did you mean `{near}`?")
                    }
                    _ => format!("`spintrue units` lists all units; {HEADER}"),
                };
                reading.wrong(range, error.to_string(), &help);
                return None;
            }
        },
        None => match below {
            Some(below) => guessed(&below.text),
            None => {
                let headline = format!("nothing tells what the column `{name}` holds");
                reading.wrong(range, headline, HEADER);
                return None;
            }
        },
    };
    Some(Column { path, holds, range, is_said: unit.is_some() })
}

/// What a unit in the header says: `mm`, `1`, `list of mm`.
fn of_unit(said: &str) -> Result<Holds, UnitError> {
    let (unit, is_list) = match said.strip_prefix("list of ") {
        Some(unit) => (unit.trim(), true),
        None => (said, false),
    };
    let unit = match unit {
        "1" => None,
        unit => Some(Rc::new(parse_unit(&unit.replace(['\u{B5}', '\u{3BC}'], "u"))?)),
    };
    Ok(if is_list { Holds::List(unit) } else { Holds::Number(unit) })
}

/// What a column without brackets holds, by its first cell: a number may not begin with a needless zero,
/// as serial numbers do.
fn guessed(text: &str) -> Holds {
    let digits = text.trim_start_matches('-');
    let padded =
        digits.starts_with('0') && digits.as_bytes().get(1).is_some_and(u8::is_ascii_digit);
    match flag(text) {
        Some(_) => Holds::Flag,
        None if padded || number(text, None).is_none() => Holds::Text,
        None => Holds::Number(None),
    }
}

fn is_name(text: &str) -> bool {
    let mut characters = text.chars();
    let begins = |c: char| c == '_' || unicode_ident::is_xid_start(c);
    characters.next().is_some_and(begins) && characters.all(unicode_ident::is_xid_continue)
}

/// A header that may be meant: `at [mm]` for `at (mm)`, `at/mm` and `at in mm`.
fn better(text: &str) -> String {
    let parts = || text.rsplit_once(" in ").or_else(|| text.rsplit_once([' ', '_']));
    let quotient = || text.split_once('/').or_else(parts);
    let pair = text.strip_suffix(')').and_then(|text| text.split_once('(')).or_else(quotient);
    let unit_first = text.strip_prefix('[').and_then(|text| text.split_once(']'));
    let pair = unit_first.map(|(unit, name)| (name, unit)).or(pair);
    let pair = pair.filter(|(_, unit)| parse_unit(unit.trim()).is_ok());
    let (name, unit) = match (pair, text.split_once('[')) {
        (Some((name, unit)), _) => (name, format!(" [{}]", unit.trim())),
        (None, Some((name, rest))) => (name, format!(" [{}]", rest.trim_end_matches(']'))),
        (None, None) => (text, String::new()),
    };
    let letter = |c: char| if unicode_ident::is_xid_continue(c) { c } else { '_' };
    let name: String = name.trim().chars().map(letter).collect();
    let name = name.trim_matches('_');
    let name = if is_name(name) { name.to_string() } else { format!("c_{name}") };
    format!("`{name}{unit}`")
}

/// Whether a row has a cell for each column, and is not empty.
fn fits(reading: &mut Reading<'_>, row: &Row, wanted: usize) -> bool {
    let has = row.cells.len();
    if row.cells.iter().all(|cell| cell.text.is_empty()) && (wanted > 1 || has > 1) {
        reading.wrong(row.range.clone(), "this row is empty", "take it out");
        return false;
    }
    if has == wanted {
        return true;
    }
    let beyond = row.cells.get(wanted..).unwrap_or_default();
    let place = beyond.first().map_or(row.range.clone(), |cell| cell.range.clone());
    let help = if !beyond.is_empty() && beyond.iter().all(|cell| cell.text.is_empty()) {
        "a separator at the end of a row begins another cell: take it away"
    } else if has > wanted && reading.separator == ',' {
        "a comma parts two cells: write numbers with a point and without grouping, and quotes around a \
         text that holds a comma"
    } else {
        "every row has a cell for every column"
    };
    let (has, wanted) = (count(has, "cell"), count(wanted, "column"));
    reading.wrong(place, format!("this row has {has}, and the header names {wanted}"), help);
    false
}

/// Puts the value of a cell behind those before it.
fn value(reading: &mut Reading<'_>, column: &Column, cell: &Cell, into: &mut Object) {
    let text = cell.text.as_str();
    let word = match &column.holds {
        Holds::Text => {
            into.refs.push(Value::text(unguarded(text)));
            return;
        }
        Holds::List(unit) => {
            let read = |text| number(text, unit.as_deref()).ok_or(text);
            match text.split_whitespace().map(read).collect::<Result<Vec<f64>, _>>() {
                Ok(numbers) => into.refs.push(Value::words(numbers)),
                Err(wrong) => {
                    // `0 mm` is one thing to its author.
                    let before = text.split(wrong).next().and_then(|t| t.split_whitespace().last());
                    let before = before.filter(|_| parse_unit(wrong).is_ok());
                    let whole =
                        before.map_or(wrong.to_string(), |before| format!("{before} {wrong}"));
                    let (headline, help) = no_number(&whole, unit.as_deref());
                    let help = format!("{help}; blanks part the numbers of a list");
                    reading.wrong(cell.range.clone(), headline, &help);
                }
            }
            return;
        }
        Holds::Flag => flag(text).map(f64::from),
        Holds::Number(unit) => number(text, unit.as_deref()),
    };
    if word.is_none() {
        let (headline, mut help) = match &column.holds {
            Holds::Number(unit) => no_number(text, unit.as_deref()),
            _ if text.is_empty() => missing(),
            _ => (format!("`{}` is no flag", short(text)), "write `true` or `false`".to_string()),
        };
        if !column.is_said {
            let name = column.path.join(".");
            help.push_str(&format!(
                "; the first cell of this column tells its kind, unless the header does: `{name} [text]`"
            ));
        }
        reading.wrong(cell.range.clone(), headline, &help);
    }
    into.words.push(word.unwrap_or(f64::NAN));
}

fn flag(text: &str) -> Option<bool> {
    let is = |word: &str| text.eq_ignore_ascii_case(word);
    if is("true") { Some(true) } else { is("false").then_some(false) }
}

/// A number; that none is there stands as a word, as an empty cell would look like a gap.
fn number(text: &str, unit: Option<&UnitText>) -> Option<f64> {
    match text {
        "NaN" | "nan" => return Some(f64::NAN),
        "inf" => return Some(f64::INFINITY),
        "-inf" => return Some(f64::NEG_INFINITY),
        _ => {}
    }
    let plain =
        UnitText { text: String::new(), dimension: Dimension::NUMBER, factor: 1.0, zero: 0.0 };
    Some(cell_number(text, unit.unwrap_or(&plain))).filter(|value| value.is_finite())
}

fn missing() -> (String, String) {
    let help = "a table has no gaps: write the value, or `NaN` where there is no number";
    ("this cell is empty".to_string(), help.to_string())
}

/// Why a cell is no number, and what to do.
fn no_number(text: &str, unit: Option<&UnitText>) -> (String, String) {
    if text.is_empty() {
        return missing();
    }
    let said = short(text);
    let bare: String = text
        .chars()
        .filter(|c| !matches!(c, '\'' | '\u{2019}' | '_') && !c.is_whitespace())
        .collect();
    let bare = bare.replace('\u{2212}', "-");
    let is_number = |text: &str| number(text, None).is_some();
    let signed = text.trim_start_matches(['-', '+', '\u{2212}']);
    let words = ["nan", "na", "n/a", "inf", "infinity", "null", "none", "-", ""];
    if words.iter().any(|word| signed.eq_ignore_ascii_case(word)) || text.starts_with('#') {
        let help = "write the value that was measured, or `NaN` where there is no number";
        return (format!("`{said}` is no number"), help.to_string());
    }
    if text.parse::<f64>().is_ok_and(f64::is_infinite) || is_number(text) {
        let help = "the largest is about `1.79e308` in SI units";
        return (format!("`{said}` is too large"), help.to_string());
    }
    if is_number(&bare) {
        return (format!("`{said}` is no plain number"), format!("write `{bare}`"));
    }
    if bare.contains(',') && is_number(&bare.replace([',', '.'], "")) {
        let commas = bare.matches(',').count();
        let (point, grouped) = (bare.replace(',', "."), bare.replace(',', ""));
        let thousands = bare.split_once(',').is_some_and(|(_, rest)| rest.len() == 3);
        let help = if commas == 1 && !bare.contains('.') && thousands {
            format!(
                "write `{grouped}` where the comma groups digits, `{point}` where it is a decimal comma"
            )
        } else if commas == 1 && !bare.contains('.') {
            format!("write a decimal point: `{point}`")
        } else {
            "write a decimal point, and digits without grouping".to_string()
        };
        return (format!("`{said}` has a comma"), help);
    }
    let digits = text.trim_end_matches(|c: char| !c.is_ascii_digit());
    let rest = text.get(digits.len()..).unwrap_or("").trim();
    let is_unit = !rest.is_empty() && (rest.starts_with('°') || parse_unit(rest).is_ok());
    if is_number(digits) && is_unit {
        let header = unit.map_or("1", |unit| &unit.text);
        let help =
            format!("write the number alone; the header says `[{header}]` for the whole column");
        return (format!("`{said}` has a unit of its own"), help);
    }
    (
        format!("`{said}` is no number"),
        "write digits with a point, as in `-1.5` or `2e-3`".to_string(),
    )
}

/// The beginning of a text, on one line.
fn short(text: &str) -> String {
    shortened(text, 30)
}

/// A text without the apostrophe that keeps a spreadsheet from taking it for a formula.
fn unguarded(text: &str) -> &str {
    text.strip_prefix('\'').filter(|rest| is_guarded(rest)).unwrap_or(text)
}

/// Whether a text gets an apostrophe where a table is written: it looks like a formula, or like a text
/// that has one for that reason.
pub fn is_guarded(text: &str) -> bool {
    let first = ['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠'];
    text.trim_start_matches('\'').starts_with(first) && text.parse::<f64>().is_err()
}
