//! `table_NAME.csv`: recorded lists of records, a file for each label, written when they are recorded.
//! `table` of a script reads them.

use crate::error::Error;
use crate::record::cell::cell;
use crate::record::folder::{Folder, Stream};
use spintrue_head::{UnitText, cell_text, parse_unit};
use spintrue_language::Shown;
use std::sync::Arc;

/// Most tables of a record.
const MAX_TABLES: usize = 200;

/// Longest name of a label in the name of a file, in characters.
const MAX_NAME: usize = 60;

type Fields = [(Arc<str>, Shown)];

/// The tables of a record.
#[derive(Default)]
pub(super) struct Tables(Vec<Table>);

struct Table {
    label: String,
    columns: Vec<Column>,
    file: Stream,
}

/// A column: where its values lie in a row, and the unit of numbers.
#[derive(Clone, PartialEq)]
struct Column {
    path: Vec<Arc<str>>,
    holds: Holds,
}

#[derive(Clone, PartialEq)]
enum Holds {
    Number(Option<UnitText>),
    /// Numbers, parted by blanks.
    List(Option<UnitText>),
    /// A list of which no row has an element.
    Empty,
    Flag,
    Text,
}

impl Tables {
    /// Adds the rows of a recorded value, if it is a list of records. The first list of a label decides
    /// the units; one with other fields begins another file.
    pub(super) fn add(&mut self, folder: &Folder, label: &str, shown: &Shown) -> Result<(), Error> {
        let Some(rows) = rows(shown) else { return Ok(()) };
        let columns = columns_of(&rows);
        let is_empty = |column: &Column| column.holds == Holds::Empty;
        let alike = |table: &&mut Table| {
            let known = |column: &&Column| table.columns.iter().any(|one| one.path == column.path);
            let mine: Vec<_> = columns.iter().filter(|c| !is_empty(c) || known(c)).collect();
            table.label == label
                && table.columns.len() == mine.len()
                && table.columns.iter().zip(mine).all(|(one, other)| one.is_like(other))
        };
        if columns.iter().all(is_empty) {
            return Ok(());
        }
        if self.0.iter_mut().find(alike).is_none() {
            if self.0.len() >= MAX_TABLES {
                return Ok(());
            }
            let columns: Vec<_> = columns.iter().filter(|c| !is_empty(c)).cloned().collect();
            let mut file = folder.stream(&self.free_name(label))?;
            file.write(line(columns.iter().map(Column::head)).as_bytes())?;
            self.0.push(Table { label: label.to_string(), columns, file });
        }
        if let Some(table) = self.0.iter_mut().find(alike) {
            for row in rows {
                let cells = table.columns.iter().map(|column| column.cell(row));
                table.file.write(line(cells).as_bytes())?;
            }
        }
        Ok(())
    }

    /// Hands what waits to the operating system.
    pub(super) fn flush(&mut self) -> Result<(), Error> {
        self.0.iter_mut().try_for_each(|table| table.file.flush())
    }

    /// The files, complete.
    pub(super) fn into_files(self) -> impl Iterator<Item = Stream> {
        self.0.into_iter().map(|table| table.file)
    }

    /// A name that no file has yet, on disks that take letters of any size for the same as well.
    fn free_name(&self, label: &str) -> String {
        let word = |c: char| if c.is_alphanumeric() { c } else { '_' };
        let word: String = label.chars().take(MAX_NAME).map(word).collect();
        let names = std::iter::once(format!("table_{word}.csv"));
        let mut names = names.chain((2_u32..).map(|again| format!("table_{word}_{again}.csv")));
        let taken = |name: &String| {
            let known = self.0.iter().map(|table| table.file.name().to_lowercase());
            known.into_iter().any(|known| known == name.to_lowercase())
        };
        names.find(|name| !taken(name)).unwrap_or_default()
    }
}

fn rows(shown: &Shown) -> Option<Vec<&Fields>> {
    let Shown::List(items) = shown else { return None };
    let rows = items.iter().map(|item| match item {
        Shown::Record(fields) => Some(fields.as_slice()),
        _ => None,
    });
    rows.collect()
}

/// A list of records as a whole table, and how many rows it has; none where it has nothing that a cell holds.
pub(crate) fn table_csv(shown: &Shown) -> Option<(usize, String)> {
    let rows = rows(shown)?;
    let mut columns = columns_of(&rows);
    columns.retain(|column| column.holds != Holds::Empty);
    if columns.is_empty() {
        return None;
    }
    let lines = rows.iter().map(|row| line(columns.iter().map(|column| column.cell(row))));
    Some((rows.len(), line(columns.iter().map(Column::head)) + &lines.collect::<String>()))
}

/// The columns of rows: those of the first, whose empty lists a later row explains.
fn columns_of(rows: &[&Fields]) -> Vec<Column> {
    let mut columns = rows.first().map_or(Vec::new(), |row| columns(row, &[]));
    for column in columns.iter_mut().filter(|column| column.holds == Holds::Empty) {
        let items = rows.iter().find_map(|row| match column.of(row) {
            Some(Shown::List(items)) => items.first(),
            _ => None,
        });
        if let Some(Holds::Number(unit)) = items.and_then(holds) {
            column.holds = Holds::List(unit);
        }
    }
    columns
}

/// The columns of a row in its order; records inside it lie spread out, lists of anything but numbers have none.
fn columns(row: &Fields, above: &[Arc<str>]) -> Vec<Column> {
    let mut all = Vec::new();
    for (name, shown) in row {
        let path = [above, std::slice::from_ref(name)].concat();
        let holds = match shown {
            Shown::Record(fields) => {
                all.extend(columns(fields, &path));
                continue;
            }
            Shown::List(items) => match items.first().map(holds) {
                None => Holds::Empty,
                Some(Some(Holds::Number(unit))) => Holds::List(unit),
                Some(_) => continue,
            },
            plain => match holds(plain) {
                Some(holds) => holds,
                None => continue,
            },
        };
        all.push(Column { path, holds });
    }
    all
}

/// What a column of such values holds; none of lists and records.
fn holds(shown: &Shown) -> Option<Holds> {
    Some(match shown {
        Shown::Quantity { asked: Some(asked), .. } => Holds::Number(Some((**asked).clone())),
        Shown::Quantity { unit, .. } => Holds::Number(parse_unit(unit).ok()),
        Shown::Flag(_) => Holds::Flag,
        Shown::Text(_) => Holds::Text,
        Shown::List(_) | Shown::Record(_) => return None,
    })
}

/// A number in a unit, and a word for what is none: an empty cell would look like a gap.
fn number(value: f64, unit: Option<&UnitText>) -> String {
    match unit {
        _ if value.is_nan() => "NaN".to_string(),
        _ if value.is_infinite() => if value > 0.0 { "inf" } else { "-inf" }.to_string(),
        Some(unit) => cell_text(value, unit),
        None => format!("{value}"),
    }
}

impl Column {
    /// The same field of the same kind, in whatever unit.
    fn is_like(&self, other: &Column) -> bool {
        let kind = |holds: &Holds| match holds {
            Holds::Number(unit) => (0, unit.as_ref().map(|u| (u.dimension, u.is_absolute()))),
            Holds::Flag => (1, None),
            Holds::Text => (2, None),
            Holds::List(unit) => (3, unit.as_ref().map(|u| (u.dimension, u.is_absolute()))),
            Holds::Empty => (4, None),
        };
        let is_list = |column: &Column| matches!(column.holds, Holds::List(_) | Holds::Empty);
        if self.path == other.path && other.holds == Holds::Empty && is_list(self) {
            return true;
        }
        let plain = |(sort, unit): (u8, Option<(spintrue_head::Dimension, bool)>)| {
            (sort, unit.filter(|(dimension, _)| !dimension.is_number()))
        };
        self.path == other.path && plain(kind(&self.holds)) == plain(kind(&other.holds))
    }

    fn head(&self) -> String {
        let unit = match &self.holds {
            Holds::Number(Some(unit)) => unit.text.clone(),
            Holds::List(Some(unit)) => format!("list of {}", unit.text),
            Holds::List(None) => "list of 1".to_string(),
            Holds::Number(None) => "1".to_string(),
            Holds::Flag => "flag".to_string(),
            Holds::Text | Holds::Empty => "text".to_string(),
        };
        format!("{} [{unit}]", self.path.join("."))
    }

    /// What a row has there.
    fn of<'r>(&self, row: &'r Fields) -> Option<&'r Shown> {
        let mut fields = row;
        for name in &self.path {
            match fields.iter().find(|(field, _)| field == name)? {
                (_, Shown::Record(inner)) => fields = inner,
                (_, shown) => return Some(shown),
            }
        }
        None
    }

    fn cell(&self, row: &Fields) -> String {
        match (self.of(row), &self.holds) {
            (Some(Shown::Quantity { value, .. }), Holds::Number(unit)) => {
                number(*value, unit.as_ref())
            }
            (Some(Shown::List(items)), Holds::List(unit)) => {
                let numbers = items.iter().filter_map(|item| match item {
                    Shown::Quantity { value, .. } => Some(number(*value, unit.as_ref())),
                    _ => None,
                });
                numbers.collect::<Vec<_>>().join(" ")
            }
            (Some(Shown::Flag(flag)), _) => flag.to_string(),
            (Some(Shown::Text(text)), _) => cell(text).into_owned(),
            _ => String::new(),
        }
    }
}

/// A line by RFC 4180. What a reader would trim or skip has quotes as well.
fn line(cells: impl Iterator<Item = String>) -> String {
    let quoted = |cell: String| {
        let is_special = cell.contains([',', '"', '\r', '\n']) || cell.trim() != cell;
        if is_special || cell.is_empty() {
            format!("\"{}\"", cell.replace('"', "\"\""))
        } else {
            cell
        }
    };
    let mut line = cells.map(quoted).collect::<Vec<_>>().join(",");
    line.push_str("\r\n");
    line
}
